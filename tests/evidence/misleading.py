"""Misleading changes to a sealed review, generated; how many `verify` finds.

    python tests/evidence/misleading.py [--each N] [--seed N] [--source small|full|german-demo]

Each change is made by a forger without the author's key who puts right whatever can be put right:
the page made again from its notebook, the hash of the claims, sizes and hashes in descriptions and
manifests (`mend_all`). A finding counts only if it names the file that was changed, and the
signature only where the seal itself was changed. The classes are those named in an outside trial of
`verify`: cells, words, code, charts, tables, hidden parts, links, descriptions, rows, seals. Prints
a line a class, and the sum.
"""

from __future__ import annotations

import argparse
import atexit
import base64
import hashlib
import itertools
import json
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from damage import (
    CLAIMS,
    FORGER,
    NOTEBOOK,
    PROJECT,
    REPORT,
    Spoiled,
    author_key,
    sign,
    with_store,
)

import kit.archive.remake as remake
from kit.archive.bag import MANIFEST, TAG_MANIFEST, manifest_bytes
from kit.archive.signature import SSH, TIME, sign_manifest, time_query
from kit.archive.verifying import verify_bag
from kit.errors import KitError
from kit.page.assemble import build_page
from kit.trace import file_sha256

FILES = ("data/tables/*.csv", "data/charts/*.csv", "data/charts/*.svg")
PACKAGE, CRATE, INFO = TAGS = ("datapackage.json", "ro-crate-metadata.json", "bag-info.txt")
KIT_FILES = ("data/README.txt", "data/methods.json", "data/methods.md", "data/method-vectors.json",
             "data/environment/lock.txt", "data/schemas/*.json", "data/second_opinion.py")  # fmt: skip
PART = "data/bench/journal-part.jsonl"
SECOND = "signature/second-desk.sshsig"
SHOUT = "131 % faster in every title"
Change = Callable[[Spoiled], str]  # returns the file that must be named


def put(path: str, old: str, new: str) -> Change:
    """Replace one place of a file, drawn among those where `old` (a pattern) fits."""

    def change(bag: Spoiled) -> str:
        here = bag.pick(path)
        text = bag.read(here).decode()
        start = text.index("<body>") if here == REPORT else 0
        found = list(re.finditer(old, text[start:], re.DOTALL | re.MULTILINE))
        if not found:
            raise LookupError(f"{old} fits nowhere in {here}")
        one = bag.draw.choice(found)
        whole = text[: start + one.start()] + one.expand(new) + text[start + one.end() :]
        if whole == text:
            raise LookupError(f"{old} changes nothing in {here}")
        bag.write(here, whole.encode())
        return here

    return change


def in_page(old: str, new: str) -> Change:
    return put(REPORT, old, new)


def one_of(*changes: Change) -> Change:
    return lambda bag: bag.draw.choice(changes)(bag)


def in_both(old: str, new: str) -> Change:
    """Change the same words in page and notebook, where both have them."""

    def change(bag: Spoiled) -> str:
        page, notebook = bag.read(REPORT).decode(), bag.read(NOTEBOOK).decode()
        body = page[page.index("<body>") :]
        words = [m for m in re.finditer(old, body) if m[0] in notebook]
        one = bag.draw.choice(words)
        other = one.expand(new)
        bag.write(REPORT, page.replace(one[0], other).encode())
        bag.write(NOTEBOOK, notebook.replace(one[0], other).encode())
        return REPORT

    return change


Cells = list[dict[str, Any]]


def in_cells(change_cells: Callable[[Cells, random.Random], None]) -> Change:
    """Change cells of the notebook, and make the page again from it, as the kit would."""

    def change(bag: Spoiled) -> str:
        notebook = json.loads(bag.read(NOTEBOOK))
        change_cells(notebook["cells"], bag.draw)
        text = json.dumps(notebook, indent=1, ensure_ascii=False, sort_keys=True)
        bag.write(NOTEBOOK, f"{text}\n".encode())
        try:
            bag.write(REPORT, build_page(notebook).encode())
        except KitError:
            raise LookupError("no page can be made of it") from None
        return NOTEBOOK

    return change


def cell_in(source: str, *, name: str = "own", kind: str = "code") -> Change:
    """Put a cell of one's own into the notebook."""
    output = {"data": {"text/html": f"<p>{SHOUT}</p>"}, "metadata": {},
              "output_type": "display_data"}  # fmt: skip
    cell: dict[str, Any] = {"cell_type": kind, "id": name, "metadata": {}, "source": source}
    if kind == "code":
        cell |= {"execution_count": 1, "outputs": [output]}

    def put_in(cells: Cells, draw: random.Random) -> None:
        cells[:] = [other for other in cells if other["id"] != name]
        cells.insert(draw.randrange(4, len(cells) - 1), cell)

    return in_cells(put_in)


