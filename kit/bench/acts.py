"""Lawful acts on a bench: adopt, move a run, retire runs, rename, merge, take back.

Each is one step with a reason, stands in the journal, is safe when killed and can be taken back.
Raw logs are never changed: an act changes rows of the run sheet, names in `bench.yaml`, or which
logs are there.
"""

from __future__ import annotations

import hashlib
import io
import logging
import os
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from itertools import count, pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from kit.bench.evidence import logs_in_folder
from kit.bench.journal import (
    NOBODY,
    BenchState,
    By,
    Entry,
    Journal,
    append_lines,
    log_item,
)
from kit.bench.prices import COLUMNS, parse_prices
from kit.bench.runs import SheetText, hash_cells
from kit.bench.transaction import (
    COMES,
    Change,
    Copy,
    commit,
    free_name,
    held_bench,
    sheet_before_last_act,
    sheet_path,
)
from kit.errors import BenchError, Fault, UsageError, did_you_mean, folded
from kit.settings.bench_file import Bench, read_bench
from kit.settings.yaml import read_yaml, yaml_text
from kit.trace import file_sha256

_PROGRESS = logging.getLogger("marginbook.progress")


@dataclass(frozen=True, slots=True)
class _Done:
    """What an act did: its entry in the journal, and a line on each thing it changed."""

    act: str
    entry: int
    said: tuple[str, ...]
    runs: tuple[str, ...] = ()
    recovered: str = ""

    def to_lines(self) -> list[str]:
        """Return what the command prints."""
        first = [self.recovered] if self.recovered else []
        if self.entry < 0:
            return [*first, *self.said]
        back = f"; bench undo BENCH {self.entry} takes it back"
        back = "" if self.act in {"adopt", "undo"} else back
        return [*first, *self.said, f"entry {self.entry} of the journal{back}"]

    def to_dict(self) -> dict[str, Any]:
        """Return the same as plain data."""
        return {
            "ok": True, "act": self.act, "entry": self.entry, "runs": list(self.runs),
            "said": list(self.said), "recovered": self.recovered,
        }  # fmt: skip


@dataclass(slots=True)
class _Work:
    """A bench held for an act: its files as they are, its journal."""

    bench: Bench
    journal: Journal
    before: bytes
    sheet: SheetText
    recovered: str

    @property
    def folder(self) -> Path:
        """The bench folder."""
        return self.bench.folder

    def done(self, act: str, said: Sequence[str], runs: Iterable[str]) -> _Done:
        """Return what an act did that is in the journal."""
        number = max(len(self.journal.entries), 1)
        return _Done(act, number, tuple(said), tuple(runs), self.recovered)

    def carry_out(
        self,
        act: str,
        by: By,
        rows: Mapping[str, Mapping[str, str] | None],
        after: bytes,
        *,
        bench_yaml: bytes = b"",
        **more: Any,
    ) -> None:
        """Do an act at once: rows, run sheet, bench.yaml where it changes, and what else is given.

        Raises
        ------
        BenchError
            If a file changed meanwhile, or the disk refuses; the bench is then as it was.
        """
        others = dict(more.pop("others", {}))
        if bench_yaml:
            others["bench.yaml"] = (self.folder / "bench.yaml").read_bytes(), bench_yaml
        change = Change(act, by, rows, self.before, after, others=others, **more)
        commit(self.folder, change, bench=self.bench.name)


@contextmanager
def _taken_up(folder: Path) -> Iterator[_Work]:
    """Hold a bench: complete or undo what was cut short, and read it."""
    with held_bench(folder) as recovered:
        bench = read_bench(folder)
        path = sheet_path(folder)
        if not path.exists():
            raise BenchError.at(f"{folder.name}/runs.csv", "no such file; a bench has a run sheet")
        before = path.read_bytes()
        sheet = SheetText.parse(before, file=f"{folder.name}/runs.csv")
        if "run" not in sheet.header:
            raise BenchError.at(sheet.file, "the column is missing", line=1, key="run")
        yield _Work(bench, Journal.read(folder), before, sheet, recovered)


def _need_reason(by: By, act: str) -> None:
    if not by.reason.strip():
        raise UsageError(f"{act} needs a reason: --reason WHY; it stays in the journal")


