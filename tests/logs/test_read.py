"""Reading raw logs: every declared layout, the same figures as plain numpy, and plain refusals."""

from __future__ import annotations

import gzip
import hashlib
import math
import os
import re
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kit.errors import RunFileError
from kit.logs import read as layouts_module
from kit.logs import unpacked as logbytes
from kit.logs.read import _explain_rows, _find_table, _read_rows, _Troubles, parse_log, read_log
from kit.settings.bench_file import Layout

REAL = Path(__file__).parents[1] / "data" / "real_runs"
MS = {"column": "ms", "holds": "frame_time", "unit": "ms"}


def layout_of(**settings_: object) -> Layout:
    frames = settings_.pop("frames", MS)
    return Layout(frames=frames, **settings_)


def read(data: bytes | str, **settings_: object):
    raw = data.encode() if isinstance(data, str) else data
    return parse_log(raw, layout_of(**settings_), file="logs/a.csv")


# The three layouts as the README of the real runs describes them.
REAL_LAYOUTS = {
    ".csv": Layout(frames={"column": "frame_time_ms", "holds": "frame_time", "unit": "ms"}),
    ".txt": Layout(
        delimiter=";",
        decimal=",",
        comment="#",
        frames={"column": "elapsed_s", "holds": "frame_end", "unit": "s"},
    ),
    ".gz": Layout(
        delimiter="tab",
        header=False,
        frames={"column": 1, "holds": "frame_time", "unit": "us"},
    ),
}


def plain_average_fps(path: Path) -> float:
    """Average frame rate by nothing but numpy and text handling."""
    if path.suffix == ".gz":
        us = np.array([float(t) for t in gzip.decompress(path.read_bytes()).split()])
        return us.size / (us.sum() / 1e6)
    if path.suffix == ".txt":
        lines = path.read_bytes().decode("utf-8-sig").splitlines()
        rows = [line for line in lines if line and not line.startswith("#")][1:]
        stamps = np.array([float(row.split(";")[1].replace(",", ".")) for row in rows])
        return (stamps.size - 1) / (stamps[-1] - stamps[0])
    ms = np.loadtxt(path, delimiter=",", skiprows=1, usecols=1)
    return ms.size / (ms.sum() / 1e3)


def test_all_real_logs_give_the_averages_of_plain_numpy():
    logs = sorted((REAL / "logs").iterdir())
    assert len(logs) == 54
    for path in logs:
        log = read_log(path, REAL_LAYOUTS[path.suffix], file=path.name)
        average = 1000.0 * log.frame_ms.size / log.frame_ms.sum()
        assert average == pytest.approx(plain_average_fps(path), rel=1e-6)
        assert log.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
        assert log.size_bytes == path.stat().st_size
        assert log.backward_rows == ()


@pytest.mark.parametrize(
    ("name", "step_ms"),
    [("crowd-t4-1.csv", 1e-4), ("crowd-t8-1.txt", 1e-4), ("crowd-t12-1.tsv.gz", 1e-3)],
)
def test_step_is_that_of_the_text(name, step_ms):
    path = REAL / "logs" / name
    log = read_log(path, REAL_LAYOUTS[path.suffix], file=name)
    assert log.step_ms == pytest.approx(step_ms, rel=1e-9)


def test_step_counts_trailing_zeros():
    assert read("ms\n10.0000\n10.0000\n").step_ms == pytest.approx(1e-4)
    assert read("ms\n10\n11\n").step_ms == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("unit", "texts"),
    [("s", "0.0167 0.02"), ("ms", "16.7 20"), ("us", "16700 20000"), ("ns", "16700000 20000000")],
)
def test_units(unit, texts):
    frames = {"column": 1, "holds": "frame_time", "unit": unit}
    log = read("\n".join(texts.split()), header=False, frames=frames)
    assert log.frame_ms == pytest.approx([16.7, 20.0], rel=1e-12)