def showing(cells: Cells, *, words: str = "") -> Cells:
    """Return the cells that show something of the review, or have words in what they show."""
    return [c for c in cells if c.get("outputs") and words in json.dumps(c["outputs"])][:-1]


def cell_out(cells: Cells, draw: random.Random) -> None:
    cells.remove(draw.choice([*showing(cells), *(c for c in cells if "outputs" not in c)]))


def cells_turned(cells: Cells, draw: random.Random) -> None:
    one, other = sorted(draw.sample(range(5, len(cells) - 1), 2))
    cells[one], cells[other] = cells[other], cells[one]


def output_of(add: str, old: str = "", new: str = "", *, of: str = "") -> Change:
    """Change what a cell shows (`old`, a pattern, or something more at its end), and its code."""

    def change_one(cells: Cells, draw: random.Random) -> None:
        fit = [c for c in showing(cells) if (c["id"] == of if of else True)]
        if old:
            fit = [c for c in fit if re.search(old, shown_in(c))]
        cell = draw.choice(fit)
        data = cell["outputs"][0]["data"]
        text = shown_in(cell)
        if old:
            place = draw.choice(list(re.finditer(old, text)))
            text = text[: place.start()] + place.expand(new) + text[place.end() :]
        else:
            text = text.removesuffix("</div>") + f"<p>{SHOUT}</p></div>"
        data["text/html"] = text
        cell["source"] = add.replace("CODE", "".join(cell["source"]))

    return in_cells(change_one)


def shown_in(cell: dict[str, Any]) -> str:
    return "".join(cell["outputs"][0]["data"].get("text/html", ""))


def code_of(new: str) -> Change:
    """Show code that did not run: the output stays as it was."""

    def change_one(cells: Cells, draw: random.Random) -> None:
        cell = draw.choice([c for c in cells if c["cell_type"] == "code"])
        cell["source"] = new.replace("CODE", "".join(cell["source"]))

    return in_cells(change_one)


def digit_in(*patterns: str) -> Change:
    """Change one digit of a file drawn among those that fit."""

    def change(bag: Spoiled) -> str:
        path = bag.pick(bag.draw.choice(patterns))
        text = bag.read(path).decode()
        stated = re.match("Bagging-Date:.*", text)  # stated by whoever bags; nothing tells it
        after = stated.end() if stated else 0
        place = bag.draw.choice(
            [m.start() for m in re.finditer("[0-9]", text) if m.start() >= after]
        )
        digit = str((int(text[place]) + bag.draw.randrange(1, 10)) % 10)
        bag.write(path, (text[:place] + digit + text[place + 1 :]).encode())
        return path

    return change


def appended(words: str, *patterns: str) -> Change:
    def change(bag: Spoiled) -> str:
        path = bag.pick(bag.draw.choice(patterns))
        bag.write(path, bag.read(path) + words.encode())
        return path

    return change


def stranger(*names: str, listed: bool = False) -> Change:
    """Put a file of one's own in; `listed`: among the files the notebook says it wrote."""

    def change(bag: Spoiled) -> str:
        path = bag.draw.choice(names)
        bag.write(path, b"Nothing to see here.\n")
        if listed:
            notebook = json.loads(bag.read(NOTEBOOK))
            files = notebook["metadata"]["marginbook"]["files"]
            notebook["metadata"]["marginbook"]["files"] = sorted([*files, path[len("data/") :]])
            text = json.dumps(notebook, indent=1, ensure_ascii=False, sort_keys=True)
            bag.write(NOTEBOOK, f"{text}\n".encode())
        return path

    return change


def gone(*patterns: str) -> Change:
    def change(bag: Spoiled) -> str:
        path = bag.pick(bag.draw.choice(patterns))
        (bag.folder / path).unlink()
        return path

    return change


def swapped(pattern: str) -> Change:
    """Give two files each other's content."""

    def change(bag: Spoiled) -> str:
        one = bag.pick(pattern)
        first, alike = bag.read(one), (bag.folder / one).parent.glob(f"*{Path(one).suffix}")
        other = bag.draw.choice([p for p in sorted(alike) if p.read_bytes() != first])
        second = other.read_bytes()
        bag.write(one, second)
        other.write_bytes(first)
        return one

    return change


