"""Damage to a sealed review, of every kind we can think of; how much of it `verify` finds.

    python tests/evidence/damage.py [--each N] [--bag BAG]

prints a line per kind and the sum, "found / tried". A finding counts only if it names the place
that was damaged. "Mended" means that whoever did it also put right every hash in the manifests.
"""

from __future__ import annotations

import argparse
import atexit
import csv
import gzip
import hashlib
import io
import json
import random
import re
import shutil
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(PROJECT), *(str(PROJECT / "tests" / n) for n in ("", "support"))]

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey  # noqa: E402
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat  # noqa: E402

from kit.archive.bag import MANIFEST, TAG_MANIFEST, manifest_bytes, oxum  # noqa: E402
from kit.archive.signature import sign_manifest  # noqa: E402
from kit.archive.verifying import _Verification, verify_bag  # noqa: E402
from kit.metrics.measuring import Reading  # noqa: E402
from kit.metrics.store import Store  # noqa: E402

AUTHOR = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
FORGER = Ed25519PrivateKey.from_private_bytes(bytes(range(1, 33)))
CLAIMS = "data/claims.json"
REPORT = "data/report.html"
NOTEBOOK = "data/executed.ipynb"


@dataclass(frozen=True)
class Spoiled:
    """A bag being damaged: where it is, and the draw that decides where."""

    folder: Path
    draw: random.Random

    def read(self, path: str) -> bytes:
        return (self.folder / path).read_bytes()

    def write(self, path: str, data: bytes) -> None:
        (self.folder / path).parent.mkdir(parents=True, exist_ok=True)
        (self.folder / path).write_bytes(data)

    def pick(self, pattern: str) -> str:
        """Return one of the files that fit a pattern."""
        found = sorted(p.relative_to(self.folder).as_posix() for p in self.folder.glob(pattern))
        return self.draw.choice([path for path in found if (self.folder / path).is_file()])

    def log(self) -> str:
        """Return the log of a run that was measured."""
        runs = [run for run in self.claims()["runs"] if run["frames"]]
        return f"data/bench/{self.draw.choice(runs)['file']}"

    def claims(self) -> dict:
        return json.loads(self.read(CLAIMS))

    def write_claims(self, document: dict) -> None:
        """Write claims in the form of the kit: a claim or a run a line."""
        parts = []
        for key, value in document.items():
            if key in {"runs", "claims"} and value:
                rows = ",\n  ".join(json.dumps(row, ensure_ascii=False) for row in value)
                parts.append(f' "{key}": [\n  {rows}\n ]')
            else:
                parts.append(f' "{key}": {json.dumps(value, ensure_ascii=False)}')
        self.write(CLAIMS, ("{\n" + ",\n".join(parts) + "\n}\n").encode())

    def flip(self, path: str) -> None:
        """Flip one bit of a file."""
        data = bytearray(self.read(path))
        data[self.draw.randrange(len(data))] ^= 1 << self.draw.randrange(8)
        self.write(path, bytes(data))

    def swap(self, path: str, old: str, new: str) -> int:
        """Replace text everywhere in a file; return how often."""
        text = self.read(path).decode()
        self.write(path, text.replace(old, new).encode())
        return text.count(old)

    def mend(self) -> None:
        """Put right every hash and count, as whoever damages on purpose would."""
        hashes, sizes = {}, []
        for path in sorted(self.folder.rglob("*")):
            name = path.relative_to(self.folder).as_posix()
            if path.is_file() and name.startswith("data/"):
                hashes[name] = hashlib.sha256(path.read_bytes()).hexdigest()
                sizes.append(path.stat().st_size)
        self.write(MANIFEST, manifest_bytes(hashes))
        info = self.read("bag-info.txt").decode()
        info = re.sub(r"Payload-Oxum: .*", f"Payload-Oxum: {oxum(sizes)}", info)
        self.write("bag-info.txt", info.encode())
        tags = {
            name: hashlib.sha256(self.read(name)).hexdigest()
            for name in ("bagit.txt", "bag-info.txt", MANIFEST, "datapackage.json",
                         "ro-crate-metadata.json")
        }  # fmt: skip
        self.write(TAG_MANIFEST, manifest_bytes(tags))

    def mend_closing(self) -> None:
        """Put the new hash of claims.json where notebook and page name it."""
        digest = hashlib.sha256(self.read(CLAIMS)).hexdigest()
        for path in (NOTEBOOK, REPORT):
            text = self.read(path).decode()
            found = (
                re.search(r"SHA-256 ([0-9a-f]{64})", text)
                if path == NOTEBOOK
                else re.search(r"<footer>.*?<code>([0-9a-f]{64})</code>", text, re.DOTALL)
            )
            if found:
                self.write(path, text.replace(found[1], digest).encode())


