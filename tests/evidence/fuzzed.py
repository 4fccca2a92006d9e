"""What is fuzzed: each function takes bytes and fails on anything but an answer or our own error.

    python tests/evidence/fuzzed.py TARGET [--seconds N]

runs one of them (log, params, bench, sheet, prices, text, claims, manifest) under atheris, which
looks for inputs that take new paths; it must be installed beside the project. The same functions
run under hypothesis in test_fuzz.
"""

from __future__ import annotations

import csv
import io
import math
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(TESTS.parent), *(str(TESTS / n) for n in ("", "support", "evidence"))]

from claims.test_bound_text import book as made_book  # noqa: E402

from kit.archive.unbag import open_bag  # noqa: E402
from kit.bench.prices import read_prices  # noqa: E402
from kit.bench.runs import RunSheet  # noqa: E402
from kit.claims.bound_text import bind_text  # noqa: E402
from kit.claims.claim import ClaimBook  # noqa: E402
from kit.errors import BenchError, KitError, ParamsError, SealError, TextError  # noqa: E402
from kit.logs.read import read_log  # noqa: E402
from kit.settings.bench_file import Bench, Layout, read_bench  # noqa: E402
from kit.settings.params import load_params  # noqa: E402

SCRATCH = Path(tempfile.mkdtemp(prefix="fuzzed-"))
LAYOUTS = {
    "plain": Layout(frames={"column": "ms", "holds": "frame_time", "unit": "ms"}),
    "comma": Layout(
        delimiter=";",
        decimal=",",
        comment="#",
        frames={"column": "ms", "holds": "frame_time", "unit": "ms"},
    ),
}
LOGS = {
    "plain": b"n,ms,w\n1,16.5,80\n2,17.25,81\n3,16.75,\n4,1.5e1,79\n",
    "comma": b"# made\nn;ms\n1;16,5\n2;17,25\n3;16,75\n",
}
BENCH = b"""format: marginbook-bench/1
name: Fuzzed
layouts:
  plain: {frames: {column: ms, holds: frame_time, unit: ms}}
products:
  ash: {name: Ash, class: desk, refresh_hz: 60, configuration: {processor: 1.10}}
  birch: {name: Birch, class: desk}
titles:
  weir: {name: Weir, planned_s: 60, tags: {age: new}}
"""
PARAMS = b"""format: marginbook-params/1
review: fuzzed
title: A review
byline: The desk
date: 2026-11-16
bench: bench
product: ash
rivals: [birch]
titles: all
controls: [processor]
waivers:
  - {control: processor, products: [birch], reason: Sold so and no other way.}
metrics: {low: percentile, budgets_hz: [60, 120]}
screen: {caps_hz: [60], min_runs: 3}
margins: {method: auto, confidence: 0.95, level_band: 0.02, seed: 1}
suites: {new: {name: New, tags: {age: new}}}
value: {currency: EUR, kinds: [launch, street]}
"""
SHEET = (
    b"run,product,title,layout,log,began,session,status,reason,average_fps,value,driver\n"
    b"a1,ash,weir,plain,logs/a1.csv,2026-11-01T08:00:00+00:00,s1,ran,,,,1.10\n"
    b"b1,birch,weir,,,2026-11-01,s1,,,61.5,,1.10\nb2,birch,weir,,,,,crashed,no power,,,\n"
)
PRICES = (
    b"product,price,currency,kind,date,source,note\n"
    b"ash,1299.50,EUR,street,2026-11-01,shop,\n,1.08,USD/EUR,rate,2026-11-01,bank,\n"
)
TEXT = (
    b"Ash is {{margin ash over birch in dell}} ({{suite ash over birch | number}}).\n\n"
    b"It costs {{price ash at street}}; elsewhere 900 EUR [source: a shop, 2026-11-01].\n"
)


def bench_folder() -> Path:
    """Return a folder with a good bench in it."""
    folder = SCRATCH / "bench"
    folder.mkdir(exist_ok=True)
    (folder / "bench.yaml").write_bytes(BENCH)
    return folder


def good_bench() -> Bench:
    return read_bench(bench_folder())


def slow_frames(data: bytes, name: str) -> list[float]:
    """Read a log's frame times cell by cell with the standard library alone."""
    layout = LAYOUTS[name]
    text = data.decode("utf-8-sig", errors="replace")  # bytes of comments, which nobody reads
    lines = list(io.StringIO(text, newline=None))
    kept = [
        line
        for line in lines
        if line.strip() and not (layout.comment and line.lstrip().startswith(layout.comment))
    ]
    rows = list(csv.reader(kept, delimiter=layout.delimiter))
    place = [cell.strip() for cell in rows[0]].index("ms")
    return [float(row[place].strip().replace(layout.decimal, ".")) for row in rows[1:]]


