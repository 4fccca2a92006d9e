"""Lawful acts on a bench: adopt, move a run, retire runs, rename, merge, take back.

Each is one step with a reason, stands in the journal, is safe when killed and can be taken back.
Raw logs are never changed: an act changes rows of the run sheet, names in `bench.yaml`, or which
logs are there.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
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
    new_lines,
    read_journal,
    row_item,
)
from kit.bench.sheet import (
    SheetText,
    hash_cells,
    parse_run_sheet,
    parse_sheet_text,
    write_sheet_text,
)
from kit.bench.transaction import (
    Copy,
    Files,
    Intent,
    commit,
    hash_file,
    kept_sheet,
    locked_bench,
    recover,
    row_cells,
    sheet_path,
    sheet_without,
)
from kit.errors import BenchError, Fault, UsageError, did_you_mean
from kit.settings.bench_file import Bench, read_bench
from kit.settings.yaml import read_yaml, yaml_text

TAKE_INS = ("add", "merge")


@dataclass(frozen=True, slots=True)
class Done:
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
        back = (
            ""
            if self.act in {"adopt", "undo"}
            else f"; bench undo BENCH {self.entry} takes it back"
        )
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
        return self.bench.folder

    def lines(self, act: str, by: By, items: Sequence[Mapping[str, Any]]) -> str:
        return new_lines(self.journal, act=act, by=by, items=items, bench=self.bench.name)

    @property
    def number(self) -> int:
        """The number the act's entry gets."""
        return max(len(self.journal.entries), 1)

    def place(self, column: str) -> int:
        return self.sheet.header.index(column)


def _take_up(folder: Path) -> _Work:
    """Complete or undo what was cut short, and read the bench; the caller holds its lock."""
    bench = read_bench(folder)
    recovered = recover(folder)
    path = sheet_path(folder)
    if not path.exists():
        raise BenchError.at(f"{folder.name}/runs.csv", "no such file; a bench has a run sheet")
    before = path.read_bytes()
    sheet = parse_sheet_text(before, file=f"{folder.name}/runs.csv")
    if "run" not in sheet.header:
        raise BenchError.at(sheet.file, "the column is missing", line=1, key="run")
    return _Work(bench, read_journal(folder), before, sheet, recovered)


def _need_reason(by: By, act: str) -> None:
    if not by.reason.strip():
        raise UsageError(f"{act} needs a reason: --reason WHY; it stays in the journal")