CASES = {
    "comma": ("n,ms\n1,16.5\n2,17.25\n", {}),
    "semicolon, decimal comma": ("n;ms\n1;16,5\n2;17,25\n", {"delimiter": ";", "decimal": ","}),
    "tab": ("n\tms\n1\t16.5\n2\t17.25\n", {"delimiter": "tab"}),
    "bar": ("n|ms\n1|16.5\n2|17.25\n", {"delimiter": "|"}),
    "runs of spaces": ("  n    ms\n  1  16.5 \n 10 \t17.25\n", {"delimiter": "space"}),
    "CRLF": ("n,ms\r\n1,16.5\r\n2,17.25\r\n", {}),
    "CR": ("n,ms\r1,16.5\r2,17.25\r", {}),
    "no end of line": ("n,ms\n1,16.5\n2,17.25", {}),
    "mark": ("\ufeffn,ms\n1,16.5\n2,17.25\n", {}),
    "empty lines": ("\n\nn,ms\n\n1,16.5\n  \n2,17.25\n\n", {}),
    "preamble": ("recorder 7\nx,y,z\nn,ms\n1,16.5\n2,17.25\n", {"skip_lines": 2}),
    "comments": ("# a\n#b\nn,ms\n1,16.5\n# pause, 3\n2,17.25\n#end", {"comment": "#"}),
    "comment first": ("n,ms\n//x\n1,16.5\n2,17.25\n", {"comment": "//"}),
    "comment and mark": ("\ufeff# a\r\nn,ms\r\n1,16.5\r\n#b\r\n2,17.25\r\n", {"comment": "#"}),
    "quotes": ('"n","ms"\n"1","16.5"\n"a, b","17.25"\n', {}),
    "spaces round cells": ("n , ms \n1 , 16.5 \n2 ,17.25\n", {}),
    "plus and exponent": ("n,ms\n1,+16.5\n2,1.725e1\n", {}),
    "trailing delimiters": ("n,ms\n1,16.5,\n2,17.25,\n", {}),
    "text in other cells": ("n,ms\nstart,16.5\nL\u00e4nge,17.25\n", {}),
    "no header": ("1,16.5\n2,17.25\n", {"header": False, "frames": {**MS, "column": 2}}),
    "by place": ("n,n\n1,16.5\n2,17.25\n", {"frames": {**MS, "column": 2}}),
}


@pytest.mark.parametrize(
    "pack",
    [bytes, gzip.compress, lambda d: pa.compress(d, codec="zstd", asbytes=True)],
    ids=["plain", "gzip", "zstd"],
)
@pytest.mark.parametrize("case", CASES)
def test_layouts_that_are_declared_are_read(case, pack):
    text, settings_ = CASES[case]
    log = read(pack(text.encode()), **settings_)
    assert log.frame_ms.tolist() == [16.5, 17.25]


@pytest.mark.parametrize("encoding", ["utf-16", "latin-1"])
def test_encodings(encoding):
    text = "n;Bildzeit f\u00fcr ms\n1;16.5\n2;17.25\n"
    frames = {**MS, "column": "Bildzeit f\u00fcr ms"}
    log = read(text.encode(encoding), delimiter=";", encoding=encoding, frames=frames)
    assert log.frame_ms.tolist() == [16.5, 17.25]


def test_gzip_of_two_members_is_one_log():
    log = read(gzip.compress(b"ms\n16.5\n") + gzip.compress(b"17.25\n") + b"\0" * 100)
    assert log.frame_ms.tolist() == [16.5, 17.25]


END = {"column": "t", "holds": "frame_end", "unit": "ms"}


def test_stamps_make_frames_between_rows():
    log = read("t,w\n100,1\n110,2\n130,\n", frames=END, sensors={"power_w": "w"})
    assert log.frame_ms.tolist() == [10.0, 20.0]
    assert log.sensors["power_w"][0] == 2.0
    assert math.isnan(log.sensors["power_w"][1])


def test_stamps_from_zero_make_a_frame_of_the_first_row():
    log = read("t,w\n10,1\n30,2\n", frames={**END, "starts": "zero"}, sensors={"power_w": "w"})
    assert log.frame_ms.tolist() == [10.0, 20.0]
    assert log.sensors["power_w"].tolist() == [1.0, 2.0]


def test_stamps_that_do_not_advance_are_named_by_their_line():
    text = "# x\nt\n0\n10\n\n10\n5\n# y\n30\n"
    log = read(text, frames=END, comment="#")
    assert log.backward_rows == (6, 7)
    assert log.frame_ms.tolist() == [10.0, 0.0, -5.0, 25.0]


def test_whole_stamps_keep_their_last_digits():
    # Nanoseconds since 1970 need 61 bits; a double has 53.
    start = 1_764_000_000_000_000_000
    text = f"t\n{start}\n{start + 16_683_335}\n{start + 33_366_671}\n"
    log = read(text, frames={"column": "t", "holds": "frame_end", "unit": "ns"})
    assert log.frame_ms.tolist() == [16.683335, 16.683336]


