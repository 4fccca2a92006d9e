"""The journal of a bench: what was taken in and done, a line an act, each chained to the last.

`journal.jsonl` only ever grows. A line is one JSON object with its keys in order and no space; its
`hash` is the SHA-256 of `prev`, the hash of the line before (64 zeros before the first), and the
SHA-256 of its body, in which each item stands by its own SHA-256. So an item, or all but the hash
of a line, can be left out of a copy and the chain still be checked. A chain cannot tell that its
end was cut off: sealed reviews carry its head and length, and `anchors.jsonl` lists them.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Self

from kit.errors import BenchError, Fault

JOURNAL = "journal.jsonl"
ANCHORS = "anchors.jsonl"
JOURNAL_FORMAT = "marginbook-journal/1"
GENESIS = "0" * 64
NOT_STATED = "not stated"
_SHOWN = 20

_KEYS = ("n", "prev", "when", "who", "act", "reason", "items", "hash")
_BODY = ("n", "when", "who", "act", "reason")
_TEXT = ("when", "who", "act", "reason", "prev", "hash")
_Cells = (dict, type(None))
# What an item of each kind holds, and nothing else.
_ITEMS: Mapping[str, Mapping[str, Any]] = {
    "begin": {"format": str, "bench": str},
    "log": {
        "file": str, "sha256": str, "bytes": int, "modified": int, "from": str, "copied": bool,
    },
    "gone": {"file": str, "sha256": str},
    "row": {"run": str, "was": _Cells, "row": _Cells},
    "sheet": {"was": str, "now": str},
    "file": {"file": str, "was": str, "now": str},
    "name": {"what": str, "was": str, "now": str},
    "undone": {"entry": int},
    "bench": {"name": str, "head": str, "length": int},
}  # fmt: skip
_ANCHOR_KEYS = ("review", "identity", "head", "length")


@dataclass(frozen=True, slots=True)
class By:
    """Who does something to a bench, when and why.

    Attributes
    ----------
    who : str
        As the journal names them.
    when : str
        A moment of ISO 8601; empty where none is stated.
    reason : str
        Why, for the reader of the journal.
    """

    who: str = NOT_STATED
    when: str = ""
    reason: str = ""


NOBODY = By()


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of a journal.

    Attributes
    ----------
    n : int
        Its number, counted from 0.
    when, who, act, reason : str
        Words of the act.
    items : tuple of mapping
        What it changed, each of a `kind`.
    prev, hash : str
        Hash of the entry before, and its own.
    line : int
        Its line in the file, counted from 1.
    """

    n: int
    when: str
    who: str
    act: str
    reason: str
    items: tuple[Mapping[str, Any], ...]
    prev: str
    hash: str
    line: int = 0

    def of_kind(self, kind: str) -> list[Mapping[str, Any]]:
        """Return its items of one kind."""
        return [item for item in self.items if item["kind"] == kind]

    def to_dict(self) -> dict[str, Any]:
        """Return the entry as plain data, as it stands in the file."""
        return {key: getattr(self, key) for key in _KEYS}

    def to_line(self) -> str:
        """Return the entry in a line: number, when, who, what, why."""
        counts = Counter(item["kind"] for item in self.items)
        told = ", ".join(f"{count} {kind}" for kind, count in counts.items())
        why = f": {self.reason}" if self.reason else ""
        return f"{self.n} {self.when or '(no date)'} {self.who}: {self.act} ({told}){why}"

    def in_words(self) -> str:
        """Return who did it and when, as messages name an entry."""
        day = f", {self.when[:10]}" if self.when else ""
        return f"entry {self.n} ({self.act} by {self.who}{day})"