def adopt(folder: Path, *, by: By) -> _Done:
    """Enter into the journal what lies in a bench and is not in it: an old bench, or edits by hand.

    Logs that rows name and the journal does not know are hashed and entered; rows that are new,
    were changed or are gone are entered as they are now. A log whose bytes are not those taken in
    is never adopted.

    Parameters
    ----------
    folder : Path
        The bench.
    by : By
        Who, when and why. A bench whose journal begins so needs no reason.

    Raises
    ------
    BenchError
        If a known log was altered, or the bench cannot be read.
    UsageError
        If there is no reason, and the bench was adopted before.
    """
    with _taken_up(folder) as work:
        work.sheet.to_rows(work.bench)
        if work.journal.entries:
            _need_reason(by, "adopting what was changed by hand")
        items, said = _adopted(work, work.journal.replay())
        if not items:
            nothing = ("nothing to adopt: all is in the journal",)
            return _Done("adopt", -1, nothing, (), work.recovered)
        lines = work.journal.lines_of("adopt", by=by, items=items, bench=work.bench.name)
        append_lines(folder, lines)
    return work.done("adopt", said, [item["run"] for item in items if item["kind"] == "row"])


def _adopted(work: _Work, state: BenchState) -> tuple[list[Mapping[str, Any]], list[str]]:
    """Return the items of what the journal does not know, and what to say of them."""
    items: list[Mapping[str, Any]] = []
    faults: list[Fault] = []
    rows = work.sheet.by_run()
    named = {cells["log"] for cells in rows.values() if cells.get("log")}
    files = sorted(named | (state.logs.keys() & set(logs_in_folder(work.folder))))
    for number, file in enumerate(files, 1):
        _PROGRESS.info("hashing logs: %d of %d", number, len(files))
        path = work.folder / file
        if not path.is_file():
            continue
        sha, known = file_sha256(path), state.logs.get(file)
        if known is None:
            items.append(log_item(file, path, sha256=sha, source="the bench", copied=False))
        elif sha != known.sha256:
            said = (
                "is not what was taken in, and is not adopted; put the recorded file back, or keep "
                "this one under another name"
            )
            faults.append(Fault(file, said))
    BenchError.raise_if(faults)
    items += [
        {"kind": "gone", "file": file, "sha256": state.logs[file].sha256}
        for file in sorted(state.logs.keys() - named)
        if not (work.folder / file).exists()
    ]
    for run in dict.fromkeys([*rows, *state.rows]):
        was = dict(state.rows[run][0]) if run in state.rows else None
        if rows.get(run) != was:
            items.append({"kind": "row", "run": run, "was": was, "row": rows.get(run)})
    counts = Counter(item["kind"] for item in items)
    words = {"log": "logs entered", "gone": "logs gone", "row": "rows entered as they are"}
    return items, [f"{counts[kind]} {what}" for kind, what in words.items() if counts[kind]]


def move_run(
    folder: Path, run: str, *, by: By, product: str | None = None, title: str | None = None
) -> _Done:
    """Give a run another product or title: it was taken in under the wrong one.

    Parameters
    ----------
    folder : Path
        The bench.
    run : str
        The run's id.
    by : By
        Who, when and why.
    product, title : str, optional
        The right ones; what is left out stays.

    Raises
    ------
    BenchError
        If there is no such run, product or title.
    UsageError
        If nothing would change, or there is no reason.
    """
    _need_reason(by, "moving a run")
    new = {k: v for k, v in (("product", product), ("title", title)) if v}
    if not new:
        raise UsageError("name the right --product or --title of the run")
    return _edit_rows(folder, "move-run", [run], new, by)


def retire(folder: Path, runs: Sequence[str], *, by: By) -> _Done:
    """Set runs aside for good: rows and logs stay, with the reason, and no review uses them.

    Raises
    ------
    BenchError
        If there is no such run.
    UsageError
        If nothing would change, or there is no reason.
    """
    _need_reason(by, "retiring a run")
    return _edit_rows(folder, "retire", runs, {"status": "set_aside", "reason": by.reason}, by)


def _edit_rows(
    folder: Path, act: str, runs: Sequence[str], new: Mapping[str, str], by: By
) -> _Done:
    """Write cells of some rows anew."""
    with _taken_up(folder) as work:
        rows = work.sheet.by_run()
        _refuse_unknown(runs, rows, work.sheet.file, "run")
        changed = {run: {**rows[run], **new} for run in runs if {**rows[run], **new} != rows[run]}
        if not changed:
            raise UsageError(f"{', '.join(runs)}: nothing would change")
        return _change(work, act, by, changed)