Damage = Callable[[Spoiled], str]
KINDS: dict[str, Damage] = {}


def kind(words: str) -> Callable[[Damage], Damage]:
    """Register a kind of damage; the function returns the place `verify` must name."""

    def keep(function: Damage) -> Damage:
        KINDS[words] = function
        return function

    return keep


def _flipped(words: str, pick: Callable[[Spoiled], str]) -> None:
    def damage(bag: Spoiled) -> str:
        path = pick(bag)
        bag.flip(path)
        return path

    KINDS[words] = damage


_flipped("bit flipped in a log", Spoiled.log)
for _name in ("report.html", "claims.json", "executed.ipynb"):
    _flipped(f"bit flipped in {_name}", lambda bag, name=_name: f"data/{name}")
for _name in (MANIFEST, TAG_MANIFEST, "bag-info.txt", "bagit.txt", "datapackage.json",
              "ro-crate-metadata.json"):  # fmt: skip
    _flipped(f"bit flipped in {_name}", lambda bag, name=_name: name)
for _name in ("tables/*", "charts/*", "params/*", "bench/*.csv", "environment/*", "schemas/*"):
    _flipped(f"bit flipped in {_name}", lambda bag, name=_name: bag.pick(f"data/{name}"))
_flipped("bit flipped in the signature", lambda bag: "signature/ed25519.sig")


@kind("bit flipped in a log, mended")
def flip_log_mended(bag: Spoiled) -> str:
    path = bag.log()
    bag.flip(path)
    bag.mend()
    return path


@kind("bit flipped in report.html, mended")
def flip_page_mended(bag: Spoiled) -> str:
    bag.flip(REPORT)
    bag.mend()
    return REPORT


@kind("bit flipped in claims.json, mended")
def flip_claims_mended(bag: Spoiled) -> str:
    bag.flip(CLAIMS)
    bag.mend()
    return CLAIMS


@kind("last frames of a log cut off, mended")
def cut_log_mended(bag: Spoiled) -> str:
    path = bag.log()
    data = bag.read(path)
    packed = path.endswith(".gz")
    if path.endswith((".zst", ".parquet")):
        bag.flip(path)
    else:
        text = gzip.decompress(data) if packed else data
        text = b"\n".join(text.splitlines()[: -bag.draw.randrange(1, 9)]) + b"\n"
        bag.write(path, gzip.compress(text, mtime=0) if packed else text)
    bag.mend()
    return path


def number_in_page(bag: Spoiled) -> tuple[str, str]:
    """Return a piece of a page with a number in it, as it is and with one digit changed."""
    text = bag.read(REPORT).decode()
    body = text.index("<body>")
    found = list(re.finditer(r">([^<>]*\d[^<>]*)<", text[body:]))
    piece = bag.draw.choice(found)[0]
    places = [m.start() for m in re.finditer(r"\d", piece)]
    place = bag.draw.choice(places)
    digit = str((int(piece[place]) + bag.draw.randrange(1, 10)) % 10)
    return piece, piece[:place] + digit + piece[place + 1 :]


@kind("number changed in the page, mended")
def number_mended(bag: Spoiled) -> str:
    old, new = number_in_page(bag)
    text = bag.read(REPORT).decode()
    start = text.index(old, text.index("<body>"))
    bag.write(REPORT, (text[:start] + new + text[start + len(old) :]).encode())
    bag.mend()
    return REPORT


@kind("figure changed in page and notebook, mended")
def figure_in_both_mended(bag: Spoiled) -> str:
    claim = a_claim(bag, "margin", "suite", "cell")
    change_shown(bag, f">{claim['text']}</data>", claim["text"], _other_digits(bag, claim["text"]))
    bag.mend()
    return f"{REPORT} # {claim['id']}"


def change_shown(bag: Spoiled, shown: str, old: str, new: str) -> None:
    """Replace a figure as shown in page and notebook (the page writes fixed spaces as names)."""
    for path in (REPORT, NOTEBOOK):
        for space in ("\u00a0", "&nbsp;"):
            here = shown.replace("\u00a0", space)
            bag.swap(path, here, shown.replace(old, new).replace("\u00a0", space))


