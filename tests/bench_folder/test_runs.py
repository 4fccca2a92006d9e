"""The run sheet: as people keep it in spreadsheets, and every fault of it at once."""

from __future__ import annotations

import datetime as dt
import hashlib
import itertools
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from wrong_files import SHEET_HEAD, TYPED

from kit.bench.runs import (
    Run,
    RunSheet,
    SheetText,
    _spreadsheet_cell,
    log_name_problem,
)
from kit.errors import BenchError, RunFileError
from kit.settings.bench_file import Bench, read_bench

BENCH_YAML = """\
format: marginbook-bench/1
name: Small bench
layouts:
  plain: {files: "*.csv", frames: {column: ms, holds: frame_time, unit: ms}}
  stamps: {files: "*.txt", frames: {column: 1, holds: frame_end, unit: s}}
products:
  alder-4: {name: Alder 4, class: desk}
  birch-6: {name: Birch 6, class: portable}
titles:
  weir: {name: The Weir}
  sorting: {name: Sorting, measures: duration, unit: s}
  hush: {name: Hush, measures: noise}
controls:
  driver: Driver version
"""
SHEET = """\
run,product,title,layout,log,began,session,driver
a1,alder-4,weir,plain,logs/a1.csv,2026-05-01T09:00:00+00:00,s1,1.10
b1,birch-6,weir,plain,logs/b1.csv,2026-05-01,s1,1.10
"""


def small_bench(tmp_path: Path) -> Bench:
    folder = tmp_path / "bench"
    (folder / "logs").mkdir(parents=True)
    (folder / "bench.yaml").write_text(BENCH_YAML)
    for name, ms in (("a1", 10.0), ("b1", 20.0)):
        (folder / "logs" / f"{name}.csv").write_text("ms\n" + f"{ms}\n" * 100)
    (folder / "runs.csv").write_text(SHEET)
    return read_bench(folder)


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return small_bench(tmp_path)


def read(bench: Bench, sheet: str | bytes):
    raw = sheet if isinstance(sheet, bytes) else sheet.encode()
    (bench.folder / "runs.csv").write_bytes(raw)
    return read_both_ways(bench)


def read_both_ways(bench: Bench):
    """Return all rows, or raise all faults; a sheet whose rows come when asked for has the same."""
    try:
        file = f"{bench.folder.name}/runs.csv"
        rows = SheetText.read(bench.folder / "runs.csv", file=file).to_rows(bench)
    except BenchError as error:
        with pytest.raises(BenchError) as caught:
            RunSheet(bench)
        assert caught.value.faults == error.faults
        raise
    made = RunSheet(bench)
    for sheet in (made, RunSheet(bench, kept=made.packed())):
        assert sheet.rows_of(bench.products) == rows
        assert sheet.runs == {row.run for row in rows}
        assert sheet.conditions == {name for row in rows for name in row.conditions}
    return rows


def faults_of(bench: Bench, sheet: str | bytes) -> list[str]:
    with pytest.raises(BenchError) as caught:
        read(bench, sheet)
    assert caught.value.exit_status == 3
    return [str(fault).removeprefix("bench/runs.csv, ") for fault in caught.value.faults]


def test_a_row_holds_what_the_sheet_says(bench):
    row = RunSheet(bench).rows[0]
    assert (row.run, row.product, row.title, row.layout) == ("a1", "alder-4", "weir", "plain")
    assert row.began == dt.datetime(2026, 5, 1, 9, tzinfo=dt.UTC)
    assert (row.session, row.status, row.reason, row.line) == ("s1", "ran", "", 2)
    assert row.conditions == {"driver": "1.10"}
    assert row.produced