@dataclass(frozen=True, slots=True)
class Journal:
    """A journal as read.

    Attributes
    ----------
    entries : tuple of Entry
        In the order they were written.
    torn_bytes : int
        Bytes of a last line that was cut short.
    there : bool
        Whether the bench has a journal.
    """

    entries: tuple[Entry, ...] = ()
    torn_bytes: int = 0
    there: bool = False

    @classmethod
    def read(cls, folder: Path) -> Self:
        """Read and check the journal of a bench folder.

        A last line that was cut short, as by a power failure, is left out and counted: the next act
        takes it away.

        Parameters
        ----------
        folder : Path
            The bench. One without a journal has an empty one that is not `there`.

        Raises
        ------
        BenchError
            If it cannot be read, or anything before its last line is not as it was written: with
            every such place.
        """
        name = f"{folder.name}/{JOURNAL}"
        try:
            data = (folder / JOURNAL).read_bytes()
        except FileNotFoundError:
            return cls()
        except OSError as error:
            raise BenchError.at(name, f"cannot be read: {error.strerror or error}") from None
        *lines, torn = data.split(b"\n")
        if lines and all(line.endswith(b"\r") for line in lines):
            raise BenchError.at(
                name,
                "its line ends were changed to CR LF, as git does without .gitattributes; put back "
                'the bytes that were committed ("journal.jsonl -text" in .gitattributes, then '
                "check it out again)",
            )
        faults: list[Fault] = []
        entries: list[Entry] = []
        prev, offset = GENESIS, 0
        for number, line in enumerate(lines, 1):
            try:
                entries.append(_parse_line(line, n=number - 1, prev=prev))
                prev = entries[-1].hash
            except _DamagedError as error:
                faults.append(Fault(name, f"{error} (at byte {offset})", line=number))
                prev = error.next_prev or prev
            offset += len(line) + 1
        if faults:
            more = [f"and {len(faults) - _SHOWN} more lines"] if len(faults) > _SHOWN else []
            more.append(
                "the journal was damaged or written by hand; put it back from a copy (git, a "
                "backup). Nothing is repaired here, since readable lines stand after the place"
            )
            raise BenchError([*faults[:_SHOWN], *(Fault(name, said) for said in more)])
        return cls(tuple(entries), len(torn), there=True)

    @property
    def head(self) -> str:
        """The hash of the last entry; of none, 64 zeros."""
        return self.entries[-1].hash if self.entries else GENESIS

    def replay(self) -> BenchState:
        """Return what the bench holds by its journal."""
        state = BenchState()
        for entry in self.entries:
            for item in entry.items:
                if item["kind"] == "log":
                    state.logs[item["file"]] = Kept(
                        item["sha256"], item["bytes"], item["modified"], entry
                    )
                elif item["kind"] == "gone":
                    state.logs.pop(item["file"], None)
                elif item["kind"] == "row" and item["row"] is None:
                    state.rows.pop(item["run"], None)
                elif item["kind"] == "row":
                    state.rows[item["run"]] = item["row"], entry
                elif item["kind"] == "undone":
                    state.undone.add(item["entry"])
        return state

    def lines_of(self, act: str, *, by: By, items: Iterable[Mapping[str, Any]], bench: str) -> str:
        """Return the lines an act adds; the first act begins the journal of the bench named.

        Parameters
        ----------
        act : str
            What it is called.
        by : By
            Who, when and why.
        items : iterable of mapping
            What it changed.
        bench : str
            What `bench.yaml` calls the bench.
        """
        n, prev, lines = len(self.entries), self.head, []
        todo = [(act, by.reason, list(items))]
        if not n:
            begin = {"kind": "begin", "format": JOURNAL_FORMAT, "bench": bench}
            todo.insert(0, ("begin", "", [begin]))
        for what, reason, holds in todo:
            record: dict[str, Any] = {
                "n": n, "prev": prev, "when": by.when, "who": by.who, "act": what,
                "reason": reason, "items": holds,
            }  # fmt: skip
            record["hash"] = prev = _sha(prev + _body_sha(record))
            lines.append(_line_of(record))
            n += 1
        return "".join(lines)

    def excerpt(self, *, wanted: Callable[[Mapping[str, Any]], bool]) -> bytes:
        """Return a copy in which only some items can be read.

        Every other item stands by its SHA-256, and an entry without any wanted item by the SHA-256
        of its body alone, so that the whole chain can still be checked and nothing else is told.
        """
        lines = []
        for entry in self.entries:
            record = entry.to_dict()
            kept = [item if wanted(item) else _sha(_canonical(item)) for item in entry.items]
            if all(isinstance(item, str) for item in kept):
                lines.append(_canonical({"n": entry.n, "body": _body_sha(record)}) + "\n")
            else:
                lines.append(_line_of({**record, "items": kept}))
        return "".join(lines).encode()

    def faults_against(self, anchors: Sequence[Anchor], *, file: str) -> list[Fault]:
        """Return a fault for each anchor it does not hold: its end was cut, or rewritten.

        Parameters
        ----------
        anchors : sequence of Anchor
            As sealed reviews carry them.
        file : str
            The name faults give the journal.
        """
        faults = []
        for anchor in anchors:
            if anchor.length > len(self.entries):
                said = (
                    f"has {len(self.entries)} entries, but had {anchor.length} when review "
                    f'"{anchor.review}" was sealed: its end was cut off; put it back from a copy'
                )
                faults.append(Fault(file, said))
            elif anchor.length and self.entries[anchor.length - 1].hash != anchor.head:
                said = (
                    f'is not the one review "{anchor.review}" was sealed with: up to entry '
                    f"{anchor.length - 1} it was written anew; put it back from a copy"
                )
                faults.append(Fault(file, said, line=anchor.length))
        return faults