@kind("machine value changed in the page, mended")
def machine_value_mended(bag: Spoiled) -> str:
    claim = a_claim(bag, "margin", "suite", "cell", "run")
    old = f'<data value="{claim["value"]!r}">'
    assert bag.swap(REPORT, old, f'<data value="{claim["value"] * 1.01!r}">')
    bag.mend()
    return f"{REPORT} # {claim['id']}"


@kind("interval widened in page and notebook, mended")
def page_interval_mended(bag: Spoiled) -> str:
    claims = [c for c in bag.claims()["claims"] if c["interval"] and c["kind"] == "margin"]
    claim = bag.draw.choice(claims)
    other = _other_digits(bag, claim["interval"])
    change_shown(bag, claim["interval"], claim["interval"], other)
    bag.mend()
    return "data/"


def _other_digits(bag: Spoiled, text: str) -> str:
    places = [m.start() for m in re.finditer(r"\d", text)]
    place = bag.draw.choice(places)
    digit = str((int(text[place]) + bag.draw.randrange(1, 10)) % 10)
    return text[:place] + digit + text[place + 1 :]


def a_claim(bag: Spoiled, *kinds: str) -> dict:
    """Return a claim of one of these kinds that has a value."""
    claims = [c for c in bag.claims()["claims"] if c["kind"] in kinds and c["value"] is not None]
    return bag.draw.choice(claims)


def change_claim(bag: Spoiled, claim_id: str, **fields: object) -> str:
    """Change fields of a claim in claims.json, and mend."""
    document = bag.claims()
    for claim in document["claims"]:
        if claim["id"] == claim_id:
            claim.update(fields)
    bag.write_claims(document)
    bag.mend_closing()
    bag.mend()
    return f"{CLAIMS} # {claim_id}"


@kind("claim changed everywhere but in the raw logs, mended")
def claim_everywhere(bag: Spoiled) -> str:
    claim = a_claim(bag, "margin", "suite", "cell")
    factor = bag.draw.choice([0.97, 0.999, 1.0005, 1.04])
    names = [name for name in ("value", "low", "high") if claim[name] is not None]
    fields = {name: claim[name] * factor for name in names}
    text = _other_digits(bag, claim["text"])
    change_shown(bag, f">{claim['text']}<", claim["text"], text)
    tables = [f"data/tables/{path.name}" for path in bag.folder.glob("data/tables/*")]
    for path in (REPORT, NOTEBOOK, *tables):
        for name in names:
            bag.swap(path, repr(claim[name]), repr(fields[name]))
    return change_claim(bag, claim["id"], text=text, **fields)


@kind("interval widened in claims.json, mended")
def interval_widened(bag: Spoiled) -> str:
    claims = [c for c in bag.claims()["claims"] if c["low"] is not None]
    claim = bag.draw.choice(claims)
    wider = bag.draw.choice([1e-6, 1e-3, 0.02])
    return change_claim(
        bag, claim["id"], low=claim["low"] * (1 - wider), high=claim["high"] * (1 + wider)
    )


@kind("outcome turned in claims.json, mended")
def outcome_turned(bag: Spoiled) -> str:
    claims = [c for c in bag.claims()["claims"] if c["outcome"]]
    claim = bag.draw.choice(claims)
    others = {"ahead", "behind", "level", "unresolved"} - {claim["outcome"]}
    return change_claim(bag, claim["id"], outcome=bag.draw.choice(sorted(others)))


@kind("mark taken off a claim, mended")
def mark_taken(bag: Spoiled) -> str:
    claims = [c for c in bag.claims()["claims"] if c["marks"]]
    claim = bag.draw.choice(claims)
    return change_claim(bag, claim["id"], marks=claim["marks"][1:])


@kind("claim taken out, mended")
def claim_out(bag: Spoiled) -> str:
    document = bag.claims()
    claim = document["claims"].pop(bag.draw.randrange(len(document["claims"])))
    bag.write_claims(document)
    bag.mend_closing()
    bag.mend()
    return f"{CLAIMS} # {claim['id']}"


@kind("run taken out of claims.json, mended")
def run_out(bag: Spoiled) -> str:
    document = bag.claims()
    run = document["runs"].pop(bag.draw.randrange(len(document["runs"])))
    bag.write_claims(document)
    bag.mend_closing()
    bag.mend()
    return f"{CLAIMS} # run {run['id']}"


