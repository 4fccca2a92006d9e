"""The program in every bag that works the figures out again, without the kit.

Both sides were written from kit/methods.md apart from each other; none of these figures is copied.
Bounds asked for: 1e-9 of ratios, 1e-6 of ends (RATIO_TOLERANCE and END_TOLERANCE of the program).
"""

import json
import math
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from sealmaker import copy_bag, sealed_review
from small_bench import MadeRun, small_bench, walk

from kit.archive import second_opinion

ROOT = Path(__file__).parents[2]
TYPED = {"average_fps": "61.5", "low_1pct_fps": "44.25"}


def ask(folder, capsys, book=None):
    """Return exit status and lines of the program over a folder with claims and bench."""
    if book is not None:
        (folder / "claims.json").write_bytes(book.to_json())
    status = second_opinion.main([str(folder)])
    return status, capsys.readouterr().out.splitlines()


def of_kind(lines, kind):
    """Return how many figures of a kind were worked out again, and how many with ends."""
    found = re.search(
        rf"^{kind}: (\d+) worked out again(?:, (\d+) with)?", "\n".join(lines), re.MULTILINE
    )
    return (int(found[1]), int(found[2] or 0)) if found else (0, 0)


def test_the_tolerances_are_those_asked_for():
    assert (second_opinion.RATIO_TOLERANCE, second_opinion.END_TOLERANCE) == (1e-9, 1e-6)


def test_it_agrees_with_the_demo(demo, tmp_path, capsys):
    (tmp_path / "bench").symlink_to(ROOT / "example_runs")
    status, lines = ask(tmp_path, capsys, demo.book)
    assert (status, lines[-1]) == (0, "2392 figures, 0 differ")
    assert of_kind(lines, "run")[0] == 956  # every run with a figure
    assert of_kind(lines, "margin")[0] == 277
    assert of_kind(lines, "suite_like") == (58, 57)  # one is of one title
    assert of_kind(lines, "price") == (19, 19)
    assert of_kind(lines, "load") == (26, 24)  # power; two are over all titles
    assert "as stated: 166 ends of margin by margin-shared" in lines


@pytest.mark.parametrize(
    ("unit", "ending", "holds"),
    [
        ("ms", "csv", "frame_time"), ("us", "gz", "frame_end"),
        ("s", "zst", "frame_end"), ("ns", "parquet", "frame_time"),
    ],
)  # fmt: skip
def test_it_reads_the_layouts(tmp_path, capsys, unit, ending, holds):
    made = replace(small_bench(products=2, titles=2, runs=3), unit=unit, ending=ending, holds=holds)
    status, lines = ask(tmp_path, capsys, walk(made, tmp_path)[2])
    assert status == 0, lines
    assert of_kind(lines, "run")[0] == 2 * 2 * 3 * 3


@pytest.mark.parametrize("low", ["percentile", "slowest_share", "time_share"])
@pytest.mark.parametrize("method", ["welch", "paired"])
def test_it_gives_intervals_of_own_runs(tmp_path, capsys, low, method):
    made = small_bench(products=3, titles=4, runs=4)
    margins = {**made.params["margins"], "method": method}
    made = made.with_params(margins=margins, metrics={"low": low, "quantile_type": 6})
    status, lines = ask(tmp_path, capsys, walk(made, tmp_path)[2])
    assert status == 0, lines
    assert of_kind(lines, "margin") == (2 * 4 * 3, 2 * 4 * 3)
    assert of_kind(lines, "suite_like") == (6, 6)
    assert of_kind(lines, "equal_value_price")[0] > 0


def test_it_takes_figures_typed_in(tmp_path, capsys):
    made = small_bench(products=2, titles=2, runs=3)
    typed = [MadeRun(f"p2-t{t}-0", "p2", f"t{t}", typed=TYPED) for t in range(2)]
    products = {**made.products, "p2": {"name": "Part 2", "class": "desk"}}
    made = replace(made, runs=(*made.runs, *typed), products=products)
    made = made.with_params(rivals=["p1", "p2"])
    status, lines = ask(tmp_path, capsys, walk(made, tmp_path)[2])
    assert status == 0, lines
    assert of_kind(lines, "run")[0] == 2 * 2 * 3 * 3 + 2 * 2
    # A cell of typed-in figures that is not what was typed.
    claims = json.loads((tmp_path / "claims.json").read_bytes())
    cell = next(c for c in claims["claims"] if c["id"] == "cell/average_fps/t0/p2")
    assert cell["value"] == pytest.approx(61.5)
    cell["value"] *= 1 + 1e-8
    (tmp_path / "claims.json").write_text(json.dumps(claims))
    status, lines = ask(tmp_path, capsys)
    assert (status, lines[-1].split(", ")[1]) == (1, "1 differ")
    assert lines[-2].startswith("cell/average_fps/t0/p2: value is ")