def row_in(place: str, **cells: str) -> Change:
    """Name a file of one's own in the run sheet, as the log of a run; cells from a row drawn."""

    def change(bag: Spoiled) -> str:
        bag.write("data/bench/logs/advert.csv", b"frame,took_ms\n1,1\n")
        sheet = bag.read("data/bench/runs.csv").decode()
        lines = sheet.splitlines()
        head = lines[0].split(",")
        drawn = dict(zip(head, bag.draw.choice(lines[1:]).split(","), strict=False))
        row = {**drawn, "run": "own-1", "log": "logs/advert.csv", **cells}
        line = ",".join(row.get(name, "") for name in head)
        bag.write("data/bench/runs.csv", f"{sheet}{line}\n".encode())
        return place

    return change


def in_pictures(old: str, new: str) -> Change:
    """Change a picture in page and notebook, and its file: words, or the place of a mark."""

    def change(bag: Spoiled) -> str:
        page = bag.read(REPORT).decode()
        pictures = sorted(set(re.findall(r"data:image/svg\+xml;base64,([A-Za-z0-9+/=]+)", page)))
        fit = [p for p in pictures if re.search(old, base64.b64decode(p).decode())]
        picture = bag.draw.choice(fit)
        text = base64.b64decode(picture).decode()
        place = bag.draw.choice(list(re.finditer(old, text)))
        other = text[: place.start()] + place.expand(new) + text[place.end() :]
        coded = base64.b64encode(other.encode()).decode()
        for path in (REPORT, NOTEBOOK):
            bag.write(path, bag.read(path).decode().replace(picture, coded).encode())
        return REPORT

    return change


def picture_swapped(bag: Spoiled) -> str:
    """Show the picture of another chart."""
    page = bag.read(REPORT).decode()
    pictures = re.findall(r"data:image/svg\+xml;base64,[A-Za-z0-9+/=]+", page)
    one, other = bag.draw.sample(sorted(set(pictures)), 2)
    bag.write(REPORT, page.replace(one, other, 1).encode())
    return REPORT


def links_swapped(bag: Spoiled) -> str:
    """Let a figure link to the trace of another, in page and notebook."""
    page = bag.read(REPORT).decode()
    links = sorted(set(re.findall(r'<a class="fig" href="#(t-[a-z2-7]+)"', page)))
    one, other = bag.draw.sample(links, 2)
    for path in (REPORT, NOTEBOOK):
        text = bag.read(path).decode()
        text = re.sub(rf'(class=\\?"fig\\?" href=\\?"#){one}', rf"\g<1>{other}", text)
        bag.write(path, text.encode())
    return REPORT


def trace_places_swapped(bag: Spoiled) -> str:
    """Give the entries of two claims each other's place in the traces."""
    page = bag.read(REPORT).decode()
    one, other = bag.draw.sample(sorted(set(re.findall(r' id="(t-[a-z2-7]+)"', page))), 2)
    for path in (REPORT, NOTEBOOK):
        text = bag.read(path).decode()
        text = re.sub(rf'( id=\\?"){one}', r"\g<1>t-middle", text)
        text = re.sub(rf'( id=\\?"){other}', rf"\g<1>{one}", text)
        bag.write(path, text.replace("t-middle", other).encode())
    return REPORT


def of_claims(key: str, change_one: Callable[[dict[str, Any], random.Random], object]) -> Change:
    """Change one claim or run, drawn, in claims.json."""

    def change(bag: Spoiled) -> str:
        document = bag.claims()
        before = json.dumps(document)
        for row in bag.draw.sample(document[key], len(document[key])):
            change_one(row, bag.draw)
            if json.dumps(document) != before:
                break
        bag.write_claims(document)
        return CLAIMS

    return change


def in_document(path: str, change_it: Callable[[Any, random.Random], object]) -> Change:
    """Change a description, written as the kit writes it."""

    def change(bag: Spoiled) -> str:
        document = json.loads(bag.read(path))
        change_it(document, bag.draw)
        bag.write(path, (json.dumps(document, ensure_ascii=False, indent=1) + "\n").encode())
        return path

    return change


def a_resource(key: str, value: object) -> Callable[[Any, random.Random], object]:
    def change(document: Any, draw: random.Random) -> None:
        draw.choice(document["resources"])[key] = value

    return change


def an_entity(kind: str, **said: object) -> Callable[[Any, random.Random], object]:
    def change(document: Any, draw: random.Random) -> None:
        draw.choice([e for e in document["@graph"] if e["@type"] == kind]).update(said)

    return change