def _refuse_unknown(names: Sequence[str], known: Mapping[str, Any], file: str, what: str) -> None:
    BenchError.raise_if(
        Fault(file, f'no {what} "{name[:60]}"{did_you_mean(name, known)}')
        for name in names
        if name not in known
    )


def _change(
    work: _Work,
    act: str,
    by: By,
    rows: Mapping[str, Mapping[str, str]],
    *,
    items: Sequence[Mapping[str, Any]] = (),
    bench_yaml: bytes = b"",
    said: Sequence[str] = (),
) -> _Done:
    """Write rows anew (and bench.yaml), each with what it was in the journal."""
    old = work.sheet.by_run()
    after = _checked_sheet(work, rows, bench_yaml)
    work.carry_out(act, by, _ordered(rows), after, items=items, bench_yaml=bench_yaml)
    told = [*said, *folded([_row_change(run, old[run], rows[run]) for run in rows], "rows")]
    return work.done(act, told, rows)


def _checked_sheet(
    work: _Work, rows: Mapping[str, Mapping[str, str]], bench_yaml: bytes = b""
) -> bytes:
    """Return the run sheet with rows written anew or added; raise all that is wrong with it."""
    sheet = work.sheet.with_cells(rows)
    sheet.to_rows(_parsed_bench(work, bench_yaml) if bench_yaml else work.bench)
    return sheet.to_bytes() if rows else work.before


def _ordered(rows: Mapping[str, Mapping[str, str]]) -> dict[str, dict[str, str]]:
    """Return rows with their cells in the order of the columns' names, as the journal has them."""
    return {run: dict(sorted(cells.items())) for run, cells in rows.items()}


def _row_change(run: str, was: Mapping[str, str], now: Mapping[str, str]) -> str:
    """Say what changed in a row."""
    parts = [
        f"{name} {was.get(name) or 'empty'!r} -> {now.get(name) or 'empty'!r}"
        for name in dict.fromkeys([*was, *now])
        if was.get(name) != now.get(name)
    ]
    return f"{run}: {', '.join(parts)}"


def _parsed_bench(work: _Work, text: bytes) -> Bench:
    """Return the bench as `bench.yaml` would give it."""
    with TemporaryDirectory() as name:
        folder = Path(name) / work.folder.name
        folder.mkdir()
        (folder / "bench.yaml").write_bytes(text)
        return replace(read_bench(folder), folder=work.folder)


def enter_names(folder: Path, new: Mapping[str, Mapping[str, Any]], *, by: By) -> None:
    """Write new products, titles and layouts into `bench.yaml`, as an entry of the journal.

    Parameters
    ----------
    folder : Path
        The bench.
    new : mapping of str to mapping
        By section of `bench.yaml`, the new entries by id.
    by : By
        Who, when and why.

    Raises
    ------
    BenchError
        If `bench.yaml` would not be one then.
    """
    with _taken_up(folder) as work:
        items = [
            {"kind": "name", "what": key, "was": "", "now": name}
            for key, entries in new.items()
            for name in entries
        ]
        _change(work, "enter", by, {}, items=items, bench_yaml=_with_entries(folder, new))


def add_crashed(folder: Path, fields: Mapping[str, str], *, by: By) -> _Done:
    """Enter a run that crashed and left no log: a row with its reason.

    Parameters
    ----------
    folder : Path
        The bench.
    fields : mapping of str to str
        Product, title and any other column of the run sheet.
    by : By
        Who, when and why; the reason stands in the row.

    Raises
    ------
    BenchError
        If the row would not be one: an unknown product or title, say.
    UsageError
        If there is no reason.
    """
    _need_reason(by, "a run that crashed")
    with _taken_up(folder) as work:
        given = {name: text for name, text in fields.items() if text}
        run = wanted = f"{given.get('product', '')}-{given.get('title', '')}-crashed"
        numbers, taken = count(2), work.sheet.by_run()
        while run in taken:
            run = f"{wanted}-{next(numbers)}"
        rows = {run: {**given, "run": run, "status": "crashed", "reason": by.reason}}
        work.carry_out("add", by, _ordered(rows), _checked_sheet(work, rows))
    return work.done("add", (f"{run}: crashed, {by.reason}",), (run,))


