"""Logs of many shapes: proposed, read and taken in right, or refused in words; none read wrongly.

The truth is what each file was made of. Spreadsheets are written by openpyxl, archives by zipfile,
Parquet by pyarrow, moments by datetime: readers here are held against other people's writers.
"""

from __future__ import annotations

import datetime as dt
import gzip
import io
import json
import re
import zipfile
from collections.abc import Mapping

import numpy as np
import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from typer.testing import CliRunner

from kit.bench.evidence import check_evidence
from kit.bench.intake import add_logs
from kit.bench.runs import RunSheet
from kit.cli import app
from kit.errors import RunFileError
from kit.logs.propose import propose_layout
from kit.logs.read import Log, read_log
from kit.logs.shapes import moment_ns, sheets_in
from kit.settings.bench_file import Layout, read_bench
from kit.settings.starting import start_bench

RNG = np.random.default_rng(18)
ONE, TWO = (RNG.gamma(40, m, 240).round(3) for m in (0.4, 0.3))
WATTS = RNG.normal(110, 4, 240).round(1)
STAMPS = np.concatenate([[0.0], np.cumsum(ONE)]).round(3)
BEGAN = dt.datetime(2026, 11, 25, 23, 59, 58, tzinfo=dt.UTC)
MOMENTS = [BEGAN + dt.timedelta(microseconds=round(1000 * ms)) for ms in STAMPS]


def lines(*columns: object, mark: str = ",") -> str:
    return "".join(mark.join(map(str, row)) + "\n" for row in zip(*columns, strict=True))