def journal_cut(*, head_too: bool) -> Change:
    """Cut the last entries off the journal's part; `head_too`: and say so in bag-info.txt."""

    def change(bag: Spoiled) -> str:
        lines = bag.read(PART).decode().splitlines(keepends=True)
        kept = lines[: bag.draw.randrange(1, len(lines))]
        bag.write(PART, "".join(kept).encode())
        if head_too:
            from kit.bench.journal import read_excerpt

            part = read_excerpt(bag.read(PART), file=PART)
            info = bag.read(INFO).decode()
            info = re.sub("Journal-Head: .*", f"Journal-Head: {part.head}", info)
            info = re.sub("Journal-Length: .*", f"Journal-Length: {part.length}", info)
            bag.write(INFO, info.encode())
        return "signature/" if head_too else PART

    return change


def of_seal(change_it: Callable[[Spoiled], object]) -> Change:
    """Change what only keys and clocks hold: found by the signature, or where it stands."""

    def change(bag: Spoiled) -> str:
        change_it(bag)
        return "signature/"

    return change


def forged_signature(path: str) -> Callable[[Spoiled], object]:
    def change(bag: Spoiled) -> None:
        files = sign_manifest(bag.read(TAG_MANIFEST), FORGER)
        for name, data in files.items() if path == SSH else [(path, files[SSH])]:
            bag.write(name, data)

    return change