def rename(folder: Path, what: str, old: str, new: str, *, by: By) -> _Done:
    """Give a product or a title another id in `bench.yaml`; the rows of the run sheet follow.

    Parameters
    ----------
    folder : Path
        The bench.
    what : str
        "product" or "title".
    old, new : str
        Its id, and the one it gets.
    by : By
        Who, when and why.

    Raises
    ------
    BenchError
        If there is none of that id, or it does not stand on a line of its own.
    UsageError
        If the new id is taken, or there is no reason.

    Notes
    -----
    Params files and bound texts name the old id still; `check` says so. Comments in `bench.yaml`
    stay.
    """
    _need_reason(by, "renaming")
    if what not in {"product", "title"}:
        guess = did_you_mean(what, ["product", "title"])
        raise UsageError(f"{what!r}: rename a product or a title{guess}")
    with _taken_up(folder) as work:
        known = getattr(work.bench, f"{what}s")
        _refuse_unknown([old], known, f"{folder.name}/bench.yaml", what)
        if new in known:
            raise UsageError(
                f'{what} "{new}" is there already; to join two, move the runs (bench move-run)'
            )
        text = _renamed_yaml(folder, f"{what}s", old, new)
        rows = {
            run: {**cells, what: new}
            for run, cells in work.sheet.by_run().items()
            if cells.get(what) == old
        }
        item = {"kind": "name", "what": what, "was": old, "now": new}
        said = [f"{what} {old} is now {new} in bench.yaml, and in {len(rows)} rows"]
        return _change(work, "rename", by, rows, items=[item], bench_yaml=text, said=said)


def _renamed_yaml(folder: Path, key: str, old: str, new: str) -> bytes:
    """Return `bench.yaml` with one id written anew on its own line, every other byte as it is.

    Raises
    ------
    BenchError
        If the id does not stand at the beginning of a line under its key.
    """
    path = folder / "bench.yaml"
    line = read_yaml(path, file=path.name, error=BenchError).line_of([key, old])
    lines = path.read_bytes().decode().splitlines(keepends=True)
    found = re.match(rf"(\s*)([\"']?){re.escape(old)}\2:", lines[line - 1]) if line else None
    if line is None or found is None:
        said = f'cannot tell where "{old}" stands; write each id on a line of its own'
        raise BenchError.at(path.name, said, key=f"{key}.{old}")
    indent, quote = found.groups()
    lines[line - 1] = f"{indent}{quote}{new}{quote}:{lines[line - 1][found.end() :]}"
    return "".join(lines).encode()


def undo(folder: Path, entry: int | None = None, *, by: By = NOBODY) -> _Done:
    """Take back an entry of the journal; the last take-in, if none is named.

    Rows get the cells they had, rows and copied logs of a take-in go. What was changed since is
    never overwritten: the later act is taken back first.

    Parameters
    ----------
    folder : Path
        The bench.
    entry : int, optional
        The entry's number in the journal.
    by : By
        Who, when and why.

    Raises
    ------
    BenchError
        If there is no such entry, it was taken back, or its rows or logs were changed since.
    """
    with _taken_up(folder) as work:
        target = _to_undo(work, entry)
        _check_unchanged(work, target, by_default=entry is None)
        rows = {item["run"]: item["was"] for item in target.of_kind("row")}
        names, logs = target.of_kind("name"), target.of_kind("log")
        bench_yaml = b""
        for name in names:
            bench_yaml = _renamed_yaml(folder, f"{name['what']}s", name["now"], name["was"])
        others = {
            i["file"]: ((folder / i["file"]).read_bytes(), i["was"].encode())
            for i in target.of_kind("file")
        }
        gone = [{"kind": "gone", "file": i["file"], "sha256": i["sha256"]} for i in logs]
        removed = [Copy("", i["file"], i["sha256"]) for i in logs if i["copied"]]
        work.carry_out(
            "undo", by, rows, _undone_sheet(work, target, rows), bench_yaml=bench_yaml,
            items=[{"kind": "undone", "entry": target.n}, *gone], removed=removed, others=others,
        )  # fmt: skip
    said = folded([f"taken back: {run}" for run in rows], "rows")
    said += folded([f"log removed: {copy.file}" for copy in removed], "logs")
    said += [f"{file} is as it was" for file in others]
    said += [f"{i['what']} {i['now']} is {i['was']} again" for i in names]
    return work.done("undo", said, rows)