@kind("run swapped for another, mended")
def runs_swapped(bag: Spoiled) -> str:
    first, second = bag.draw.sample(same_layout(bag), 2)
    one, other = (f"data/bench/{run['file']}" for run in (first, second))
    data = bag.read(one)
    bag.write(one, bag.read(other))
    bag.write(other, data)
    bag.mend()
    return one


def same_layout(bag: Spoiled) -> list[dict]:
    """Return the measured runs of one layout."""
    runs = [run for run in bag.claims()["runs"] if run["frames"]]
    layout = bag.draw.choice(sorted({run["layout"] for run in runs}))
    return [run for run in runs if run["layout"] == layout]


@kind("run swapped for another, its hash too, mended")
def runs_swapped_with_hashes(bag: Spoiled) -> str:
    first, second = bag.draw.sample(same_layout(bag), 2)
    one, other = (f"data/bench/{run['file']}" for run in (first, second))
    data = bag.read(one)
    bag.write(one, bag.read(other))
    bag.write(other, data)
    document = bag.claims()
    for run in document["runs"]:
        if run["id"] in {first["id"], second["id"]}:
            run["sha256"] = (second if run["id"] == first["id"] else first)["sha256"]
    bag.write_claims(document)
    bag.mend_closing()
    bag.mend()
    return first["id"]


@kind("slow run left out of the run sheet, mended")
def row_out(bag: Spoiled) -> str:
    rows = bag.read("data/bench/runs.csv").decode().splitlines()
    named = {run["id"] for run in bag.claims()["runs"] if run["frames"]}
    place = bag.draw.choice([n for n, row in enumerate(rows) if row.split(",")[0] in named])
    run = rows.pop(place).split(",")[0]
    bag.write("data/bench/runs.csv", ("\n".join(rows) + "\n").encode())
    bag.mend()
    return run


def aside_run(bag: Spoiled) -> dict:
    """Return a run that was set aside."""
    return bag.draw.choice([r for r in bag.claims()["runs"] if r["frames"] and not r["used"]])


@kind("set-aside reason removed from claims.json, mended")
def reason_removed(bag: Spoiled) -> str:
    run = aside_run(bag)
    document = bag.claims()
    for other in document["runs"]:
        if other["id"] == run["id"]:
            other["reason"] = ""
    bag.write_claims(document)
    bag.mend_closing()
    bag.mend()
    return f"{CLAIMS} # run {run['id']}, reason"


@kind("set-aside run called used, mended")
def aside_called_used(bag: Spoiled) -> str:
    run = aside_run(bag)
    document = bag.claims()
    for other in document["runs"]:
        if other["id"] == run["id"]:
            other |= {"used": True, "reason": ""}
    bag.write_claims(document)
    bag.mend_closing()
    bag.mend()
    return f"{CLAIMS} # run {run['id']}"


@kind("set-aside reason changed in the params, mended")
def reason_in_params(bag: Spoiled) -> str:
    path = bag.pick("data/params/*.yaml")
    text = bag.read(path).decode()
    reasons = re.findall(r"reason: ?([^\n}]{8,})", text)
    bag.write(path, text.replace(bag.draw.choice(reasons), "It did not please.").encode())
    bag.mend()
    return "params_sha256"


@kind("setting changed in the params, mended")
def params_changed(bag: Spoiled) -> str:
    path = bag.pick("data/params/*.yaml")
    text = bag.read(path).decode()
    settings = list(re.finditer(r"(confidence|level_band): (0\.\d+)", text))
    found = bag.draw.choice(settings)
    other = f"{found[1]}: {float(found[2]) * 0.9:.4g}"
    bag.write(path, text.replace(found[0], other, 1).encode())
    bag.mend()
    return f"{CLAIMS} # settings.margins.{found[1]}"


@kind("setting changed in params and claims, mended")
def params_and_claims_changed(bag: Spoiled) -> str:
    document = bag.claims()
    path = f"data/params/{document['review']['params_file']}"
    text = bag.read(path).decode()
    found = re.search(r"level_band: (0\.\d+)", text)
    band = float(found[1]) * bag.draw.choice([0.01, 8])
    bag.write(path, text.replace(found[0], f"level_band: {band:.6g}", 1).encode())
    document["settings"]["margins"]["level_band"] = float(f"{band:.6g}")
    document["review"]["params_sha256"] = hashlib.sha256(bag.read(path)).hexdigest()
    bag.write_claims(document)
    bag.mend_closing()
    bag.mend()
    # What the claims are compared with was changed too: the page still says what it was.
    return f"{NOTEBOOK} # cell settings"


