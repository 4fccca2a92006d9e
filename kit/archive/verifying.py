"""A sealed review checked, stage by stage: is the bag whole, and do its logs give its figures?

Params, bench, logs and text determine every other byte, so the bag is made again and compared.
Nothing in it is run, imported or unpickled. Every stage is done as far as it can be, all faults are
given at once, and the answer is graded: nothing looked at is never a pass.
"""

from __future__ import annotations

import glob
import hashlib
import json
import logging
import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from kit.archive.bag import TAG_MANIFEST, name_fault
from kit.archive.contents import (
    COMPONENTS,
    INSTALLED,
    JOURNAL_HEAD,
    JOURNAL_LENGTH,
    JOURNAL_PART,
    kit_items,
    text_path,
)
from kit.archive.page_check import check_report, read_notebook
from kit.archive.remake import CLAIMS_PATH, STATED, Fresh, Part, Remade, check_claims, remake_bag
from kit.archive.signature import (
    MAX_KEY_BYTES,
    TIME,
    attest,
    check_signature,
    check_time,
    fingerprint,
    load_private_key,
    load_public_key,
    read_attestation,
    time_query,
)
from kit.archive.unbag import Bag, Listing, open_bag
from kit.bench.journal import Anchor, read_excerpt
from kit.claims.claim import REVIEW_FILES, ClaimBook
from kit.errors import BenchError, Finding, HostileBagError, SealError, UsageError, did_you_mean
from kit.metrics.measuring import PLAIN, Reading
from kit.package import PACKAGE, kit_version

if TYPE_CHECKING:
    import pandas as pd
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

_PROGRESS = logging.getLogger("marginbook.progress")
STAGES = ("structure", "bytes", "completeness", "signature", "rebuild", "claims", "page")
# From the best down, each with its exit status.
GRADES = {"reproduced": 0, "figures reproduced": 10, "whole": 11, "not verified": 1}
# Beside the grades, what can be required: the signer's signature, the authority's time token.
SIGNED, TIMED = "signed", "timed"
# Of params and of bench.yaml, to bound the time to read them: bytes, and what parts keys and items.
MAX_YAML_BYTES, MAX_YAML_MARKS = 400_000, 20_000
MAX_TOKEN_BYTES = 1 << 20
SHOWN = 20  # findings of a stage that are printed
REPORT_FILES = ("report.html", "claims.json", "executed.ipynb")
_ENVIRONMENT = {INSTALLED, COMPONENTS}
BENCH_FILES = {"data/bench/bench.yaml", "data/bench/runs.csv", "data/bench/prices.csv"}