def _to_undo(work: _Work, entry: int | None) -> Entry:
    """Return the entry to be taken back."""
    undone, entries = work.journal.replay().undone, work.journal.entries
    if entry is None:
        found = [e for e in entries if e.act in COMES and e.n not in undone]
        if found:
            return found[-1]
        raise BenchError.at(work.folder.name, "there is no take-in to take back")
    if not 0 <= entry < len(entries):
        said = f"the journal has no entry {entry}; it has {len(entries)}"
        raise BenchError.at(work.folder.name, said)
    target = entries[entry]
    if target.act in {"begin", "undo"}:
        why = "cannot be taken back"
    elif entry in undone:
        why = "was taken back already"
    elif target.act in {"adopt", "enter"}:
        why = "changed no row; edit rows and bench.yaml anew"
    else:
        return target
    raise BenchError.at(work.folder.name, f"{target.in_words()} {why}")


def _check_unchanged(work: _Work, target: Entry, *, by_default: bool) -> None:
    """Refuse to take back rows or logs that someone has changed since."""
    faults: list[Fault] = []
    now, place = work.sheet.by_run(), work.sheet.header.index("run")
    lines = {cells[place]: line for line, cells in work.sheet.rows}
    what = "of the last take-in" if by_default else f"of entry {target.n}"
    since = " since it was taken in" if target.act in COMES else " since"
    for item in target.of_kind("row"):
        run, row = item["run"], item["row"]
        if row is not None and run not in now:
            faults.append(Fault(work.sheet.file, f'run "{run}" {what} is gone'))
        elif now.get(run) != row:
            said = f'run "{run}" was changed{since}'
            faults.append(Fault(work.sheet.file, said, line=lines.get(run)))
    for item in target.of_kind("log"):
        path = work.folder / item["file"]
        if path.exists() and file_sha256(path) != item["sha256"]:
            faults.append(Fault(item["file"], "was changed since it was taken in"))
    for item in target.of_kind("file"):
        path = work.folder / item["file"]
        if not path.is_file() or path.read_bytes() != item["now"].encode():
            faults.append(Fault(f"{work.folder.name}/{item['file']}", "was changed since"))
    for item in target.of_kind("name"):
        known = getattr(work.bench, f"{item['what']}s")
        if item["now"] not in known or item["was"] in known:
            file = f"{work.folder.name}/bench.yaml"
            faults.append(Fault(file, f"{item['now']} was changed since"))
    if faults:
        told = "the last take-in is not taken back" if by_default else "it is not taken back"
        raise BenchError([*faults, Fault(work.folder.name, told)])


def _undone_sheet(
    work: _Work, target: Entry, rows: Mapping[str, Mapping[str, str] | None]
) -> bytes:
    """Return the run sheet with an entry's rows as they were before it."""
    for item in target.of_kind("sheet"):
        if item["now"] == hashlib.sha256(work.before).hexdigest():
            kept = sheet_before_last_act(work.folder, sha256=item["was"])
            if kept is not None:
                return kept
    back = {run: was for run, was in rows.items() if was is not None}
    data = work.sheet.with_cells(back).to_bytes() if back else work.before
    if None not in rows.values():
        return data
    # The other rows stay as people wrote them, to the byte.
    sheet = SheetText.parse(data, file=work.sheet.file)
    lines = list(io.StringIO(data.decode(sheet.encoding), newline=""))
    place = sheet.header.index("run")
    starts = [line - 1 for line, _ in sheet.rows] + [len(lines)]
    for (_, cells), (start, end) in reversed(list(zip(sheet.rows, pairwise(starts), strict=True))):
        if cells[place] in rows and rows[cells[place]] is None:
            del lines[start:end]
    return "".join(lines).encode(sheet.encoding)


def merge(folder: Path, other: Path, *, by: By) -> _Done:
    """Take in every run of another bench, with its logs; products, titles and layouts come along.

    A run whose log's bytes are here already is passed over; a log name that is taken gets a number;
    a run id that is taken gets the other bench's name behind it. The other bench is not changed;
    head and length of its journal are entered.

    Parameters
    ----------
    folder, other : Path
        The bench that takes in, and the one taken in.
    by : By
        Who, when and why.

    Raises
    ------
    BenchError
        If a product, title or layout of one id is described otherwise in the two, or a log of the
        other is not there or not the one taken in.
    UsageError
        If there is no reason.
    """
    _need_reason(by, "merging")
    if folder.resolve() == other.resolve():
        raise UsageError(f"{other.name}: a bench is not merged into itself")
    with _taken_up(folder) as work:
        theirs, path = read_bench(other), sheet_path(other)
        data = path.read_bytes() if path.exists() else b""
        if not data:
            raise BenchError.at(f"{other.name}/runs.csv", "no such file, or empty")
        sheet = SheetText.parse(data, file=f"{other.name}/runs.csv")
        sheet.to_rows(theirs)
        return _merged(work, theirs, sheet.by_run(), by)


