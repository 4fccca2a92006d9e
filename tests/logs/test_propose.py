"""Proposed layouts are right on real and made logs."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.bench.runs import RunSheet
from kit.errors import BenchError, RunFileError
from kit.logs.propose import _heading, _moment_guess, propose_layout
from kit.logs.read import read_log
from kit.settings.bench_file import Layout, read_bench
from kit.settings.yaml import read_yaml

REAL = Path(__file__).parents[1] / "data" / "real_runs" / "logs"
RNG = np.random.default_rng(6)
MS = RNG.gamma(40, 0.4, 300).round(4)  # about 16 ms, so about 62 frames per second
STAMPS_S = np.concatenate([[0.0], np.cumsum(MS) / 1000]).round(7)
WATTS = (RNG.normal(110, 4, 300)).round(1)
CLOCK = np.repeat(RNG.integers(1500, 2000, 30), 10)
TEMP = np.repeat(RNG.integers(55, 75, 30), 10)


# The three layouts as the README of the real runs states them.
@pytest.mark.parametrize("scene", ["crowd", "denoise", "depth", "haze", "skin", "water"])
@pytest.mark.parametrize("run", [1, 2, 3])
def test_proposals_are_right_on_the_real_logs(scene, run):
    csv = propose_layout(REAL / f"{scene}-t4-{run}.csv")
    assert csv.layout == {
        "files": "*.csv",
        "delimiter": ",",
        "frames": {"column": "frame_time_ms", "holds": "frame_time", "unit": "ms"},
    }
    txt = propose_layout(REAL / f"{scene}-t8-{run}.txt")
    assert txt.layout == {
        "files": "*.txt",
        "delimiter": ";",
        "decimal": ",",
        "comment": "#",
        "frames": {"column": "elapsed_s", "holds": "frame_end", "unit": "s"},
    }
    tsv = propose_layout(REAL / f"{scene}-t12-{run}.tsv.gz")
    assert tsv.layout == {
        "files": "*.tsv.gz",
        "delimiter": "tab",
        "header": False,
        "frames": {"column": 1, "holds": "frame_time", "unit": "us"},
    }


EXAMPLE = Path(__file__).parents[2] / "example_runs"


def test_proposals_agree_with_the_layouts_of_the_demo_bench():
    bench = read_bench(EXAMPLE)
    first = {row.layout: row.log for row in RunSheet(bench).rows if row.log}
    assert set(first) == set(bench.layouts)
    for name, log in first.items():
        declared, proposed = bench.layouts[name], propose_layout(EXAMPLE / log)
        found = Layout.model_validate(proposed.layout)
        assert found.frames == declared.frames
        assert (found.delimiter, found.decimal, found.header, found.comment) == (
            declared.delimiter,
            declared.decimal,
            declared.header,
            declared.comment,
        ) or found.container == declared.container == "parquet"


def rows(*columns: object, mark: str = ",", decimal: str = ".") -> str:
    lines = (mark.join(str(cell) for cell in row) for row in zip(*columns, strict=True))
    return "\n".join(line.replace(".", decimal) for line in lines) + "\n"


NUMBERS = range(1, 301)
NS = (STAMPS_S * 1e9).round().astype(np.int64) + 1_764_000_000_000_000_000
# Name of the file, its text, and what must be found.
MADE = {
    "one column of seconds": (
        "a.log",
        rows((MS / 1000).round(6)),
        {"header": False, "frames": {"column": 1, "holds": "frame_time", "unit": "s"}},
    ),
    "one column, decimal commas, with a name": (
        "a.dat",
        "Bildzeit ms\n" + rows(MS, decimal=","),
        {"decimal": ",", "frames": {"column": "Bildzeit ms", "holds": "frame_time", "unit": "ms"}},
    ),
    "nanosecond stamps since 1970": (
        "a.csv",
        "nr,stamp\n" + rows(range(301), NS),
        {"delimiter": ",", "frames": {"column": "stamp", "holds": "frame_end", "unit": "ns"}},
    ),
    "sensors beside, preamble above": (
        "b.csv",
        "Recorder 4\nmachine;under the desk\n\nno;took_us;part_w;core_mhz;part_temp\n"
        + rows(NUMBERS, (MS * 1000).astype(int), WATTS, CLOCK, TEMP, mark=";"),
        {
            "delimiter": ";",
            "skip_lines": 2,
            "frames": {"column": "took_us", "holds": "frame_time", "unit": "us"},
            "sensors": {"power_w": "part_w", "clock_mhz": "core_mhz", "temperature_c": "part_temp"},
        },
    ),
    "aligned with spaces": (
        "c.txt",
        "   n   frame_ms\n" + "".join(f"{n:5d} {ms:10.4f}\n" for n, ms in enumerate(MS)),
        {
            "delimiter": "space",
            "frames": {"column": "frame_ms", "holds": "frame_time", "unit": "ms"},
        },
    ),
    "no names, sensors that look like times": (
        "d.tsv",
        rows(NUMBERS, CLOCK, MS, TEMP, mark="\t"),
        {
            "delimiter": "tab",
            "header": False,
            "frames": {"column": 3, "holds": "frame_time", "unit": "ms"},
        },
    ),
    "stamps and times, both": (
        "e.csv",
        "at_s,value\n" + rows(STAMPS_S[1:], MS),
        {"delimiter": ",", "frames": {"column": "value", "holds": "frame_time", "unit": "ms"}},
    ),
    "stamps from the first frame's end": (
        "f.csv",
        "elapsed_ms\n" + rows((STAMPS_S[1:] * 1000).round(4)),
        {
            "delimiter": ",",
            "frames": {
                "column": "elapsed_ms",
                "holds": "frame_end",
                "unit": "ms",
                "starts": "zero",
            },
        },
    ),
    "bars, CRLF and slashes": (
        "g.txt",
        ("// one\n// two\nframe|ms\n" + rows(NUMBERS, MS, mark="|")).replace("\n", "\r\n"),
        {
            "delimiter": "|",
            "comment": "//",
            "frames": {"column": "ms", "holds": "frame_time", "unit": "ms"},
        },
    ),
    "names and units in two lines": (
        "h.csv",
        "frame,time,load\n-,ms,%\n" + rows(NUMBERS, MS, TEMP),
        {
            "delimiter": ",",
            "header": False,
            "skip_lines": 2,
            "frames": {"column": 2, "holds": "frame_time", "unit": "ms"},
            "sensors": {"load_pct": 3},
        },
    ),
    "a rate beside the time": (
        "i.csv",
        "frame time (ms),fps\n" + rows(MS, (1000 / MS).round(2)),
        {
            "delimiter": ",",
            "frames": {"column": "frame time (ms)", "holds": "frame_time", "unit": "ms"},
        },
    ),
    "two processors' loads": (
        "j.csv",
        "CpuLoad [%],GpuLoad [%],FrameTime [ms]\n" + rows(TEMP, TEMP, MS),
        {
            "delimiter": ",",
            "frames": {"column": "FrameTime [ms]", "holds": "frame_time", "unit": "ms"},
            "sensors": {"processor_load_pct": "CpuLoad [%]", "load_pct": "GpuLoad [%]"},
        },
    ),
    "a fast scene in milliseconds": (
        "k.csv",
        "ms\n" + rows((MS / 20).round(4)),
        {"delimiter": ",", "frames": {"column": "ms", "holds": "frame_time", "unit": "ms"}},
    ),
    "a sensor read now and then": (
        "l.csv",
        "ms,watts\n"
        + "".join(
            f"{ms},{w if n % 7 == 0 else ''}\n"
            for n, (ms, w) in enumerate(zip(MS, WATTS, strict=True))
        ),
        {
            "delimiter": ",",
            "frames": {"column": "ms", "holds": "frame_time", "unit": "ms"},
            "sensors": {"power_w": "watts"},
        },
    ),
}


@pytest.mark.parametrize("pack", [bytes, gzip.compress], ids=["plain", "gzip"])
@pytest.mark.parametrize("case", MADE)
def test_proposals_are_right_on_made_logs(tmp_path, case, pack):
    name, text, expected = MADE[case]
    path = tmp_path / (name + (".gz" if pack is gzip.compress else ""))
    path.write_bytes(pack(text.encode()))
    proposal = propose_layout(path)
    found = {k: v for k, v in proposal.layout.items() if k != "files"}
    if "delimiter" not in expected:  # one column: any delimiter is right
        del found["delimiter"]
    assert found == expected
    # Read so, the log gives the frames it was made of, whatever their unit.
    average = 1000 / MS.mean() * (20 if case == "a fast scene in milliseconds" else 1)
    assert proposal.average_fps == pytest.approx(average, rel=2e-3)


@pytest.mark.parametrize("encoding", ["utf-16", "latin-1"])
def test_encodings_are_noticed(tmp_path, encoding):
    path = tmp_path / "a.csv"
    path.write_text("L\u00e4nge_ms\n" + rows(MS), encoding=encoding)
    proposal = propose_layout(path)
    assert proposal.layout["encoding"] == encoding
    assert proposal.frames == 300


def test_parquet_is_proposed(tmp_path):
    path = tmp_path / "a.parquet"
    us = (MS * 1000).astype(np.int64)
    pq.write_table(pa.table({"scene": ["x"] * 300, "took_us": us, "part_w": WATTS}), path)
    assert propose_layout(path).layout == {
        "files": "*.parquet",
        "container": "parquet",
        "frames": {"column": "took_us", "holds": "frame_time", "unit": "us"},
        "sensors": {"power_w": "part_w"},
    }


def test_the_text_of_a_proposal_is_yaml_that_reads_the_log(tmp_path):
    for number, (name, text, _) in enumerate(MADE.values()):
        path = tmp_path / f"{number}-{name}"
        path.write_text(text)
        proposal = propose_layout(path, name="mine")
        (tmp_path / "p.yaml").write_text("layouts:\n" + proposal.yaml)
        document = read_yaml(tmp_path / "p.yaml", file="p.yaml", error=BenchError)
        layout = Layout.model_validate(document.data["layouts"]["mine"])
        assert layout == Layout.model_validate(proposal.layout)
        assert read_log(path, layout, file=name).frame_ms.size == proposal.frames


def test_reasons_and_doubts_are_said_in_words(tmp_path):
    path = tmp_path / "d.tsv"
    path.write_text(rows(NUMBERS, WATTS, MS, mark="\t"))
    proposal = propose_layout(path)
    assert "frames per second" in proposal.reasons["frames.column"]
    assert "without a line of names" in proposal.reasons["header"]
    assert any("column 2" in ambiguity for ambiguity in proposal.ambiguities)  # 110 W may be 110 ms
    assert "# LOOK AT THIS: column 2" in proposal.yaml
    frame = proposal.to_frame()
    assert frame.set_index("key").loc["frames.column", "value"] == "3"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "the file is empty"),
        ("words\nand more words\n", "holds no rows of numbers"),
        ("n\n" + rows(NUMBERS), "no column of it may hold frames"),
        (
            "n,frame_ms\n"
            + rows(range(90), [-3.0 if i == 50 else 16 + i % 7 / 10 for i in range(90)]),
            'rising row by row; "frame_ms" would but for 1 of 90 rows, the first with -3; take',
        ),
        ("PK\x03\x04 something", "damaged zip archive"),
    ],
)
def test_what_is_no_log_is_refused(tmp_path, text, message):
    path = tmp_path / "a.csv"
    path.write_text(text)
    with pytest.raises(RunFileError, match=message):
        propose_layout(path)


@pytest.mark.parametrize(
    ("ms", "count", "right"),
    [(0.25001, 400, True), (0.24998, 400, False), (19_990.0, 60, True), (20_010.0, 60, False)],
)
def test_rates_from_one_in_20_s_to_4000_a_second_are_proposed(tmp_path, ms, count, right):
    """Common practice, no source: beyond, a unit was mistaken. Both sides of each limit."""
    wave = np.tile([0.999, 1.001], count // 2)
    path = tmp_path / "a.csv"
    path.write_text("frame time (ms)\n" + "".join(f"{v:.9f}\n" for v in ms * wave))
    if right:
        assert propose_layout(path).average_fps == pytest.approx(1000 / ms, rel=1e-6)
    else:
        with pytest.raises(RunFileError, match="would hold"):
            propose_layout(path)


@settings(max_examples=150, deadline=None)
@given(
    data=st.one_of(
        st.binary(max_size=200),
        st.text(alphabet="0123456789.,;\t\n #ab-", max_size=300).map(str.encode),
    )
)
def test_any_bytes_give_a_proposal_or_a_refusal(tmp_path_factory, data):
    path = tmp_path_factory.getbasetemp() / "fuzz.csv"
    path.write_bytes(data)
    try:
        proposal = propose_layout(path)
    except RunFileError as error:
        assert error.faults
    else:
        assert proposal.frames >= 1


@pytest.mark.parametrize(
    ("lines", "heading"),
    [
        # By hand: what differs is the name; a word that begins or ends alike is the name's whole.
        (["== canyon north ==", "== caldera north =="], r"^==\ (.+)\ north\ =="),
        (["run 1", "run 12"], r"^run\ (.+)"),
        (["# sca1", "# scb2"], r"^\#\ (.+)"),
        (["# alpha1x", "# beta2x"], r"^\#\ (.+)"),
        (["[1] scene", "[2] scene"], r"^\[(.+)\]\ scene"),
        (["n,ms", "n,ms"], "^()n,ms"),
        (["one", "two"], ""),
    ],
)
def test_lines_alike_but_for_a_name_are_headings(lines, heading):
    assert _heading(lines) == heading


@pytest.mark.parametrize(
    ("step_ms", "rising", "kind", "score"),
    [
        (16.0, 1.0, "frame_end", 3.0),
        (0.5, 0.9, "frame_end", 3.0),
        (0.05, 1.0, "frame_end", -6.0),
        (1999.0, 1.0, "frame_end", 3.0),
        (2000.0, 1.0, "frame_end", -6.0),
        (16.0, 0.89, "other", -9.0),
        (0.0, 1.0, "other", -9.0),
    ],
)
def test_moments_are_told_by_steps_that_rise_as_frames_do(step_ms, rising, kind, score):
    steps = np.where(np.arange(100) < 100 * rising, 1e6 * step_ms, -1e6 * step_ms)
    guess = _moment_guess(2, "at", steps, "iso")
    assert (guess.place, guess.name, guess.kind, guess.score) == (2, "at", kind, score)
    if kind == "frame_end":
        assert guess.reasons[1] == f"that makes {1000 / step_ms:.4g} frames per second"