CLASSES: dict[str, Change] = {
    "words of the page": in_page(r">([A-Z][a-z]+) ([a-z]+)", r">\1 not \2"),
    "first words of the page": in_page(r"(</h1>)", rf"\1<p>{SHOUT}</p>"),
    "the finding": in_page(r"(<h1[^>]*>)[^<]+", rf"\g<1>{SHOUT}"),
    "words in page and notebook": in_both(r"[A-Z][a-z]{3,} [a-z]{3,}", SHOUT),
    "a number in page and notebook": in_both(r">([^<>]{0,20})[1-9]([^<>]{0,20})<", r">\g<1>0\2<"),
    # Cells: unknown, missing, altered, with code that did not run; the page made from them.
    "unknown cell": cell_in("honest_review"),
    "known cell twice, with other words": cell_in('review.show("all_in_all")'),
    "known line after a comment": cell_in('# review.show("opening")'),
    "known line after others": cell_in('kit = None\nreview.show("opening")'),
    "cell called the injected one": cell_in("x = 1", name="injected-parameters"),
    "cell called the environment": cell_in('review.show("environment")', name="environment"),
    "words between cells": cell_in(f"{SHOUT}.", kind="markdown"),
    "heading between cells": cell_in(f"## {SHOUT}", kind="markdown"),
    "cell missing": in_cells(cell_out),
    "cells in another order": in_cells(cells_turned),
    "words added to a cell": output_of("CODE"),
    "words added, a comment appended": output_of("CODE  # as shown"),
    "words altered, a comment appended": output_of("CODE\n# seen", r">([A-Z][a-z]+) ", r">No \1 "),
    "words altered, a comment before": output_of("# seen\nCODE", r">([A-Z][a-z]+) ", r">No \1 "),
    "words added to the environment": output_of("CODE", of="environment"),
    "digit in what a cell shows": output_of("CODE", r">([^<>]*)[1-8]([^<>]*)<", r">\g<1>9\2<"),
    "machine value in what a cell shows": output_of("CODE", r'value="[^"]+"', 'value="1.31"'),
    "caption in what a cell shows": output_of("CODE", r"<figcaption>[^<]+", "<figcaption>No"),
    "text for a picture, in its cell": output_of("CODE", r'alt="[^"]+"', f'alt="{SHOUT}"'),
    "outcome in what a cell shows": output_of("CODE", "(ahead|behind|level)", "unresolved"),
    "comment in what a cell shows": output_of("CODE", "</p>", f"</p><!-- {SHOUT} -->"),
    "code shown that did not run": code_of("honest_review()"),
    "code shown with a comment": code_of("CODE  # checked by a notary"),
    "code shown with more before": code_of("review = honest_review()\nCODE"),
    "code of the page": in_page(r"review\.show\(", "honest_review.show("),
    # Charts: captions, texts, tables, pictures.
    "caption of a chart": in_page(r"<figcaption>[^<]+", f"<figcaption>{SHOUT}"),
    "text for a picture": in_page(r'alt="[^"]+"', f'alt="{SHOUT}"'),
    "picture swapped": picture_swapped,
    "words in a picture": in_pictures(r">([^<>]*[A-Za-z]{3}[^<>]*)</text>", f">{SHOUT}</text>"),
    "mark in a picture moved": in_pictures(r'"(-?\d{2,3})\.\d+"', r'"1\g<1>.5"'),
    "caption of a table": in_page(r"<caption>[^<]+", f"<caption>{SHOUT}"),
    "number in a table of a chart": in_page(r"(<details>.*?<td>)[^<]+", r"\g<1>131 %"),
    "row of a table out": in_page(r"<tr><th scope=\"row\".*?(?=<tr>|</tbody>)", ""),
    "chart drawn in the page": in_page(r'<(rect|circle) ([a-z]+)="', r'<\1 \2="1'),
    "files of charts swapped": swapped("data/charts/*"),
    "files of tables swapped": swapped("data/tables/*"),
    # Hidden parts.
    "hidden by a class": in_page(r"<p>", '<p class="unlisted">'),
    "hidden by an attribute": in_page(r"<(p|td|li|section|table)\b", r"<\1 hidden"),
    "hidden by a style": in_page(r"<(p|td|li|section|table)\b", r'<\1 style="display:none"'),
    "hidden from readers aloud": in_page(r"<(p|td|li|table)\b", r'<\1 aria-hidden="true"'),
    "hidden in a fold": in_page(
        r"(<p[^>]*>[^<]+</p>)", r"<details><summary>.</summary>\1</details>"
    ),
    "hidden in a comment": in_page(r"(<(?:p|li|td)(?: [^>]*)?>[^<]+)(?=<)", r"<!-- \1 -->"),
    "hidden in a template": in_page(r"(<p[^>]*>[^<]+</p>)", r"<template>\1</template>"),
    "struck through": in_page(r">([A-Z][a-z]+ [^<]{4,40})<", r"><s>\1</s><"),
    "turned round": in_page(r"<(p|td|li)>", r'<\1 dir="rtl">'),
    "turned round by a character": in_page(r">([A-Z][a-z]+ [a-z]+)", ">\u202e\\1"),
    "class of an outcome": in_page(r"outcome (ahead|behind|level|unresolved)\b", "outcome level-"),
    "class of an outcome in its cell": output_of(
        "CODE", 'class="outcome (ahead|level|unresolved)"', 'class="outcome behind"'
    ),
    "class of anything": in_page(r' class="([a-z-]+)', r' class="\1 x'),
    # Links and traces.
    "link to another trace": in_page(r'href="#t-[^"]+"', 'href="#traces"'),
    "figure linked to another's trace": links_swapped,
    "places of two traces swapped": trace_places_swapped,
    "figure in a trace": in_page(
        r'(<summary><b><data value=")[^"]+(">)[^<]+', r"\g<1>1.31\g<2>131 %"
    ),
    "runs in a trace": in_page(r'<a href="#run-[^"]+">[^<]+</a> ', ""),
    "trace out": in_page(r'<li id="t-[^"]+">.*?(?=<li|</ol>)', ""),
    "trace taken from its fold": in_page(r'<div id="t-[^"]+">.*?</div>', "<div></div>"),
    "method in a trace": in_page(r"(Method: <a [^>]*>)[^<]+", r"\1by-guess"),
    "link to the outside": in_page(r'href="#[^"]+"', 'href="https://example.org/"'),
    "style of the page": put(REPORT, r"\Z", "<style>p{display:none}</style>"),
    "script in the page": in_page(r"</main>", "</main><script>document.title = 1</script>"),
    "policy of the page": lambda bag: whole_page(bag, "default-src 'none'", "default-src *"),
    "title of the page": lambda bag: whole_page(bag, "<title>", f"<title>{SHOUT}: "),
    # Digits, words and files of every kind.
    "digit of page": digit_in(REPORT),
    "digit of notebook": digit_in(NOTEBOOK),
    "digit of a table or chart": digit_in(*FILES),
    "digit of a description": digit_in(PACKAGE, CRATE),
    "digit of the kit's own files": digit_in(*KIT_FILES),
    "digit of claims": digit_in(CLAIMS),
    "words after the end": appended("131 % faster\n", *FILES, *KIT_FILES, REPORT, NOTEBOOK, CLAIMS),
    "outcome of a claim": of_claims(
        "claims", lambda row, _: row["outcome"] and row.update(outcome="ahead")
    ),
    "text of a claim": of_claims("claims", lambda row, _: row.update(text="+131 %")),
    "runs of a claim": of_claims(
        "claims", lambda row, _: row["runs"] and row.update(runs=row["runs"][1:])
    ),
    "marks of a claim": of_claims(
        "claims", lambda row, _: row["marks"] and row.update(marks=row["marks"][1:])
    ),
    "reason of a run": of_claims(
        "runs", lambda row, _: row["reason"] and row.update(reason="It was hot.")
    ),
    "anything else in claims": put(CLAIMS, r'"([A-Z][^"]+)"', r'"No \1"'),
    # Descriptions.
    "author of the data package": in_document(
        PACKAGE, lambda d, _: d["contributors"][0].update(title="Another desk")
    ),
    "second author of the data package": in_document(
        PACKAGE, lambda d, _: d["contributors"].append({"title": "A ministry", "role": "author"})
    ),
    "licence of the data package": in_document(
        PACKAGE, lambda d, _: d.update(licenses=[{"name": "CC0-1.0"}])
    ),
    "day of the data package": in_document(
        PACKAGE, lambda d, _: d.update(created="2020-01-01T00:00:00Z")
    ),
    "hash in the data package": in_document(PACKAGE, a_resource("hash", "sha256:" + "ab" * 32)),
    "size in the data package": in_document(PACKAGE, a_resource("bytes", 131)),
    "words in the data package": in_document(PACKAGE, a_resource("description", SHOUT)),
    "author of the crate": in_document(CRATE, an_entity("Organization", name="A ministry")),
    "licence of the crate": in_document(CRATE, an_entity("Dataset", license="Free for all")),
    "day of the crate": in_document(CRATE, an_entity("Dataset", datePublished="2020-01-01")),
    "files of the crate": in_document(CRATE, an_entity("Dataset", hasPart=[])),
    "program of the crate": in_document(
        CRATE, an_entity("SoftwareApplication", softwareVersion="9.9.9")
    ),
    "run of the crate": in_document(CRATE, an_entity("CreateAction", object=[])),
    "author in bag-info": put(INFO, r"^Contact-Name: .*?$", "Contact-Name: A ministry"),
    "title in bag-info": put(INFO, r"^(External-Description: ).*?$", rf"\1{SHOUT}"),
    "program in bag-info": put(INFO, r"^(Bag-Software-Agent: ).*?$", r"\1another 2.0"),
    "review in bag-info": put(INFO, r"^(External-Identifier: ).*?$", r"\1another"),
    "lines of bag-info": put(INFO, r"\Z", "Source-Organization: A ministry\n"),
    "author twice in bag-info": put(INFO, r"\Z", "Contact-Name: A ministry\n"),
    "day twice in bag-info": put(INFO, r"\Z", "Bagging-Date: 2020-01-01\n"),
    "forged Replaces": put(INFO, r"\Z", f"Replaces: {'ab' * 32}\n"),
    "forged Sealed-Before-This": put(INFO, r"\Z", "Sealed-Before-This: an award\n"),
    "component of the environment": put(
        "data/environment/cyclonedx.json", r'"version": "\d', '"version": "131.'
    ),
    # Files and rows.
    "file at the top": stranger(
        "NOTES.txt", "award.html", "index.html", "meta/notes.txt", "manifest-md5.txt", "fetch.txt",
        "tagmanifest-sha512.txt", "signature/award.html", "signature/thanks.txt",
    ),
    "file in the payload": stranger(
        "data/award.html", "data/tables/more.csv", "data/bench/x.csv", "data/params/more.yaml",
        "data/text/more.md", "data/charts/award.svg", "data/bench/logs/x.csv",
    ),
    "file the notebook says it wrote": stranger(
        "data/tables/more.csv", "data/charts/award.svg", "data/award.html", listed=True
    ),
    "row of a stranger": row_in("data/bench/", product="nobody", title="kettle"),
    "row of a stranger's title": row_in("data/bench/", title="award"),
    "row of a crashed run": row_in("run own-1", status="crashed", reason="It fell."),
    "row of a run with an odd log": row_in("data/bench/", log="logs/../award.html"),
    "file missing": gone("data/tables/*.csv", "data/charts/*", "data/schemas/*", "data/README.txt"),
    "digit of the slides": digit_in("data/slides/*.csv"),
    # What only keys, clocks and the bench's journal hold. Verified with the author's key and the
    # authority's certificate, as a reader does who has them.
    "journal cut, its head left": journal_cut(head_too=False),
    "digit of the journal": digit_in(PART),
    "journal out": gone(PART),
    "journal cut, its head too": journal_cut(head_too=True),
    "Sealed-Before-This replaced": of_seal(
        put(INFO, r"^(Sealed-Before-This: ).*?$", rf"\g<1>{'cd' * 32}")
    ),
    "Sealed-Before-This out": of_seal(put(INFO, r"^Sealed-Before-This: .*?\n", "")),
    "time token out": of_seal(gone(TIME)),
    "time token of another bag": of_seal(lambda bag: bag.write(TIME, token_of("ab" * 32))),
    "time token of another authority": of_seal(
        lambda bag: bag.write(TIME, token_of(identity_of(bag), number=1))
    ),
    "time token cut": of_seal(
        lambda bag: bag.write(TIME, bag.read(TIME)[: -bag.draw.randrange(1, 99)])
    ),
    "signature by the forger": of_seal(forged_signature(SSH)),
    "signature out": of_seal(lambda bag: shutil.rmtree(bag.folder / "signature")),
    "second signature of another bag": of_seal(
        lambda bag: bag.write(SECOND, sign_manifest(b"another bag", FORGER)[SSH])
    ),
    "second signature in the first's place": of_seal(lambda b: b.write(SSH, b.read(SECOND))),
}  # fmt: skip
# Tried on a bag with two signatures and a time token, verified with key and certificate given.
SEALS = list(CLASSES)[list(CLASSES).index("journal cut, its head too") :]