def test_sensors_are_left_out_when_not_asked_for():
    data = b"ms,w\n16.5,35\n"
    layout = layout_of(sensors={"power_w": "w"})
    assert parse_log(data, layout, file="a", sensors=False).sensors == {}
    assert parse_log(data, layout, file="a").sensors["power_w"].tolist() == [35.0]


def parquet_bytes(tmp_path: Path, table: pa.Table, **how: object) -> bytes:
    path = tmp_path / "x.parquet"
    pq.write_table(table, path, **how)
    return path.read_bytes()


def test_parquet_is_read_by_row_groups(tmp_path, monkeypatch):
    ms = np.random.default_rng(1).uniform(5, 30, 10_000)
    table = pa.table({"n": np.arange(10_000), "ms": ms, "w": ms.astype(np.float32)})
    data = parquet_bytes(tmp_path, table, row_group_size=1000)
    layout = layout_of(container="parquet", sensors={"power_w": "w"})
    log = parse_log(data, layout, file="x.parquet")
    assert (log.frame_ms == ms).all()
    assert log.step_ms == 0.0
    assert log.sensors["power_w"] == pytest.approx(ms, rel=1e-6)
    assert log.sha256 == hashlib.sha256(data).hexdigest()
    # A large one is not held in memory, and gives the same.
    monkeypatch.setattr(layouts_module, "_MAX_HELD_BYTES", 100)
    again = read_log(tmp_path / "x.parquet", layout, file="x.parquet")
    assert (again.frame_ms == ms).all()
    assert again.sha256 == log.sha256


def test_parquet_of_whole_stamps(tmp_path):
    start = 1_764_000_000_000_000_000
    stamps = pa.array([start, start + 5_000_001, start + 5_000_001], pa.int64())
    data = parquet_bytes(tmp_path, pa.table({"t": stamps}))
    frames = {"column": 1, "holds": "frame_end", "unit": "ns"}
    log = parse_log(data, layout_of(container="parquet", frames=frames), file="x")
    assert log.frame_ms.tolist() == [5.000001, 0.0]
    assert log.backward_rows == (3,)
    assert log.step_ms == pytest.approx(1e-6)


def test_a_log_of_many_blocks_reads_as_one(tmp_path, monkeypatch):
    monkeypatch.setattr(logbytes, "CHUNK_BYTES", 1000)
    monkeypatch.setattr(logbytes, "MAX_LINE_BYTES", 100)
    monkeypatch.setattr(layouts_module, "CHUNK_BYTES", 1000)
    rng = np.random.default_rng(2)
    stamps = np.cumsum(rng.uniform(5, 30, 2000).round(3)).round(3)
    stamps[1500] = stamps[1499]
    text = "# recorder\nt;w\n" + "".join(f"{t:.3f};{i}\n" for i, t in enumerate(stamps))
    path = tmp_path / "a.csv"
    path.write_text(text)
    layout = layout_of(frames=END, delimiter=";", comment="#", sensors={"power_w": "w"})
    log = read_log(path, layout, file="a.csv")
    assert log.frame_ms == pytest.approx(np.diff(stamps), abs=1e-9)
    assert log.sensors["power_w"].tolist() == list(range(1, 2000))
    assert log.backward_rows == (1503,)
    path.write_text(text.replace(f"{stamps[1700]:.3f}", "abc"))
    with pytest.raises(RunFileError, match=r"a\.csv, line 1703, t: found 'abc'"):
        read_log(path, layout, file="a.csv")


def test_faults_of_a_log_are_told_at_once_and_counted():
    rows = ["16.5"] * 1000
    for i in (400, 500, 600, 700, 800, 900, 950):
        rows[i] = "abc"
    rows[450] = "-3"
    with pytest.raises(RunFileError) as caught:
        read("ms\n" + "\n".join(rows) + "\n")
    (fault,) = caught.value.faults
    assert (fault.file, fault.line, fault.key) == ("logs/a.csv", 402, "ms")
    assert "found 'abc'; expected a frame time in ms" in fault.message
    assert (
        "8 rows are not as expected (lines 402, 452, 502, 602, 702, ...: 7 no number, 1 not "
        "above zero)" in fault.message
    )
    assert "no row of this log was used" in fault.message


