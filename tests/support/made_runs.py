"""Runs made up for the tests of margins and suites: no logs, only figures."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence

import numpy as np

from kit.margins.cells import Cell, make_cells
from kit.margins.compare import Margin, compare_products
from kit.margins.replicates import fit_variances
from kit.metrics.run_metrics import RunMetrics
from kit.screening.controls import Controls, _Mismatch
from kit.settings.bench_file import Title
from kit.settings.params import MarginParams
from kit.trace import Trace

METRIC = "average_fps"


def margin_params(method="auto", **changes) -> MarginParams:
    """Return the settings most tests compare under."""
    settings = {"confidence": 0.95, "level_band": 0.02, "family": "holm", "seed": 1, **changes}
    return MarginParams(method=method, **settings)


def made_runs(
    product: str,
    title: str,
    values: Sequence[float],
    *,
    sessions: Sequence[str] = (),
    metric: str = METRIC,
    typed_in: bool = False,
) -> list[RunMetrics]:
    """Return one run per value."""
    return [
        RunMetrics(
            run=f"{title}/{product}/{i}",
            product=product,
            title=title,
            session=sessions[i] if sessions else "",
            values={metric: float(value)},
            trace=Trace(
                "run",
                hashlib.sha256(f"{title}/{product}/{i}".encode()).hexdigest(),
                f"{title}/{product}/{i}",
            ),
            typed_in=typed_in,
        )
        for i, value in enumerate(values)
    ]


def framed(*names: str) -> dict[str, Title]:
    """Return titles that measure frames."""
    return {name: Title(name=name) for name in names}


def drawn_bench(
    seed: int,
    *,
    titles: int = 6,
    products: int = 4,
    runs: int = 3,
    sessions: bool = False,
    leads: Mapping[int, float] | None = None,
    session_sd: float = 0.0,
) -> tuple[list[RunMetrics], dict[str, Title]]:
    """Return a bench of normal runs of 1 %; product p is ahead of the first by leads[p]."""
    rng = np.random.default_rng(seed)
    named = framed(*(f"t{t}" for t in range(titles)))
    made = []
    for title in named:
        level = 50 * np.exp(rng.normal())
        session = session_sd * rng.normal(size=runs)
        for p in range(products):
            lead = (leads or {}).get(p, 1.0)
            values = level * lead * np.exp(0.01 * rng.normal(size=runs) + session)
            names = [f"s{k}" for k in range(runs)] if sessions else ()
            made += made_runs(f"p{p}", title, values, sessions=names)
    return made, named


def compared(
    runs: Sequence[RunMetrics],
    titles: Mapping[str, Title],
    *,
    product: str,
    baselines: Sequence[str],
    params: MarginParams | None = None,
    metric: str = METRIC,
    **how,
) -> tuple[Margin, ...]:
    """Return the margins of runs, with variance shared over all of them."""
    params = params or margin_params()
    variances = {metric: fit_variances(runs, metric=metric, titles=titles)}
    cells = make_cells(runs, titles, params=params, variances=variances, metric_names=[metric])
    how = {"controls": checked(product, *baselines), **how}
    return compare_products(
        cells, product=product, baselines=baselines, params=params, variances=variances, **how
    )


def checked(product: str, *baselines: str, **waived: str) -> Controls:
    """Return that a product and its baselines were alike, but for controls waived in a title."""
    mismatches = tuple(
        _Mismatch(control, product, baseline, ("one",), ("other",), (title,), "a reason")
        for title, control in waived.items()
        for baseline in baselines
    )
    pairs = tuple((product, baseline) for baseline in baselines)
    return Controls(pairs, tuple(waived.values()), {}, mismatches)


def cells_of(
    runs: Sequence[RunMetrics],
    titles: Mapping[str, Title],
    *,
    params: MarginParams | None = None,
    metric: str = METRIC,
) -> tuple[Cell, ...]:
    """Return the cells of runs, with variance shared over all of them."""
    variances = {metric: fit_variances(runs, metric=metric, titles=titles)}
    return make_cells(
        runs, titles, params=params or margin_params(), variances=variances, metric_names=[metric]
    )