def _merged(work: _Work, theirs: Bench, coming: Mapping[str, Mapping[str, str]], by: By) -> _Done:
    """Take in the rows that are coming, and their logs."""
    folder, other = work.folder, theirs.folder
    journal = Journal.read(other)
    known = journal.replay().logs
    bench_yaml = _joined_yaml(work.bench, theirs, coming)
    mine = work.sheet.by_run()
    names = {cells.get("log", "") for cells in mine.values()}
    hashes = {n: file_sha256(folder / n) for n in sorted(names) if n and (folder / n).is_file()}
    here = {sha: name for name, sha in hashes.items()}
    seen = {(hashes.get(c.get("log", ""), ""), c.get("part", "")) for c in mine.values()}
    items: list[Mapping[str, Any]] = [
        {"kind": "bench", "name": theirs.name, "head": journal.head, "length": len(journal.entries)}
    ]
    copies: list[Copy] = []
    rows: dict[str, Mapping[str, str]] = {}
    said: list[str] = []
    faults: list[Fault] = []
    for number, (run, cells) in enumerate(coming.items(), 1):
        _PROGRESS.info("hashing logs: %d of %d", number, len(coming))
        row = dict(cells)
        if log := cells.get("log"):
            source, shown = other / log, f"{other.name}/{log}"
            if not source.is_file():
                faults.append(Fault(shown, f"no such file (run {run})"))
                continue
            sha = file_sha256(source)
            if log in known and known[log].sha256 != sha:
                faults.append(Fault(shown, "is not what was taken in there"))
                continue
            if (sha, cells.get("part", "")) in seen:
                said.append(f"{run}: passed over, the same bytes are here already")
                continue
            seen.add((sha, cells.get("part", "")))
            if sha not in here:  # one log may hold several runs
                here[sha] = file = free_name(
                    log, lambda name: name in names or os.path.lexists(folder / name)
                )
                names.add(file)
                copies.append(Copy(str(source), file, sha))
                items.append(log_item(file, source, sha256=sha, source=shown, copied=True))
            row["log"] = here[sha]
        elif mine.get(run) == cells:
            said.append(f"{run}: passed over, the same row is here already")
            continue
        row["run"] = _free_run(run, other.name, {*mine, *rows})
        rows[row["run"]] = dict(sorted(row.items()))
    if faults:
        raise BenchError([*faults, Fault(folder.name, "nothing was merged")])
    if not rows:
        return _Done("merge", -1, (*said, "nothing to merge"), (), work.recovered)
    after = _checked_sheet(work, rows, bench_yaml)
    work.carry_out("merge", by, rows, after, items=items, copies=copies, bench_yaml=bench_yaml)
    said.append(f"{len(rows)} runs with {len(copies)} logs came from {other.name}")
    return work.done("merge", said, rows)


def export_bench(folder: Path, to: Path) -> list[str]:
    """Write run sheet and prices of a bench into a spreadsheet, with real days and figures.

    Its sheet `exported` says what each row was, so that `import_bench` knows who changed what.

    Parameters
    ----------
    folder : Path
        The bench.
    to : Path
        The .xlsx to write.

    Raises
    ------
    UsageError
        If there is such a file, it is to be none, or a cell cannot be kept in a spreadsheet.
    """
    if to.suffix.lower() != ".xlsx":
        raise UsageError(f"{to.name}: name a spreadsheet to write, ending in .xlsx")
    if to.exists():
        raise UsageError(f"{to.name} is there already; nothing was written")
    bench = read_bench(folder)
    sheets = {"runs": SheetText.read(folder / "runs.csv", file=f"{folder.name}/runs.csv")}
    sheets["prices"] = _price_sheet(folder)[0]
    known = {run: hash_cells(cells) for run, cells in sheets["runs"].by_run().items()}
    known |= {"/prices": _table_hash(sheets["prices"]), "/bench": bench.name}
    rows = tuple(enumerate(known.items(), start=2))
    sheets["exported"] = SheetText("exported", ("what", "sha256"), rows)
    try:
        to.write_bytes(SheetText.book_of(sheets))
    except OSError as error:
        raise UsageError(f"cannot write {to.name}: {error.strerror or error}") from None
    counts = (f"{len(sheets[name].rows)} rows of {name}" for name in ("runs", "prices"))
    return [f"{to}: {', '.join(counts)}"]


