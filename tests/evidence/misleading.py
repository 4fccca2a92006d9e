"""Misleading changes to the page half of a sealed review, generated; how many `verify` finds.

    python tests/evidence/misleading.py [--each N]

Each change is made by a forger without the author's key who puts right every hash that can be put
right (mends). A finding counts only if it names the file that was changed. The classes are those
named in an outside trial of `verify`: words, code, charts, tables, hidden parts, links, descriptions.
Prints a line a class, the sum, and the false alarms on lawful copies of the same bag.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

from damage import CLAIMS, NOTEBOOK, PROJECT, REPORT, Spoiled, sign, with_store

import kit.archive.remake as remake
from kit.archive.bag import zip_bag
from kit.archive.verifying import verify_bag
from kit.claims.claim import file_sha256

FILES = ("data/tables/*.csv", "data/charts/*.csv", "data/charts/*.svg")
TAGS = ("datapackage.json", "ro-crate-metadata.json", "bag-info.txt")
KIT_FILES = ("data/README.txt", "data/methods.json", "data/methods.md", "data/method-vectors.json",
             "data/environment/lock.txt", "data/schemas/*.json", "data/second_opinion.py")  # fmt: skip


def put(bag: Spoiled, path: str, old: str, new: str) -> str:
    """Replace one place of a file, drawn among those where `old` (a pattern) fits."""
    text = bag.read(path).decode()
    start = text.index("<body>") if path == REPORT else 0
    found = list(re.finditer(old, text[start:], re.DOTALL))
    if not found:
        raise LookupError(f"{old} fits nowhere in {path}")
    one = bag.draw.choice(found)
    whole = text[: start + one.start()] + one.expand(new) + text[start + one.end() :]
    if whole == text:
        raise LookupError(f"{old} changes nothing in {path}")
    bag.write(path, whole.encode())
    return path


def in_page(old: str, new: str) -> Callable[[Spoiled], str]:
    return lambda bag: put(bag, REPORT, old, new)


def in_notebook(old: str, new: str) -> Callable[[Spoiled], str]:
    return lambda bag: put(bag, NOTEBOOK, old, new)


def in_both(old: str, new: str) -> Callable[[Spoiled], str]:
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


def cell_in(source: str, markup: str) -> Callable[[Spoiled], str]:
    """Put a cell of one's own into the notebook, and what it shows into the page."""

    def change(bag: Spoiled) -> str:
        notebook = json.loads(bag.read(NOTEBOOK))
        output = {"data": {"text/html": markup}, "metadata": {}, "output_type": "display_data"}
        cell = {"cell_type": "code", "execution_count": 1, "id": "own", "metadata": {},
                "outputs": [output], "source": source}  # fmt: skip
        notebook["cells"].insert(bag.draw.randrange(3, len(notebook["cells"]) - 1), cell)
        text = json.dumps(notebook, indent=1, ensure_ascii=False, sort_keys=True)
        bag.write(NOTEBOOK, f"{text}\n".encode())
        put(bag, REPORT, "</h2>", f"</h2>{markup}")
        return NOTEBOOK

    return change


def cell_out(bag: Spoiled) -> str:
    notebook = json.loads(bag.read(NOTEBOOK))
    notebook["cells"].pop(bag.draw.randrange(1, len(notebook["cells"]) - 1))
    text = json.dumps(notebook, indent=1, ensure_ascii=False, sort_keys=True)
    bag.write(NOTEBOOK, f"{text}\n".encode())
    return NOTEBOOK


def digit_in(*patterns: str) -> Callable[[Spoiled], str]:
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


def appended(words: str, *patterns: str) -> Callable[[Spoiled], str]:
    def change(bag: Spoiled) -> str:
        path = bag.pick(bag.draw.choice(patterns))
        bag.write(path, bag.read(path) + words.encode())
        return path

    return change