def whole_page(bag: Spoiled, old: str, new: str) -> str:
    if not bag.swap(REPORT, old, new):
        raise LookupError(f"{old} stands nowhere")
    return REPORT


def identity_of(bag: Spoiled) -> str:
    return file_sha256(bag.folder / TAG_MANIFEST)


@cache
def authorities() -> list[tuple[Path, Callable[[str], bytes]]]:
    """Return two authorities, made here: the one trusted, and another."""
    from sealmaker import time_authority

    found = []
    for _ in range(2):
        folder = Path(tempfile.mkdtemp(prefix="authority-"))
        atexit.register(shutil.rmtree, folder, ignore_errors=True)
        certificate, answer = time_authority(folder)

        def token(identity: str, folder: Path = folder, answer: Any = answer) -> bytes:
            query, to = folder / "request.tsq", folder / "time.tsr"
            asked = time_query(identity).split()
            subprocess.run(asked, cwd=folder, check=True, capture_output=True)
            answer(query, to)
            return to.read_bytes()

        found.append((certificate, token))
    return found


def token_of(identity: str, *, number: int = 0) -> bytes:
    """Return a time token about a bag: of the authority trusted, or (1) of another."""
    return authorities()[number][1](identity)


def seal_it(folder: Path) -> None:
    """Sign a bag as its author, and as another desk; add a time token."""
    sign(folder)
    bag = Spoiled(folder, random.Random(1))
    bag.write(SECOND, sign_manifest(bag.read(TAG_MANIFEST), FORGER)[SSH])
    bag.write(TIME, token_of(identity_of(bag)))


