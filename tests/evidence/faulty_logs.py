"""Faulty logs, and for each the one right message.

``python tests/evidence/faulty_logs.py`` makes each of them, reads it, takes it into a bench where that can
be tried, and prints "faulty logs tried N, right message M".
"""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import os
import sys
import tempfile
import time
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from kit.bench.intake import add_logs
from kit.bench.runs import RunSheet
from kit.errors import KitError
from kit.logs.read import read_log
from kit.logs.unpacked import recorded_chunks
from kit.settings.bench_file import Layout, read_bench

LONGEST_S = 30.0
MOST_BYTES = 450_000_000

MS = {"column": "ms", "holds": "frame_time", "unit": "ms"}
END = {"column": "t", "holds": "frame_end", "unit": "ms"}
GOOD = "n,ms\n" + "".join(f"{n},16.{6000 + n}\n" for n in range(1, 601))


@dataclass(frozen=True)
class Case:
    """A faulty log: how it is made, its layout, and what the one fault must say."""

    write: Callable[[Path], object]
    says: tuple[str, ...]  # fragments of the message, all of them
    line: int | None = None
    key: str | None = None
    layout: dict = field(default_factory=dict)
    read: Callable[[Path, Layout], object] | None = None  # in place of read_log
    name: str = "log.csv"


def text(content: str, encoding: str = "utf-8") -> Callable[[Path], object]:
    return lambda path: path.write_bytes(content.encode(encoding))


def raw(content: Callable[[], bytes] | bytes) -> Callable[[Path], object]:
    return lambda path: path.write_bytes(content if isinstance(content, bytes) else content())


def row_500(cell: str) -> Callable[[Path], object]:
    """A good log, but for the figure in line 500."""
    lines = GOOD.splitlines()
    lines[499] = f"499,{cell}"
    return text("\n".join(lines) + "\n")


def table(**columns: object) -> Callable[[Path], object]:
    return lambda path: pq.write_table(pa.table(columns), path)


def cut(write: Callable[[Path], object], share: float) -> Callable[[Path], object]:
    def both(path: Path) -> None:
        write(path)
        whole = path.read_bytes()
        path.write_bytes(whole[: int(len(whole) * share)])

    return both


def zstd(content: bytes) -> bytes:
    return pa.compress(content, codec="zstd", asbytes=True)


def with_flipped_byte(content: bytes, at: int) -> bytes:
    return content[:at] + bytes([content[at] ^ 0xFF]) + content[at + 1 :]


def long_line(path: Path) -> None:
    with path.open("wb") as stream:
        stream.write(b"ms\n16.5\n")
        for _ in range(100):
            stream.write(b"1" * 1_000_000)


def sparse_line(path: Path) -> None:
    with path.open("wb") as stream:
        stream.write(b"n,ms\n")
        stream.truncate(2_000_000_000)


def grows(path: Path, layout: Layout) -> object:
    """Read a log to which someone appends at that moment."""
    chunks = recorded_chunks(path, file=path.name)
    next(chunks)
    with path.open("ab") as stream:
        stream.write(b"601,16.6\n")
    return list(chunks)


def as_nobody(path: Path, layout: Layout) -> object:
    """Read a log as a user who may not."""
    path.chmod(0)
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    try:
        return read_log(path, layout, file=path.name)
    finally:
        if root:
            os.seteuid(0)


def through_bench(path: Path, layout: Layout) -> object:
    """Read a log whose place in a bench is a link that leads out of it."""
    bench = path.parent / "linked"
    make_bench(bench, layout)
    (bench / "logs" / "log.csv").symlink_to(path)
    (bench / "runs.csv").write_text("run,product,title,layout,log\na,p,t,l,logs/log.csv\n")
    return RunSheet(read_bench(bench)).rows[0].read(read_bench(bench))


def make_bench(folder: Path, layout: Layout) -> Path:
    (folder / "logs").mkdir(parents=True)
    (folder / "bench.yaml").write_text(
        "format: marginbook-bench/1\nname: b\nproducts: {p: {name: P, class: desk}}\n"
        f"titles: {{t: {{name: T}}}}\nlayouts: {{l: {layout.model_dump_json(exclude_none=True)}}}\n"
    )
    return folder


def case(write: Callable[[Path], object], *says: str, **more: object) -> Case:
    return Case(write, says, **more)