def stranger(*names: str) -> Callable[[Spoiled], str]:
    def change(bag: Spoiled) -> str:
        path = bag.draw.choice(names)
        bag.write(path, b"Nothing to see here.\n")
        return path

    return change


def gone(*patterns: str) -> Callable[[Spoiled], str]:
    def change(bag: Spoiled) -> str:
        path = bag.pick(bag.draw.choice(patterns))
        (bag.folder / path).unlink()
        return path

    return change


def row_of_a_stranger(bag: Spoiled) -> str:
    """Name a file of one's own in the run sheet, as the log of a run of no one."""
    bag.write("data/bench/logs/advert.csv", b"frame,took_ms\n1,1\n")
    sheet = bag.read("data/bench/runs.csv").decode()
    head = sheet.splitlines()[0].split(",")
    row = {"run": "own-1", "product": "nobody", "title": "kettle", "log": "logs/advert.csv"}
    line = ",".join(row.get(name, "") for name in head)
    bag.write("data/bench/runs.csv", f"{sheet}{line}\n".encode())
    return "data/bench/"


def picture_swapped(bag: Spoiled) -> str:
    """Show the picture of another chart."""
    page = bag.read(REPORT).decode()
    pictures = re.findall(r"data:image/svg\+xml;base64,[A-Za-z0-9+/=]+", page)
    one, other = bag.draw.sample(sorted(set(pictures)), 2)
    bag.write(REPORT, page.replace(one, other, 1).encode())
    return REPORT


def replaced_line(bag: Spoiled) -> str:
    info = bag.read("bag-info.txt").decode()
    bag.write("bag-info.txt", f"{info}Replaces: {bag.draw.randbytes(32).hex()}\n".encode())
    return "bag-info.txt"


SHOUT = "131 % faster in every title"
CLASSES: dict[str, Callable[[Spoiled], str]] = {
    "words of the page": in_page(r">([A-Z][a-z]+) ([a-z]+)", r">\1 not \2"),
    "first words of the page": in_page(r"(</h1>)", rf"\1<p>{SHOUT}</p>"),
    "words in page and notebook": in_both(r"[A-Z][a-z]{3,} [a-z]{3,}", SHOUT),
    "unknown cell": cell_in('review.show("all_in_all")', f"<p>{SHOUT}</p>"),
    "known line after a comment": cell_in('# review.show("opening")', f"<p>{SHOUT}</p>"),
    "cell missing": cell_out,
    "code shown that did not run": in_notebook(
        r'"source": "review\.show\(', '"source": "review.reveal('
    ),
    "code of the page": in_page(r"review\.show\(", "honest_review.show("),
    "caption of a chart": in_page(r"<figcaption>[^<]+", f"<figcaption>{SHOUT}"),
    "text for a picture": in_page(r'alt="[^"]+"', f'alt="{SHOUT}"'),
    "picture swapped": picture_swapped,
    "caption of a table": in_page(r"<caption>[^<]+", f"<caption>{SHOUT}"),
    "number in a table of a chart": in_page(r"(<details>.*?<td>)[^<]+", r"\g<1>131 %"),
    "hidden by a class": in_page(r"<p>", '<p class="unlisted">'),
    "hidden in a fold": in_page(
        r"(<p[^>]*>[^<]+</p>)", r"<details><summary>.</summary>\1</details>"
    ),
    "struck through": in_page(r">([A-Z][a-z]+ [^<]{4,40})<", r"><s>\1</s><"),
    "turned round": in_page(r"<p>", '<p dir="rtl">'),
    "class of an outcome": in_page(r"outcome (ahead|behind|level|unresolved)\b", "outcome level-"),
    "link to another trace": in_page(r'href="#t-[^"]+"', 'href="#traces"'),
    "link to the outside": in_page(r'href="#[^"]+"', 'href="https://example.org/"'),
    "style of the page": lambda bag: put(bag, REPORT, "$", "<style>p{display:none}</style>"),
    "digit of page": digit_in(REPORT),
    "digit of notebook": digit_in(NOTEBOOK),
    "digit of a table or chart": digit_in(*FILES),
    "digit of a description": digit_in(*TAGS),
    "digit of the kit's own files": digit_in(*KIT_FILES),
    "digit of claims": digit_in(CLAIMS),
    "false author in a description": lambda bag: put(
        bag, bag.draw.choice(TAGS[:2]), r"The small desk", "Another desk"
    ),
    "false author in bag-info": lambda bag: put(
        bag, TAGS[2], r"Contact-Name: .*?\n", "Contact-Name: X\n"
    ),
    "licence of the crate": lambda bag: put(bag, TAGS[1], r"All rights[^\"]*", "Free for all"),
    "day of the description": lambda bag: put(
        bag, TAGS[bag.draw.randrange(2)], r"2026-04-01", "2020-01-01"
    ),
    "forged Replaces": replaced_line,
    "lines of bag-info": lambda bag: put(bag, TAGS[2], r"$", "Source-Organization: A ministry\n"),
    "file at the top": stranger("NOTES.txt", "award.html", "index.html", "meta/notes.txt"),
    "file in the payload": stranger("data/award.html", "data/tables/more.csv", "data/bench/x.csv"),
    "row of a stranger": row_of_a_stranger,
    "file missing": gone("data/tables/*.csv", "data/charts/*", "data/schemas/*", "data/README.txt"),
    "words after the end": appended("131 % faster\n", *FILES, *KIT_FILES, REPORT, NOTEBOOK, CLAIMS),
}


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
            kept = work / f"made-{len(known)}"
            kept.mkdir()
            known[key] = (*write(template, params_path, folder=kept, reading=reading), kept)
        closed, variables, kept = known[key]
        shutil.copytree(kept, folder, dirs_exist_ok=True)
        return closed, variables

    remake.write_here = once