def _sha(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def adopt(folder: Path, *, by: By) -> Done:
    """Enter into the journal what lies in a bench and is not in it: an old bench, or edits by hand.

    Logs that rows name and the journal does not know are hashed and entered; rows that are new,
    were changed or are gone are entered as they are now. A log whose bytes are not those taken in
    is never adopted.

    Raises
    ------
    BenchError
        If a known log was altered, or the bench cannot be read.
    UsageError
        If there is no reason, and the bench was adopted before.
    """
    with locked_bench(folder):
        work = _take_up(folder)
        parse_run_sheet(work.sheet, work.bench)
        if work.journal.entries:
            _need_reason(by, "adopting what was changed by hand")
        state = work.journal.replay()
        items, said = _adopted(work, state)
        if not items:
            return Done(
                "adopt", -1, ("nothing to adopt: all is in the journal",), (), work.recovered
            )
        append_lines(folder, work.lines("adopt", by, items))
    runs = tuple(item["run"] for item in items if item["kind"] == "row")
    return Done("adopt", work.number, tuple(said), runs, work.recovered)


def _adopted(work: _Work, state: BenchState) -> tuple[list[Mapping[str, Any]], list[str]]:
    """Return the items of what the journal does not know, and what to say of them."""
    items: list[Mapping[str, Any]] = []
    faults: list[Fault] = []
    rows = row_cells(work.sheet)
    named = {cells["log"] for cells in rows.values() if cells.get("log")}
    new = 0
    for file in sorted(named | (state.logs.keys() & set(logs_in_folder(work.folder)))):
        path = work.folder / file
        if not path.is_file():
            continue
        known = state.logs.get(file)
        if known is None:
            new += 1
            sha = hash_file(path)
            items.append(log_item(file, path, sha256=sha, source="the bench", copied=False))
        elif hash_file(path) != known.sha256:
            faults.append(
                Fault(
                    file,
                    "is not what was taken in, and is not adopted; put the recorded file back, or "
                    "keep this one under another name",
                )
            )
    gone = [file for file in state.logs if file not in named and not (work.folder / file).exists()]
    items += [{"kind": "gone", "file": f, "sha256": state.logs[f].sha256} for f in sorted(gone)]
    changed = 0
    for run in [*rows, *(run for run in state.rows if run not in rows)]:
        was = dict(state.rows[run][0]) if run in state.rows else None
        if rows.get(run) != was:
            changed += 1
            items.append(row_item(run, was, rows.get(run)))
    if faults:
        raise BenchError(faults)
    words = ((new, "logs entered"), (len(gone), "logs gone"), (changed, "rows entered as they are"))
    return items, [f"{count} {what}" for count, what in words if count]


def move_run(
    folder: Path, run: str, *, by: By, product: str | None = None, title: str | None = None
) -> Done:
    """Give a run another product or title: it was taken in under the wrong one.

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


def retire(folder: Path, runs: Sequence[str], *, by: By) -> Done:
    """Set runs aside for good: rows and logs stay, with the reason, and no review uses them."""
    _need_reason(by, "retiring a run")
    return _edit_rows(folder, "retire", runs, {"status": "set_aside", "reason": by.reason}, by)


def _edit_rows(folder: Path, act: str, runs: Sequence[str], new: Mapping[str, str], by: By) -> Done:
    """Write cells of some rows anew."""
    with locked_bench(folder):
        work = _take_up(folder)
        rows = row_cells(work.sheet)
        _refuse_unknown(runs, rows, work.sheet.file, "run")
        changed = {run: {**rows[run], **new} for run in runs if {**rows[run], **new} != rows[run]}
        if not changed:
            raise UsageError(f"{', '.join(runs)}: nothing would change")
        return _change(work, act, by, changed)


def _refuse_unknown(names: Sequence[str], known: Mapping[str, Any], file: str, what: str) -> None:
    faults = [
        Fault(file, f'no {what} "{name[:60]}"{did_you_mean(name, known)}')
        for name in names
        if name not in known
    ]
    if faults:
        raise BenchError(faults)


def _change(
    work: _Work,
    act: str,
    by: By,
    rows: Mapping[str, Mapping[str, str]],
    *,
    items: Sequence[Mapping[str, Any]] = (),
    bench_yaml: bytes = b"",
    said: Sequence[str] = (),
) -> Done:
    """Write rows anew (and bench.yaml), each with what it was in the journal."""
    old = row_cells(work.sheet)
    sheet = _with_cells(work.sheet, rows)
    bench_before = (work.folder / "bench.yaml").read_bytes()
    bench = _parsed_bench(work, bench_yaml) if bench_yaml else work.bench
    parse_run_sheet(sheet, bench)
    after = write_sheet_text(sheet) if rows else work.before
    made = [
        *items,
        _sheet_item(work.before, after),
        *(row_item(run, old[run], dict(sorted(rows[run].items()))) for run in rows),
    ]
    intent = Intent(
        act,
        {run: hash_cells(dict(sorted(cells.items()))) for run, cells in rows.items()},
        _sha(after),
        _sha(work.before),
        work.lines(act, by, made),
        bench_after=_sha(bench_yaml) if bench_yaml else "",
        bench_before=_sha(bench_before) if bench_yaml else "",
    )
    commit(work.folder, intent, Files(work.before, after, bench_before, bench_yaml))
    told = [*said, *(_row_change(run, old[run], rows[run]) for run in list(rows)[:20])]
    if len(rows) > 20:
        told.append(f"and {len(rows) - 20} more rows")
    return Done(act, work.number, tuple(told), tuple(rows), work.recovered)


def _sheet_item(before: bytes, after: bytes) -> dict[str, Any]:
    return {"kind": "sheet", "was": _sha(before), "now": _sha(after)}


def _row_change(run: str, was: Mapping[str, str], now: Mapping[str, str]) -> str:
    """Say what changed in a row."""
    parts = [
        f"{name} {was.get(name) or 'empty'!r} -> {now.get(name) or 'empty'!r}"
        for name in dict.fromkeys([*was, *now])
        if was.get(name) != now.get(name)
    ]
    return f"{run}: {', '.join(parts)}"


def _with_cells(sheet: SheetText, rows: Mapping[str, Mapping[str, str]]) -> SheetText:
    """Return a sheet in which some rows hold the cells given, and nothing else."""
    header = tuple(dict.fromkeys([*sheet.header, *(n for cells in rows.values() for n in cells)]))
    pad = ("",) * (len(header) - len(sheet.header))
    place = sheet.header.index("run")
    new = []
    for line, cells in sheet.rows:
        given = rows.get(cells[place])
        whole = (*cells, *pad) if given is None else tuple(given.get(n, "") for n in header)
        new.append((line, whole))
    return replace(sheet, header=header, rows=tuple(new))


def _parsed_bench(work: _Work, text: bytes) -> Bench:
    """Return the bench as `bench.yaml` would give it."""
    from tempfile import TemporaryDirectory

    with TemporaryDirectory() as name:
        folder = Path(name) / work.folder.name
        folder.mkdir()
        (folder / "bench.yaml").write_bytes(text)
        return replace(read_bench(folder), folder=work.folder)


def enter_names(folder: Path, new: Mapping[str, Mapping[str, Any]], *, by: By) -> None:
    """Write new products, titles and layouts into `bench.yaml`, as an entry of the journal.

    Raises
    ------
    BenchError
        If `bench.yaml` would not be one then.
    """
    with locked_bench(folder):
        work = _take_up(folder)
        text = (folder / "bench.yaml").read_text(encoding="utf-8")
        for key, entries in new.items():
            text = _with_entries(text, key, entries)
        items = [
            {"kind": "name", "what": key, "was": "", "now": name}
            for key, entries in new.items()
            for name in entries
        ]
        _change(work, "enter", by, {}, items=items, bench_yaml=text.encode())


def add_crashed(folder: Path, fields: Mapping[str, str], *, by: By) -> Done:
    """Enter a run that crashed and left no log: a row with its reason.

    Parameters
    ----------
    folder : Path
    fields : mapping of str to str
        Product, title and any other column of the run sheet.
    by : By
        Who, when and why; the reason stands in the row.
    """
    _need_reason(by, "a run that crashed")
    with locked_bench(folder):
        work = _take_up(folder)
        given = {name: text for name, text in fields.items() if text}
        rows = row_cells(work.sheet)
        wanted = f"{given.get('product', '')}-{given.get('title', '')}-crashed"
        run, number = wanted, 1
        while run in rows:
            number += 1
            run = f"{wanted}-{number}"
        row = {**given, "run": run, "status": "crashed", "reason": by.reason}
        header = tuple(dict.fromkeys([*work.sheet.header, *row]))
        pad = ("",) * (len(header) - len(work.sheet.header))
        lines = [(line, (*cells, *pad)) for line, cells in work.sheet.rows]
        sheet = replace(
            work.sheet,
            header=header,
            rows=(*lines, (len(lines) + 2, tuple(row.get(name, "") for name in header))),
        )
        parse_run_sheet(sheet, work.bench)
        after = write_sheet_text(sheet)
        row = dict(sorted(row.items()))
        items = [row_item(run, None, row), _sheet_item(work.before, after)]
        intent = Intent(
            "add", {run: hash_cells(row)}, _sha(after), _sha(work.before),
            work.lines("add", by, items),
        )  # fmt: skip
        commit(folder, intent, Files(work.before, after))
    return Done("add", work.number, (f"{run}: crashed, {by.reason}",), (run,), work.recovered)


def rename(folder: Path, what: str, old: str, new: str, *, by: By) -> Done:
    """Give a product or a title another id in `bench.yaml`; the rows of the run sheet follow.

    Parameters
    ----------
    folder : Path
    what : str
        "product" or "title".
    old, new : str
        Its id, and the one it gets.
    by : By
        Who, when and why.

    Notes
    -----
    Params files and bound texts name the old id still; `check` says so. Comments in `bench.yaml`
    stay.
    """
    _need_reason(by, "renaming")
    if what not in {"product", "title"}:
        raise UsageError(
            f"{what!r}: rename a product or a title{did_you_mean(what, ['product', 'title'])}"
        )
    with locked_bench(folder):
        work = _take_up(folder)
        known = work.bench.products if what == "product" else work.bench.titles
        _refuse_unknown([old], known, f"{folder.name}/bench.yaml", what)
        if new in known:
            raise UsageError(
                f'{what} "{new}" is there already; to join two, move the runs (bench move-run)'
            )
        text = _renamed_yaml(folder / "bench.yaml", f"{what}s", old, new)
        rows = {
            run: {**cells, what: new}
            for run, cells in row_cells(work.sheet).items()
            if cells.get(what) == old
        }
        item = {"kind": "name", "what": what, "was": old, "now": new}
        said = [f"{what} {old} is now {new} in bench.yaml, and in {len(rows)} rows"]
        return _change(work, "rename", by, rows, items=[item], bench_yaml=text, said=said)


def _renamed_yaml(path: Path, key: str, old: str, new: str) -> bytes:
    """Return `bench.yaml` with one id written anew on its own line, every other byte as it is.

    Raises
    ------
    BenchError
        If the id does not stand at the beginning of a line under its key.
    """
    document = read_yaml(path, file=path.name, error=BenchError)
    data = path.read_bytes()
    line = document.line_of([key, old])
    lines = data.decode().splitlines(keepends=True)
    if line is not None:
        text = lines[line - 1]
        bare = text.lstrip()
        for quote in ("", '"', "'"):
            if bare.startswith(f"{quote}{old}{quote}:"):
                indent = text[: len(text) - len(bare)]
                rest = bare[len(f"{quote}{old}{quote}") :]
                lines[line - 1] = f"{indent}{quote}{new}{quote}{rest}"
                return "".join(lines).encode()
    raise BenchError.at(
        path.name, f'cannot tell where "{old}" stands; write each id on a line of its own',
        key=f"{key}.{old}",
    )  # fmt: skip


def undo(folder: Path, entry: int | None = None, *, by: By = NOBODY) -> Done:
    """Take back an entry of the journal; the last take-in, if none is named.

    Rows get the cells they had, rows and copied logs of a take-in go. What was changed since is
    never overwritten: the later act is taken back first.

    Raises
    ------
    BenchError
        If there is no such entry, it was taken back, or its rows or logs were changed since.
    """
    with locked_bench(folder):
        work = _take_up(folder)
        state = work.journal.replay()
        target = _to_undo(work, state, entry)
        old = row_cells(work.sheet)
        _check_unchanged(work, target, old, by_default=entry is None)
        rows = {item["run"]: item["was"] for item in target.of_kind("row")}
        after = _undone_sheet(work, target, rows)
        bench_before = (folder / "bench.yaml").read_bytes()
        bench_after = b""
        for name in target.of_kind("name"):
            bench_after = _renamed_yaml(
                folder / "bench.yaml", f"{name['what']}s", name["now"], name["was"]
            )
        removed = [i for i in target.of_kind("log") if i["copied"]]
        items: list[Mapping[str, Any]] = [{"kind": "undone", "entry": target.n}]
        items += [row_item(run, old.get(run), was) for run, was in rows.items()]
        items += [
            {"kind": "gone", "file": i["file"], "sha256": i["sha256"]}
            for i in target.of_kind("log")
        ]
        intent = Intent(
            "undo",
            {run: hash_cells(was) if was else "" for run, was in rows.items()},
            _sha(after),
            _sha(work.before),
            work.lines("undo", by, items),
            removed=tuple(Copy("", i["file"], i["sha256"]) for i in removed),
            bench_after=_sha(bench_after) if bench_after else "",
            bench_before=_sha(bench_before) if bench_after else "",
        )
        commit(folder, intent, Files(work.before, after, bench_before, bench_after))
    said = [f"taken back: {run}" for run in rows]
    said += [f"log removed: {i['file']}" for i in removed]
    said += [f"{i['what']} {i['now']} is {i['was']} again" for i in target.of_kind("name")]
    return Done("undo", work.number, tuple(said), tuple(rows), work.recovered)


def _to_undo(work: _Work, state: BenchState, entry: int | None) -> Entry:
    """Return the entry to be taken back."""
    name, entries = work.folder.name, work.journal.entries
    if entry is None:
        found = [e for e in entries if e.act in TAKE_INS and e.n not in state.undone]
        if not found:
            raise BenchError.at(name, "there is no take-in to take back")
        return found[-1]
    if not 0 <= entry < len(entries):
        raise BenchError.at(name, f"the journal has no entry {entry}; it has {len(entries)}")
    if entries[entry].act in {"begin", "undo"}:
        raise BenchError.at(name, f"{entries[entry].in_words()} cannot be taken back")
    if entry in state.undone:
        raise BenchError.at(name, f"{entries[entry].in_words()} was taken back already")
    if entries[entry].act in {"adopt", "enter"}:
        raise BenchError.at(
            name, f"{entries[entry].in_words()} changed no row; edit rows and bench.yaml anew"
        )
    return entries[entry]


def _check_unchanged(
    work: _Work, target: Entry, now: Mapping[str, Mapping[str, str]], *, by_default: bool
) -> None:
    """Refuse to take back rows or logs that someone has changed since."""
    faults: list[Fault] = []
    lines = {cells[work.place("run")]: line for line, cells in work.sheet.rows}
    what = "of the last take-in" if by_default else f"of entry {target.n}"
    for item in target.of_kind("row"):
        run, row = item["run"], item["row"]
        if row is not None and run not in now:
            faults.append(Fault(work.sheet.file, f'run "{run}" {what} is gone'))
        elif now.get(run) != row:
            faults.append(
                Fault(
                    work.sheet.file,
                    f'run "{run}" was changed since it was taken in'
                    if target.act in TAKE_INS
                    else f'run "{run}" was changed since',
                    line=lines.get(run),
                )
            )
    for item in target.of_kind("log"):
        path = work.folder / item["file"]
        if path.exists() and hash_file(path) != item["sha256"]:
            faults.append(Fault(item["file"], "was changed since it was taken in"))
    for item in target.of_kind("name"):
        known = work.bench.products if item["what"] == "product" else work.bench.titles
        if item["now"] not in known or item["was"] in known:
            faults.append(
                Fault(f"{work.folder.name}/bench.yaml", f"{item['now']} was changed since")
            )
    if faults:
        told = "the last take-in is not taken back" if by_default else "it is not taken back"
        raise BenchError([*faults, Fault(work.folder.name, told)])


def _undone_sheet(
    work: _Work, target: Entry, rows: Mapping[str, Mapping[str, str] | None]
) -> bytes:
    """Return the run sheet with an entry's rows as they were before it."""
    for item in target.of_kind("sheet"):
        if item["now"] == _sha(work.before):
            kept = kept_sheet(work.folder, sha256=item["was"])
            if kept is not None:
                return kept
    back = {run: was for run, was in rows.items() if was is not None}
    data = write_sheet_text(_with_cells(work.sheet, back)) if back else work.before
    gone = [run for run, was in rows.items() if was is None]
    return sheet_without(data, gone) if gone else data


def merge(folder: Path, other: Path, *, by: By) -> Done:
    """Take in every run of another bench, with its logs; products, titles and layouts come along.

    A run whose log's bytes are here already is passed over; a log name that is taken gets a number;
    a run id that is taken gets the other bench's name behind it. The other bench is not changed;
    head and length of its journal are entered.

    Raises
    ------
    BenchError
        If a product, title or layout of one id is described otherwise in the two, or a log of the
        other is not there or not the one taken in.
    """
    _need_reason(by, "merging")
    with locked_bench(folder):
        work = _take_up(folder)
        theirs = read_bench(other)
        data = sheet_path(other).read_bytes() if sheet_path(other).exists() else b""
        if not data:
            raise BenchError.at(f"{other.name}/runs.csv", "no such file, or empty")
        sheet = parse_sheet_text(data, file=f"{other.name}/runs.csv")
        parse_run_sheet(sheet, theirs)
        return _merged(work, theirs, row_cells(sheet), by)


def _merged(work: _Work, theirs: Bench, coming: Mapping[str, Mapping[str, str]], by: By) -> Done:
    folder, other = work.folder, theirs.folder
    journal = read_journal(other)
    known = journal.replay().logs
    text = _joined_yaml(work.bench, theirs, coming)
    mine = row_cells(work.sheet)
    bytes_here = {
        hash_file(folder / cells["log"])
        for cells in mine.values()
        if cells.get("log") and (folder / cells["log"]).is_file()
    }
    items: list[Mapping[str, Any]] = [
        {"kind": "bench", "name": theirs.name, "head": journal.head, "length": len(journal.entries)}
    ]
    copies: list[Copy] = []
    rows: dict[str, Mapping[str, str]] = {}
    said: list[str] = []
    faults: list[Fault] = []
    names = {cells.get("log", "") for cells in mine.values()}
    for run, cells in coming.items():
        row = dict(cells)
        if cells.get("log"):
            source = other / cells["log"]
            if not source.is_file():
                faults.append(Fault(f"{other.name}/{cells['log']}", f"no such file (run {run})"))
                continue
            sha = hash_file(source)
            if cells["log"] in known and known[cells["log"]].sha256 != sha:
                faults.append(
                    Fault(f"{other.name}/{cells['log']}", "is not what was taken in there")
                )
                continue
            if sha in bytes_here:
                said.append(f"{run}: passed over, the same bytes are here already")
                continue
            bytes_here.add(sha)
            row["log"] = _free_name(folder, cells["log"], names)
            names.add(row["log"])
            copies.append(Copy(str(source), row["log"], sha))
            items.append(
                log_item(
                    row["log"],
                    source,
                    sha256=sha,
                    source=f"{other.name}/{cells['log']}",
                    copied=True,
                )
            )
        elif mine.get(run) == cells:
            said.append(f"{run}: passed over, the same row is here already")
            continue
        row["run"] = new = _free_run(run, other.name, {*mine, *rows})
        rows[new] = dict(sorted(row.items()))
        items.append(row_item(new, None, rows[new]))
    if faults:
        raise BenchError([*faults, Fault(folder.name, "nothing was merged")])
    if not rows:
        return Done("merge", -1, (*said, "nothing to merge"), (), work.recovered)
    new_sheet = _with_more_rows(work.sheet, rows)
    parse_run_sheet(new_sheet, _parsed_bench(work, text) if text else work.bench)
    after = write_sheet_text(new_sheet)
    items.append(_sheet_item(work.before, after))
    bench_before = (folder / "bench.yaml").read_bytes()
    intent = Intent(
        "merge",
        {run: hash_cells(cells) for run, cells in rows.items()},
        _sha(after),
        _sha(work.before),
        work.lines("merge", by, items),
        tuple(copies),
        bench_after=_sha(text) if text else "",
        bench_before=_sha(bench_before) if text else "",
    )
    commit(folder, intent, Files(work.before, after, bench_before, text))
    told = [*said, f"{len(rows)} runs with {len(copies)} logs came from {other.name}"]
    return Done("merge", work.number, tuple(told), tuple(rows), work.recovered)


def _with_more_rows(sheet: SheetText, rows: Mapping[str, Mapping[str, str]]) -> SheetText:
    """Return a sheet with rows added, and a column for each name that it lacks."""
    wider = _with_cells(sheet, rows)
    added = [(0, tuple(cells.get(n, "") for n in wider.header)) for cells in rows.values()]
    return replace(wider, rows=(*wider.rows, *added))


def _free_name(folder: Path, name: str, taken: set[str]) -> str:
    """Return a log's name in the bench, with a number where it is taken."""
    path = Path(name)
    stem, dot, ending = path.name[:1], *path.name[1:].partition(".")[1:]
    stem += path.name[1:].partition(".")[0]
    number, found = 1, name
    while found in taken or os.path.lexists(folder / found):
        number += 1
        found = (path.parent / f"{stem}-{number}{dot}{ending}").as_posix()
    return found


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
    for column, key in (("product", "products"), ("title", "titles"), ("layout", "layouts")):
        own, other = getattr(mine, key), getattr(theirs, key)
        for name in dict.fromkeys(c[column] for c in coming.values() if c.get(column)):
            if name not in own:
                missing.setdefault(key, {})[name] = other[name].model_dump(
                    by_alias=True, exclude_unset=True
                )
            elif own[name] != other[name]:
                faults.append(
                    Fault(
                        f"{theirs.folder.name}/bench.yaml",
                        f"is described otherwise than in {mine.folder.name}; make them alike, or "
                        f"give one another id (bench rename)",
                        key=f"{key}.{name}",
                    )
                )
    for name, meaning in theirs.controls.items():
        if name not in mine.controls:
            missing.setdefault("controls", {})[name] = meaning
    if faults:
        raise BenchError(faults)
    if not missing:
        return b""
    text = (mine.folder / "bench.yaml").read_text(encoding="utf-8")
    for key, entries in missing.items():
        text = _with_entries(text, key, entries)
    return text.encode()


def _with_entries(text: str, key: str, entries: Mapping[str, Any]) -> str:
    """Return the text of `bench.yaml` with entries written at the end of one of its sections."""
    block = yaml_text({key: dict(entries)}).splitlines(keepends=True)[1:]
    lines = text.splitlines(keepends=True)
    starts = [i for i, line in enumerate(lines) if line.startswith(f"{key}:")]
    if not starts:
        return text + ("" if text.endswith("\n") else "\n") + f"{key}:\n" + "".join(block)
    if lines[starts[0]].partition(":")[2].partition("#")[0].strip():
        raise BenchError.at(
            "bench.yaml", f"{key} stands on one line; write a line for each entry", key=key
        )
    at = last = starts[0] + 1
    while at < len(lines) and (not lines[at].strip() or lines[at][0] in " #\t"):
        if lines[at].strip() and lines[at][0] == " ":
            last = at + 1
        at += 1
    first = next(
        (ln for ln in lines[starts[0] + 1 : last] if ln.strip() and ln.lstrip()[0] != "#"), "  "
    )
    indent = first[: len(first) - len(first.lstrip())] or "  "
    width = len(block[0]) - len(block[0].lstrip()) if block else 2
    return "".join([*lines[:last], *(indent + ln[width:] for ln in block), *lines[last:]])