def archive(*names: str) -> bytes:
    """Return a zip of a good log under each name."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as whole:
        for name in names:
            whole.writestr(name, GOOD)
    return packed.getvalue()


CUT_SHORT = "it is the last row, so the recording may have been cut short"
EXPECTED = "expected a frame time in ms"
SEMI = {"delimiter": ";", "decimal": ","}
PARQUET = {"layout": {"container": "parquet"}, "name": "log.parquet"}
KEY_500 = {"line": 500, "key": "ms"}
STATUS = "give its row in runs.csv a status and a reason"

CASES: dict[str, Case] = {
    # Nothing, or not enough.
    "empty": case(text(""), "the file is empty", STATUS),
    "empty lines only": case(text("\n\n  \n"), "there is no row in it", STATUS),
    "header only": case(text("n,ms\n"), "a header but no row below it", STATUS, line=1),
    "comments only": case(text("# a\n# b\n"), "there is no row in it", layout={"comment": "#"}),
    "shorter than its preamble": case(
        text("a\nb\n"), "there is no row in it", layout={"skip_lines": 5}
    ),
    "empty gzip": case(raw(gzip.compress(b"")), "the file is empty", name="log.csv.gz"),
    "one stamp": case(
        text("t\n16\n"), "holds no frame (one stamp makes no frame)", layout={"frames": END}
    ),
    # Cut short.
    "last row lacks a cell": case(
        text(GOOD + "601"), "found 1 cells in '601'; expected 2", CUT_SHORT, line=602
    ),
    "last figure cut": case(
        text(GOOD + "601,1"),
        "found '1', with fewer decimals than every row before",
        CUT_SHORT,
        line=602,
        key="ms",
    ),
    "last cell empty": case(
        text(GOOD + "601,\n"), "the cell is empty", EXPECTED, CUT_SHORT, line=602, key="ms"
    ),
    "last figure ends in letters": case(
        text(GOOD + "601,16.6ab"), "found '16.6ab'", CUT_SHORT, line=602, key="ms"
    ),
    # One figure of many.
    "letters": case(row_500("abc"), "found 'abc'", EXPECTED, **KEY_500),
    "empty cell": case(row_500(""), "the cell is empty", EXPECTED, **KEY_500),
    "not a number": case(row_500("NaN"), "found 'NaN'", EXPECTED, **KEY_500),
    "infinite": case(row_500("inf"), "found 'inf'", EXPECTED, **KEY_500),
    "minus infinite": case(row_500("-Infinity"), "found '-Infinity'", EXPECTED, **KEY_500),
    "too large to hold": case(row_500("1e999"), "found '1e999'", EXPECTED, **KEY_500),
    "negative": case(row_500("-16.6"), "found '-16.6'; a frame time is above zero", **KEY_500),
    "zero": case(row_500("0.0000"), "found '0.0000'; a frame time is above zero", **KEY_500),
    "minus zero": case(row_500("-0"), "found '-0'; a frame time is above zero", **KEY_500),
    "a frame of a day": case(
        row_500("86400000"), "a frame of more than an hour; is the unit (ms) right?", **KEY_500
    ),
    "a frame of no time": case(
        row_500("0.0000000001"), "less than a nanosecond; is the unit (ms) right?", **KEY_500
    ),
    "a number of 100,000 digits": case(
        row_500("1" * 100_000), "found '1111", "(100000 characters)", EXPECTED, **KEY_500
    ),
    "hexadecimal": case(row_500("0x10"), "found '0x10'", EXPECTED, **KEY_500),
    "underscore": case(row_500("1_000"), "found '1_000'", EXPECTED, **KEY_500),
    "digits of another script": case(
        row_500("\u0661\u0666"), "found '\u0661\u0666'", EXPECTED, **KEY_500
    ),
    "typographic minus": case(row_500("\u22121"), "found '\u22121'", EXPECTED, **KEY_500),
    "unit in the cell": case(row_500("16.7 ms"), "found '16.7 ms'", EXPECTED, **KEY_500),
    "clock time": case(row_500("12:30:01"), "found '12:30:01'", EXPECTED, **KEY_500),
    "a space between thousands": case(
        row_500("1 234.5"), "found '1 234.5'", "with separators between thousands", **KEY_500
    ),
    "quoted thousands": case(
        row_500('"1,234.5"'), "found '1,234.5'", "with separators between thousands", **KEY_500
    ),
    "bare thousands": case(
        row_500("1,234.5"),
        "found 3 cells in '499,1,234.5'; expected 2",
        "a comma inside a number",
        line=500,
    ),
    "decimal comma under a point": case(
        text("n;ms\n1;16,5\n"),
        "found '16,5', but the layout says `decimal: \".\"`",
        line=2,
        key="ms",
        layout={"delimiter": ";"},
    ),
    "decimal point under a comma": case(
        text("n;ms\n1;16,5\n2;16.5\n"),
        "found '16.5', but the layout says `decimal: \",\"`",
        line=3,
        key="ms",
        layout=SEMI,
    ),
    "points between thousands": case(
        text("n;ms\n1;16,5\n2;1.234,5\n"),
        "found '1.234,5'",
        "separators between thousands",
        line=3,
        key="ms",
        layout=SEMI,
    ),
    "another delimiter in one row": case(
        text(GOOD.replace("\n9,", "\n9;")), "found 1 cells in '9;16.6009'; expected 2", line=10
    ),
    "a row too many cells": case(
        text(GOOD.replace("\n9,", "\n9,9,")), "found 3 cells in '9,9,16.6009'; expected 2", line=10
    ),
    "an open quotation mark": case(
        text(GOOD.replace("\n9,", '\n"9,')), "a quotation mark is not closed", line=10
    ),
    "a missing cell between spaces": case(
        text("n ms w\n1 16 3\n2 17\n3 16 3\n"),
        "found 2 cells in '2 17'; expected 3",
        line=3,
        layout={"delimiter": "space"},
    ),
    "two logs in one file": case(text(GOOD + GOOD), "found 'ms'", EXPECTED, line=602, key="ms"),
    "a comment that is not declared": case(
        text(GOOD.replace("\n9,", "\n# pause\n9,")), "found 1 cells in '# pause'", line=10
    ),
    "a footer": case(
        text(GOOD + "frames,600 in all\n"), "found '600 in all'", CUT_SHORT, line=602, key="ms"
    ),
    "several things in several rows": case(
        text("ms\n16\nx\n-1\n\n17\ny\n"),
        "found 'x'",
        "3 rows are not as expected",
        "(lines 3, 4, 7: 2 no number, 1 not above zero)",
        line=3,
        key="ms",
    ),
    "wrong in every row": case(
        text("ms\n" + "x\n" * 100_000),
        "more than 1000 rows are not as expected",
        line=2,
        key="ms",
    ),
    "microseconds said to be seconds": case(
        text("us\n16683\n16684\n"),
        "is the unit (s) right?",
        line=2,
        key="us",
        layout={"frames": {"column": "us", "holds": "frame_time", "unit": "s"}},
    ),
    # Stamps and sensors.
    "letters for a stamp": case(
        text("t\n1\nx\n3\n"),
        "found 'x'; expected a time stamp in ms",
        line=3,
        key="t",
        layout={"frames": END},
    ),
    "no stamp": case(
        text("n,t\n1,1\n2,\n3,3\n"),
        "the cell is empty; expected a time stamp in ms",
        line=3,
        key="t",
        layout={"frames": END},
    ),
    "a stamp that is not finite": case(
        text("t\n1\nnan\n3\n"),
        "found 'nan'; expected a time stamp",
        line=3,
        key="t",
        layout={"frames": END},
    ),
    "a hexadecimal stamp": case(
        text("t\n1\n0x10\n30\n"),
        "found '0x10'; expected a time stamp",
        line=3,
        key="t",
        layout={"frames": END},
    ),
    "letters for a sensor": case(
        text("ms,w\n16,35\n17,hot\n"),
        "found 'hot'; expected a reading",
        line=3,
        key="w",
        layout={"sensors": {"power_w": "w"}},
    ),
    "an infinite sensor": case(
        text("ms,w\n16,35\n17,inf\n"),
        "found 'inf'; expected a reading",
        line=3,
        key="w",
        layout={"sensors": {"power_w": "w"}},
    ),
    # Another layout than declared.
    "no such column": case(
        text("n,mss\n1,16\n"),
        'no column "ms" in the header',
        'did you mean "mss"?',
        line=1,
        key="ms",
    ),
    "a column twice": case(
        text("ms,ms\n1,16\n"), '2 columns are named "ms"; give the place', line=1, key="ms"
    ),
    "no such place": case(
        text("a,b\n1,16\n"),
        "the layout reads column 7, but the rows have 2 cells",
        line=1,
        key="7",
        layout={"frames": {**MS, "column": 7}},
    ),
    "another delimiter": case(
        text("n;ms\n1;16\n"), "is the delimiter of the layout right?", line=1, key="ms"
    ),
    "a header that is none": case(
        text("1,16.5\n2,16.6\n"),
        "the first row holds the number '16.5'",
        "`header: false`",
        line=1,
        layout={"frames": {**MS, "column": 2}},
    ),
    "a header that was not declared": case(
        text("n,ms\n1,16.5\n"),
        "found 'ms'",
        "if it is a header, say `header: true`",
        line=1,
        key="column 2",
        layout={"header": False, "frames": {**MS, "column": 2}},
    ),
    "a web page": case(text("<html>\n<body>no log</body>\n"), 'no column "ms"', line=1, key="ms"),
    "JSON": case(text('{"ms": [16.5, 16.6]}\n'), 'no column "ms"', line=1, key="ms"),
    # Encodings.
    "latin-1 in the header": case(
        text("n,f\u00fcr,ms\n1,2,16\n", "latin-1"),
        "not UTF-8 text (byte 0xfc)",
        "`encoding: latin-1`",
        line=1,
    ),
    "latin-1 in a row": case(
        text("n,ms\n1,16\nL\u00e4nge,17\n", "latin-1"), "not UTF-8 text (byte 0xe4)", line=3
    ),
    "UTF-16": case(text(GOOD, "utf-16"), "is UTF-16 text", "say `encoding: utf-16`"),
    "UTF-16 without a mark": case(
        text(GOOD, "utf-16-le"), "holds a NUL byte", "say `encoding: utf-16`", line=1
    ),
    "half a character of UTF-16": case(
        raw(GOOD.encode("utf-16")[:-1]), "is not UTF-16 text", layout={"encoding": "utf-16"}
    ),
    "NUL bytes": case(text(GOOD.replace("16.6009", "16\0\0\0")), "holds a NUL byte", line=10),
    # Packing.
    "gzip cut": case(
        cut(raw(lambda: gzip.compress(np.random.default_rng(1).bytes(99_999))), 0.6),
        "the gzip data end too early",
        name="log.csv.gz",
    ),
    "gzip damaged": case(
        raw(lambda: with_flipped_byte(gzip.compress(GOOD.encode()), 60)),
        "damaged gzip data",
        name="log.csv.gz",
    ),
    "gzip with another sum": case(
        raw(lambda: with_flipped_byte(gzip.compress(GOOD.encode()), -6)),
        "damaged gzip data",
        name="log.csv.gz",
    ),
    "gzip and then something": case(
        raw(gzip.compress(GOOD.encode()) + b"more"), "damaged gzip data", name="log.csv.gz"
    ),
    "gzip bomb": case(
        raw(lambda: gzip.compress(b"ms\n") + gzip.compress(b"16.5\n" * 2_000_000) * 40),
        "unpacks to more than 200 times",
        name="log.csv.gz",
    ),
    "zstd cut": case(cut(raw(zstd(GOOD.encode())), 0.5), "the zstd data end too early"),
    "zstd damaged": case(raw(with_flipped_byte(zstd(GOOD.encode()), 9)), "zstd data"),
    "zstd bomb": case(
        raw(lambda: zstd(b"ms\n") + zstd(b"16.5\n" * 2_000_000) * 40),
        "unpacks to more than 200 times",
    ),
    # A zip of one log is that log, of two it is two runs; cut short, it is none.
    "zip cut short": case(
        lambda path: path.write_bytes(archive("log.csv")[:-30]), "damaged zip archive"
    ),
    "bzip2": case(raw(bz2.compress(GOOD.encode())), "packed with bzip2; unpack it"),
    "xz": case(raw(lzma.compress(GOOD.encode())), "packed with xz; unpack it"),
    # Parquet.
    "Parquet said to be text": case(
        table(ms=[16.5]), "is a Parquet file; say `container: parquet`"
    ),
    "text said to be Parquet": case(text(GOOD), "is not a Parquet file", **PARQUET),
    "packed Parquet": case(
        raw(gzip.compress(b"PAR1")), "Parquet packs its own columns, so unpack it", **PARQUET
    ),
    "Parquet cut": case(cut(table(ms=np.arange(1.0, 999.0)), 0.7), "damaged Parquet", **PARQUET),
    "empty Parquet": case(text(""), "the file is empty", **PARQUET),
    "words in Parquet": case(
        table(ms=["16.5", "x"]), "the column holds", "expected numbers", key="ms", **PARQUET
    ),
    "nothing in a cell of Parquet": case(
        table(ms=[16.5, None, 17.0]), "found nothing or NaN", EXPECTED, line=2, key="ms", **PARQUET
    ),
    "negative in Parquet": case(
        table(ms=[16.5, 17.0, -1.0]), "found -1", EXPECTED, line=3, key="ms", **PARQUET
    ),
    "no such column in Parquet": case(
        table(mss=[16.5]), 'no column "ms"', 'did you mean "mss"?', key="ms", **PARQUET
    ),
    "Parquet without rows": case(table(ms=pa.array([], pa.float64())), "holds no frame", **PARQUET),
    "Parquet bomb": case(
        table(ms=np.full(20_000_000, 16.5)), "unpacks to more than 200 times", **PARQUET
    ),
    # Lines without end.
    "a number of 10^8 digits": case(long_line, "a line is longer than 1 MiB"),
    "a line of 2 GB": case(sparse_line, "a line is longer than 1 MiB"),
    # Files.
    "no file": case(lambda path: None, "no such file"),
    "another ending": case(
        lambda path: path.with_name("log.csv.gz").touch(),
        'no such file; did you mean "log.csv.gz"?',
    ),
    "a folder": case(
        Path.mkdir,
        "is a folder; a log is a file",
        read=lambda path, layout: read_log(path, layout, file=path.name),
    ),
    "a pipe": case(os.mkfifo, "is not a regular file"),
    "a link to nothing": case(lambda path: path.symlink_to("gone"), "no such file"),
    "a link to itself": case(lambda path: path.symlink_to(path.name), "cannot be read: Too many"),
    "a link to a device": case(lambda path: path.symlink_to("/dev/zero"), "is not a regular file"),
    "a disk that fails": case(
        lambda path: path.symlink_to("/proc/self/mem"), "cannot be read: Input/output error"
    ),
    "not allowed": case(text(GOOD), "may not be read by this user", read=as_nobody),
    "being written": case(text(GOOD), "changed while it was being read", read=grows),
    "a link out of the bench": case(
        text(GOOD),
        "leads out of the bench folder by a symbolic link",
        line=2,
        key="log",
        read=through_bench,
    ),
}


def peak_bytes(*, reset: bool = False) -> int:
    """Return the most memory this process has held since the last reset."""
    if reset:
        Path("/proc/self/clear_refs").write_text("5")
    status = Path("/proc/self/status").read_text()
    return 1024 * int(status.partition("VmHWM:")[2].split()[0])


def tree(folder: Path) -> set[tuple[str, int]]:
    return {
        (str(path), path.lstat().st_mtime_ns)
        for path in folder.rglob("*")
        if path.name != ".bench.lock"
    }


def trouble_with(one: Case, folder: Path) -> str:
    """Return what is wrong with the answer to a faulty log, or nothing."""
    path = folder / one.name
    one.write(path)
    layout = Layout(**{"frames": MS, **one.layout})
    before, held, start = tree(folder), peak_bytes(reset=True), time.perf_counter()
    try:
        (one.read or (lambda p, how: read_log(p, how, file=p.name)))(path, layout)
    except KitError as error:
        faults = getattr(error, "faults", ())
        if len(faults) != 1:
            return f"{len(faults)} faults: {error}"
        if error.exit_status != 3:
            return f"exit status {error.exit_status}"
    else:
        return "it was read"
    (fault,) = faults
    for fragment in one.says:
        if fragment not in fault.message:
            return f"{fragment!r} is not in: {fault}"
    if (fault.line, fault.key) != (one.line, one.key):
        return f"line and column {(one.line, one.key)} expected: {fault}"
    if len(str(fault)) > 600:
        return f"a message of {len(str(fault))} characters"
    if time.perf_counter() - start > LONGEST_S:
        return f"it took {time.perf_counter() - start:.0f} s"
    if peak_bytes() - held > MOST_BYTES:
        return f"it took {(peak_bytes() - held) / 1e6:.0f} MB"
    if one.read is None:
        if tree(folder) != before:
            return "reading changed a file"
        return _trouble_taking_in(one, path, layout, folder)
    return ""


def _trouble_taking_in(one: Case, path: Path, layout: Layout, folder: Path) -> str:
    """Return what is wrong if the log is given to a bench: refused alike, nothing written."""
    bench = make_bench(folder / "bench", layout)
    before = tree(bench)
    try:
        add_logs(bench, [path], fields={"product": "p", "title": "t"})
    except KitError as error:
        if not all(fragment in str(error) for fragment in one.says):
            return f"taken in, it is told otherwise: {error}"
    else:
        return "it was taken in"
    return "" if tree(bench) == before else "a refused take-in changed the bench"


def try_all() -> dict[str, str]:
    """Return what is wrong with each case, or nothing."""
    answers: dict[str, str] = {}
    for name, one in CASES.items():
        with tempfile.TemporaryDirectory() as folder:
            answers[name] = trouble_with(one, Path(folder))
    return answers


if __name__ == "__main__":
    answers = try_all()
    for name, answer in answers.items():
        if answer:
            print(f"{name}: {answer}")
    right = sum(not answer for answer in answers.values())
    print(f"faulty logs tried {len(answers)}, right message {right}")
    sys.exit(0 if right == len(answers) else 1)