@dataclass(frozen=True, slots=True)
class _Stage:
    """One stage: whether it passed, what was done in words, and every fault found."""

    name: str
    state: Literal["passed", "failed", "not done"]
    said: str
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class _Verification:
    """What a bag is worth, stage by stage.

    `identity` is the SHA-256 of its tag manifest, `key` the fingerprint of the key that signed it.
    """

    bag: str
    review: str
    identity: str
    kit_version: str
    signature: str
    key: str
    stages: tuple[_Stage, ...]
    parts: tuple[Part, ...] = ()
    claims_sha256: str = ""
    attested: tuple[str, ...] = ()  # statements that others put beside the bag, in words
    time: str = ""  # when the authority given saw it, in UTC

    @property
    def ok(self) -> bool:
        """Whether nothing was found wrong; `grade` says how much was looked at."""
        return self.grade != "not verified"

    @property
    def grade(self) -> str:
        """One of `GRADES`: what may be said of the bag as a whole."""
        states = {stage.state for stage in self.stages}
        if "failed" in states or self.stages[0].state != "passed":
            return "not verified"
        if "not done" in states or not self.parts:
            return "whole"
        if all(part.state == "same bytes" for part in self.parts):
            return "reproduced"
        return "figures reproduced"

    @property
    def exit_status(self) -> int:
        """The exit status of the grade."""
        return GRADES[self.grade]

    def meets(self, required: Sequence[str]) -> bool:
        """Return whether the bag has the grade required, or a better one, and what else is asked.

        Parameters
        ----------
        required : sequence of str
            Grades of `GRADES`, "signed": by the key given as the signer's, and "timed": with a
            time token of the authority given.

        Raises
        ------
        UsageError
            If nothing is required, or something is not known.
        """
        if not required:
            raise UsageError("nothing is required; name a grade, or signed")
        order = list(GRADES)
        beside = {SIGNED: self.signature == "valid", TIMED: bool(self.time)}
        for word in required:
            if word not in {*beside, *order[:-1]}:
                known = [*order[:-1], *beside]
                raise UsageError(f'cannot require "{word}"{did_you_mean(word, known, listed=9)}')
        return self.ok and all(
            beside[word] if word in beside else order.index(self.grade) <= order.index(word)
            for word in required
        )

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Every fault of every stage."""
        return tuple(finding for stage in self.stages for finding in stage.findings)

    def to_dict(self) -> dict[str, Any]:
        """Return the same as plain data."""
        return {
            "ok": self.ok, "grade": self.grade, "exit_status": self.exit_status,
            "bag": self.bag, "review": self.review, "identity": self.identity,
            "kit_version": self.kit_version, "signature": self.signature, "key": self.key,
            "time": self.time,
            "stages": [{"name": s.name, "state": s.state, "said": s.said} for s in self.stages],
            "findings": [asdict(finding) for finding in self.findings],
            "parts": dict(Counter(part.state for part in self.parts)),
            "not_the_same": [
                {"path": p.path, "state": p.state, "after": list(p.after), "why": p.why}
                for p in self.parts
                if p.state != "same bytes"
            ],
            "stated_not_checked": list(STATED), "attested": list(self.attested),
        }  # fmt: skip

    def to_lines(self) -> list[str]:
        """Return what `marginbook verify` prints."""
        lines = [f"{self.bag}: review {self.review or 'unknown'}, identity {self.identity}"]
        for stage in self.stages:
            lines.append(f"{stage.name}: {stage.state}. {stage.said}")
            for finding in stage.findings[:SHOWN]:
                lines.append(f"  {finding.path}")
                lines.append(f"    expected {finding.expected}")
                lines.append(f"    found    {finding.found}")
            if len(stage.findings) > SHOWN:
                lines.append(f"  and {len(stage.findings) - SHOWN} more (--json lists all)")
        same = [part for part in self.parts if part.state == "same after"]
        for part in same[:SHOWN]:
            lines.append(f"  {part.path}: same after setting aside {', '.join(part.after)}")
        if len(same) > SHOWN:
            lines.append(f"  and {len(same) - SHOWN} more (--json lists all)")
        lines += [f"stated, not checked: {words}" for words in STATED]
        lines += self.attested
        lines.append(self.grade if self.ok else "NOT verified")
        return lines

    def to_frame(self) -> pd.DataFrame:
        """Return a row per fault, with the columns stage, path, expected, found."""
        import pandas as pd

        names = [f.name for f in fields(Finding)]
        return pd.DataFrame([asdict(finding) for finding in self.findings], columns=names)


@dataclass(slots=True)
class _Walk:
    """One verification under way."""

    bag: Bag
    signer: Ed25519PublicKey | None
    listing: Listing
    authority: Path | None = None
    reading: Reading = PLAIN
    others: Sequence[Path] = ()
    book: ClaimBook | None = None
    fresh: Fresh | None = None
    remade: Remade = field(default_factory=Remade)
    signature: str = "none"
    key: str = ""
    time: str = ""
    problems: dict[str, list[Finding]] = field(default_factory=dict)
    not_done: set[str] = field(default_factory=set)  # stages with nothing wrong, but not done


def verify_bag(
    path: Path,
    *,
    signer: Path | None = None,
    authority: Path | None = None,
    others: Sequence[Path] = (),
    reading: Reading = PLAIN,
) -> _Verification:
    """Verify a sealed review.

    Parameters
    ----------
    path : Path
        The bag: a folder, or a zip of one.
    signer : Path, optional
        The public key that must have signed it. Without it a valid signature is reported, but
        not whose it is.
    authority : Path, optional
        Certificates, in PEM, of the time-stamping authority that must have seen it.
    others : sequence of Path
        Reviews whose figures its text takes, to compare what the bag holds of them with.
    reading : Reading
        How logs are read: plainly, or with a store where many bags nearly alike are verified.

    Returns
    -------
    _Verification
        Every stage with its faults, and a grade: "reproduced" (every file made again with the same
        bytes), "figures reproduced" (but for pictures or last bits), "whole" (bytes as listed, the
        rest not made again, as with another version's bag), or "not verified".

    Raises
    ------
    SealError
        If there is no bag at `path`, or `signer` holds no key. A bag that is not safe to read is
        no error: its structure fails, and no further stage is done.
    """
    key = load_public_key(signer) if signer is not None else None
    try:
        with open_bag(path) as bag:
            seen = _verify_open(bag, key, reading, authority, others)
        return replace(seen, attested=tuple(_attested(path, seen)))
    except HostileBagError as error:
        return _unsafe(path.name, error.findings)


def _attested(path: Path, seen: _Verification) -> Iterator[str]:
    """Yield in words each statement that stands beside a bag, and whether it holds."""
    for file in sorted(path.parent.glob(f"{glob.escape(path.name)}.*.attest.json"))[:SHOWN]:
        try:
            if file.stat().st_size > MAX_KEY_BYTES:
                raise SealError("larger than any statement")
            data = file.read_bytes()
            key, grade = read_attestation(
                data, identity=seen.identity, claims_sha256=seen.claims_sha256
            )
        except (SealError, OSError) as error:
            yield f"{file.name}: does NOT hold: {error}"
            continue
        yield f'{file.name}: the holder of {key} says "{grade[:20]}"; whose it is, ask them'


def write_attestation(path: Path, seen: _Verification, *, key: Path) -> Path:
    """Write a signed statement of what was found of a bag beside it; return where.

    Parameters
    ----------
    path : Path
        The bag.
    seen : Verification
        What `verify_bag` found of it, here.
    key : Path
        An Ed25519 private key. Each key has a file of its own, so several may sign.

    Raises
    ------
    SealError
        If the bag was not verified, the key cannot be read, or the file cannot be written.
    """
    if not seen.ok:
        raise SealError(f"{path.name}: not verified, so nothing is stated of it")
    private = load_private_key(key)
    code = hashlib.sha256(b"".join(p.read_bytes() for p in sorted(PACKAGE.rglob("*.py"))))
    said = {
        "grade": seen.grade, "claims_sha256": seen.claims_sha256, "kit_version": kit_version(),
        "kit_sha256": code.hexdigest(),
    }  # fmt: skip
    mark = re.sub("[^A-Za-z0-9]", "", fingerprint(private.public_key()))[6:18]
    to = path.with_name(f"{path.name}.{mark}.attest.json")
    try:
        to.write_bytes(attest(seen.review, seen.identity, said, private))
    except OSError as error:
        raise SealError(f"{to.name}: cannot be written: {error.strerror}") from None
    return to


def _unsafe(name: str, findings: Sequence[Finding]) -> _Verification:
    """Return the answer for a bag that is not safe to read."""
    stages = [_Stage("structure", "failed", "The bag is not safe to read.", tuple(findings))]
    stages += [_Stage(name, "not done", "The bag is not safe to read.") for name in STAGES[1:]]
    return _Verification(name, "", "", "", "none", "", tuple(stages))


def _verify_open(
    bag: Bag,
    signer: Ed25519PublicKey | None,
    reading: Reading,
    authority: Path | None,
    others: Sequence[Path],
) -> _Verification:
    """Do every stage that can be done with a bag that is safe to read.

    A stage that meets a file it cannot read fails with that as its finding, and the next ones are
    still done; those that need claims are not done where there are none.
    """
    walk = _Walk(bag, signer, bag.read_listing(), authority, reading, others)
    walk.book = _read_book(walk)
    always: dict[str, Callable[[_Walk], tuple[list[Finding], str]]] = {
        "structure": _structure, "bytes": _bytes, "completeness": _completeness,
        "signature": _signature,
    }  # fmt: skip
    of_claims: dict[str, Callable[[_Walk, ClaimBook], tuple[list[Finding], str]]] = {
        "rebuild": _rebuild, "claims": _claims, "page": _page,
    }  # fmt: skip
    stages = []
    for name in STAGES:
        _PROGRESS.info(f"verifying: {name}")
        if name in of_claims and walk.book is None:
            stages.append(_Stage(name, "not done", "There are no claims to compare with."))
            continue
        try:
            if walk.book is not None and name in of_claims:
                findings, said = of_claims[name](walk, walk.book)
            else:
                findings, said = always[name](walk)
        except SealError as error:  # a file that cannot be read, or is larger than any of ours
            findings = [Finding("data", "files that can be read", str(error))]
            said = "It could not be done to its end."
        every = [*walk.problems.get(name, []), *findings]
        findings = [replace(finding, stage=name) for finding in every]
        state: Literal["passed", "failed", "not done"] = "failed" if findings else "passed"
        if not findings and name in walk.not_done:
            state = "not done"
        stages.append(_Stage(name, state, said, tuple(findings)))
    identity = ""
    if TAG_MANIFEST in bag.files:
        identity = hashlib.sha256(bag.read(TAG_MANIFEST)).hexdigest()
    return _Verification(
        bag=bag.name, review=walk.book.review if walk.book else "", identity=identity,
        kit_version=walk.book.kit_version if walk.book else "", signature=walk.signature,
        key=walk.key, stages=tuple(stages), parts=walk.remade.parts, time=walk.time,
        claims_sha256=bag.digest(CLAIMS_PATH) if CLAIMS_PATH in bag.files else "",
    )  # fmt: skip


def _read_book(walk: _Walk) -> ClaimBook | None:
    """Return the claims stated in the bag; what is wrong with them belongs to completeness."""
    if CLAIMS_PATH not in walk.bag.files:
        return None
    try:
        return ClaimBook.parse(walk.bag.read(CLAIMS_PATH), file=CLAIMS_PATH)
    except SealError as error:
        finding = Finding(CLAIMS_PATH, "claims that can be read", str(error))
        walk.problems["completeness"] = [finding]
        return None


def _structure(walk: _Walk) -> tuple[list[Finding], str]:
    """Return what is wrong with the form of the bag."""
    return list(walk.listing.findings), f"BagIt 1.0, {len(walk.bag.files)} files."


def _bytes(walk: _Walk) -> tuple[list[Finding], str]:
    """Compare the bytes of every listed file with its hash."""
    listed = len(walk.listing.payload) + len(walk.listing.tags)
    return walk.bag.check_bytes(walk.listing), f"SHA-256 of {listed} listed files compared."


def _completeness(walk: _Walk) -> tuple[list[Finding], str]:
    """Return each file missing or not listed, of another review, or another than named."""
    findings = walk.bag.check_listing(walk.listing)
    findings += [
        Finding(f"data/{name}", "this file in the bag", "it is missing")
        for name in REPORT_FILES
        if f"data/{name}" not in walk.bag.files
    ]
    runs = 0
    if walk.book is not None:
        runs = sum(1 for run in walk.book.runs if run.file)
        findings += _logs(walk, walk.book)
        findings += _strangers(walk, walk.book)
    more, said = _journal(walk)
    elsewhere = [_stated_elsewhere(walk, name) for name in _other_reviews(walk)]
    findings += [*more, *(finding for found, _ in elsewhere for finding in found)]
    return findings, " ".join(
        [f"Every file listed, every listed file here; logs of {runs} runs. {said}"]
        + [words for _, words in elsewhere]
    )


def _other_reviews(walk: _Walk) -> list[str]:
    """Return the names of other reviews whose figures the claims take."""
    named = walk.book.names.get("reviews", {}) if walk.book else {}
    return [name for name in named if re.fullmatch(r"[\w.-]{1,80}", name) and name[0] != "."]


def _stated_elsewhere(walk: _Walk, name: str) -> tuple[list[Finding], str]:
    """Compare what the bag holds of another review with its seal, and with the review if given."""
    place = f"data/reviews/{name}"
    try:
        held = ClaimBook.read_stated(walk.bag.folder / place)
    except SealError as error:
        found = Finding(place, "claims that their manifests lead to", str(error))
        return [found], ""
    sealed = f"sealed as {held.seal}" if held.seal else "which was not sealed"
    said = f"Figures of {name} are as stated there on {held.date}, {sealed}"
    given = [ClaimBook.read_stated(path) for path in walk.others]
    same = [book for book in given if book.review == held.review]
    if not same:
        return [], f"{said}; that review was not given and not looked at."
    if any(book.to_json() == held.to_json() and book.seal == held.seal for book in same):
        return [], f"{said}, and as the review given has them: verify that in turn."
    expected = f"the claims of {same[0].review} as given, {same[0].seal or 'not sealed'}"
    return [Finding(place, expected, held.seal or "other claims")], f"{said}."


def _journal(walk: _Walk) -> tuple[list[Finding], str]:
    """Check the part of the bench's journal in a bag, and say which logs it anchors."""
    stated = tuple(" ".join(walk.listing.info.get(k, ())) for k in (JOURNAL_HEAD, JOURNAL_LENGTH))
    if JOURNAL_PART not in walk.bag.files:
        if not any(stated):
            return [], "No journal of its bench is in it: no entry is anchored."
        missing = Finding(JOURNAL_PART, "this file in the bag", "it is missing")
        return [missing], "The journal is missing."
    try:
        part = read_excerpt(walk.bag.read(JOURNAL_PART), file=JOURNAL_PART)
    except BenchError as error:
        expected = "a journal whose entries follow each other"
        return [Finding(JOURNAL_PART, expected, str(error))], "It is damaged."
    findings = []
    if stated != (part.head, str(part.length)):
        said = f"{stated[0] or 'no head'}, {stated[1] or 'no'} entries, as bag-info.txt has it"
        made = f"{part.head}, {part.length} entries"
        findings.append(Finding(f"{JOURNAL_PART} # head, length", said, made))
    logs = {r.file: r.sha256 for r in (walk.book.runs if walk.book else ()) if r.file and r.frames}
    for file, sha256 in logs.items():
        kept = part.logs.get(file)
        if kept is not None and kept[0] != sha256:
            expected = f"SHA-256 {kept[0]}, as entry {kept[1]} of the journal has it"
            place = f"data/bench/{file}"
            findings.append(Finding(place, expected, f"SHA-256 {sha256}"))
    found = len(logs.keys() & part.logs.keys())
    left = f"; {len(logs) - found} not anchored" if found < len(logs) else ""
    return findings, (
        f"{found} of {len(logs)} logs anchored by the journal of their bench, as it was at its "
        f"entry {part.length - 1}, head {part.head[:16]}{left}."
    )


def read_anchor(path: Path) -> Anchor:
    """Return head and length of the journal that a sealed review carries.

    Raises
    ------
    SealError
        If there is no bag, or it carries none.
    """
    with open_bag(path) as bag:
        listing = bag.read_listing()
        book = _read_book(_Walk(bag, None, listing))
        head, length = (" ".join(listing.info.get(k, ())) for k in (JOURNAL_HEAD, JOURNAL_LENGTH))
        identity = hashlib.sha256(bag.read(TAG_MANIFEST)).hexdigest()
        if not head or not length.isdecimal():
            raise SealError(f"{path.name}: carries no journal of its bench")
        return Anchor(book.review if book else path.name, identity, head, int(length))


def _logs(walk: _Walk, book: ClaimBook) -> Iterator[Finding]:
    """Yield a finding for each measured log that is missing or not the one the claims name."""
    for run in book.runs:
        path = f"data/bench/{run.file}"
        if not run.file or not run.frames:
            continue
        place = f"{path} # run {run.id}"
        stated = walk.listing.payload.get(path)
        if path not in walk.bag.files:
            yield Finding(place, "the raw log of this run", "it is missing")
        elif stated is not None and stated != run.sha256:
            yield Finding(place, f"SHA-256 {run.sha256}, as claims.json has it",
                          f"SHA-256 {stated}")  # fmt: skip


def _strangers(walk: _Walk, book: ClaimBook) -> Iterator[Finding]:
    """Yield a finding for each payload file no sealed review has, each the run wrote but is not
    here, and each of the kit's own that is not as this version has it (of another version only
    the names are known)."""
    notebook = read_notebook(walk.bag, [])
    try:
        written = {f"data/{name}" for name in notebook["metadata"]["marginbook"]["files"]}  # type: ignore[index]
    except (KeyError, TypeError):
        yield Finding("data/executed.ipynb # metadata", "the files of the run", "none are listed")
        return
    params_path = f"data/params/{book.params_file}"
    known = written | _ENVIRONMENT | BENCH_FILES | {params_path}
    own = {item.path: item.measure()[1] for item in kit_items(book)}
    known |= {
        f"data/reviews/{name}/{file}" for name in _other_reviews(walk) for file in REVIEW_FILES
    }
    known |= {JOURNAL_PART, *own, *(f"data/bench/{run.file}" for run in book.runs if run.file)}
    text, style = book.settings.get("text"), book.settings.get("style")
    named = [("text", text)] if isinstance(text, str) else []
    if isinstance(style, str):
        logo = book.names.get("style", {}).get("logo_file", "style.yaml")
        named += [("style", f"{style}/style.yaml"), ("style", f"{style}/{logo}")]
    for key, name in named:
        try:
            known.add(text_path(name))
        except SealError as error:
            yield Finding(f"{CLAIMS_PATH} # settings.{key}", f"a {key} in the bag", str(error))
    wanted = written | BENCH_FILES - {"data/bench/prices.csv"} | {params_path} | _ENVIRONMENT
    if book.kit_version == kit_version():
        wanted |= own.keys()
        for path in own.keys() & walk.bag.files.keys():
            if (found := walk.bag.digest(path)) != own[path]:
                expected = f"SHA-256 {own[path]}, as this version has it"
                yield Finding(path, expected, f"SHA-256 {found}")
    for path in sorted(wanted - set(walk.bag.files)):
        if path.removeprefix("data/") not in REPORT_FILES:
            yield Finding(path, "this file in the bag", "it is missing")
    aside = {f"data/bench/{log}" for log in _logs_in_sheet(walk)}
    for path in walk.bag.files:
        if path.startswith("data/") and path not in known | aside:
            yield Finding(path, "only files of a sealed review", "a stranger")


def _logs_in_sheet(walk: _Walk) -> set[str]:
    """Return every log the run sheet of the bag names (also of runs the review does not list).

    A sheet that cannot be read names none: making the review again tells its faults.
    """
    from kit.bench.runs import SheetText

    path = "data/bench/runs.csv"
    if path not in walk.bag.files:
        return set()
    try:
        sheet = SheetText.parse(walk.bag.read(path), file=path)
        place = sheet.header.index("log")
    except (BenchError, SealError, ValueError):
        return set()
    return {cells[place] for _, cells in sheet.rows if cells[place]}


def _signature(walk: _Walk) -> tuple[list[Finding], str]:
    """Check signature and time token, and note by whom they are."""
    check = check_signature(walk.bag, signer=walk.signer)
    walk.signature, walk.key = check.state, check.key
    said = {
        "none": "Not signed: anyone could have made this bag.",
        "valid": f"Signed by {check.key}, the key given.",
        "valid, key not compared": f"Signed by {check.key}, the key in the bag; nobody vouches "
        "for it. Give the author's with --signer.",
    }.get(check.state, "The signature does not hold.")
    if check.also:
        said += f" Signed as well by {', '.join(check.also)}."
    more, when = _time(walk)
    return [*check.findings, *more], f"{said} {when}"


def _time(walk: _Walk) -> tuple[list[Finding], str]:
    """Check the time token, and say what is known of when the bag was sealed."""
    identity = walk.bag.digest(TAG_MANIFEST) if TAG_MANIFEST in walk.bag.files else ""
    there = TIME in walk.bag.files
    wrong, unknown = "", "Nobody can tell when it was sealed"
    if walk.authority is not None and there:
        try:
            token = walk.bag.read(TIME, limit=MAX_TOKEN_BYTES)
            walk.time = check_time(token, identity=identity, authority=walk.authority)
        except SealError as error:
            wrong = str(error)
        else:
            return [], f"It was there at {walk.time}, says the time-stamping authority given."
    elif walk.authority is not None:
        wrong = "it is missing"
    elif there:
        return [], f"{unknown}: whose {TIME} is, only --tsa CERTIFICATE tells."
    if wrong:
        return [Finding(TIME, "a time token of the authority given", wrong)], unknown
    return [], f"{unknown}; a token asked for by `{time_query(identity)}` would tell ({TIME})."


def _rebuild(walk: _Walk, book: ClaimBook) -> tuple[list[Finding], str]:
    """Make the whole bag again from params, bench, logs and text; compare every file.

    What cannot be made again (another version, someone else's template) is no fault: the stage is
    then not done, and says why.
    """
    params = _params_path(walk.bag, book)
    remade = remake_bag(walk.bag, walk.listing, book, params, reading=walk.reading)
    walk.remade, walk.fresh = remade, remade.fresh
    findings = [
        Finding(f"{p.path} # {p.why}" if p.why else p.path, p.expected, p.found)
        for p in remade.of_state("differs")
    ]
    findings += remade.findings
    if not remade.parts:
        walk.not_done.add("rebuild")
    if remade.why:
        return findings, f"Nothing was made again: {remade.why}."
    same = len(remade.of_state("same bytes"))
    said = f"{same} of {len(remade.parts)} files made again with the same bytes"
    if after := remade.of_state("same after"):
        said += f", {len(after)} the same after setting aside what is named below"
    return findings, said + "."


def _claims(walk: _Walk, book: ClaimBook) -> tuple[list[Finding], str]:
    """Compare every claim with the one made afresh from the raw logs."""
    check = check_claims(walk.bag, book, _params_path(walk.bag, book), remade=walk.remade)
    walk.fresh = check.fresh
    if not check.done:
        walk.not_done.add("claims")
    return list(check.findings), check.said


def _params_path(bag: Bag, book: ClaimBook) -> Path:
    """Return where the params file of a bag is, once it is sure that it is in the bag.

    Raises
    ------
    SealError
        If it is not, or a file of settings is larger than any of ours.
    """
    path = f"data/params/{book.params_file}"
    if name_fault(path) or "/" in book.params_file or path not in bag.files:
        raise SealError(f"params file {book.params_file!r} is not in the bag")
    for name in (path, "data/bench/bench.yaml"):
        if bag.files.get(name, 0) > MAX_YAML_BYTES:
            raise SealError(f"{name}: larger than {MAX_YAML_BYTES} bytes")
        data = bag.read(name) if name in bag.files else b""
        if sum(data.count(mark) for mark in (b":", b",", b"- ")) > MAX_YAML_MARKS:
            raise SealError(f"{name}: more than {MAX_YAML_MARKS} keys and items")
    return bag.folder / path


def _page(walk: _Walk, book: ClaimBook) -> tuple[list[Finding], str]:
    """Compare page, notebook and tables, where something of the bag is not as made again."""
    if walk.remade.parts and not walk.remade.of_state("differs"):
        return [], "Page, notebook, tables and charts are those made again."
    made = json.loads(walk.remade.notebook) if walk.remade.notebook else None
    findings, said = check_report(walk.bag, book, walk.fresh, made)
    return findings, said[:1].upper() + said[1:] + "."