@kind("price changed, mended")
def price_changed(bag: Spoiled) -> str:
    path = "data/bench/prices.csv"
    rows = list(csv.reader(io.StringIO(bag.read(path).decode())))
    used = {c["product"] for c in bag.claims()["claims"] if c["kind"] == "price"}
    launch = [row for row in rows[1:] if row[0] in used and row[3] == "launch"]
    row = bag.draw.choice(launch)
    row[1] = str(float(row[1]) - 50)
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    bag.write(path, out.getvalue().encode())
    bag.mend()
    return f"price/{row[0]}"


@kind("condition of a run changed in the run sheet, mended")
def condition_changed(bag: Spoiled) -> str:
    path = "data/bench/runs.csv"
    rows = list(csv.reader(io.StringIO(bag.read(path).decode())))
    at = rows[0].index("driver")
    row = bag.draw.choice([row for row in rows[1:] if row[at]])
    row[at] += "9"
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    bag.write(path, out.getvalue().encode())
    bag.mend()
    return f"{CLAIMS} # run {row[0]}, conditions"


@kind("cell of a table changed, mended")
def table_changed(bag: Spoiled) -> str:
    path = bag.draw.choice(["data/tables/cells.csv", "data/tables/margins.csv",
                            "data/tables/suites.csv", "data/tables/runs.csv"])  # fmt: skip
    rows = list(csv.reader(io.StringIO(bag.read(path).decode())))
    cells = [
        (n, c) for n, row in enumerate(rows) for c, cell in enumerate(row)
        if n and re.search(r"\d", cell)
    ]  # fmt: skip
    row, column = bag.draw.choice(cells)
    old = rows[row][column]
    number = re.fullmatch(r"-?\d+\.\d+", old)
    rows[row][column] = str(float(old) * 1.01 + 1) if number else _other_digits(bag, old)
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    bag.write(path, out.getvalue().encode())
    bag.mend()
    return path


@kind("number of a chart changed, mended")
def chart_number_changed(bag: Spoiled) -> str:
    path = bag.pick("data/charts/*.csv")
    rows = list(csv.reader(io.StringIO(bag.read(path).decode())))
    cells = [
        (n, c) for n, row in enumerate(rows) for c, cell in enumerate(row)
        if n and re.fullmatch(r"-?\d+\.\d+", cell)
    ]  # fmt: skip
    row, column = bag.draw.choice(cells)
    rows[row][column] = str(float(rows[row][column]) * 1.01 + 1)
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    bag.write(path, out.getvalue().encode())
    bag.mend()
    return path


def _any_payload(bag: Spoiled) -> str:
    return bag.draw.choice([bag.log(), bag.pick("data/tables/*"), bag.pick("data/charts/*"),
                            bag.pick("data/environment/*"), bag.pick("data/schemas/*"),
                            REPORT, NOTEBOOK, "data/bench/runs.csv"])  # fmt: skip


for _words, _mended in (("", False), (", mended", True)):

    @kind(f"file added{_words}")
    def file_added(bag: Spoiled, mended: bool = _mended) -> str:
        folder = bag.draw.choice(["data", "data/bench/logs", "data/tables", "data/params"])
        path = f"{folder}/more-{bag.draw.randrange(10**6)}.csv"
        bag.write(path, b"ms\n16.7\n")
        if mended:
            bag.mend()
        return path

    @kind(f"file removed{_words}")
    def file_removed(bag: Spoiled, mended: bool = _mended) -> str:
        path = _any_payload(bag)
        (bag.folder / path).unlink()
        if mended:
            bag.mend()
        return path

    @kind(f"file renamed{_words}")
    def file_renamed(bag: Spoiled, mended: bool = _mended) -> str:
        path = _any_payload(bag)
        (bag.folder / path).rename(bag.folder / f"{path}x")
        if mended:
            bag.mend()
        return path

    @kind(f"twin of a name in another case{_words}")
    def twin_added(bag: Spoiled, mended: bool = _mended) -> str:
        path = _any_payload(bag)
        folder, _, name = path.rpartition("/")
        bag.write(f"{folder}/{name.upper()}", bag.read(path))
        if mended:
            bag.mend()
        return folder