@pytest.mark.parametrize("lenders", [[], ["t0"]], ids=["stated", "borrowed"])
def test_it_takes_means_of_passes_and_spread_borrowed(tmp_path, capsys, lenders):
    made = small_bench(products=2, titles=2, runs=3)
    means = {"passes": "4", "spread_pct": "0.7"} if not lenders else {"passes": "4"}
    typed = [MadeRun(f"p2-t{t}-0", "p2", f"t{t}", typed=TYPED | means) for t in range(2)]
    products = {**made.products, "p2": {"name": "Part 2", "class": "desk"}}
    margins = {**made.params["margins"], "method": "welch", "spread_from": lenders}
    made = replace(made, runs=(*made.runs, *typed), products=products)
    made = made.with_params(rivals=["p1", "p2"], margins=margins)
    status, lines = ask(tmp_path, capsys, walk(made, tmp_path)[2])
    assert status == 0, lines
    # Lows have a spread only where it is borrowed.
    assert of_kind(lines, "margin") == (6 + 4, 6 + (4 if lenders else 2))


@pytest.mark.parametrize(
    ("kind", "part", "by"),
    [
        ("run", "value", 1e-8), ("cell", "value", -1e-8), ("margin", "value", 1e-8),
        ("suite", "value", 1e-8), ("suite_like", "high", 1e-5), ("premium", "low", 1e-5),
        ("price", "value", 1e-3), ("cost_per_fps", "value", 1e-8),
    ],
)  # fmt: skip
def test_it_finds_a_figure_altered(tmp_path, capsys, kind, part, by):
    bag = copy_bag(tmp_path / "bag")
    path = bag / "data" / "claims.json"
    book = json.loads(path.read_bytes())
    claim = next(c for c in book["claims"] if c["kind"] == kind and c[part] is not None)
    claim[part] *= 1 + by
    path.write_text(json.dumps(book))
    status, lines = ask(bag, capsys)
    assert status == 1
    assert any(line.startswith(f"{claim['id']}: {part} is ") for line in lines)


def test_a_run_left_out_shows(tmp_path, capsys):
    bag = copy_bag(tmp_path / "bag")
    path = bag / "data" / "claims.json"
    book = json.loads(path.read_bytes())
    run = next(r for r in book["runs"] if r["used"] and r["frames"])
    run["used"] = False
    path.write_text(json.dumps(book))
    status, lines = ask(bag, capsys)
    assert status == 1
    assert any(line.startswith("margin/") for line in lines)


def test_it_runs_from_the_bag_without_the_kit():
    program = sealed_review() / "data" / "second_opinion.py"
    assert program.read_bytes() == Path(second_opinion.__file__).read_bytes()
    code = (
        "import runpy, sys; sys.argv = [sys.argv[1]]\n"
        "try: runpy.run_path(sys.argv[0], run_name='__main__')\n"
        "except SystemExit as end: print(end.code, {'kit', 'scipy', 'pandas'} & set(sys.modules))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(program)], capture_output=True, text=True, check=False
    )
    assert done.stdout.splitlines()[-1] == "0 set()", done.stderr


# R. A. Fisher's table of t, as in any textbook (from memory): two-sided 5 % points.
@pytest.mark.parametrize(
    ("df", "t"), [(1, 12.706), (2, 4.303), (4, 2.776), (10, 2.228), (30, 2.042), (120, 1.980)]
)
def test_the_quantile_of_t(df, t):
    assert second_opinion._t_quantile(0.95, df) == pytest.approx(t, abs=6e-4)


def test_the_quantile_of_t_in_closed_form():
    # Of 1 degree of freedom tan(pi c / 2), of 2: c sqrt(2 / (1 - c^2)).
    for c in (0.5, 0.9, 0.99):
        assert second_opinion._t_quantile(c, 1) == pytest.approx(math.tan(math.pi * c / 2))
        expected = c * math.sqrt(2 / (1 - c * c))
        assert second_opinion._t_quantile(c, 2) == pytest.approx(expected, rel=1e-11)


@pytest.mark.parametrize(
    ("changes", "data"),
    [
        ({"parts": {"column": "phase"}}, b"ms,phase\n"),
        ({"until": "Summary"}, b"ms\n"),
        ({"container": "xlsx"}, b"PK\x03\x04"),
        ({}, b"PK\x03\x04"),
        ({"frames": {"column": "ms", "holds": "frame_rate", "unit": "fps"}}, b"ms\n"),
    ],
)
def test_it_reads_no_shape_it_does_not_know(changes, data):
    frames = {"column": "ms", "holds": "frame_time", "unit": "ms", "starts": "first_row"}
    layout = {"container": "text", "frames": frames, "sensors": {}, **changes}
    with pytest.raises(second_opinion._NotMadeError, match="logs in parts, archives or sheets"):
        second_opinion._read_log(data, layout)