@dataclass(frozen=True, slots=True)
class Kept:
    """A log as it was taken in.

    Attributes
    ----------
    sha256 : str
        Of its bytes.
    size_bytes, modified_ns : int
        How many they are, and when they were last changed, in nanoseconds since 1970.
    entry : Entry
        The act it came with.
    """

    sha256: str
    size_bytes: int
    modified_ns: int
    entry: Entry


@dataclass(slots=True)
class BenchState:
    """What a journal says a bench holds.

    Attributes
    ----------
    logs : dict of str to Kept
        By file.
    rows : dict of str to (mapping, Entry)
        By run, its filled cells and the act that wrote them last.
    undone : set of int
        Numbers of the entries taken back.
    """

    logs: dict[str, Kept] = field(default_factory=dict)
    rows: dict[str, tuple[Mapping[str, str], Entry]] = field(default_factory=dict)
    undone: set[int] = field(default_factory=set)


@dataclass(frozen=True, slots=True)
class Anchor:
    """Head and length of a journal as a sealed review carries them.

    Attributes
    ----------
    review, identity : str
        The review's id, and the identity of its bag.
    head : str
        Hash of the last entry there was.
    length : int
        How many entries there were.
    """

    review: str
    identity: str
    head: str
    length: int

    @classmethod
    def read_all(cls, folder: Path) -> tuple[Self, ...]:
        """Return head and length of the journal at each sealing of a review of this bench.

        Raises
        ------
        BenchError
            If the list cannot be read.
        """
        path, name = folder / ANCHORS, f"{folder.name}/{ANCHORS}"
        found: list[Self] = []
        try:
            for line in path.read_bytes().splitlines():
                record = json.loads(line.decode())
                if tuple(record) != _ANCHOR_KEYS or not isinstance(record["length"], int):
                    raise ValueError
                found.append(cls(**record))
        except FileNotFoundError:
            return ()
        except OSError as error:
            raise BenchError.at(name, f"cannot be read: {error.strerror or error}") from None
        except (ValueError, TypeError, RecursionError):
            said = f"has not exactly the keys {', '.join(_ANCHOR_KEYS)}; put it back from a copy"
            raise BenchError.at(name, said, line=len(found) + 1) from None
        return tuple(found)

    def note(self, folder: Path) -> bool:
        """Add it to a bench, unless it is there; return whether it is there now.

        A bench that may not be written is left as it is: the sealed review holds its anchor all the
        same.
        """
        try:
            if self in Anchor.read_all(folder):
                return True
            line = json.dumps(asdict(self), ensure_ascii=False)
            with (folder / ANCHORS).open("ab") as stream:
                stream.write(line.encode() + b"\n")
        except (OSError, BenchError):
            return False
        return True


