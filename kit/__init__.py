"""Marginbook: reproducible reviews of graphics hardware, for an analyst at a notebook.

``import kit`` names what is typed most, and loads each of it when it is first used:

>>> import kit
>>> import numpy as np
>>> round(kit.average_fps(np.array([10.0, 10.0, 20.0])), 1)
75.0

`open_review` gives the object to work with; `run_review`, `check_review`, `seal`, `verify`,
`revise`, `plan` and `look` do what the commands do; the rest are the measures themselves. The kit's
own code never uses these names: it says ``from kit.margins.compare import compare_products``, which
tells the reader the step.
"""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from kit.archive.correction import revise
    from kit.archive.sealing import seal
    from kit.archive.verifying import verify_bag as verify
    from kit.bench.intake import add_logs
    from kit.claims.claim import load_claims
    from kit.errors import KitError
    from kit.logs.propose import propose_layout
    from kit.logs.read import read_log
    from kit.metrics.blocks import block_bootstrap
    from kit.metrics.run_metrics import measure_tables
    from kit.planning.of_review import plan_from_params as plan
    from kit.report.check import check_review
    from kit.report.laboratory import bench_health, look, open_review
    from kit.report.report import run_review
    from kit.settings.starting import start_bench, start_params
    from kit.stats.crossed_variance import fit_crossed_variances as fit_shared_variance
    from kit.stats.intervals import welch_interval
    from kit.stats.series import average_fps, effective_size, low_fps
else:
    _PLACES = {  # name: where it is, loaded when it is first asked for
        "KitError": "kit.errors:KitError",
        "add_logs": "kit.bench.intake:add_logs",
        "average_fps": "kit.stats.series:average_fps",
        "bench_health": "kit.report.laboratory:bench_health",
        "block_bootstrap": "kit.metrics.blocks:block_bootstrap",
        "check_review": "kit.report.check:check_review",
        "effective_size": "kit.stats.series:effective_size",
        "fit_shared_variance": "kit.stats.crossed_variance:fit_crossed_variances",
        "load_claims": "kit.claims.claim:load_claims",
        "look": "kit.report.laboratory:look",
        "low_fps": "kit.stats.series:low_fps",
        "measure_tables": "kit.metrics.run_metrics:measure_tables",
        "open_review": "kit.report.laboratory:open_review",
        "plan": "kit.planning.of_review:plan_from_params",
        "propose_layout": "kit.logs.propose:propose_layout",
        "read_log": "kit.logs.read:read_log",
        "revise": "kit.archive.correction:revise",
        "run_review": "kit.report.report:run_review",
        "seal": "kit.archive.sealing:seal",
        "start_bench": "kit.settings.starting:start_bench",
        "start_params": "kit.settings.starting:start_params",
        "verify": "kit.archive.verifying:verify_bag",
        "welch_interval": "kit.stats.intervals:welch_interval",
    }

    def __getattr__(name: str) -> object:
        """Load one of the names above; the next time it is simply there."""
        place = _PLACES.get(name)
        if place is None:
            from kit.errors import did_you_mean

            guess = "" if name.startswith("_") else did_you_mean(name, _PLACES)
            raise AttributeError(f'kit has no "{name}"{guess}; dir(kit) lists its names', name=name)
        from importlib import import_module

        module, _, attribute = place.partition(":")
        found = globals()[name] = getattr(import_module(module), attribute)
        return found


__all__ = [
    "KitError",
    "add_logs",
    "average_fps",
    "bench_health",
    "block_bootstrap",
    "check_review",
    "effective_size",
    "fit_shared_variance",
    "load_claims",
    "look",
    "low_fps",
    "measure_tables",
    "open_review",
    "plan",
    "propose_layout",
    "read_log",
    "revise",
    "run_review",
    "seal",
    "start_bench",
    "start_params",
    "verify",
    "welch_interval",
]


def __dir__() -> list[str]:
    return list(__all__)