def test_a_log_wrong_in_every_row_is_given_up_early():
    with pytest.raises(RunFileError, match="more than 1000 rows are not as expected"):
        read("ms\n" + "x\n" * 200_000)


def test_an_unclosed_quotation_mark_swallows_no_rows():
    text = 'name,ms\nscene 5",16.5\n"b,17\nc",18\nd,19\n'
    with pytest.raises(RunFileError, match="line 3: a quotation mark is not closed"):
        read(text)


def test_missing_columns_of_a_layout_are_all_named():
    with pytest.raises(RunFileError) as caught:
        read(
            "n,frame_msec,watt\n1,16.5,3\n",
            frames={**MS, "column": "frame_ms"},
            sensors={"power_w": "watts", "load_pct": 7},
        )
    assert [str(f) for f in caught.value.faults] == [
        'logs/a.csv, line 1, frame_ms: no column "frame_ms" in the header, which holds "n", '
        '"frame_msec", "watt"; did you mean "frame_msec"?',
        'logs/a.csv, line 1, watts: no column "watts" in the header, which holds "n", '
        '"frame_msec", "watt"; did you mean "watt"?',
        "logs/a.csv, line 1, 7: the layout reads column 7, but the rows have 3 cells",
    ]
    with pytest.raises(
        RunFileError, match=r'"n", "zz"; `marginbook new layout LOG` proposes another'
    ):
        read("n,zz\n1,16.5\n")


def test_a_number_cut_at_the_end_of_the_file_is_noticed():
    rows = "".join(f"{i},16.{6000 + i}\n" for i in range(50))
    with pytest.raises(
        RunFileError, match=r"line 52, ms: found '1', with fewer decimals.*cut short"
    ):
        read("n,ms\n" + rows + "51,1")
    assert read("n,ms\n" + rows + "51,16.6832").frame_ms[-1] == 16.6832


def number_text(value: int, decimals: int, mark: str) -> str:
    digits = str(value).rjust(decimals + 1, "0")
    return digits[:-decimals] + mark + digits[-decimals:] if decimals else digits


@settings(max_examples=150, deadline=None)
@given(
    ticks=st.lists(st.integers(1, 10**9), min_size=1, max_size=40),
    decimals=st.integers(0, 4),
    delimiter=st.sampled_from([",", ";", "|", "tab", "space"]),
    decimal=st.sampled_from([".", ","]),
    header=st.booleans(),
    comment=st.sampled_from([None, "#", "--"]),
    skip=st.integers(0, 3),
    end=st.sampled_from(["\n", "\r\n"]),
    encoding=st.sampled_from(["utf-8", "utf-16", "latin-1"]),
    pack=st.sampled_from(["none", "gzip", "zstd"]),
    place=st.integers(1, 3),
    unit=st.sampled_from(["s", "ms", "us", "ns"]),
)
def test_a_layout_written_then_read_gives_the_same_frames(
    ticks, decimals, delimiter, decimal, header, comment, skip, end, encoding, pack, place, unit
):
    if delimiter == decimal:
        delimiter = ";"
    mark = {"tab": "\t", "space": "   "}.get(delimiter, delimiter)
    per_ms = {"s": 1e-3, "ms": 1.0, "us": 1e3, "ns": 1e6}[unit]
    ticks = [max(t, 1 + int(1e-6 * per_ms * 10**decimals)) for t in ticks]
    ticks = [min(t, int(3.6e6 * per_ms * 10**decimals)) for t in ticks]
    lines = [f"preamble {i}" for i in range(skip)]
    if comment:
        lines.append(f"{comment} recorded")
    cells = [["a", "b", "c"]] if header else []
    for n, tick in enumerate(ticks):
        row = [str(n), "7", "8"]
        row[place - 1] = number_text(tick, decimals, decimal)
        cells.append(row)
    lines += [mark.join(row) for row in cells]
    if comment:
        lines.insert(len(lines) - 1, f"{comment} last comes")
    data = (end.join(lines) + end).encode(encoding)
    if pack == "gzip":
        data = gzip.compress(data)
    elif pack == "zstd":
        data = pa.compress(data, codec="zstd", asbytes=True)
    column = "abc"[place - 1] if header else place
    layout = Layout(
        delimiter=delimiter,
        decimal=decimal,
        header=header,
        comment=comment,
        skip_lines=skip,
        encoding=encoding,
        frames={"column": column, "holds": "frame_time", "unit": unit},
    )
    log = parse_log(data, layout, file="x")
    expected = np.array([tick / 10**decimals for tick in ticks]) / per_ms
    assert log.frame_ms == pytest.approx(expected, rel=4e-16)