def _canonical(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def _sha(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _body_sha(record: Mapping[str, Any]) -> str:
    """Return the SHA-256 of an entry's body: its words, and each item by its SHA-256."""
    items = [item if isinstance(item, str) else _sha(_canonical(item)) for item in record["items"]]
    return _sha(_canonical({**{key: record[key] for key in _BODY}, "items": items}))


def _line_of(record: Mapping[str, Any]) -> str:
    """Return a record as a line, its keys in their written order."""
    ordered = {key: record[key] for key in _KEYS}
    return json.dumps(ordered, ensure_ascii=False, separators=(",", ":")) + "\n"


class _DamagedError(Exception):
    """A line that is not as it was written; `next_prev` is what the line after should name."""

    def __init__(self, message: str, next_prev: str = "") -> None:
        self.next_prev = next_prev
        super().__init__(message)


def _parse_line(line: bytes, *, n: int, prev: str) -> Entry:
    """Return one entry, or raise what is wrong with its line."""
    try:
        record = json.loads(line.decode())
    except (ValueError, RecursionError):
        raise _DamagedError("is no line of a journal") from None
    if not isinstance(record, dict) or tuple(record) != _KEYS:
        raise _DamagedError(f"has not exactly the keys {', '.join(_KEYS)}, in that order")
    said = record["hash"] if isinstance(record["hash"], str) else ""
    if not isinstance(record["n"], int) or not all(isinstance(record[k], str) for k in _TEXT):
        problem = "holds a value of another type than was written"
    elif not (problem := _items_problem(record["items"])):
        if _line_of(record).encode() != line + b"\n":
            problem = "is not written as it was"
        elif record["prev"] != prev:
            problem = "does not follow the line before it: one was removed, put in or moved"
        elif record["n"] != n:
            problem = f"is entry {record['n']} where entry {n} belongs"
        elif _sha(prev + _body_sha(record)) != said:
            problem = "was changed after it was written: its hash does not fit"
    if problem:
        raise _DamagedError(problem, said)
    return Entry(**{**record, "items": tuple(record["items"])}, line=n + 1)


def _items_problem(items: Any) -> str:
    """Say what is wrong with the items of an entry, or nothing."""
    if not isinstance(items, list):
        return "has no list of items"
    for item in items:
        kind = item.get("kind") if isinstance(item, dict) else None
        if not isinstance(kind, str) or kind not in _ITEMS:
            return f"holds an item of no known kind ({str(kind)[:40]})"
        fields = _ITEMS[kind]
        if item.keys() - {"kind"} != fields.keys():
            return f"holds a {kind} without exactly {', '.join(fields)}"
        if not all(isinstance(item[key], fields[key]) for key in fields):
            return f"holds a {kind} with a value of another type"
    return ""


def log_item(file: str, path: Path, *, sha256: str, source: str, copied: bool) -> dict[str, Any]:
    """Return the item of a log.

    Parameters
    ----------
    file : str
        Its name in the bench.
    path : Path
        Where it can be read now.
    sha256 : str
        Of its bytes.
    source : str
        Where it is from, for people.
    copied : bool
        Whether the act put the file there: taking the act back removes it.
    """
    stat = path.stat()
    return {
        "kind": "log", "file": file, "sha256": sha256, "bytes": stat.st_size,
        "modified": stat.st_mtime_ns, "from": source, "copied": copied,
    }  # fmt: skip


def append_lines(folder: Path, lines: str) -> int:
    """Append lines to a bench's journal, those not there yet; wait until the disk has them.

    The caller holds the lock of the bench. A last line that was cut short is taken away first.

    Parameters
    ----------
    folder : Path
        The bench.
    lines : str
        As `Journal.lines_of` gives them.

    Returns
    -------
    int
        Bytes of a torn last line that were taken away.

    Raises
    ------
    BenchError
        If the journal is damaged, or goes on otherwise than the lines expect.
    """
    journal, path = Journal.read(folder), folder / JOURNAL
    known = {entry.hash for entry in journal.entries}
    new = [ln for ln in lines.splitlines(keepends=True) if json.loads(ln)["hash"] not in known]
    if new and json.loads(new[0])["prev"] != journal.head:
        said = "went on otherwise while an act was cut short; put it back from a copy"
        raise BenchError.at(f"{folder.name}/{JOURNAL}", said)
    if not new and not journal.torn_bytes:
        return 0
    with path.open("ab") as stream:
        if journal.torn_bytes:
            stream.truncate(path.stat().st_size - journal.torn_bytes)
        stream.write("".join(new).encode())
        stream.flush()
        os.fsync(stream.fileno())
    if not journal.there:
        sync_folder(folder)
    return journal.torn_bytes


def sync_folder(folder: Path) -> None:
    """Wait until the disk has the names in a folder (one cannot be opened on Windows)."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@dataclass(frozen=True, slots=True)
class _Excerpt:
    """The part of a journal that a sealed review carries: what it tells, its head and length."""

    logs: Mapping[str, tuple[str, int]]  # file -> SHA-256, number of its entry
    head: str
    length: int
    shown: int  # entries that can be read


def read_excerpt(data: bytes, *, file: str) -> _Excerpt:
    """Check the chain of an excerpt and return what it tells.

    Parameters
    ----------
    data : bytes
        As `Journal.excerpt` gives it.
    file : str
        The name faults give it.

    Raises
    ------
    BenchError
        At the first line that does not follow.
    """
    prev, shown = GENESIS, 0
    logs: dict[str, tuple[str, int]] = {}
    *lines, torn = data.split(b"\n")
    if torn or not lines:
        raise BenchError.at(file, "the last line is cut short")
    for n, line in enumerate(lines):
        try:
            record = json.loads(line.decode())
            hidden = set(record) == {"n", "body"}
            if record["n"] != n or not (hidden or tuple(record) == _KEYS):
                raise ValueError
            if hidden:
                prev = _sha(prev + record["body"])
                continue
            shown += 1
            prev_said, prev = record["prev"], _sha(prev + _body_sha(record))
            if record["hash"] != prev or _sha(prev_said + _body_sha(record)) != prev:
                raise ValueError
            readable = [item for item in record["items"] if not isinstance(item, str)]
            if _items_problem(readable):
                raise ValueError
        except (ValueError, KeyError, TypeError, RecursionError):
            raise BenchError.at(file, "does not follow the line before it", line=n + 1) from None
        for item in readable:
            if item["kind"] == "log":
                logs[item["file"]] = item["sha256"], n
            elif item["kind"] == "gone":
                logs.pop(item["file"], None)
    return _Excerpt(logs, prev, len(lines), shown)