def changes(each: int) -> Iterator[tuple[str, int]]:
    for number in range(each):
        for words in CLASSES:
            yield words, number


def bytes_under(folder: Path) -> dict[str, bytes]:
    return {str(f.relative_to(folder)): f.read_bytes() for f in folder.rglob("*") if f.is_file()}


def try_change(source: Path, work: Path, words: str, seed: int) -> bool | None:
    """Change a copy, mend it; return whether its file was named, None where nothing fits."""
    folder = work / "bag"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(source, folder)
    bag = Spoiled(folder, random.Random(f"{words} {seed}"))
    try:
        place = CLASSES[words](bag)
    except (LookupError, ValueError):
        return None
    bag.mend_closing()
    bag.mend()
    if bytes_under(folder) == bytes_under(source):
        return None  # put right by the mending
    seen = verify_bag(folder, reading=with_store())
    named = any(place in f.path for f in seen.findings if f.stage != "signature")
    # A digit past the eighth of a figure turns no claim; the file is named, the grade is lower.
    last = [p for p in seen.parts if p.path == place and p.after == ("last bits of figures",)]
    return (named and not seen.ok) or (bool(last) and seen.grade != "reproduced")


def lawful(source: Path, work: Path) -> Iterator[tuple[str, Path]]:
    """Yield the same bag as others may hand it on: each must be reproduced."""
    for number in range(4):
        yield f"folder {number}", shutil.copytree(source, work / f"copy-{number}" / f"b{number}")
    for name in ("quill", "Quill 2", "ein-archiv"):
        yield f"zip {name}", zip_bag(source, work / f"{name}.zip")
    signed = shutil.copytree(source, work / "signed")
    sign(signed)
    yield "signed", signed
    yield "signed zip", zip_bag(signed, work / "signed.zip")
    for level in (0, 1, 6, 9):
        packed = work / f"again-{level}.zip"
        with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=level) as archive:
            for path in sorted(source.rglob("*"), reverse=level > 1):
                archive.write(path, f"again/{path.relative_to(source).as_posix()}")
        yield f"packed again, level {level}", packed
    if tool := shutil.which("zip"):
        for options in ("-qr", "-qrX", "-qr0", "-qrD"):
            packed = work / f"tool{options}.zip"
            subprocess.run([tool, options, packed, source.name], cwd=source.parent, check=True)
            yield f"zip {options}", packed
    old = shutil.copytree(source, work / "old")
    for path in old.rglob("*"):
        os.utime(path, (0, 0))
    yield "other times", old
    bare = shutil.copytree(source, work / "bare")
    for path in bare.rglob("*"):
        path.chmod(0o755 if path.is_dir() else 0o600)
    yield "other rights", bare