SMALL_ALPHABET = st.text(alphabet='0123456789.,;-+eEnaif"x# \t\r\n', max_size=120)


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    text=SMALL_ALPHABET,
    delimiter=st.sampled_from([",", ";", "tab", "space"]),
    decimal=st.sampled_from([".", ","]),
    comment=st.sampled_from([None, "#"]),
    holds=st.sampled_from(["frame_time", "frame_end"]),
)
def test_the_fast_reader_agrees_with_the_slow_one(text, delimiter, decimal, comment, holds):
    if delimiter == decimal:
        delimiter = ";"
    layout = Layout(
        delimiter=delimiter,
        decimal=decimal,
        comment=comment,
        header=False,
        frames={"column": 1, "holds": holds, "unit": "ms"},
    )
    block = text.encode()
    try:
        table = _find_table(block, layout, file="x", sensors=True)
    except RunFileError:
        return
    fast = _read_rows(block, table, offset=table.offset)
    if fast is None or (holds == "frame_time" and not layouts_module._plausible(fast[0], layout)):
        return
    if not np.isfinite(fast[0]).all():
        return
    troubles = _Troubles()
    slow = _explain_rows(block, table, troubles, offset=table.offset, line=table.line)
    assert troubles.found == []
    assert fast[0].tolist() == slow[0].tolist()


@settings(max_examples=300, deadline=None)
@given(
    data=st.binary(max_size=300),
    head=st.sampled_from(
        [b"", b"\x1f\x8b\x08", b"\x28\xb5\x2f\xfd", b"PAR1", b"ms\n", b"\xff\xfe"]
    ),
    container=st.sampled_from(["text", "parquet"]),
    encoding=st.sampled_from(["utf-8", "utf-16", "latin-1"]),
)
def test_random_bytes_give_a_log_or_a_refusal(data, head, container, encoding):
    layout = layout_of(container=container, encoding=encoding, frames={**MS, "column": 1})
    try:
        log = parse_log(head + data, layout, file="x")
    except RunFileError as error:
        assert error.faults
        assert all(fault.file == "x" and fault.message for fault in error.faults)
    else:
        assert (log.frame_ms > 0).all()


