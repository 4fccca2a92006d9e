"""Small benches made for tests of the whole path: frames drawn here, written in any layout.

Frame times are kept as whole nanoseconds, so that every unit and file format holds them exactly.
"""

from __future__ import annotations

import ast
import csv
import gzip
import json
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from kit.claims.claim import ClaimBook
from kit.claims.of_pages import make_claims
from kit.review.walk import Results, Review, load_review, work_out
from kit.settings.bench_file import BENCH_FORMAT
from kit.settings.params import PARAMS_FORMAT

NS_PER = {"s": 9, "ms": 6, "us": 3, "ns": 0}  # decimals that hold a nanosecond
ENDINGS = {"csv": ".csv", "gz": ".csv.gz", "zst": ".csv.zst", "parquet": ".parquet"}


@dataclass(frozen=True)
class MadeRun:
    """One run of a made bench: its frames, or what the run sheet says in their place."""

    run: str
    product: str
    title: str
    frame_ns: tuple[int, ...] = ()
    session: str = ""
    began: str = ""
    status: str = "ran"
    reason: str = ""
    typed: dict[str, str] = field(default_factory=dict)
    remark: str = ""  # a comment line in the log: other bytes, same frames


@dataclass(frozen=True)
class MadeBench:
    """A bench and one review of it, to be changed with `replace` and then written."""

    runs: tuple[MadeRun, ...]
    products: dict[str, dict[str, Any]]
    titles: dict[str, dict[str, Any]]
    params: dict[str, Any]
    prices: tuple[tuple[str, ...], ...] = ()
    unit: str = "ms"
    ending: str = "csv"
    holds: str = "frame_time"

    def with_params(self, **changes: Any) -> MadeBench:
        """Return the bench with some params changed."""
        return replace(self, params={**self.params, **changes})

    def with_runs(self, change) -> MadeBench:
        """Return the bench with each run changed."""
        return replace(self, runs=tuple(change(run) for run in self.runs))


def frames(seed: Any, *, ms: float, count: int = 240, spread: float = 0.06) -> tuple[int, ...]:
    """Return frame times around `ms` with a spread, in whole nanoseconds."""
    rng = np.random.default_rng(seed)
    drawn = ms * np.exp(spread * rng.normal(size=count))
    return tuple(int(v) for v in np.maximum(np.rint(drawn * 1e6 / 1000) * 1000, 1000))


def small_bench(*, products: int = 3, titles: int = 4, runs: int = 4, seed: int = 7) -> MadeBench:
    """Return a bench in which p0 is some 9 % ahead of p1, p1 of p2; sessions are recorded."""
    rng = np.random.default_rng(seed)
    made = []
    for t in range(titles):
        level = 9.0 + 4.0 * t
        for p in range(products):
            for r in range(runs):
                ms = level * 1.09**p * float(np.exp(0.01 * rng.normal()))
                made.append(
                    MadeRun(
                        run=f"p{p}-t{t}-{r}",
                        product=f"p{p}",
                        title=f"t{t}",
                        frame_ns=frames((seed, p, t, r), ms=ms),
                        session=f"s{r}",
                        began=f"2026-11-{10 + r:02d}T{8 + t:02d}:{5 * p:02d}:00+00:00",
                    )
                )
    return MadeBench(
        runs=tuple(made),
        products={f"p{p}": {"name": f"Part {p}", "class": "desk"} for p in range(products)},
        titles={f"t{t}": {"name": f"Scene {t}"} for t in range(titles)},
        params={
            "review": "made",
            "title": "A made review",
            "byline": "The desk",
            "date": "2026-11-20",
            "bench": "bench",
            "product": "p0",
            "rivals": [f"p{p}" for p in range(1, products)],
            "titles": "all",
            "controls": [],
            "metrics": {"low": "percentile"},
            "screen": {"caps_hz": []},
            "margins": {
                "method": "auto",
                "confidence": 0.95,
                "level_band": 0.02,
                "seed": 1,
            },
            "value": {"currency": "EUR"},
        },
        prices=tuple(
            (f"p{p}", str(900 - 100 * p + 7 * k), "EUR", kind, f"2026-11-0{k + 1}", f"shop {k}")
            for p in range(products)
            for k, kind in enumerate(("launch", "street", "street"))
        ),
    )


def decimal_text(ns: int, unit: str) -> str:
    """Return nanoseconds as a decimal number of `unit`, all digits."""
    return format(Decimal(ns).scaleb(-NS_PER[unit]), "f")


def yaml_text(value: Any, indent: str = "") -> str:
    """Return plain data as YAML in flow style below the first level, every text quoted."""
    return "".join(f"{key}: {json.dumps(item)}\n" for key, item in value.items())


