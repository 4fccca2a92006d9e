"""A finished review sealed: its folder, its params and the part of the bench it rests on, in a bag.

Before the bag gets its name it is verified: what `verify` would refuse is not sealed.
The same review gives the same bag, byte for byte.
"""

from __future__ import annotations

import datetime as dt
import json
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from kit.archive.bag import TAG_MANIFEST, Item, write_bag, zip_bag
from kit.archive.contents import Scope, describe_items, tag_items
from kit.archive.page_check import closing_said
from kit.archive.signature import fingerprint, load_private_key, sign_manifest, time_query
from kit.archive.verifying import REPORT_FILES, verify_bag
from kit.bench.evidence import refuse_altered
from kit.bench.journal import Anchor
from kit.claims.claim import ClaimBook, load_claims
from kit.errors import SealError
from kit.report.files import KEPT_ANYWAY, read_inputs
from kit.trace import file_sha256

SHOWN = 5


@dataclass(frozen=True, slots=True)
class _Sealed:
    """A sealed review: where it is, and the hash that names it.

    `identity` is the SHA-256 of the bag's tag manifest: whoever has it can tell whether a copy is
    this bag. `key` is the fingerprint of the signing key, empty where the bag is not signed.
    """

    path: Path
    review: str
    identity: str
    files: int
    size_bytes: int
    key: str
    journal: str = ""

    def to_lines(self) -> list[str]:
        """Return what `marginbook seal` prints."""
        signed = f"signed by {self.key}" if self.key else "not signed"
        return [
            f"{self.path}",
            f"review {self.review}, {self.files} files, {self.size_bytes} bytes, {signed}",
            f"identity {self.identity}",
            *([self.journal] if self.journal else []),
            f"when: nobody can tell without a time token; ask for one: {time_query(self.identity)}",
        ]

    def to_dict(self) -> dict[str, Any]:
        """Return the same as plain data."""
        return {
            "ok": True, "bag": str(self.path), "review": self.review, "identity": self.identity,
            "files": self.files, "bytes": self.size_bytes, "key": self.key,
            "journal": self.journal, "time_query": time_query(self.identity),
        }  # fmt: skip


def seal(
    folder: Path,
    *,
    to: Path | None = None,
    key: Path | None = None,
    params: Path | None = None,
    date: dt.date | None = None,
) -> _Sealed:
    """Seal a finished review.

    Parameters
    ----------
    folder : Path
        The review's folder, as `run` left it.
    to : Path, optional
        The bag to write; a name that ends in .zip gives one file. Beside the folder without it.
    key : Path, optional
        An Ed25519 private key to sign with.
    params : Path, optional
        The params file, where it is no longer where it was when the review ran.
    date : date, optional
        The bag's date; the review's own without it.

    Raises
    ------
    SealError
        If the review is incomplete, its inputs have changed since it ran, or the bag cannot be
        written. Nothing is left behind.
    """
    folder = folder.resolve()
    book = load_claims(folder)
    files = _finished_files(folder, book)
    inputs = read_inputs(folder, params=params)
    if file_sha256(inputs.params) != book.params_sha256:
        raise SealError(
            f"{inputs.params.name}: has changed since the review ran; run the review again, or "
            "put the file back as it was"
        )
    scope = Scope.read(inputs.params)
    hashes = {run.id: run.sha256 for run in book.runs if run.frames}
    refuse_altered(scope.rows, scope.loaded.bench.folder, hashes)
    journal = scope.journal
    head = (journal.head, len(journal.entries)) if journal.there else None
    before = ""
    for anchor in Anchor.read_all(scope.loaded.bench.folder):
        if (anchor.review, anchor.head) == (book.review, journal.head):
            break  # sealed already: the same review gives the same bag again
        before = anchor.identity
    items = scope.payload_items(
        book,
        [Item(f"data/{name}", folder / name) for name in files],
        installed=inputs.installed,
        licences=_stated_licences(inputs.installed),
    )
    try:
        members = describe_items(items, book)
    except OSError as error:
        name = Path(str(error.filename)).name
        raise SealError(f"{book.review}: {name} cannot be read: {error.strerror}") from None
    private = load_private_key(key) if key is not None else None

    def sign(manifest: bytes) -> Mapping[str, bytes]:
        return sign_manifest(manifest, private) if private is not None else {}

    to = to or folder.with_name(f"{folder.name}-sealed")
    bag = to.with_name(to.stem) if to.suffix == ".zip" else to
    with tempfile.TemporaryDirectory(prefix="marginbook-") as temporary:
        target = Path(temporary) / bag.name if bag is not to else to
        write_bag(
            items,
            to=target,
            date=date or dt.date.fromisoformat(book.date),
            info=scope.bag_info(book, journal=head, before=before),
            tags=tag_items(book, members),
            sign=sign,
            inspect=lambda work: _refuse_unverifiable(work, book.review),
        )
        identity = file_sha256(target / TAG_MANIFEST)
        written = [path.stat().st_size for path in target.rglob("*") if path.is_file()]
        if target is not to:
            zip_bag(target, to)
    mark = fingerprint(private.public_key()) if private is not None else ""
    bench = scope.loaded.bench.folder
    anchor = Anchor(book.review, identity, journal.head, len(journal.entries))
    noted = journal.there and anchor.note(bench)
    return _Sealed(
        to, book.review, identity, len(written), sum(written), mark,
        _journal_said(scope, noted=noted),
    )  # fmt: skip