RATE = {"column": "ms", "holds": "frame_rate", "unit": "fps"}
AGAIN = "take the log from the recorder again, or give the run a status and a reason in runs.csv"
CUT = "it is the last row, so the recording may have been cut short"
# By hand: the text of a log, its layout, line and column of the fault, what is said and what is not.
FAULTS = {
    "a header the layout denies": (
        "ms\n16.5\n17\n", {"header": False, "frames": {**MS, "column": 1}},
        1, "column 1", "if it is a header, say `header: true` in the layout", AGAIN),
    "a word in the first row below a header": (
        "ms\nabc\n17\n", {}, 2, "ms", AGAIN, "if it is a header"),
    "a word in a later row without a header": (
        "16.5\nabc\n17\n", {"header": False, "frames": {**MS, "column": 1}},
        2, "column 1", AGAIN, "if it is a header"),
    "a word in the last row": ("ms\n16.5\nabc\n", {}, 3, "ms", CUT, AGAIN),
    "two words, one in the last row": ("ms\nx\nabc\n", {}, 2, "ms", AGAIN, CUT),
    "another decimal mark": (
        "ms;n\n16,5;1\n17;2\n", {"delimiter": ";"}, 2, "ms",
        "found '16,5', but the layout says `decimal: \".\"`", AGAIN),
    "thousands": (
        "ms;n\n1 016.5;1\n17;2\n", {"delimiter": ";"}, 2, "ms", "between thousands", "no number"),
    "not finite": ("ms\n-inf\n17\n", {}, 2, "ms", "found '-inf'; expected a frame time", "header"),
    "too large for a double": ("ms\n1e999\n17\n", {}, 2, "ms", "found '1e999'; expected", "header"),
    "an empty cell": ("ms,n\n,1\n17,2\n", {}, 2, "ms", "the cell is empty; expected a", CUT),
    "a reading": (
        "ms,w\n16.5,x\n17,2\n", {"sensors": {"power_w": "w"}}, 2, "w",
        "found 'x'; expected a reading", "a frame time"),
    "too many cells": (
        "n,ms\n1,16,5\n2,17\n", {}, 2, None,
        "found 3 cells in '1,16,5'; expected 2 (a comma inside a number", "the cells"),
    "too few cells": ("n,ms\n1\n2,17\n", {}, 2, None, "found 1 cells in '1'; expected 2;", "comma"),
    "too many quoted cells": (
        'n,ms\n"1",16,5\n2,17\n', {}, 2, None, "found the cells in", "(a comma"),
    "too many cells, another delimiter": (
        "n;ms\n1;16;5\n2;17\n", {"delimiter": ";"}, 2, None, "found 3 cells", "(a comma"),
    "a row of 61 characters": (
        "n,ms\n" + "a" * 61 + "\n2,17\n", {}, 2, None,
        f"in '{'a' * 60}... (61 characters)'", "a" * 61),
    "a row of 60 characters": (
        "n,ms\n" + "a" * 60 + "\n2,17\n", {}, 2, None, f"in '{'a' * 60}';", "characters)"),
    "five rows": ("ms\n" + "0\n" * 5 + "1\n", {}, 2, "ms", "5 rows are not as expected "
                  "(lines 2, 3, 4, 5, 6)", "..."),
    "six rows": ("ms\n" + "0\n" * 6 + "1\n", {}, 2, "ms", "(lines 2, 3, 4, 5, 6, ...)", "more than"),
    "a frame of nothing": ("ms\n0\n17\n", {}, 2, "ms", "found '0'; a frame time is above zero", "?"),
    "an hour and a bit": (
        "ms\n3600000.1\n17\n", {}, 2, "ms", "a frame of more than an hour; is the unit (ms) right?",
        AGAIN),
    "under a nanosecond": (
        "ms\n0.0000009\n17\n", {}, 2, "ms", "a frame of less than a nanosecond; is the", AGAIN),
    "a rate of a frame an hour and a bit": (
        "ms\n0.000277\n60\n", {"frames": RATE}, 2, "ms", "a frame of more than an hour", AGAIN),
    "a rate of more than one in a nanosecond": (
        "ms\n1000000001\n60\n", {"frames": RATE}, 2, "ms", "a frame of less than a", AGAIN),
    "a first row for a header": (
        "16.5\n17\n", {"frames": {**MS, "column": 1}}, 1, None,
        "the first row holds the number '16.5' in 16.5; say `header: false`", "empty"),
    "a header alone": ("# x\nms\n", {"comment": "#"}, 2, None, "a header but no row below", "empty"),
    "a column twice": (
        "ms,ms\n1,2\n", {}, 1, "ms", '2 columns are named "ms"; give the place', "delimiter"),
    "another delimiter": (
        "n;ms\n1;2\n", {}, 1, "ms", "is the delimiter of the layout right?", "columns are"),
    "a NUL byte": ("ms\n16\0\n17\n", {}, 2, None, "holds a NUL byte where text was", "not UTF-8"),
}  # fmt: skip


@pytest.mark.parametrize("case", FAULTS)
def test_a_fault_says_where_what_and_what_to_do(case):
    text, settings_, line, key, said, not_said = FAULTS[case]
    with pytest.raises(RunFileError) as caught:
        read(text, **settings_)
    (fault,) = caught.value.faults
    assert (fault.line, fault.key) == (line, key)
    assert said in fault.message and not_said not in fault.message


# By hand, at the ends of what a frame may take: a nanosecond and an hour.
@pytest.mark.parametrize(
    ("text", "frames", "ms"),
    [
        ("3600000", MS, 3.6e6),
        ("0.000001", MS, 1e-6),
        ("1000000000", RATE, 1e-6),
        ("0.00027778", RATE, 1e5 / 0.027778),
        ("1e-9", {**MS, "unit": "s"}, 1e-6),
        ("3600", {**MS, "unit": "s"}, 3.6e6),
    ],
)
def test_the_shortest_and_the_longest_frame(text, frames, ms):
    assert read(f"ms\n{text}\n", frames=frames).frame_ms == pytest.approx([ms], rel=1e-12)