def log_bytes(made: MadeRun, bench: MadeBench) -> bytes:
    """Return a run's log as text."""
    lines = [f"# {made.remark}"] if made.remark else []
    lines.append("n,took")
    stamps = np.cumsum((0, *made.frame_ns)).tolist() if bench.holds == "frame_end" else None
    for n, ns in enumerate(stamps or made.frame_ns):
        lines.append(f"{n},{decimal_text(ns, bench.unit)}")
    return ("\n".join(lines) + "\n").encode()


def write_log(path: Path, made: MadeRun, bench: MadeBench) -> None:
    """Write a run's log in the bench's format."""
    if bench.ending == "parquet":
        if bench.unit == "ns":
            column = pa.array(made.frame_ns, pa.int64())
        else:
            column = pa.array([float(decimal_text(v, bench.unit)) for v in made.frame_ns])
        pq.write_table(pa.table({"took": column}), path)
        return
    raw = log_bytes(made, bench)
    if bench.ending == "gz":
        raw = gzip.compress(raw, mtime=0)
    elif bench.ending == "zst":
        raw = pa.compress(raw, codec="zstd", asbytes=True)
    path.write_bytes(raw)


COLUMNS = ("run", "product", "title", "log", "session", "began", "status", "reason")
TYPED = ("average_fps", "low_1pct_fps", "low_0_1pct_fps", "value", "passes", "spread_pct")


def write_bench(made: MadeBench, folder: Path) -> Path:
    """Write bench and params below `folder`; return the path of the params file."""
    bench = folder / "bench"
    (bench / "logs").mkdir(parents=True)
    layout: dict[str, Any] = {
        "frames": {"column": "took", "holds": made.holds, "unit": made.unit},
        "comment": "#",
    }
    if made.ending == "parquet":
        layout["container"] = "parquet"
        del layout["comment"]
    (bench / "bench.yaml").write_text(
        yaml_text(
            {
                "format": BENCH_FORMAT,
                "name": "Made",
                "layouts": {"made": layout},
                "products": made.products,
                "titles": made.titles,
            }
        ),
        encoding="utf-8",
    )
    with (bench / "runs.csv").open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow((*COLUMNS, *TYPED))
        for run in made.runs:
            log = f"logs/{run.run}{ENDINGS[made.ending]}" if run.frame_ns else ""
            if log:
                write_log(bench / log, run, made)
            stated = (run.run, run.product, run.title, log, run.session, run.began)
            typed = (run.typed.get(name, "") for name in TYPED)
            writer.writerow((*stated, run.status, run.reason, *typed))
    if made.prices:
        with (bench / "prices.csv").open("w", encoding="utf-8", newline="") as stream:
            writer = csv.writer(stream)
            writer.writerow(("product", "price", "currency", "kind", "date", "source"))
            writer.writerows(made.prices)
    params = {"format": PARAMS_FORMAT, **made.params}
    if not made.prices:
        params.pop("value", None)
    path = folder / "made.yaml"
    path.write_text(yaml_text(params), encoding="utf-8")
    return path


def walk(made: MadeBench, folder: Path) -> tuple[Review, Results, ClaimBook]:
    """Write a bench and walk the whole path, down to the bytes of claims.json."""
    review = load_review(write_bench(made, folder))
    results = work_out(review)
    book = make_claims(review, results)
    book.to_json()  # refuses NaN and infinity
    return review, results, book


def figures_of(book: ClaimBook, *, kinds: Sequence[str] = ()) -> dict[str, dict[str, Any]]:
    """Return what each claim says, by id; runs and inputs without their order."""
    return {
        claim.id: {
            "value": claim.value,
            "low": claim.low,
            "high": claim.high,
            "text": claim.text,
            "interval": claim.interval,
            "outcome": claim.outcome,
            "method": claim.method,
            "unit": claim.unit,
            "marks": sorted(claim.marks),
            "runs": sorted(claim.runs),
            "inputs": sorted(claim.inputs),
        }
        for claim in book.claims
        if not kinds or claim.kind in kinds
    }


def show_in_process(params: Path, out_dir: Path) -> list[str]:
    """Run the cells of the kit's template here, without a kernel; return what they show as HTML."""
    template = Path(__file__).parents[2] / "notebooks" / "review.ipynb"
    cells = json.loads(template.read_text(encoding="utf-8"))["cells"]
    names: dict[str, Any] = {}
    shown = []
    out_dir.mkdir(parents=True)
    for cell in cells:
        if cell["cell_type"] != "code":
            continue
        tree = ast.parse("".join(cell["source"]))
        last = tree.body.pop() if isinstance(tree.body[-1], ast.Expr) else None
        exec(compile(tree, cell["id"], "exec"), names)
        if cell["id"] == "parameters":
            names.update(params_path=str(params), out_dir=str(out_dir))
        if last is not None:
            value = eval(compile(ast.Expression(last.value), cell["id"], "eval"), names)
            if hasattr(value, "_repr_html_"):
                shown.append(value._repr_html_())
    assert len(shown) > 20
    return shown