def _stated_licences(installed: Mapping[str, str]) -> dict[str, str]:
    """Return the licence each installed package states as an SPDX expression, where it does.

    Parameters
    ----------
    installed : mapping of str to str
        Package to version. A package that has another version here is passed over.

    References
    ----------
    PEP 639, the metadata field License-Expression.
    """
    from importlib.metadata import PackageNotFoundError, metadata

    found = {}
    for name, version in installed.items():
        try:
            stated = metadata(name)
        except PackageNotFoundError:
            continue
        if "License-Expression" in stated and stated["Version"] == version:
            found[name] = str(stated["License-Expression"])
    return found


def _journal_said(scope: Scope, *, noted: bool) -> str:
    """Say how much of the review's logs the bench's journal knows, and that it is anchored now."""
    journal = scope.journal
    if not journal.there:
        return "journal: none; `marginbook bench adopt` begins it"
    known = journal.replay().logs
    logs = {row.log for row in scope.rows if row.log}
    found = len(logs & known.keys())
    left = f", {len(logs) - found} not (`marginbook bench adopt`)" if found < len(logs) else ""
    where = "" if noted else "; the bench could not be told"
    return (
        f"journal: {found} of {len(logs)} logs in it{left}; {len(journal.entries)} entries "
        f"anchored, head {journal.head[:16]}{where}"
    )


def _finished_files(folder: Path, book: ClaimBook) -> list[str]:
    """Return the files of a finished review's folder.

    Raises
    ------
    SealError
        If the review did not run to its end, or the folder is not as the run left it.
    """
    name = folder.name
    missing = [file for file in REPORT_FILES if not (folder / file).is_file()]
    if missing:
        raise SealError(
            f"{name}: the review is not finished: no {', '.join(missing)}; run it again"
        )
    try:
        notebook = json.loads((folder / "executed.ipynb").read_text(encoding="utf-8"))
        files = [str(file) for file in notebook["metadata"]["marginbook"]["files"]]
        said = closing_said(notebook)
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        raise SealError(f"{name}: executed.ipynb is not as a finished run leaves it") from None
    if said is None:
        raise SealError(f"{name}: the notebook did not run to its end; run the review again")
    if said != (book.review, file_sha256(folder / "claims.json")):
        raise SealError(
            f"{name}: claims.json is not the one its notebook wrote; run the review again"
        )
    here = {
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if not path.is_dir() and not KEPT_ANYWAY.intersection(path.relative_to(folder).parts)
    }
    for words, names in (
        ("files are missing", set(files) - here),
        ("files were added that no run wrote", here - set(files)),
    ):
        if names:
            raise SealError(f"{name}: {words}: {', '.join(sorted(names)[:SHOWN])}")
    return sorted(files)


def _refuse_unverifiable(work: Path, review: str) -> None:
    """Verify the bag about to be named; refuse what `verify` would not pass.

    Raises
    ------
    SealError
        With the first `SHOWN` findings.
    """
    seen = verify_bag(work)
    if seen.ok:
        return
    findings = seen.findings
    shown = "\n".join(f"  {f.path}: {f.expected}; stated {f.found}" for f in findings[:SHOWN])
    more = f"\n  and {len(findings) - SHOWN} more" if len(findings) > SHOWN else ""
    raise SealError(
        f"{review}: the report is not what params, bench and logs give now; run the "
        f"review again, then seal it:\n{shown}{more}"
    )