def test_the_step_of_rates_is_that_of_a_frame_at_their_median():
    # By hand: f = 1000 / r, so |df| = 1000 dr / r**2; dr 0.1 at 50 a second is 0.04 ms.
    log = read("ms\n40.0\n50.0\n80.5\n", frames=RATE)
    assert log.frame_ms == pytest.approx([25.0, 20.0, 1000 / 80.5], rel=1e-15)
    assert log.step_ms == pytest.approx(0.04, rel=1e-12)


def test_the_step_is_fine_enough_for_rows_beyond_the_first_eight():
    assert read("ms\n" + "16\n" * 8 + "16.25\n").step_ms == pytest.approx(0.01)
    assert read("ms\n" + "16\n" * 7 + "16.250\n").step_ms == pytest.approx(0.001)


@pytest.mark.parametrize(("rows", "refused"), [(4, False), (5, True)])
def test_a_cut_number_is_told_from_five_rows_on(rows, refused):
    text = "ms\n" + "16.683\n" * (rows - 1) + "16.6"
    if refused:
        with pytest.raises(RunFileError, match=f"line {rows + 1}, ms: found '16.6', with fewer"):
            read(text)
    else:
        assert read(text).frame_ms.size == rows
    # Two decimals are too few to tell, and an end of line says that it is whole.
    for whole in (text + "\n", text.replace("683", "68")):
        assert read(whole).frame_ms.size == rows


def test_a_parquet_file_that_packs_better_than_frame_times_do_is_refused(tmp_path, monkeypatch):
    data = parquet_bytes(tmp_path, pa.table({"ms": np.full(200_000, 16.7)}))
    layout = layout_of(container="parquet")
    assert parse_log(data, layout, file="x").frame_ms.size == 200_000
    monkeypatch.setattr(logbytes, "_RATIO_FREE_BYTES", 1_599_999)
    with pytest.raises(RunFileError, match="unpacks to more than 200 times"):
        parse_log(data, layout, file="x")


PARQUETS = {
    "numbers for moments": (
        {"ms": [16.7]}, {"frames": {**END, "column": "ms", "unit": "iso"}}, None,
        "the column holds double; expected moments, as unit iso says"),
    "moments for numbers": (
        {"ms": pa.array([1], pa.timestamp("us"))}, {}, None, "for moments say unit: iso"),
    "words": ({"ms": ["a"]}, {}, None, "the column holds string; expected numbers"),
    "an empty cell": ({"ms": [16.7, None, 17.0]}, {}, 2, "found nothing or NaN; expected"),
    "a frame below zero": ({"ms": [16.7, 17.0, -1.5]}, {}, 3, "found -1.5; expected a frame time"),
    "two": ({"ms": [16.7, -2.0, -1.0]}, {}, 2, "in ms (2 such rows among the 3 from row 1);"),
    "one": ({"ms": [16.7, -2.0, 1.0]}, {}, 2, "in ms; no row"),
}  # fmt: skip


@pytest.mark.parametrize("case", PARQUETS)
def test_a_fault_of_a_parquet_log_names_its_row_and_column(tmp_path, case):
    table, settings_, row, said = PARQUETS[case]
    data = parquet_bytes(tmp_path, pa.table(table))
    with pytest.raises(RunFileError) as caught:
        parse_log(data, layout_of(container="parquet", **settings_), file="x")
    (fault,) = caught.value.faults
    assert (fault.line, fault.key) == (row, "ms")
    assert said in fault.message


@pytest.mark.parametrize(
    ("kind", "step_ms"), [(pa.decimal128(9, 3), 0.001), (pa.int32(), 1.0), (pa.float64(), 0.0)]
)
def test_the_step_of_a_parquet_log_is_that_of_its_type(tmp_path, kind, step_ms):
    data = parquet_bytes(tmp_path, pa.table({"ms": pa.array([16.0, 17.0]).cast(kind)}))
    log = parse_log(data, layout_of(container="parquet"), file="x")
    assert log.frame_ms.tolist() == [16.0, 17.0]
    assert log.step_ms == pytest.approx(step_ms)


def test_a_log_made_by_hand_is_of_binary_floats_and_can_be_measured():
    log = layouts_module.Log("a.csv", "0" * 64, 16, np.full(2, 16.0))
    assert (log.step_ms, log.backward_rows, dict(log.sensors)) == (0.0, (), {})