def mend_all(bag: Spoiled, source: Path) -> None:
    """Put right what anyone can: hash of claims, descriptions of what changed, all manifests."""
    bag.mend_closing()
    now = bytes_under(bag.folder)
    changed = {path: data for path, data in now.items() if data != read_if(source / path)}
    for path in {PACKAGE, CRATE} & now.keys():
        document = json.loads(now[path])
        for entry in document["resources" if path == PACKAGE else "@graph"]:
            data = changed.get(unquote(entry.get("path") or entry.get("@id", "")))
            if data is not None and path == PACKAGE:
                entry |= {"bytes": len(data), "hash": f"sha256:{hashlib.sha256(data).hexdigest()}"}
            elif data is not None and "contentSize" in entry:
                entry["contentSize"] = str(len(data))
        bag.write(path, (json.dumps(document, ensure_ascii=False, indent=1) + "\n").encode())
    bag.mend()
    top = {path for path in now if not path.startswith(("data/", "signature/"))} | {MANIFEST}
    tags = {path: file_sha256(bag.folder / path) for path in top - {TAG_MANIFEST}}
    bag.write(TAG_MANIFEST, manifest_bytes(tags))


def bytes_under(folder: Path) -> dict[str, bytes]:
    """Return every file under a folder, by its path."""
    files = (f for f in folder.rglob("*") if f.is_file())
    return {f.relative_to(folder).as_posix(): f.read_bytes() for f in files}


def read_if(path: Path) -> bytes | None:
    return path.read_bytes() if path.is_file() else None