def false_alarms(source: Path, work: Path) -> tuple[int, int]:
    """Return how many lawful bags were not reproduced, and how many there were."""
    wrong = tried = 0
    for words, bag in lawful(source, work):
        seen = verify_bag(bag, reading=with_store())
        tried += 1
        if seen.grade != "reproduced":
            wrong += 1
            print(f"FALSE ALARM: {words}: {seen.findings[:2]}", flush=True)
    for variables in (
        {"LC_ALL": "C"}, {"LC_ALL": "de_DE.UTF-8"}, {"LC_ALL": "tr_TR.UTF-8"}, {"LANG": "C.UTF-8"},
        {"TZ": "Pacific/Apia"}, {"TZ": "Asia/Kathmandu"}, {"TZ": "America/St_Johns"},
        {"PYTHONHASHSEED": "1"}, {"PYTHONHASHSEED": "2"}, {"SOURCE_DATE_EPOCH": "1000000000"},
        {"MPLBACKEND": "svg"}, {"COLUMNS": "20"}, {"PYTHONUTF8": "1"},
    ):  # fmt: skip
        said = subprocess.run(
            [sys.executable, "-m", "kit", "verify", str(source)], cwd=work, capture_output=True,
            text=True, env={**os.environ, "PYTHONPATH": str(PROJECT), **variables},
        )  # fmt: skip
        tried += 1
        if said.returncode:
            wrong += 1
            print(f"FALSE ALARM: {variables}: {said.stdout[-300:]}{said.stderr[-300:]}", flush=True)
    return wrong, tried


def main() -> int:
    """Try every class several times; print what was found."""
    parser = argparse.ArgumentParser(description="Misleading changes, and how many are found.")
    parser.add_argument("--each", type=int, default=25, help="times each class is tried")
    given = parser.parse_args()
    from sealmaker import sealed_review

    counts: dict[str, list[int]] = {words: [0, 0] for words in CLASSES}
    source = sealed_review()
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="misleading-") as work:
        remember_made(Path(work))
        for words, seed in changes(given.each):
            found = try_change(source, Path(work), words, seed)
            if found is None:
                continue
            if sum(pair[1] for pair in counts.values()) % 100 == 99:
                print(f"{time.monotonic() - began:.0f} s, 100 more", flush=True)
            counts[words][0] += found
            counts[words][1] += 1
            if not found:
                print(f"NOT FOUND: {words}, seed {seed}", flush=True)
    for words, (found, tried) in counts.items():
        print(f"{found} / {tried}  {words}")
    found, tried = (sum(pair[i] for pair in counts.values()) for i in (0, 1))
    print(f"{found} / {tried} in all, {time.monotonic() - began:.0f} s")
    with tempfile.TemporaryDirectory(prefix="lawful-") as work:
        wrong, lawful_bags = false_alarms(source, Path(work))
    print(f"{wrong} / {lawful_bags} false alarms on lawful bags")
    never = [words for words, (_, times) in counts.items() if not times]
    if never:
        print(f"NEVER TRIED: {', '.join(never)}")
    return found != tried or bool(wrong or never)


if __name__ == "__main__":
    sys.exit(main())