def test_row_hash_is_of_the_cells_as_canonical_json(bench):
    cells = {
        "run": "a1",
        "product": "alder-4",
        "title": "weir",
        "layout": "plain",
        "log": "logs/a1.csv",
        "began": "2026-05-01T09:00:00+00:00",
        "session": "s1",
        "driver": "1.10",
    }
    text = json.dumps(cells, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert RunSheet(bench).rows[0].row_sha256 == hashlib.sha256(text.encode()).hexdigest()


HABITS = {
    "semicolon": SHEET.replace(",", ";"),
    "tab": SHEET.replace(",", "\t"),
    "mark": "\ufeff" + SHEET,
    "UTF-16": SHEET.encode("utf-16"),
    "CRLF": SHEET.replace("\n", "\r\n"),
    "no line end": SHEET.rstrip("\n"),
    "empty columns at the end": "".join(line + ",,,\n" for line in SHEET.splitlines()),
    "empty rows": SHEET.replace("\na1", "\n\n,,,,,,,\n   \na1") + ",,,\n\n",
    "short rows": "run,product,title,layout,log,began,session,driver,fan_mode,note\n"
    + SHEET.partition("\n")[2],
    "spaces": SHEET.replace(",", " , "),
    "quoted": "\n".join(
        ",".join(f'"{cell}"' for cell in line.split(",")) for line in SHEET.splitlines()
    ),
}


@pytest.mark.parametrize("habit", HABITS)
def test_spreadsheet_habits_change_nothing(bench, habit):
    plain = read(bench, SHEET)
    rows = read(bench, HABITS[habit])
    assert [row.row_sha256 for row in rows] == [row.row_sha256 for row in plain]
    assert len(rows) == 2


def test_lines_are_those_of_the_file_even_after_cells_of_two_lines(bench):
    sheet = (
        'run,product,title,status,reason\na,alder-4,weir,crashed,"first\nsecond"\n\n'
        "b,alder-4,weir,crashed,again\n"
    )
    assert [row.line for row in read(bench, sheet)] == [2, 5]


@pytest.mark.parametrize(
    ("row", "typed"),
    [
        ("a;alder-4;weir;61,5;44;;", {"average_fps": 61.5, "low_1pct_fps": 44.0}),
        ("a;alder-4;weir;61.5;44,25;;fps", {"average_fps": 61.5, "low_1pct_fps": 44.25}),
        ("a;alder-4;sorting;;;1234,5;s", {"value": 1234.5}),
        ("a;alder-4;hush;;;-1,5;dB(A)", {"value": -1.5}),
    ],
)
def test_decimal_comma_where_the_sheet_is_in_semicolons(bench, row, typed):
    (read_row,) = read(bench, TYPED + row + "\n")
    assert read_row.typed == typed
    assert read_row.produced


@pytest.mark.parametrize("cell", ["not started", "Not-Started", "not_started"])
def test_status_is_read_however_it_is_written(bench, cell):
    (row,) = read(bench, f"run,product,title,status,reason\na,alder-4,weir,{cell},no disk\n")
    assert row.status == "not_started"
    assert not row.produced


def test_an_empty_layout_is_found_by_the_name_of_the_log(bench):
    rows = read(
        bench, "run,product,title,log\na,alder-4,weir,logs/a1.csv\nb,alder-4,weir,logs/b.txt\n"
    )
    assert [row.layout for row in rows] == ["plain", "stamps"]


def test_a_typed_figure_may_be_a_mean_of_passes_with_their_spread(bench):
    head = "run,product,title,average_fps,passes,spread_pct\n"
    plain, mean, bare = read(
        bench, head + "a,alder-4,weir,61.5,,\nb,alder-4,weir,60.1,3,0.8\nc,alder-4,weir,60,5,\n"
    )
    assert [(r.passes, r.spread) for r in (plain, mean, bare)] == [(1, None), (3, 0.008), (5, None)]
    assert mean.conditions == {"passes": "3", "spread_pct": "0.8"}


@pytest.mark.parametrize(
    "cells, said",
    [
        ("61.5,three,", "passes: found 'three'; expected a number of passes such as 3"),
        ("61.5,0,", "passes: found '0'; expected a number of passes such as 3"),
        ("61.5,1,0.8", "spread_pct: one pass has no spread; say in passes how many there were"),
        ("61.5,,0.8", "spread_pct: one pass has no spread; say in passes how many there were"),
        ("61.5,3,-1", "spread_pct: found '-1'; a frame rate is above zero"),
        ("61.5,3,80", "spread_pct: found '80'; expected the standard deviation between passes in"),
        (",3,", "passes: no figure is typed in that it could be of"),
    ],
)
def test_passes_that_cannot_be_are_faults(bench, cells, said):
    sheet = f"run,product,title,average_fps,passes,spread_pct\na,alder-4,weir,{cells}\n"
    assert any(said in fault for fault in faults_of(bench, sheet))


def test_a_metric_that_may_be_typed_in_has_a_column(bench):
    head = "run,product,title,average_fps,median_fps,low_1pct_fps\n"
    # The median may be above the average: few long frames lower that alone.
    (row,) = read(bench, head + "a,alder-4,weir,60,62,41\n")
    assert row.typed == {"average_fps": 60.0, "median_fps": 62.0, "low_1pct_fps": 41.0}
    assert faults_of(bench, head + "a,alder-4,weir,,62,\n") == [
        "line 2, average_fps: the cell is empty, but median is typed in"
    ]
    assert faults_of(bench, head + "a,alder-4,weir,60,62,61\n") == [
        "line 2, low_1pct_fps: 61 is above average_fps, which says 60"
    ]


def test_all_faults_of_a_sheet_are_told_at_once_in_order(bench):
    sheet = (
        SHEET_HEAD + "a,alder-4,wier,plain,x.csv\nb,birch,weir,plain,../y.csv\n"
        "c,birch-6,weir,,,yesterday,,crashed,\n"
    )
    found = [fault.split(":")[0] for fault in faults_of(bench, sheet)]
    assert [place.split(",")[0] for place in found] == ["line 2", *["line 3"] * 2, *["line 4"] * 2]
    assert {place.split(", ")[1] for place in found} == {
        "title",
        "product",
        "log",
        "reason",
        "began",
    }


def test_no_run_sheet_is_told(bench):
    (bench.folder / "runs.csv").unlink()
    with pytest.raises(BenchError, match=r"bench/runs\.csv: no such file"):
        RunSheet(bench)


def test_free_text_may_begin_like_a_formula(bench):
    sheet = "run,product,title,status,reason,ambient_c\na,alder-4,weir,crashed,=( sad,-5\n"
    (row,) = read(bench, sheet)
    assert row.reason == "=( sad"
    assert row.conditions == {"ambient_c": "-5"}


def test_selected_rows_keep_the_order_of_the_sheet(bench):
    sheet = RunSheet(bench)
    assert [r.run for r in sheet.select(["birch-6"], ["weir"])] == ["b1"]
    assert sheet.select(["birch-6"], ["hush"]) == ()
    assert [r.run for r in sheet.select(["birch-6", "alder-4"], ["weir"])] == ["a1", "b1"]


def test_a_sheet_found_without_fault_is_not_checked_again(bench):
    sheet = RunSheet(bench)
    wrong = SHEET.replace("2026-05-01,s1", "in May,s1").encode()
    with pytest.raises(BenchError, match="in May"):
        RunSheet(bench, wrong)
    found = RunSheet(bench, wrong, kept=sheet.packed())
    assert found.rows_of(["alder-4"]) == sheet.rows_of(["alder-4"])


def test_logs_are_read_for_the_rows_asked_for_only(bench):
    (bench.folder / "logs" / "b1.csv").rename(bench.folder / "logs" / "B1.csv.bak")
    rows = RunSheet(bench).rows
    (run,) = [row.read(bench) for row in rows[:1]]
    assert isinstance(run, Run)
    assert np.array_equal(run.log.frame_ms, np.full(100, 10.0))
    assert run.log.file == "logs/a1.csv"
    with pytest.raises(RunFileError) as caught:
        rows[1].read(bench)
    (fault,) = caught.value.faults
    assert (fault.file, fault.line, fault.key) == ("bench/runs.csv", 3, "log")
    assert 'no such file "logs/b1.csv"; did you mean "B1.csv.bak"?' in fault.message
    assert "restore it, or empty the cell" in fault.message


def faults_of_logs(rows, bench):
    """Return the faults of each log that does not read."""
    faults = []
    for row in rows:
        try:
            row.read(bench)
        except RunFileError as error:
            faults += error.faults
    return faults


def test_each_log_has_its_own_fault(bench):
    (bench.folder / "logs" / "a1.csv").write_text("ms\n10\nx\n")
    (bench.folder / "logs" / "b1.csv").unlink()
    rows = RunSheet(bench).rows
    assert [(f.file, f.line) for f in faults_of_logs(rows, bench)] == [
        ("logs/a1.csv", 3),
        ("bench/runs.csv", 3),
    ]


def test_many_logs_come_in_order_each_with_its_fault(bench):
    sheet = SHEET_HEAD + "".join(f"r{i},alder-4,weir,plain,logs/r{i}.csv\n" for i in range(30))
    for i in range(30):
        (bench.folder / "logs" / f"r{i}.csv").write_text(f"ms\n{i + 1}\n")
    rows = read(bench, sheet)
    runs = [row.read(bench) for row in rows]
    assert [run.row for run in runs] == list(rows)
    assert [run.log.frame_ms.tolist() for run in runs] == [[i + 1.0] for i in range(30)]
    for i in (5, 20):
        (bench.folder / "logs" / f"r{i}.csv").unlink()
    assert [fault.line for fault in faults_of_logs(rows, bench)] == [7, 22]


def test_a_link_out_of_the_bench_is_refused(bench, tmp_path):
    outside = tmp_path / "outside.csv"
    outside.write_text("ms\n10\n")
    (bench.folder / "logs" / "link.csv").symlink_to(outside)
    (row,) = read(bench, SHEET_HEAD + "a,alder-4,weir,plain,logs/link.csv\n")
    with pytest.raises(RunFileError, match="leads out of the bench folder by a symbolic link"):
        row.read(bench)
    inside = bench.folder / "logs" / "inside.csv"
    inside.symlink_to(bench.folder / "logs" / "a1.csv")
    (row,) = read(bench, SHEET_HEAD + "a,alder-4,weir,plain,logs/inside.csv\n")
    assert row.read(bench).log.frame_ms.size == 100


def test_a_row_that_produced_nothing_has_no_log(bench):
    rows = read(
        bench,
        SHEET_HEAD + "a,alder-4,weir,plain,logs/gone.csv,,,crashed,no start\n"
        "b,alder-4,weir,,,,,,,60\nc,alder-4,weir,,,,,set_aside,log lost\n",
    )
    assert [run.log for run in [row.read(bench) for row in rows]] == [None, None, None]
    assert [row.produced for row in rows] == [False, True, False]


@settings(max_examples=150, deadline=None)
@given(
    data=st.one_of(
        st.binary(max_size=200),
        st.text(alphabet='run,product;title\t"\n\r=#-.1ab\u00a0', max_size=200).map(str.encode),
    )
)
def test_any_bytes_give_rows_or_faults(tmp_path_factory, data):
    folder = tmp_path_factory.getbasetemp() / "fuzz"
    folder.mkdir(exist_ok=True)
    (folder / "bench.yaml").write_text(BENCH_YAML)
    bench = read_bench(folder)
    for head in (b"", b"run,product,title\n"):
        (folder / "runs.csv").write_bytes(head + data)
        try:
            rows = read_both_ways(bench)
        except BenchError as error:
            assert error.faults
        else:
            assert all(row.product in bench.products for row in rows)


WRITTEN = st.one_of(
    st.text(st.characters(exclude_categories=("C", "Z"), include_characters=" "), max_size=12),
    st.dates().map(str),
    st.datetimes(timezones=st.just(dt.UTC)).map(lambda m: m.isoformat(timespec="seconds")),
    st.datetimes().map(lambda m: m.isoformat(" ", timespec="minutes")),
    st.datetimes().map(lambda m: m.isoformat(timespec="microseconds") + "Z"),
    st.floats(-1e9, 1e9).map(lambda x: f"{x:.6f}"),
    st.floats(allow_nan=True).map(str),
    st.integers(-(10**18), 10**18).map(str),
    st.decimals(-1000, 1000, places=2).map(str),
    st.sampled_from(["007", "1.50", "-0", "=1+1", "#N/A", "TRUE", "_x0041_", "1,499", "'x", "1e5"]),
).map(str.strip)


@given(rows=st.lists(st.tuples(*[WRITTEN] * 6), min_size=1, max_size=4))
def test_a_table_comes_back_from_a_spreadsheet_as_it_was(rows):
    header = ("run", "began", "date", "price", "average_fps", "driver")
    rows = [(f"r{n}", *cells[1:]) for n, cells in enumerate(rows)]
    sheet = SheetText("made", header, tuple(enumerate(rows, start=2)))
    back = SheetText.tables_of(SheetText.book_of({"runs": sheet}), file="x")["runs"]
    assert back.header == header and [cells for _, cells in back.rows] == rows


TYPED_HEAD = "run,product,title,average_fps,low_1pct_fps,value,unit,status,reason,log,part\n"
LONG = "x" * 61
# By hand: a row below TYPED_HEAD, and every fault of it.
ROW_FAULTS = {
    "a log and a figure": (
        "a,alder-4,weir,60,,,,,,logs/a1.csv",
        ["line 2, log: the row has a log and a figure typed in; keep the log alone"]),
    "a part without a log": (
        "a,alder-4,weir,60,,,,,,,one", ["line 2, part: the row names a part, but no log"]),
    "nothing": (
        "a,alder-4,weir", ["line 2, log: the row has neither a log nor a figure typed in; name the "
        "log, or say with status and reason why there is none"]),
    "a figure of a crash": (
        "a,alder-4,weir,60,,,,crashed,no disk",
        ['line 2, status: a figure is typed in, but status is "crashed"']),
    "a status without its reason": (
        "a,alder-4,weir,,,,,refused,",
        ['line 2, reason: the cell is empty; status "refused" needs a reason']),
    "a result of frames": (
        "a,alder-4,weir,60,,5,", ['line 2, value: title "weir" measures frames; type the figure in '
        "as average_fps"]),
    "another unit of frames": (
        f"a,alder-4,weir,60,,,{LONG}",
        [f"line 2, unit: found {LONG[:60]!r}; frames are typed in as fps"]),
    "a low above the average": (
        "a,alder-4,weir,60,60.5,,", ["line 2, low_1pct_fps: 60.5 is above average_fps, which says 60"]),
    "a rate of a duration": (
        "a,alder-4,sorting,60,,5,s",
        ['line 2, average_fps: title "sorting" measures duration; type the result in as value']),
    "a log of a duration": (
        "a,alder-4,sorting,,,,,,,logs/a1.csv",
        ['line 2, log: title "sorting" measures duration; its result is typed in as value, and a '
         "log cannot be read for it"]),
    "another unit of a duration": (
        "a,alder-4,sorting,,,5,min",
        ["line 2, unit: found 'min'; results of this title are in s"]),
    "a duration of nothing": (
        "a,alder-4,sorting,,,0,s", ["line 2, value: 0 is not above zero"]),
    "a rate of nothing": (
        "a,alder-4,weir,0,,,", ["line 2, average_fps: found '0'; a frame rate is above zero"]),
    "a word for a rate": (
        f"a,alder-4,weir,{LONG},,,", [f"line 2, average_fps: found {LONG[:60]!r}; expected a number "
        "such as 61.5, without unit or separators"]),
    "a formula": (
        f"a,=alder-4,weir,={LONG}", [
        f"line 2, average_fps: {'=' + LONG[:59]!r} is a formula; write the value",
        "line 2, product: '=alder-4' is a formula; write the value",
        'line 2, product: no product "=alder-4" in bench.yaml; did you mean "alder-4"?',
        f"line 2, average_fps: found {'=' + LONG[:59]!r}; expected a number such as 61.5, without "
        "unit or separators"]),
    "a comment sign": ("a,alder-4,weir,60,,,,,,,#1", ["line 2, part: the row names a part, but no log"]),
    "a formula that failed": (
        "a,alder-4,weir,60,,,,,,,#N/A", ["line 2, part: #N/A is what a spreadsheet writes for a "
        "formula that failed; write the value", "line 2, part: the row names a part, but no log"]),
    "a status there is not": (
        "a,alder-4,weir,,,,,crash,x,", ["line 2, status: found 'crash'; expected ran, crashed, refused, "
        'not_started, set_aside; did you mean "crashed"?']),
    "an id of 129": (
        f"{'a' * 129},alder-4,weir,60", [f"line 2, run: found {'a' * 60!r}; a run's id is 1 to 128 "
        "letters, digits, '.', '_', '-'"]),
    "a product with a long name": (
        f"a,{LONG},weir,60", [f'line 2, product: no product "{LONG[:60]}" in bench.yaml; known are '
        "alder-4, birch-6"]),
}  # fmt: skip


@pytest.mark.parametrize("case", ROW_FAULTS)
def test_a_row_that_contradicts_itself_is_answered_once(bench, case):
    row, said = ROW_FAULTS[case]
    found = faults_of(bench, TYPED_HEAD + row + "\n")
    assert [f.partition("; known")[0] for f in found] == [s.partition("; known")[0] for s in said]


# Cells of a sheet, right ones and wrong ones, some only in some company.
CELLS = {
    "product": ["birch-6", " alder-4", "alder", ""],
    "title": ["sorting", "hush", "wier", ""],
    "layout": ["", "plain", "stamps", "none"],
    "log": ["", "logs/a1.csv", "logs/b.txt", "logs/x.dat", "../a.csv", "a b.csv", "=A1", "a//b.csv"],
    "began": ["2026-05-31", "2026-02-30", "2026-06-31", "2024-02-29T08:30Z", "in May",
              "2026-05-01 23:59:59.5+01:00", "2026-05-01 24:00", "2026-13-01"],
    "status": ["", "crashed", "Set aside", "ran", "lost"],
    "reason": ["", "hot", "=( sad", "#N/A"],
    "average_fps": ["", "60", "0", "0.0", "-1", "1.234", "61,5", "1e3", "NaN", "=2", ".5"],
    "low_1pct_fps": ["", "50", "60.1", "50.", "9" * 16],
    "low_0_1pct_fps": ["", "40", "60.1"],
    "value": ["", "12", "0", "-3.5", "1.25e2"],
    "unit": ["", "fps", "s"],
    "passes": ["", "3", "1", "03"],
    "spread_pct": ["", "0.8", "50", "0"],
    "part": ["", "one", "@one", "#REF!"],
    "fan": ["", "quiet", "#NAME?", "=x", " @"],
}  # fmt: skip


@pytest.mark.parametrize("delimiter", [",", ";"])
@pytest.mark.parametrize("typed", [True, False])
def test_rows_alike_have_the_faults_each_has_alone(bench, delimiter, typed):
    plain = dict.fromkeys(CELLS, "") | {"product": "alder-4", "title": "weir"}
    plain |= {"average_fps": "60"} if typed else {"log": "logs/a1.csv", "began": "2026-05-01"}
    changes = [((name, cell),) for name, cells in CELLS.items() for cell in cells]
    changes += [(a[0], b[0]) for a, b in itertools.combinations(changes, 2) if a[0][0] != b[0][0]]
    rows = [{**plain, **dict(change)} for change in ((), *changes, ())]
    rows = [row for row in rows if delimiter not in "".join(row.values())]
    lines = [[f"r{place}", *row.values()] for place, row in enumerate(rows[:-1])]
    lines.append(["r0", *rows[-1].values()])
    head = delimiter.join(["run", *CELLS]) + "\n"
    sheet = head + "\n".join(map(delimiter.join, lines))
    with pytest.raises(BenchError) as caught:
        read(bench, sheet)
    wrong = {fault.line for fault in caught.value.faults}
    right = [line for number, line in enumerate(lines, 2) if number not in wrong]
    assert len(rows) > len(wrong) > len(right) > 100
    assert len(read(bench, head + "\n".join(map(delimiter.join, right)))) == len(right)


# By hand: what is just inside those rules.
@pytest.mark.parametrize(
    "row",
    [
        "a,alder-4,weir,60,60,,fps,,",
        "a,alder-4,hush,,,0,dB(A),,",
        "a,alder-4,hush,,,-3,,,",
        "a,alder-4,sorting,,,0.001,s,,",
        "a,alder-4,weir,60,,,,set_aside,hot",
        "a,alder-4,weir,,,,,,,logs/a1.csv,one",
        "a,alder-4,weir,,,,,set_aside,hot,",
        f"{'a' * 128},alder-4,weir,60",
    ],
)
def test_a_row_just_inside_the_rules_is_read(bench, row):
    assert len(read(bench, TYPED_HEAD + row + "\n")) == 1


@pytest.mark.parametrize(
    ("cells", "found"),
    [("9999,49.9", (9999, 0.499)), ("2,0.1", (2, 0.001)), ("10000,", None), ("3,50", None)],
)
def test_passes_and_their_spread_have_ends(bench, cells, found):
    sheet = f"run,product,title,average_fps,passes,spread_pct\na,alder-4,weir,61.5,{cells}\n"
    if found is None:
        assert len(faults_of(bench, sheet)) == 1
    else:
        (row,) = read(bench, sheet)
        assert (row.passes, row.spread) == (found[0], pytest.approx(found[1]))


@pytest.mark.parametrize(
    ("cell", "typed"), [("1.234", None), ("1234.567", None), ("0.234", 0.234), ("1.23", 1.23)]
)
def test_a_point_before_three_decimals_may_stand_between_thousands(bench, cell, typed):
    sheet = TYPED + f"a;alder-4;sorting;;;{cell};s\n"
    if typed is None:
        whole, _, decimals = cell.partition(".")
        assert (
            f"which may mean {whole}{decimals} or {whole},{decimals}0;"
            in faults_of(bench, sheet)[0]
        )
    else:
        assert read(bench, sheet)[0].typed == {"value": typed}


@pytest.mark.parametrize(
    ("log", "said"),
    [
        ("logs\\a1.csv", "write the path with forward slashes"),
        ("/logs/a1.csv", "leads out of the bench folder"),
        ("c:/a1.csv", "leads out of the bench folder"),
        ("logs/../a1.csv", "leads out of the bench folder"),
        ("logs/a\x07.csv", "a name has no control characters"),
        ("logs/a:1..csv", ""),
    ],
)
def test_a_log_lies_in_the_bench_folder(log, said):
    problem = log_name_problem(log)
    assert said in problem and bool(problem) == bool(said)


HEAD = "run,product,title,log\n"
# By hand: a whole sheet, and each of its faults with its line.
SHEET_FAULTS = {
    "no name": ("run,,title\na,b,c\n", ["line 1: column 2 has no name; name it or delete it"]),
    "a name twice": (
        "run,run,title\na,b,c\n",
        ["line 1, run: two columns have this name; rename or delete one"]),
    "a cell too many": (
        HEAD + "a,alder-4,weir,x.csv,,5\n",
        ["line 2: '5' stands beyond the last column; a cell that holds ',', such as a decimal comma,"
         " is put in quotation marks"]),
    "not UTF-8": (
        HEAD.encode() + b"a\nb\xff\n",
        ["line 3: not UTF-8 text; save the sheet as CSV in UTF-8"]),
    "a NUL": (HEAD + "a\nb\0\n", ["line 3: holds a NUL character; save the sheet as CSV again"]),
    "a mark that turns text": (
        HEAD + "a\nb\u202e\n",
        ["line 3: holds U+202E, which turns the order text is shown in; delete it"]),
    "an open quotation mark": (
        HEAD + 'a,"' + "b" * 90 + '" c,weir\n',
        ["line 2: a quotation mark is not closed, or not alone in its cell in "
         + repr('a,"' + "b" * 77)]),
    "nothing": ("\n,,\n", ["bench/runs.csv: the file is empty; its first line names the columns"]),
    "a column of its own, all but known": (
        "run,product,title,sesion\na,alder-4,weir,1\n",
        ['line 1, sesion: unknown column; did you mean "session"? If it is a condition of its own, '
         "declare it under `controls` of bench.yaml",
         "line 2, log: the row has neither a log nor a figure typed in; name the log, or say with "
         "status and reason why there is none"]),
    "no column known": (
        "a,b\n1,2\n", [f"line 1, {name}: the column is missing; the first line holds 'a,b'"
                       for name in ("run", "product", "title")]),
    "one column known": (
        "run,b\n1,2\n", [f"line 1, {name}: the column is missing; the first line holds 'run,b'"
                         for name in ("product", "title")]),
    "two columns known": ("run,title\n1,2\n", ["line 1, product: the column is missing"]),
    "too many columns": (
        ",".join(f"c{i}" for i in range(5001)) + "\n",
        ["bench/runs.csv: has 5001 columns; a sheet has at most 5000"]),
}  # fmt: skip


@pytest.mark.parametrize("case", SHEET_FAULTS)
def test_a_sheet_that_cannot_be_read_says_where(bench, case):
    sheet, said = SHEET_FAULTS[case]
    assert faults_of(bench, sheet) == said


def test_a_sheet_keeps_its_lines_and_its_ends_when_rows_are_added():
    raw = b"\xef\xbb\xbfrun;note\r\na;1\r\nb;\r\n"
    sheet = SheetText.parse(raw, file="x")
    assert sheet.to_bytes() == raw
    assert sheet.by_run() == {"a": {"run": "a", "note": "1"}, "b": {"run": "b"}}
    more = sheet.with_cells({"c": {"run": "c", "fan": "2"}, "a": {"run": "a"}})
    assert more.header == ("run", "note", "fan")
    assert more.rows == ((2, ("a", "", "")), (3, ("b", "", "")), (4, ("c", "", "2")))
    assert SheetText.parse(b"run\na\n", file="x").line_end == "\n"


# By hand: what a spreadsheet holds as a day, a moment or a number, and what as text.
@pytest.mark.parametrize(
    ("column", "text", "shown"),
    [
        ("date", "2026-11-25", "yyyy-mm-dd"),
        ("began", "2026-11-25T08:36", 'yyyy-mm-dd"T"hh:mm'),
        ("began", "2026-11-25 08:36:01Z", 'yyyy-mm-dd hh:mm:ss"Z"'),
        ("began", "2026-02-30", "@"),
        ("driver", "2026-11-25", "@"),
        ("price", "1499", "0"),
        ("price", "1499.50", "0.00"),
        ("price", "-0.5", "@"),
        ("price", "1234567890123456", "0"),
        ("price", "12345678901234567", "@"),
        ("driver", "1499", "@"),
    ],
)
def test_a_spreadsheet_shows_a_cell_as_it_was_written(column, text, shown):
    value, how = _spreadsheet_cell(column, text)
    assert how == shown and isinstance(value, str) == (shown == "@")


def test_rows_are_named_by_their_run_wherever_its_column_stands():
    sheet = SheetText("x", ("fan", "run"), ((2, ("2", "a")), (3, ("", "b"))))
    assert sheet.by_run() == {"a": {"fan": "2", "run": "a"}, "b": {"run": "b"}}
    assert SheetText("x", ("fan",), ((2, ("2",)),)).by_run() == {"2": {"fan": "2"}}