def try_log(data: bytes, name: str = "plain") -> str:
    """Read a log: frames as the standard library reads them, or our error."""
    path = SCRATCH / "log.csv"
    path.write_bytes(data)
    try:
        log = read_log(path, LAYOUTS[name], file="log.csv")
    except KitError as error:
        if not (str(error) and len(str(error)) < 20_000):
            raise AssertionError(f"a message of {len(str(error))} characters") from error
        return "refused"
    frames = log.frame_ms.tolist()
    if not all(math.isfinite(ms) and ms >= 0 for ms in frames):
        raise AssertionError(f"frame times {frames}")
    slow = slow_frames(data, name)
    if len(slow) != len(frames) or any(
        abs(a - b) > 1e-9 * max(1.0, abs(b)) for a, b in zip(frames, slow, strict=True)
    ):
        raise AssertionError(f"read as {frames}, but the cells say {slow}")
    return "read"


def try_params(data: bytes) -> str:
    """Read a params file."""
    bench_folder()
    path = SCRATCH / "fuzzed.yaml"
    path.write_bytes(data)
    try:
        load_params(path)
    except (ParamsError, BenchError) as error:
        if not error.faults:
            raise AssertionError("an error without a fault") from error
        return "refused"
    return "read"


def try_bench(data: bytes) -> str:
    """Read a bench file."""
    folder = SCRATCH / "other"
    folder.mkdir(exist_ok=True)
    (folder / "bench.yaml").write_bytes(data)
    try:
        read_bench(folder)
    except BenchError as error:
        if not error.faults:
            raise AssertionError("an error without a fault") from error
        return "refused"
    return "read"


def try_sheet(data: bytes) -> str:
    """Read a run sheet: typed figures are finite, logs lie in the bench."""
    bench = good_bench()
    (bench.folder / "runs.csv").write_bytes(data)
    try:
        rows = RunSheet(bench).rows
    except BenchError:
        return "refused"
    for row in rows:
        if not all(math.isfinite(value) for value in row.typed.values()):
            raise AssertionError(row)
        if row.log.startswith("/") or ".." in row.log.split("/"):
            raise AssertionError(row)
    return "read"


def try_prices(data: bytes) -> str:
    """Read a price list: every price is finite and above 0."""
    bench = good_bench()
    (bench.folder / "prices.csv").write_bytes(data)
    try:
        rows = read_prices(bench)
    except BenchError:
        return "refused"
    if not all(0 < row.price < 1e16 and row.product in {"ash", "birch", ""} for row in rows):
        raise AssertionError(rows)
    return "read"


def try_text(data: bytes) -> str:
    """Bind a text: no reference is left open, and each is written as its claim."""
    source = data.decode("utf-8", errors="replace")
    book = made_book()
    try:
        bound = bind_text(source, book, file="t.md", names={"ash": "Ash 1", "birch": "Birch 2"})
    except TextError as error:
        if not error.faults:
            raise AssertionError("an error without a fault") from error
        return "refused"
    for reference in bound.references:
        if reference.claim is not book.by_id[reference.claim.id]:
            raise AssertionError(reference)
    bound.to_markdown()
    return "read"


GOOD_CLAIMS = made_book().to_json()


def try_claims(data: bytes) -> str:
    """Read claims: what is accepted is written again alike."""
    try:
        book = ClaimBook.parse(data, file="claims.json")
    except SealError:
        return "refused"
    again = ClaimBook.parse(book.to_json(), file="claims.json")
    if again.claims != book.claims or again.runs != book.runs:
        raise AssertionError("written again, the claims differ")
    return "read"


def try_manifest(data: bytes) -> str:
    """Read the listing of a bag whose manifest is anything."""
    folder = SCRATCH / "bag"
    (folder / "data").mkdir(parents=True, exist_ok=True)
    (folder / "data" / "a.txt").write_bytes(b"a")
    (folder / "bagit.txt").write_bytes(b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    (folder / "manifest-sha256.txt").write_bytes(data)
    try:
        with open_bag(folder) as bag:
            bag.read_listing()
    except SealError:
        return "refused"
    return "read"


MANIFEST = (
    b"ca978112ca1bbdcafac231b39a23dc4da786eff8147c4e72b9807785afee48bb  data/a.txt\n"
    b"ca978112ca1bbdcafac231b39a23dc4da786eff8147c4e72b9807785afee48bb  data/b%0Ac.txt\n"
)
TARGETS: dict[str, tuple[Callable[[bytes], str], bytes]] = {
    "log": (try_log, LOGS["plain"]),
    "params": (try_params, PARAMS),
    "bench": (try_bench, BENCH),
    "sheet": (try_sheet, SHEET),
    "prices": (try_prices, PRICES),
    "text": (try_text, TEXT),
    "claims": (try_claims, GOOD_CLAIMS),
    "manifest": (try_manifest, MANIFEST),
}


def main() -> None:
    """Fuzz one target with atheris, from its good input."""
    import atheris

    name, seconds = sys.argv[1], sys.argv[3] if len(sys.argv) > 3 else "60"
    target, seed = TARGETS[name]
    corpus = SCRATCH / "corpus"
    corpus.mkdir()
    (corpus / "good").write_bytes(seed)
    atheris.instrument_all()
    atheris.Setup(
        [sys.argv[0], str(corpus), f"-max_total_time={seconds}", "-max_len=4000", "-timeout=10"],
        lambda data: target(data) and None,
    )
    atheris.Fuzz()


if __name__ == "__main__":
    main()