@pytest.mark.parametrize(
    ("missing", "said"),
    [
        ("run-1.CSV", '; did you mean "run-1.csv.gz"?'),
        ("RUN-2.txt", '; did you mean "run-2.csv"?'),
        ("run-3.csv", ""),  # close, but another of the series
        (".csv", ""),
    ],
)
def test_a_missing_log_names_the_one_that_differs_in_ending_or_capitals(tmp_path, missing, said):
    for name in ("run-1.csv.gz", "run-1.zip", "run-2.csv", ".hidden"):
        (tmp_path / name).write_bytes(b"")
    assert logbytes.near_file(tmp_path / missing) == said
    assert logbytes.near_file(tmp_path / "no" / missing) == ", and no such folder"
    with pytest.raises(RunFileError, match=re.escape("no such file" + said)):
        read_log(tmp_path / missing, layout_of(), file=missing)


@pytest.mark.parametrize(
    ("make", "said"),
    [(Path.mkdir, "is a folder; a log is a file"), (os.mkfifo, "is not a regular file (a pipe or")],
)
def test_what_is_no_file_is_refused_without_opening_it(tmp_path, make, said):
    make(tmp_path / "a.csv")
    with pytest.raises(RunFileError, match=re.escape(said)):
        read_log(tmp_path / "a.csv", layout_of(), file="a.csv")


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        (OSError(5, "Input/output error"), "cannot be read: Input/output error"),
        (OSError("the disk is gone"), "cannot be read: the disk is gone"),
        (PermissionError(13, "no"), "may not be read by this user"),
    ],
)
def test_a_log_the_disk_does_not_give_is_said_so(tmp_path, monkeypatch, fault, said):
    (tmp_path / "a.csv").write_bytes(b"ms\n16.5\n")

    def refuse(*_, **__):
        raise fault

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(RunFileError, match=said):
        list(logbytes.recorded_chunks(tmp_path / "a.csv", file="a.csv"))


# The limits in bytes, written out: of the last that passes, of the first that does not. No
# published source: a log of 200 h at 500 fps has some 4 GB, and frame times pack 3 to 30 times.
@pytest.mark.parametrize(
    ("taken", "most", "said"),
    [
        (4_294_967_296, 4_294_967_296, "more than 4 GiB; not a log"),
        (1_048_576, 209_715_200, "more than 200 times its 1048576 bytes; no frame-time log does"),
        (1, 67_108_864, "more than 200 times its 1 bytes"),
    ],
    ids=["size", "ratio", "free"],
)
def test_what_unpacks_to_too_much_is_no_log(taken, most, said):
    logbytes.check_size(taken, most, file="a.gz")
    with pytest.raises(RunFileError, match=f"unpacks to {said}"):
        logbytes.check_size(taken, most + 1, file="a.gz")


@pytest.mark.parametrize(("line_bytes", "kept"), [(1_048_576, True), (1_048_577, False)])
def test_a_line_of_a_mebibyte_is_one_and_a_longer_one_is_none(line_bytes, kept):
    pieces = [b"x" * line_bytes, b"\ny", b"z"]
    if kept:
        blocks = logbytes.text_blocks(pieces, encoding="utf-8", file="a.csv")
        assert list(blocks) == [b"x" * line_bytes + b"\n", b"yz"]
    else:
        with pytest.raises(RunFileError, match="a line is longer than 1 MiB"):
            list(logbytes.text_blocks(pieces, encoding="utf-8", file="a.csv"))


def test_a_large_log_is_hashed_beside_its_parsing_and_never_twice(tmp_path):
    path, mib = tmp_path / "a.csv", 1 << 20
    path.write_bytes(np.random.default_rng(3).bytes(5 * mib))
    chunks = list(logbytes.recorded_chunks(path, file="a.csv"))
    assert [len(chunk) for chunk in chunks] == [2 * mib, 2 * mib, mib]
    assert b"".join(chunks) == path.read_bytes()
    chunks.append(b"x" * (mib - 1))
    digest, known = logbytes.Digest(), logbytes.Digest(known="0" * 64)
    beside = [digest._thread is not None for _ in digest.of_passing(chunks)]
    assert beside == [True, True, True, False]
    assert digest.hexdigest() == hashlib.sha256(b"".join(chunks)).hexdigest()
    assert not any(known._thread for _ in known.of_passing(chunks))
    assert known.hexdigest() == "0" * 64
    assert digest.size_bytes == known.size_bytes == 6 * mib - 1