@kind("signed again by another key")
def other_key(bag: Spoiled) -> str:
    for path, data in sign_manifest(bag.read(TAG_MANIFEST), FORGER).items():
        bag.write(path, data)
    return "signature/"


@kind("changed, mended and signed by another key")
def mended_and_signed(bag: Spoiled) -> str:
    path = bag.pick("data/environment/*.txt")
    bag.write(path, bag.read(path) + b"more==1.0\n")
    bag.mend()
    return other_key(bag)


@kind("signature taken away")
def unsigned(bag: Spoiled) -> str:
    shutil.rmtree(bag.folder / "signature")
    return "signature/"


@kind("bag-info changed, mended")
def info_changed(bag: Spoiled) -> str:
    bag.swap("bag-info.txt", "Contact-Name: ", "Contact-Name: Another ")
    bag.mend()
    return "signature/"


@kind("method page, schema or lock changed, mended")
def kit_file_changed(bag: Spoiled) -> str:
    path = bag.draw.choice([
        "data/methods.md", "data/methods.json", "data/method-vectors.json", "data/README.txt",
        "data/environment/lock.txt", "data/schemas/claims.schema.json",
    ])  # fmt: skip
    bag.flip(path)
    bag.mend()
    return path


@kind("bound text changed, mended")
def text_changed(bag: Spoiled) -> str:
    text = bag.claims()["settings"]["text"]
    texts = [p for p in bag.folder.rglob("*.md") if text and p.name == Path(text).name]
    if not texts:
        return number_mended(bag)
    path = texts[0].relative_to(bag.folder).as_posix()
    bag.write(path, bag.read(path) + b"\nAll is well with it.\n")
    bag.mend()
    return f"{NOTEBOOK} # cell text"


def sign(folder: Path) -> None:
    """Sign a bag as its author."""
    manifest = (folder / TAG_MANIFEST).read_bytes()
    for path, data in sign_manifest(manifest, AUTHOR).items():
        (folder / path).parent.mkdir(exist_ok=True)
        (folder / path).write_bytes(data)


def author_key(folder: Path) -> Path:
    """Write the author's public key into a folder; return its path."""
    path = folder / "author.pem"
    pem = AUTHOR.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
    path.write_bytes(pem)
    return path


@cache
def with_store() -> Reading:
    """Return a reading whose store holds what the same logs and pictures gave before: by their
    content, so that only what was damaged is made again."""
    folder = Path(tempfile.mkdtemp(prefix="damage-store-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return Reading(store=Store(folder))


def try_damage(source: Path, work: Path, words: str, seed: int) -> tuple[bool, str, _Verification]:
    """Damage a copy of a signed bag; return whether it was found, the place, the verification."""
    folder = work / "bag"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(source, folder)
    sign(folder)
    place = KINDS[words](Spoiled(folder, random.Random(f"{words} {seed}")))
    seen = verify_bag(folder, signer=author_key(work), reading=with_store())
    # The signature notices every mended bag; it is the other stages that must name the place.
    # Where a hash and a file do not fit, both are named: either may be the damaged one.
    named = [
        f
        for f in seen.findings
        if place in f"{f.path} {f.expected}"
        and (f.stage != "signature" or place.startswith("signature/"))
    ]
    return not seen.ok and bool(named), place, seen


def main() -> int:
    """Damage a bag in every way, several times; print what was found."""
    parser = argparse.ArgumentParser(description="Damage a sealed review; count what is found.")
    parser.add_argument("--each", type=int, default=6, help="times each kind is tried")
    parser.add_argument("--bag", type=Path, help="a sealed review; a small one is made without it")
    given = parser.parse_args()
    if given.bag is None:
        from sealmaker import sealed_review

        given.bag = sealed_review()
    found = tried = 0
    with tempfile.TemporaryDirectory(prefix="damage-") as temporary:
        for words in KINDS:
            good = 0
            for seed in range(given.each):
                ok, place, seen = try_damage(given.bag, Path(temporary), words, seed)
                good += ok
                if not ok:
                    print(f"  NOT FOUND: {words}, seed {seed}, {place}; said:")
                    print("\n".join(f"    {f}"[:240] for f in seen.findings[:5]))
            print(f"{good:3d} / {given.each:3d}  {words}")
            found, tried = found + good, tried + given.each
    print(f"found / tried: {found} / {tried}")
    return 0 if found == tried else 1


if __name__ == "__main__":
    sys.exit(main())