def _price_sheet(folder: Path) -> tuple[SheetText, bytes | None]:
    """Return the prices of a bench as cells, and the bytes of the file, if there is one."""
    path, file = folder / "prices.csv", f"{folder.name}/prices.csv"
    if not path.exists():
        return SheetText(file, COLUMNS, ()), None
    return SheetText.read(path, file=file), path.read_bytes()


def _table_hash(sheet: SheetText) -> str:
    """Return the SHA-256 of a table's cells."""
    cells = [sheet.header, *(cells for _, cells in sheet.rows)]
    return hashlib.sha256(repr(cells).encode()).hexdigest()


def import_bench(folder: Path, book: Path, *, by: By) -> _Done:
    """Take over what an analyst changed in a spreadsheet that `export_bench` wrote, or one alike.

    Rows that are new or changed there are written; rows that are not there stay; the table of
    prices is written as it is there. Of what the bench changed since the export nothing is undone:
    where both sides changed a row, that is a fault.

    Parameters
    ----------
    folder : Path
        The bench.
    book : Path
        The .xlsx, with sheets `runs` and `prices`, or one of them.
    by : By
        Who, when and why.

    Raises
    ------
    BenchError
        With every fault of the sheets, and every row changed on both sides.
    UsageError
        If there is no such file, neither sheet, or no reason.
    """
    _need_reason(by, "importing")
    if not book.is_file():
        raise UsageError(f"{book.name}: no such file")
    tables = SheetText.tables_of(book.read_bytes(), file=book.name)
    if not tables.keys() & {"runs", "prices"}:
        raise UsageError(f"{book.name}: has neither a sheet `runs` nor a sheet `prices`")
    noted = {cells[0]: cells[-1] for _, cells in getattr(tables.get("exported"), "rows", ())}
    with _taken_up(folder) as work:
        if noted.get("/bench", work.bench.name) != work.bench.name:
            raise UsageError(f'{book.name}: was exported from bench "{noted["/bench"]}"')
        rows = _imported_rows(work, tables["runs"], noted) if "runs" in tables else {}
        others, items = {}, []
        if "prices" in tables and (new := _imported_prices(work, tables["prices"], noted)):
            others["prices.csv"] = was, now = new
            then = was.decode() if was is not None else ",".join(COLUMNS) + "\n"
            items = [{"kind": "file", "file": "prices.csv", "was": then, "now": now.decode()}]
        old = work.sheet.by_run()
        if not rows and not others:
            return _Done("import", -1, ("nothing is changed there",), (), work.recovered)
        after = _checked_sheet(work, rows)
        work.carry_out("import", by, _ordered(rows), after, items=items, others=others)
        said = folded([_row_change(run, old.get(run, {}), rows[run]) for run in rows], "rows")
        return work.done("import", [*said, *(f"{file} written" for file in others)], rows)


def _imported_rows(
    work: _Work, sheet: SheetText, noted: Mapping[str, str]
) -> dict[str, dict[str, str]]:
    """Return the rows a spreadsheet holds otherwise than the bench, by run."""
    if "run" not in sheet.header:
        raise BenchError.at(sheet.file, "the column is missing", line=sheet.header_line, key="run")
    mine, logs, faults = work.sheet.by_run(), work.journal.replay().logs, []
    place, rows = sheet.header.index("run"), {}
    lines = {cells[place]: line for line, cells in sheet.rows}
    for run, cells in sheet.by_run().items():
        here = mine.get(run)
        # A column that was deleted there stays as it is here.
        left = {k: v for k, v in (here or {}).items() if k not in sheet.header}
        cells, then = {**left, **cells}, noted.get(run)
        if cells == here or hash_cells(dict(sorted(cells.items()))) == then:
            continue
        if then is not None and (here is None or hash_cells(here) != then):
            said = f'run "{run}" was changed here and in the bench since it was exported'
            faults.append(Fault(sheet.file, f"{said}; export again", line=lines[run]))
        log = cells.get("log", "")
        if log and log not in logs and log != (here or {}).get("log"):
            said = f'"{log}" is no log of the bench; take it in with `marginbook add`'
            faults.append(Fault(sheet.file, said, line=lines[run], key="log"))
        rows[run] = cells
    BenchError.raise_if(faults)
    return rows