def zipped(**members: str | bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in members.items():
            archive.writestr(
                name.replace("__", "/").replace("_csv", ".csv").replace("_txt", ".txt"), text
            )
    return out.getvalue()


def locked(archive: bytes) -> bytes:
    """Mark the first member as encrypted: bit 0 of its flags (PKWARE APPNOTE 4.4.4)."""
    place = archive.index(b"PK\x01\x02") + 8
    return archive[:place] + bytes([archive[place] | 1]) + archive[place + 1 :]


def book(**sheets: list[tuple[object, ...]]) -> bytes:
    made = openpyxl.Workbook()
    made.remove(made.active)
    for name, rows in sheets.items():
        sheet = made.create_sheet(name)
        for row in rows:
            sheet.append(row)
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def parquet() -> bytes:
    out = io.BytesIO()
    pq.write_table(pa.table({"ended": pa.array(MOMENTS, pa.timestamp("us", "UTC"))}), out)
    return out.getvalue()


PLAIN = "frame,ms\n" + lines(range(240), ONE)
SCENES = ["menu"] * 30 + ["scene"] * 180 + ["outro"] * 30
TWICE = (["menu"] * 20 + ["scene"] * 100) * 2
HEADED = "".join(
    f"== {n} ==\nframe,ms\n{lines(range(240), v)}\n" for n, v in (("canyon", ONE), ("weir", TWO))
)
SHEET = [("frame", "took ms"), *((i, float(v)) for i, v in enumerate(ONE))]
# File name, its bytes, what each part holds; "" is the one run of a log of one.
RIGHT: Mapping[str, tuple[str, str | bytes, dict[str, object]]] = {
    "a scene marked": (
        "a.csv", "frame,ms,phase\n" + lines(range(240), ONE, SCENES), {"": ONE[30:210]}),
    "a scene marked, twice": (
        "a.csv", "ms,phase\n" + lines(ONE, TWICE), {"scene 1": ONE[20:120], "scene 2": ONE[140:]}),
    "scenes marked without a header": (
        "a.csv", lines(ONE, ["canyon"] * 120 + ["weir"] * 120), {"canyon": ONE[:120], "weir": ONE[120:]}),
    "marks that change every few rows, as states of a frame do": (
        "a.csv", "ms,level\n" + lines(ONE, (["high"] * 3 + ["low"] * 3) * 40), {"": ONE}),
    "passes numbered in a column": (
        "a.csv", "pass,ms\n" + lines([1] * 80 + [2] * 160, ONE), {"1": ONE[:80], "2": ONE[80:]}),
    "marks at one row that stand until the next": (
        "a.csv",
        "ms,event\n" + lines(ONE, ["load", *[""] * 39, "canyon", *[""] * 99, "weir", *[""] * 99]),
        {"canyon": ONE[40:140], "weir": ONE[140:]}),
    "stamps of marked scenes": (
        "a.csv", "at_ms,scene\n" + lines(STAMPS[1:], ["a"] * 120 + ["b"] * 120),
        {"a": ONE[1:120], "b": ONE[121:]}),
    "sections below headings": ("a.txt", HEADED, {"canyon": ONE, "weir": TWO}),
    "sections, headings as comments, names once": (
        "a.txt", "ms\n" + "".join(f"# pass {n}\n{lines(v)}" for n, v in ((1, ONE), (2, TWO))),
        {"1": ONE, "2": TWO}),
    "a header again above each run": ("a.csv", PLAIN + PLAIN.replace("\n0,", "\n0,1"), {
        "run 1": ONE, "run 2": np.r_[float(f"1{ONE[0]}"), ONE[1:]]}),
    "a summary below": ("a.csv", PLAIN + f"average,{ONE.mean():.3f}\nlongest,{ONE.max()}\n", {"": ONE}),
    "a summary of numbers below an empty line": (
        "a.csv", PLAIN + f"\n{ONE.mean():.3f},{ONE.max()},240\n", {"": ONE}),
    "a rate for each frame": ("a.csv", "n,fps\n" + lines(range(240), 1000 / ONE), {"": ONE}),
    "moments of ISO 8601": (
        "a.csv", "ended,w\n" + lines([m.isoformat() for m in MOMENTS[1:]], WATTS), {"": ONE[1:]}),
    "moments with a space, over midnight and a zone": (
        "a.log", "".join(f"{m:%Y-%m-%d %H:%M:%S.%f}+00:00\n" for m in MOMENTS), {"": ONE}),
    "wall clock over midnight": (
        "a.csv", "clock;n\n" + lines([f"{m:%H:%M:%S.%f}" for m in MOMENTS], range(241), mark=";"), {"": ONE}),
    "minutes and seconds": (
        "a.csv", "at,n\n" + lines([f"{ms // 60000:02.0f}:{ms % 60000 / 1000:09.6f}" for ms in STAMPS], range(241)),
        {"": ONE}),
    "moments in Parquet": ("a.parquet", parquet(), {"": ONE}),
    "units in cells": (
        "a.csv", "took,draws\n" + "".join(f"{v} ms,{w} W\n" for v, w in zip(ONE, WATTS, strict=True)), {"": ONE}),
    "units that change from cell to cell": (
        "a.csv",
        "n;took\n" + "".join(f"{i};{f'{v} ms' if v < 16 else f'{1000 * v:.0f} us'}\n" for i, v in enumerate(ONE)),
        {"": ONE}),
    "decimal commas with units": (
        "a.csv", "took;n\n" + "".join(f"{v} ms;{i}\n".replace(".", ",") for i, v in enumerate(ONE)), {"": ONE}),
    "JSON lines": (
        "a.jsonl", "".join(json.dumps({"n": i, "ms": float(v)}) + "\n" for i, v in enumerate(ONE)), {"": ONE}),
    "JSON lines, nested, with a head and an end": (
        "a.jsonl",
        '{"recorder": 4}\n' + "".join(
            json.dumps({"frame": {"ms": float(v)}, "power_w": w}) + "\n"
            for v, w in zip(ONE, WATTS, strict=True)) + '{"frames": 240}\n',
        {"": ONE}),
    "a spreadsheet": ("a.xlsx", book(Log=SHEET), {"": ONE}),
    "a spreadsheet with a sheet a run, and notes": (
        "a.xlsx", book(Notes=[("nothing",), ("here",)], canyon=SHEET,
                       weir=[("frame", "took ms"), *((i, float(v)) for i, v in enumerate(TWO))]),
        {"canyon": ONE, "weir": TWO}),
    "a spreadsheet of moments": (
        "a.xlsx", book(Log=[("ended",), *((m.replace(tzinfo=None, microsecond=m.microsecond // 1000 * 1000),) for m in MOMENTS)]),
        {"": "coarse"}),
    "a zip of one log": ("a.zip", zipped(day_csv=PLAIN), {"": ONE}),
    "a zip of several, with a note": (
        "a.zip", zipped(d__canyon_csv=PLAIN, d__weir_csv="frame,ms\n" + lines(range(240), TWO), read_txt="by hand"),
        {"d/canyon.csv": ONE, "d/weir.csv": TWO}),
    "a gzip inside a zip": ("a.zip", zipped(day_csv=gzip.compress(PLAIN.encode())), {"": ONE}),
}  # fmt: skip


def whole(data: str | bytes) -> bytes:
    return data.encode() if isinstance(data, str) else data


@pytest.mark.parametrize("case", RIGHT)
def test_read_right_as_proposed(tmp_path, case):
    name, data, parts = RIGHT[case]
    path = tmp_path / name
    path.write_bytes(whole(data))
    layout = Layout.model_validate(propose_layout(path).layout)
    found = Log.parts_of(path, layout, file=name) or ("",)
    assert set(found) == set(parts)
    for part, truth in parts.items():
        log = read_log(
            path, layout.model_copy(update={"part": part}) if part else layout, file=name
        )
        if isinstance(truth, str):  # a spreadsheet keeps milliseconds
            np.testing.assert_allclose(log.frame_ms, ONE, atol=1.001)
        else:
            np.testing.assert_allclose(log.frame_ms, truth, rtol=1e-9, atol=1e-6)


SECONDS = lines([f"{BEGAN + dt.timedelta(seconds=i):%H:%M:%S}" for i in range(60)], [61] * 60)
REFUSED: Mapping[str, tuple[str, str | bytes, str]] = {
    "averages of each second": (
        "a.csv", "s,fps\n" + lines(range(1, 181, 1), RNG.normal(60, 2, 180)), "no column|averages"),
    "commas between thousands": (
        "a.csv", "n;us\n" + "".join(f"{i};{int(1000 * v):,}\n" for i, v in enumerate(ONE)),
        "column us would hold .*e.04 frames per second .*marks put between thousands"),
    "stamps nothing can read, beside what never changes": (
        "a.csv", "at,n\n" + lines([f"{i} past" for i in range(240)], [1] * 240), "none is above 0 and changing"),
    "an empty cell": (
        "a.csv", "n,ms\n" + lines(range(240), ["" if i == 40 else v for i, v in enumerate(ONE)]),
        '"ms" would but for 1 of 240 rows, the first with nothing; take the log'),
    "two programs by turns": (
        "a.csv", "app,pid,ms\n" + lines(["race", "shell"] * 120, [7, 9] * 120, ONE),
        r"rows of race and shell take turns \(column app\)"),
    "two numbered programs by turns": (
        "a.csv", "process_id,ms\n" + lines([7, 9] * 120, ONE), "rows of 7 and 9 take turns"),
    "a table of counts": (
        "a.csv", "bin_ms,count\n" + lines(range(1, 60), [abs(100 - 3 * i) for i in range(59)]),
        "none is above 0 and changing"),
    "a table of percentiles": (
        "a.csv", "p,ms\n" + lines(range(1, 100), [f"{10 + i * 0.2:.2f}" for i in range(99)]),
        "column ms would hold 5e.03 frames per second"),
    "averages by the clock": ("a.csv", "clock,fps\n" + SECONDS, "a log of averages"),
    "a JSON document": ("a.json", json.dumps([{"ms": 16.7}] * 3, indent=1), "no rows of numbers"),
    "a zip of photographs": ("a.zip", zipped(a=b"\x89PNG" * 99), "none of 1 parts"),
    "a zip with a locked log": (
        "a.zip", locked(zipped(day_csv=PLAIN, eve_csv=PLAIN)), "locked with a password; unpack it"),
    "a torn zip": ("a.zip", zipped(day_csv=PLAIN)[:-60], "damaged zip archive"),
    "a torn spreadsheet": ("a.xlsx", book(Log=SHEET)[:-60], "damaged zip archive"),
    "a spreadsheet of words": ("a.xlsx", book(Log=[("hello", "there")] * 20), "none of 1 parts"),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_refused_in_words(tmp_path, case):
    name, data, message = REFUSED[case]
    path = tmp_path / name
    path.write_bytes(whole(data))
    with pytest.raises(RunFileError, match=message):
        propose_layout(path)


def layout(**more: object) -> Layout:
    frames = {"column": "ms", "holds": "frame_time", "unit": "ms"}
    return Layout.model_validate({"frames": frames, **more})


WRONG: Mapping[str, tuple[str, str | bytes, Layout, str]] = {
    "several runs, none named": (
        "a.csv", "ms,phase\n" + lines(ONE, TWICE), layout(parts={"column": "phase", "keep": ["scene"]}),
        "holds 2 runs: scene 1, scene 2; name one"),
    "a part that is not there": (
        "a.zip", zipped(x_csv=PLAIN, y_csv=PLAIN), layout(part="z.csv"), 'holds no part "z.csv"'),
    "a spreadsheet, its layout says text": (
        "a.xlsx", book(L=SHEET), layout(), "is a spreadsheet; say `container: xlsx`"),
    "an archive, its layout says a spreadsheet": (
        "a.zip", zipped(x_csv=PLAIN), layout(container="xlsx"), "is a zip archive, no sheet"),
    "marks that are not there": (
        "a.csv", "ms,phase\n" + lines(ONE, SCENES), layout(parts={"column": "phase", "keep": ["race"]}),
        "no row is marked race; the marks are menu, scene, outro"),
    "a summary that is not there": ("a.csv", PLAIN, layout(until="Summary"), "cut short"),
    "another unit": (
        "a.csv", "ms\n" + "".join(f"{v} W\n" for v in ONE), layout(units_in_cells=True), "expected a number in ms"),
    "a line that is no JSON": (
        "a.jsonl", '{"ms": 16.1}\n{"ms": 16.2}\n{"ms":', layout(container="jsonl"), "cut short"),
    "a frame left out in JSON": (
        "a.jsonl", '{"ms": 16.1}\n{"n": 2}\n{"ms": 16.2}\n', layout(container="jsonl"), 'there is no "ms"'),
    "a key no line has": (
        "a.jsonl", '{"n": 1, "mss": 2}\n', layout(container="jsonl"), 'line 1: no line has "ms"; did you mean "mss"'),
    "text in JSON": (
        "a.jsonl", '{"ms": 16.1}\n{"ms": "long"}\n', layout(container="jsonl"), "expected a frame time"),
    "true in JSON": (
        "a.jsonl", '{"ms": 16.1}\n{"ms": true}\n', layout(container="jsonl"), "expected a frame time"),
    "a moment that is none": (
        "a.csv", "ms\n2026-11-25T08:00:00.1\n2026-13-25T08:00:00.2\n",
        Layout.model_validate({"frames": {"column": "ms", "holds": "frame_end", "unit": "iso"}}),
        "expected a moment such as 2026"),
    "a formula that failed": (
        "a.xlsx", book(L=[("ms",), (16.1,), ("#DIV/0!",)]), layout(container="xlsx"), "expected a frame time"),
}  # fmt: skip


@pytest.mark.parametrize("case", WRONG)
def test_what_does_not_fit_its_layout_is_refused_with_its_place(tmp_path, case):
    name, data, how, message = WRONG[case]
    path = tmp_path / name
    path.write_bytes(whole(data))
    with pytest.raises(RunFileError, match=message):
        read_log(path, how, file=name)


def test_a_file_of_several_runs_is_taken_in_as_so_many_rows_of_one_log(tmp_path):
    start_bench(tmp_path / "bench")
    day = tmp_path / "new-part.txt"
    day.write_text(HEADED.replace("weir", "A fixed scene").replace("canyon", "my-scene"))
    runner = CliRunner()
    done = runner.invoke(app, ["new", "layout", str(day), "--write", str(tmp_path / "bench")])
    assert done.exit_code == 0, done.output
    for again in range(2):
        intake = add_logs(tmp_path / "bench", [day], fields={"product": "new-part"})
        assert len(intake.added) == (0 if again else 2)
    bench = read_bench(tmp_path / "bench")
    rows = RunSheet(bench).rows
    assert [(r.title, r.part) for r in rows] == [
        ("my-scene", "my-scene"),
        ("my-scene", "A fixed scene"),
    ]
    assert {r.log for r in rows} == {"logs/new-part.txt"}
    for row, truth in zip(rows, (ONE, TWO), strict=True):
        np.testing.assert_allclose(row.read(bench).log.frame_ms, truth)


def test_a_merge_and_its_undo_keep_every_run_of_a_log(tmp_path):
    day = tmp_path / "day.txt"
    day.write_text(HEADED)
    for name in ("one", "two"):
        start_bench(tmp_path / name)
    runner = CliRunner()
    runner.invoke(app, ["new", "layout", str(day), "--write", str(tmp_path / "one")])
    add_logs(tmp_path / "one", [day], fields={"product": "new-part", "title": "my-scene"})
    words = ["bench", "merge", str(tmp_path / "two"), str(tmp_path / "one"), "--reason", "moved"]
    for again in range(2):
        done = runner.invoke(app, words)
        assert done.exit_code == 0, done.output
        assert ("nothing to merge" if again else "2 runs with 1 logs came") in done.output
    merged = read_bench(tmp_path / "two")
    rows = RunSheet(merged).rows
    assert {(r.log, r.part) for r in rows} == {("logs/day.txt", "canyon"), ("logs/day.txt", "weir")}
    for row, truth in zip(rows, (ONE, TWO), strict=True):
        np.testing.assert_allclose(row.read(merged).log.frame_ms, truth)
    assert check_evidence(tmp_path / "two", depth="full").differences == ()
    undone = runner.invoke(app, ["bench", "undo", str(tmp_path / "two"), "--reason", "not yet"])
    assert undone.exit_code == 0 and not [*(tmp_path / "two" / "logs").iterdir()]


def test_a_proposal_names_every_column_it_leaves_and_can_be_pasted(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("n,who,ms,,phase\n" + lines(range(240), ["x"] * 240, ONE, ["y"] * 240, SCENES))
    proposal = propose_layout(path)
    assert proposal.reasons["not read"] == "n, who, column 4"
    start_bench(tmp_path / "bench")
    file = tmp_path / "bench" / "bench.yaml"
    text = re.sub(
        r"(?m)^layouts:.*$", lambda m: m[0] + "\n" + proposal.yaml.rstrip(), file.read_text()
    )
    file.write_text(text)
    pasted = read_bench(tmp_path / "bench").layouts[proposal.name]
    assert pasted == Layout.model_validate(proposal.layout)


def fault_of(data: str | bytes, how: Layout, path) -> tuple[int | None, str | None, str]:
    path.write_bytes(whole(data))
    with pytest.raises(RunFileError) as caught:
        read_log(path, how, file=path.name)
    (fault,) = caught.value.faults
    return fault.line, fault.key, fault.message


LONG = "1," + "x" * 80
# By hand: the line and column an editor shows, and the first 60 characters of what stands there.
PLACES: Mapping[str, tuple[str | bytes, Layout, int | None, str | None, str]] = {
    "another unit": (
        "ms\n16.1 ms\n16.2 W\n", layout(units_in_cells=True), 3, "ms", "found '16.2 W'"),
    "no moment": (
        "n,ms\n1,2026-11-25T08:00:00.1\n" + f"2,{'y' * 70}\n3,soon\n",
        layout(frames={"column": "ms", "holds": "frame_end", "unit": "iso"}),
        3, "ms", f"found {'y' * 60!r}; expected"),
    "a row too short for a moment": (
        "n,ms\n1,2026-11-25T08:00:00.1\n2\n",
        layout(frames={"column": "ms", "holds": "frame_end", "unit": "iso"}),
        3, "ms", "found ''; expected a moment such as 2026-11-25T08:36:00.123456"),
    "a row without its mark": (
        "ms,n,phase\n16.1,1,a\n" + LONG + "\n", layout(parts={"column": "phase"}), 3, None,
        f"there is no column 3, which marks the parts, in {LONG[:60]!r}"),
    "an open quotation mark": (
        'ms,phase\n16.1,a\n16.2,"' + "b" * 80 + "\n", layout(parts={"column": "phase"}), 3, None,
        "not alone in its cell, in '16.2,\"" + "b" * 54 + "'"),
    "JSON without a sensor": (
        '{"ms": 16.1, "watts": 4}\n', layout(container="jsonl", sensors={"power_w": "watt"}),
        None, "watt", 'no line has "watt"; did you mean "watts"'),
    "JSON without frames in between": (
        '{"n": 0}\n{"ms": 16.1}\n{"n": 1}\n{"n": 2}\n{"ms": 16.2}\n{"n": 3}\n',
        layout(container="jsonl"), 3, None, "(2 such lines)"),
}  # fmt: skip


@pytest.mark.parametrize("case", PLACES)
def test_a_fault_names_its_line_its_column_and_what_stands_there(tmp_path, case):
    data, how, line, key, message = PLACES[case]
    found = fault_of(data, how, tmp_path / "a.csv")
    assert found[:2] == (line, key)
    assert message in found[2]


@pytest.mark.parametrize(("members", "ends"), [(12, "m11.csv;"), (13, "m11.csv, ...;")])
def test_at_most_twelve_parts_are_listed(tmp_path, members, ends):
    archive = zipped(**{f"m{i:02}_csv": PLAIN for i in range(members)})
    message = fault_of(archive, layout(), tmp_path / "a.zip")[2]
    assert message.startswith(f"holds {members} runs: m00.csv") and ends in message


@pytest.mark.parametrize("zone", ["", "Z", "+00:00", "+05:45", "-03:30", "-0800", "+1400"])
@pytest.mark.parametrize("day", ["1969-12-31 23:59:59.25", "2024-02-29T05:00:07.000001"])
def test_a_moment_is_that_of_the_standard_library(day, zone):
    moment = dt.datetime.fromisoformat(day + (zone or "Z"))
    since = (moment - dt.datetime(1970, 1, 1, tzinfo=dt.UTC)) // dt.timedelta(microseconds=1)
    found = moment_ns(day + zone, "iso")
    assert found == (since * 1000, len(day.partition(".")[2]))


# ISO 8601 (2004, 4.2.1): a minute has a sixty-first second where one was put in.
@pytest.mark.parametrize(
    ("text", "ns"),
    [("23:59:60", 86_400 * 10**9), ("24:00:00", None), ("00:60:00", None), ("00:00:61", None)],
)
def test_a_clock_ends_where_the_day_does(text, ns):
    assert moment_ns(text, "clock") == (None if ns is None else (ns, 0))


# By hand: the coarsest of ms, us and ns that holds every decimal written.
@pytest.mark.parametrize(
    ("decimals", "step_ms"), [(1, 1.0), (3, 1.0), (4, 1e-3), (6, 1e-3), (7, 1e-6), (9, 1e-6)]
)
@pytest.mark.parametrize("kind", ["iso", "clock"])
def test_moments_resolve_what_is_written(tmp_path, kind, decimals, step_ms):
    day = "2026-11-25T" if kind == "iso" else ""
    stamps = [f"{day}08:00:0{n}.{'0' * (decimals - 1)}{n}" for n in (1, 2, 3)]
    path = tmp_path / "a.csv"
    path.write_text("ms\n" + "\n".join(stamps) + "\n")
    how = layout(frames={"column": "ms", "holds": "frame_end", "unit": kind})
    log = read_log(path, how, file="a.csv")
    np.testing.assert_allclose(log.frame_ms, 1000 + 1000 / 10**decimals, rtol=1e-12)
    assert log.step_ms == pytest.approx(step_ms, rel=1e-9)


@pytest.mark.parametrize(
    ("last", "backward"), [("11:59:59.9", True), ("11:59:59.8", False), ("00:00:00.0", False)]
)
def test_midnight_lies_where_a_clock_steps_back_by_more_than_half_a_day(tmp_path, last, backward):
    path = tmp_path / "a.csv"
    path.write_text(f"ms\n23:59:59.8\n23:59:59.9\n{last}\n")
    how = layout(frames={"column": "ms", "holds": "frame_end", "unit": "clock"})
    assert bool(read_log(path, how, file="a.csv").backward_rows) == backward


@pytest.mark.parametrize("text", ["a, b", 'so-called "b"', 'c, "d"', "plain"])
def test_text_beside_cells_with_units_keeps_its_commas_and_quotation_marks(tmp_path, text):
    quoted = text.replace('"', '""')
    path = tmp_path / "a.csv"
    path.write_text(f'who,ms\n"{quoted}",16.5 ms\nb,17.25 ms\n')
    log = read_log(path, layout(units_in_cells=True), file="a.csv")
    assert log.frame_ms.tolist() == [16.5, 17.25]


def short_rows(*rows: tuple[object, ...]) -> bytes:
    """A spreadsheet without its size, as programs write that stream: rows of their own lengths."""
    made = openpyxl.Workbook(write_only=True)
    sheet = made.create_sheet("day")
    for row in rows:
        sheet.append(row)
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def test_rows_of_a_spreadsheet_are_as_long_as_the_longest():
    ((name, text),) = sheets_in(short_rows(("a", "b", "c"), (), (1,), (2, 3)), file="a.xlsx")
    assert (name, text) == ("day", b"a,b,c\n\n1,,\n2,3,")
    ((_, text),) = sheets_in(short_rows(("a, b", "c"), (1,)), file="a.xlsx")
    assert text == b'"a, b",c\n1'


@pytest.mark.parametrize(
    ("error", "why"),
    [(ValueError("x" * 130 + "\nmore"), "x" * 120), (TypeError(), "TypeError")],
)
def test_a_damaged_spreadsheet_says_why_in_one_short_line(monkeypatch, error, why):
    def fail(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr(openpyxl, "load_workbook", fail)
    with pytest.raises(RunFileError, match=rf"damaged spreadsheet \({why}\); copy it again"):
        [*sheets_in(book(L=SHEET), file="a.xlsx")]