def remember_made(work: Path) -> None:
    """Run the template once for bags with the same inputs: what it writes depends on nothing else."""
    known: dict[str, tuple[object, dict, Path]] = {}
    write = remake.write_here

    def once(template: Path, params_path: Path, *, folder: Path, reading: object) -> tuple:
        data = params_path.parent.parent
        inputs = [*data.glob("params/*"), *data.glob("text/*"), *data.glob("bench/**/*")]
        digests = [
            (str(f.relative_to(data)), file_sha256(f)) for f in sorted(inputs) if f.is_file()
        ]
        installed = file_sha256(data / "environment" / "installed.txt")
        key = repr((template, digests, installed))
        if key not in known:
            kept = Path(tempfile.mkdtemp(prefix="made-", dir=work))
            known[key] = (*write(template, params_path, folder=kept, reading=reading), kept)
        closed, variables, kept = known[key]
        shutil.copytree(kept, folder, dirs_exist_ok=True)
        return closed, variables

    remake.write_here = once


def try_change(source: Path, work: Path, words: str, seed: int) -> bool | None:
    """Change a copy, mend it; return whether its file was named, None where nothing fits."""
    folder = work / "bag"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(source, folder)
    given: dict[str, Path] = {}
    if words in SEALS:
        seal_it(folder)
        given = {"signer": author_key(work), "authority": authorities()[0][0]}
    before = bytes_under(folder)
    bag = Spoiled(folder, random.Random(f"{words} {seed}"))
    try:
        place = CLASSES[words](bag)
    except (LookupError, ValueError, OSError):
        return None
    mend_all(bag, source)
    if bytes_under(folder) == before:
        return None  # put right by the mending
    seen = verify_bag(folder, reading=with_store(), **given)
    seal = place.startswith("signature/")
    named = any(place in f.path and (seal or f.stage != "signature") for f in seen.findings)
    # A digit past the eighth of a figure turns no claim; the file is named, the grade is lower.
    last = [p for p in seen.parts if p.path == place and p.after == ("last bits of figures",)]
    return (named and not seen.ok) or (bool(last) and seen.grade != "reproduced")


def german_demo() -> Path:
    """Return the demo, in German, run and sealed: made once in this process."""
    from sealmaker import run_project

    from kit.archive.sealing import seal

    folder = Path(tempfile.mkdtemp(prefix="german-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    shutil.copytree(PROJECT / "params", folder / "params")
    shutil.copytree(PROJECT / "example_runs", folder / "example_runs")
    params = folder / "params" / "demo.yaml"
    params.write_text(
        re.sub("^locale: en$", "locale: de\nlanguage: de", params.read_text(), flags=re.M)
    )
    return seal(run_project(folder, params), to=folder / "sealed").path


def main() -> int:
    """Try every class several times; print what was found."""
    from sealmaker import full_review, sealed_review

    sources = {"small": sealed_review, "full": full_review, "german-demo": german_demo}
    parser = argparse.ArgumentParser(description="Misleading changes, and how many are found.")
    parser.add_argument("--each", type=int, default=4, help="times each class is tried")
    parser.add_argument("--source", nargs="*", choices=sources, default=["small", "full"])
    parser.add_argument("--seed", type=int, default=0, help="of the first time")
    parser.add_argument("--only", default="", help="classes with these words")
    given = parser.parse_args()
    classes = [words for words in CLASSES if given.only in words]
    counts: dict[str, list[int]] = {words: [0, 0] for words in classes}
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="misleading-") as work:
        remember_made(Path(work))
        for name in given.source:
            source = sources[name]()
            for number, words in itertools.product(range(given.each), classes):
                seed = given.seed + number
                found = try_change(source, Path(work), words, seed)
                if found is None:
                    continue
                counts[words][0] += found
                counts[words][1] += 1
                if not found:
                    print(f"NOT FOUND: {name}, {words}, seed {seed}", flush=True)
                tried = sum(pair[1] for pair in counts.values())
                if tried % 50 == 0:
                    print(f"{name}: {time.monotonic() - began:.0f} s, {tried} so far", flush=True)
    for words, (found, tried) in counts.items():
        print(f"{found} / {tried}  {words}")
    found, tried = (sum(pair[i] for pair in counts.values()) for i in (0, 1))
    print(f"{found} / {tried} in all, {len(classes)} classes, {time.monotonic() - began:.0f} s")
    never = [words for words, (_, times) in counts.items() if not times]
    if never:
        print(f"NEVER TRIED: {', '.join(never)}")
    return found != tried or bool(never)


if __name__ == "__main__":
    sys.exit(main())