def _imported_prices(
    work: _Work, sheet: SheetText, noted: Mapping[str, str]
) -> tuple[bytes | None, bytes] | None:
    """Return prices.csv as it is and as a spreadsheet has it; None where it has nothing new."""
    mine, before = _price_sheet(work.folder)
    then, here, there = noted.get("/prices"), _table_hash(mine), _table_hash(sheet)
    if there in {then, here}:
        return None
    if then not in {None, here}:
        said = "was changed here and in the bench since it was exported; export again"
        raise BenchError.at(sheet.file, said)
    if not mine.encoding.startswith("utf-8"):
        raise BenchError.at(mine.file, "is not UTF-8; save it as CSV in UTF-8, then import again")
    new = replace(mine, header=sheet.header, rows=sheet.rows)
    parse_prices(new, work.bench)
    return before, new.to_bytes()


def _free_run(run: str, other: str, taken: set[str]) -> str:
    """Return a run's id, with the other bench's name (and a number) where it is taken."""
    ending = "".join(c if c.isascii() and c.isalnum() else "-" for c in other).strip("-")[:40]
    found, number = run, 1
    while found in taken:
        found = f"{run}-{ending or 'other'}" + (f"-{number}" if number > 1 else "")
        number += 1
    return found


def _joined_yaml(mine: Bench, theirs: Bench, coming: Mapping[str, Mapping[str, str]]) -> bytes:
    """Return `bench.yaml` with what the other's rows need beside it; nothing if it has all.

    Raises
    ------
    BenchError
        With every product, title or layout that the two describe otherwise.
    """
    faults: list[Fault] = []
    missing: dict[str, dict[str, Any]] = {}
    for column in ("product", "title", "layout"):
        key = f"{column}s"
        own, other = getattr(mine, key), getattr(theirs, key)
        for name in dict.fromkeys(c[column] for c in coming.values() if c.get(column)):
            if name not in own:
                entry = other[name].model_dump(by_alias=True, exclude_unset=True)
                missing.setdefault(key, {})[name] = entry
            elif own[name] != other[name]:
                said = (
                    f"is described otherwise than in {mine.folder.name}; make them alike, or give "
                    "one another id (bench rename)"
                )
                file = f"{theirs.folder.name}/bench.yaml"
                faults.append(Fault(file, said, key=f"{key}.{name}"))
    for name, meaning in theirs.controls.items():
        if name not in mine.controls:
            missing.setdefault("controls", {})[name] = meaning
    BenchError.raise_if(faults)
    return _with_entries(mine.folder, missing) if missing else b""


def _with_entries(folder: Path, new: Mapping[str, Mapping[str, Any]]) -> bytes:
    """Return `bench.yaml` with entries written at the end of its sections, the rest as it is."""
    text = (folder / "bench.yaml").read_text(encoding="utf-8")
    for key, entries in new.items():
        text = _with_section(text, key, entries)
    return text.encode()


def _with_section(text: str, key: str, entries: Mapping[str, Any]) -> str:
    """Return the text of `bench.yaml` with entries written at the end of one of its sections."""
    block = yaml_text({key: dict(entries)}).splitlines(keepends=True)[1:]
    lines = text.splitlines(keepends=True)
    start = next((i for i, line in enumerate(lines) if line.startswith(f"{key}:")), None)
    if start is None:
        return text + ("" if text.endswith("\n") else "\n") + f"{key}:\n" + "".join(block)
    if lines[start].partition(":")[2].partition("#")[0].strip():
        said = f"{key} stands on one line; write a line for each entry"
        raise BenchError.at("bench.yaml", said, key=key)
    at = last = start + 1
    while at < len(lines) and (not lines[at].strip() or lines[at][0] in " #\t"):
        if lines[at].strip() and lines[at][0] == " ":
            last = at + 1
        at += 1
    filled = (ln for ln in lines[start + 1 : last] if ln.strip() and ln.lstrip()[0] != "#")
    first = next(filled, "  ")
    indent = first[: len(first) - len(first.lstrip())] or "  "
    width = len(block[0]) - len(block[0].lstrip()) if block else 2
    return "".join([*lines[:last], *(indent + ln[width:] for ln in block), *lines[last:]])
