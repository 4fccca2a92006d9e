"""One run read and measured alone, as the kit does it for each of many."""

from kit.bench.runs import Run
from kit.metrics.measuring import _caps_looked_for
from kit.metrics.run_metrics import RunDiagnostics, RunMetrics, measure_log, state_metrics
from kit.settings.params import MetricParams, ScreenParams


def diagnostics_of(
    run: Run, params: ScreenParams | None = None, *, refresh_hz: float | None = None
) -> RunDiagnostics:
    """Return the diagnostics of a run with its log, or with typed-in figures."""
    if run.log is None:
        return RunDiagnostics.of_typed(run.row)
    params = params or ScreenParams()
    caps_hz = _caps_looked_for(params, refresh_hz)
    return RunDiagnostics.of_log(run.log, caps_hz=caps_hz, cap_width=params.cap_width)


def metrics_of(run: Run, params: MetricParams) -> RunMetrics:
    """Return the figures of a run with its log, or with typed-in figures."""
    told = diagnostics_of(run)
    figures = measure_log(run.log, params) if run.log is not None and told.measurable else None
    return state_metrics(run.row, told, figures, params=params)
