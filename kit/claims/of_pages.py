"""Claims of the other pages (health, look, plan), and the claims of a whole page."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import chain

from kit.bench.specification import compare_specifications
from kit.claims.bound_text import BoundText
from kit.claims.claim import Claim, ClaimBook, RunRecord, Subject
from kit.claims.of_review import CLAIMS, Make
from kit.package import kit_version
from kit.planning.of_review import Planned, plan_of_review, planned_titles
from kit.planning.runs_needed import PilotCheck, Plan
from kit.review.health import BenchComponents, Health, Repeatability, measure_health
from kit.review.look_into import LookedRun, look_into
from kit.review.walk import Results, Review
from kit.review.what_if import CHOICES
from kit.rounding import NBSP, Rounded, grouped, number
from kit.settings.bench_file import Bench
from kit.settings.metric import HEADLINE, METRIC_LABELS, METRICS, SENSOR_WORDS
from kit.settings.params import ReviewParams
from kit.stats.series import LOW_DEFINITIONS

COMPONENTS = {
    "run": "from run to run",
    "session": "from session to session",
    "interaction": "of a product's strength from title to title",
    "product": "from product to product",
    "title": "from title to title",
}
SPREAD_MARKS = {
    "one_session": "no product has two sessions",
    "sessions_not_recorded": "sessions are not recorded",
    "one_run_a_session": "one run a session: runs and sessions cannot be told apart",
    "single_runs": "single runs",
}
POWER_SOURCES = {
    "logged": "power logged by the part's own sensor",
    "metered": "power metered at the machine",
}


def _health_claims(review: Review, results: Results, make: Make) -> Iterator[Claim]:
    """Yield the spread of each title, its components over the bench, and what is old or missing."""
    health = measure_health(review, results)
    for repeat in health.repeats:
        yield from _of_title(repeat, review, make)
    for parts in health.components:
        yield from _of_bench(parts, review, make)
    yield from _counts(health, make)
    yield from _said_of_health(health, review)


def _said_of_health(health: Health, review: Review) -> Iterator[Claim]:
    """Yield, in words, what each spread rests on, what is old or missing, and what to run first."""
    for r in health.repeats:
        subject = Subject(r.metric, title=r.title)
        yield Claim.state("spread_base", f"{r.products}, {r.sessions}, {r.runs}", subject)
        unknown = "; ".join(SPREAD_MARKS.get(mark, mark) for mark in r.marks)
        yield Claim.state("spread_unknown", unknown, subject)
    for stale in health.stale:
        day = "no date" if stale.newest is None else stale.newest.isoformat()
        subject = Subject(product=stale.product, title=stale.title, part=day)
        yield Claim.state("stale", stale.reason, subject)
    for gap in health.gaps:
        subject = Subject(product=gap.product, title=gap.title)
        yield Claim.state("without_run", gap.reason, subject)
    for task in health.tasks:
        subject = Subject(product=task.product)
        names = ", ".join(review.bench.titles[title].name for title in task.titles)
        titles = "all" if len(task.titles) == len(review.titles) else names
        yield Claim.state("task_why", task.why, subject)
        yield Claim.state("task_titles", titles, subject)


def _of_title(repeat: Repeatability, review: Review, make: Make) -> Iterator[Claim]:
    """Yield run-to-run spread, repeatability and reproducibility limit of one title.

    The limits are ratios: two figures of one product differ by less in 95 % of cases. Where the
    runs do not tell one (no two sessions), there is no claim.
    """
    runs = [m.run for m in review.used if m.title == repeat.title and repeat.metric in m.values]
    inputs = [Claim.id_of("run", metric=repeat.metric, run=run) for run in runs]
    about = Subject(repeat.metric, title=repeat.title, inputs=inputs, runs=runs)
    for part, method, value, unit in (
        ("run_sd", "run-spread", repeat.run_sd, "share"),
        ("repeatability", "repeatability", repeat.repeatability_limit, "ratio"),
        ("reproducibility", "reproducibility", repeat.reproducibility_limit, "ratio"),
    ):
        if value is not None:
            share = value - 1 if unit == "ratio" else value
            text = Rounded.share(share, locale=review.params.locale)
            about = replace(about, part=part)
            yield make("spread", about, value, method=method, unit=unit, text=text)


def _of_bench(parts: BenchComponents, review: Review, make: Make) -> Iterator[Claim]:
    """Yield the components of spread over the whole bench, each a standard deviation as a share."""
    runs = [m.run for m in review.used if parts.metric in m.values]
    inputs = [Claim.id_of("run", metric=parts.metric, run=run) for run in runs]
    for part in COMPONENTS:
        spread: float | None = getattr(parts, f"{part}_sd")
        if spread is not None:
            subject = Subject(parts.metric, part=part, inputs=inputs, runs=runs)
            yield make("component", subject, spread)


def _counts(health: Health, make: Make) -> Iterator[Claim]:
    """Yield how many cells are stale or without a run, and what each task would take."""
    for name, count, unit in (
        ("stale", len(health.stale), "cells"),
        ("gaps", len(health.gaps), "cells"),
        ("to_run", sum(task.runs for task in health.tasks), "runs"),
    ):
        yield make("count", Subject(name, part=f"health/{name}"), count, unit=unit)
    for task in health.tasks:
        runs = Subject("to_run", task.product, part="runs")
        yield make("task", runs, task.runs, unit="runs")
        minutes = Subject("minutes", task.product, part="minutes")
        yield make("task", minutes, task.minutes, method="planned-time", unit="minutes")
        margins = Subject("margins", task.product, part="margins")
        yield make("task", margins, task.margins, unit="margins")


def _look_claims(review: Review, make: Make) -> Iterator[Claim]:
    """Yield, for each run, hitches, time over budget, lows by every definition and diagnostics."""
    look = look_into(review)
    for run in look.runs:
        yield from _of_run(run, make)
    used = [run.run for run in look.runs if run.used]
    for metric, share in look.share_within.items():
        if share is not None:
            inputs = [Claim.id_of("look", part=f"within_sd/{metric}", run=run) for run in used]
            about = Subject(metric, look.product, title=look.title, inputs=inputs, runs=used)
            yield make("share_within", about, share)
    hitches = [(n, h, r) for r in look.runs for n, h in enumerate(r.hitches, start=1)]
    for place, hitch, run in sorted(hitches, key=lambda found: -found[1].longer_ms):
        about = replace(Subject.of_run(run.run, "hitch", run.metrics, used=run.used),
                        group=f"{place}")  # fmt: skip
        at = number(hitch.time_s, decimals=2, locale=review.params.locale)
        yield make("hitch", replace(about, part="at"), hitch.time_s, unit="s",
                   text=Rounded(f"{at}{NBSP}s", "", "2 decimals"))  # fmt: skip
        yield make("hitch", replace(about, part="frame"), hitch.frame_ms)
        yield make("hitch", replace(about, part="around"), hitch.around_ms)
    for run in look.runs:
        yield from _of_sensors(run, review.params.locale, make)
    for name in look.not_shown:
        subject = Subject(product=look.product, title=look.title, runs=[name])
        yield Claim.state("not_shown", "beyond the most runs shown", subject)


def _of_sensors(run: LookedRun, locale: str, make: Make) -> Iterator[Claim]:
    """Yield what each sensor read in the first fifth of a run and in its last."""
    for sensor, (_, unit) in SENSOR_WORDS.items():
        decimals = 0 if sensor == "clock_mhz" else 1
        ends = run.series.sensor_ends.get(sensor, ())
        if not all(map(math.isfinite, ends)):
            continue
        about = Subject.of_run(run.run, sensor, run.metrics, used=run.used)
        for part, value in zip(("first", "last"), ends, strict=False):
            shown = f"{number(value, decimals=decimals, locale=locale)}{NBSP}{unit}"
            text = Rounded(shown, "", f"{decimals} decimals")
            yield make("sensor", replace(about, part=part), value, unit=unit, text=text)


def _of_run(run: LookedRun, make: Make) -> Iterator[Claim]:
    """Yield hitches, time over budgets, lows by each definition and within-run errors of a run."""

    def look(metric: str, part: str, value: float, method: str, unit: str, **of: str) -> Claim:
        about = Subject.of_run(run.run, metric, run.metrics, used=run.used)
        return make("look", replace(about, part=part, **of), value, method=method, unit=unit)

    yield look("hitches", "hitches", len(run.hitches), "hitches-in-run", "hitches")
    for hz, share in run.metrics.over_budget.items():
        yield look(f"over_{hz:g}hz", f"over_budget/{hz:g}hz", share, "budget-in-run", "share")
    for definition, lows in run.metrics.lows.items():
        for metric, value in lows.items():
            part, known = f"low/{definition}/{metric}", METRICS[metric]
            yield look(metric, part, value, known.methods[definition], known.unit, group=definition)
    for metric, within in run.blocks.within_sd.items():
        yield look(metric, f"within_sd/{metric}", within, "within-run-error", "share")
        frames = run.blocks.effective_frames[metric]
        yield look(metric, f"effective_frames/{metric}", frames, "effective-frames", "frames")
    if run.blocks.within_sd:
        yield look("block", "block", run.blocks.block, "within-run-error", "frames")


def _plan_claims(review: Review, make: Make) -> Iterator[Claim]:
    """Yield the runs to make, their time and order, what they resolve, and what a pilot showed."""
    planned = plan_of_review(review)
    yield from _of_plan_itself(planned.plan, review, make)
    yield from _of_budget(planned.plan, make)
    if planned.days is not None:
        runs = [m.run for m in review.used if m.session]
        for part in ("error_now", "error_days", "error_runs"):
            subject = Subject("suite_error", planned.plan.product, part=part, runs=runs)
            share: float = getattr(planned.days, part)
            yield make("plan", subject, share, method="planned-suite-error", unit="share")
    yield from _of_pilot(planned.pilot, review, make)
    yield from _said_of_plan(planned, review)


def _of_plan_itself(plan: Plan, review: Review, make: Make) -> Iterator[Claim]:
    """Yield the runs to make of each product and title, their time, and what they resolve."""
    of_runs = partial(make, "plan", method="planned-runs", unit="runs")
    there = grouped(((m.product, m.title), m.run) for m in review.used)
    total = sum(cell.to_run for cell in plan.cells)
    yield of_runs(Subject("to_run", plan.product, part="runs"), total)
    inputs = [Claim.id_of("plan", part="runs")]
    minutes = Subject("minutes", plan.product, part="minutes", inputs=inputs)
    yield make("plan", minutes, plan.minutes, method="planned-time", unit="minutes")
    yield make("plan", Subject("asked", plan.product, part="margin"), plan.ratio, method="asked")
    for cell in plan.cells:
        runs = there.get((cell.product, cell.title), [])
        about = Subject("to_run", cell.product, title=cell.title, part="runs", runs=runs)
        yield of_runs(about, cell.to_run)
    for margin in plan.margins:
        inputs = [
            Claim.id_of("plan", part="runs", title=margin.title, product=product)
            for product in (margin.product, margin.baseline)
        ]
        pair = margin.product, margin.baseline, margin.title
        about = Subject("smallest", *pair, inputs=inputs)
        if math.isfinite(margin.smallest_ratio):
            yield make("plan_margin", about, margin.smallest_ratio)
        else:
            yield Claim.state("plan_margin", "none, however large", about)


def _of_budget(plan: Plan, make: Make) -> Iterator[Claim]:
    """Yield what one more run of each title would bring, and what a budget is best spent on."""
    for gain in plan.title_gains:
        for part, share in (("share", gain.variance_share), ("gain", gain.gain_share)):
            if share is not None:
                yield make("gain", Subject(part, plan.product, title=gain.title, part=part), share)
        minutes = Subject("minutes", plan.product, title=gain.title, part="minutes")
        yield make("gain", minutes, gain.minutes, method="planned-time", unit="minutes")
    for run in plan.next_runs:
        subject = Subject("minutes", run.product, title=run.title, part=f"{run.place}")
        yield make("next_minutes", subject, run.minutes)
        yield Claim.state("next_run", run.reason, subject)


def _of_pilot(pilot: PilotCheck | None, review: Review, make: Make) -> Iterator[Claim]:
    """Yield, of each margin, whether the runs so far reached the precision planned."""
    if pilot is None:
        return
    for name in ("reached", "missed", "too_few"):
        count: int = getattr(pilot, name)
        about = Subject(name, review.params.product, part=f"pilot/{name}")
        yield make("count", about, count, unit="margins")
    for check in pilot.margins:
        about = Subject("pilot", check.product, check.baseline, check.title)
        runs = f"{check.runs} of {check.planned_runs}"
        yield Claim.state("pilot_said", runs, replace(about, part="runs"))
        reached = {None: "too few to tell", True: "reached", False: "missed"}[check.reached]
        yield Claim.state("pilot_said", reached, replace(about, part="precision"))
        for part, unit, value in (
            ("power", "share", check.power_seen),
            ("runs_by_spread", "runs", check.runs_by_spread),
            ("runs_cautious", "runs", check.runs_cautious),
        ):
            if value is not None:
                yield make("pilot", replace(about, part=part), value, unit=unit)
    yield Claim.state("pilot_rule", pilot.rule, Subject())


def _said_of_plan(planned: Planned, review: Review) -> Iterator[Claim]:
    """Yield notes, what is not planned or stays unresolved, the order of runs, the check-list."""
    plan, titles = planned.plan, review.bench.titles
    power = Rounded.plain(100 * plan.power, unit="%", locale=review.params.locale).text
    level = Rounded.plain(plan.confidence, digits=3, locale=review.params.locale).text
    yield Claim.state("plan_asked", f"in {power} of cases, at confidence {level}", Subject())
    for place, note in enumerate(plan.notes, start=1):
        yield Claim.state("plan_note", note, Subject(part=f"{place}"))
    for title, why in plan.left_out.items():
        yield Claim.state("not_planned", why, Subject(title=title))
    short = grouped((m.baseline, titles[m.title].name) for m in plan.margins if not m.resolved)
    for baseline, names in short.items():
        said = (
            f"the power asked for is not reached in {', '.join(names)}: the runs there are, or the "
            "most allowed, are too few."
        )
        yield Claim.state("plan_short", said, Subject("", plan.product, baseline))
    for run in planned.order:
        subject = Subject("", run.product, title=run.title, group=f"{run.block}",
                          part=f"{run.place}")  # fmt: skip
        yield Claim.state("order", f"{run.number}", subject)
    under = ""
    for place, line in enumerate(planned.checks[1:], start=1):
        if line and "[ ] " not in line:
            under = line
        elif line:
            subject = Subject(group=under, part=f"{place}")
            outcome = "of_one" if line.startswith(" ") else ""
            yield Claim.state("check", line.strip()[4:], subject, outcome=outcome)


# What no reference or statement of a bound text can name.
_NOT_IN_TEXT = frozenset({"runs", "within_runs", "sensitivity", "closures", "spread", "lows"})


def make_claims(
    review: Review, results: Results, *, sections: Sequence[str] = (), for_text: bool = False
) -> ClaimBook:
    """Return every figure of a review's page as a claim, with the runs under them.

    Parameters
    ----------
    review : Review
        What the review read. Which claims are made follows from the template that its params
        name: see `page_of`.
    results : Results
        What `work_out` made of it.
    sections : sequence of str, optional
        Only these of `CLAIMS`, in their order, whatever the page.
    for_text : bool
        Leave out what no bound text can name, and the run records: enough to bind one.

    Returns
    -------
    ClaimBook
        Claims in the order of the page, each id once, with display names, layouts and run records.
    """
    params = review.params
    kind = PAGE_KINDS[page_of(params.template)]
    make = partial(Claim.make, locale=params.locale)
    parts = kind.claims(review, results, make)
    if for_text and kind.claims is _of_review:
        wanted = {"drift"} if params.text is None else CLAIMS.keys() - _NOT_IN_TEXT
        sections = [name for name in CLAIMS if name in wanted]
    if sections:
        parts = [CLAIMS[name](review, results, make) for name in sections]
    claims = {claim.id: claim for made in parts for claim in made}
    elsewhere, names_elsewhere = BoundText.claims_elsewhere(review.loaded)
    claims |= {claim.id: claim for claim in elsewhere}
    return ClaimBook(
        review=params.review,
        title=params.title,
        byline=params.byline,
        date=params.date.isoformat(),
        product=params.product,
        kit_version=kit_version(),
        params_file=review.loaded.document.file,
        params_sha256=review.loaded.sha256,
        settings=params.model_dump(mode="json", by_alias=True),
        layouts={
            name: review.bench.layouts[name].model_dump(mode="json")
            for name in sorted({row.layout for row in review.rows if row.layout})
        },
        claims=tuple(claims.values()),
        runs=() if for_text else _records_shown(review),
        names=_names(review, results)
        | names_elsewhere
        | ({"style": dict(review.loaded.house)} if review.loaded.house else {}),
    )


def _names(review: Review, results: Results) -> dict[str, dict[str, str]]:
    """Return people's words for what claims name by id, family by family, in the page's order.

    Returns
    -------
    dict of str to dict of str to str
        By family ("products", "titles", "metrics", ...), id to words; families without any are
        left out.
    """
    params, bench = review.params, review.bench
    not_compared = set(METRICS) - set(params.metrics.names)
    kinds = results.value.kinds if results.value is not None else ()
    names: dict[str, Mapping[str, str]] = {
        "products": {p: bench.products[p].name for p in params.products},
        "titles": {t: bench.titles[t].name for t in titles_named(params, bench, review.titles)},
        "classes": {p: bench.products[p].machine_class for p in params.products},
        "metrics": {n: v for n, v in METRIC_LABELS.items() if n not in not_compared},
        "title_groups": {
            "all": params.suites[params.headline].name if params.headline else "all shared titles"
        }
        | {name: group.name for name, group in params.suites.items()},
        "axes": {axis.setting: axis.name for axis in params.axes},
        "steps": _step_names(params, bench),
        "choices": CHOICES
        | {f"without_title/{t}": f"without {bench.titles[t].name}" for t in review.titles}
        | {f"without_group/{g}": f'without the group "{s.name}"' for g, s in params.suites.items()},
        "price_kinds": {kind: _kind_words(results, kind) for kind in kinds},
        "low_definitions": {name: name.replace("_", " ") for name in LOW_DEFINITIONS},
        "power_sources": POWER_SOURCES,
        "sensors": {name: words.capitalize() for name, (words, _) in SENSOR_WORDS.items()},
        "components": COMPONENTS,
        "controls": {c: bench.controls.get(c, c.replace("_", " ")) for c in params.controls},
        "specifications": {
            row.field: row.label for row in compare_specifications(bench, params.products)
        },
        "rules": {flag.rule: flag.rule.replace("_", " ") for flag in review.screened.flags},
    }
    if PAGE_KINDS[page_of(params.template)].of_one_cell:
        names["budgets"] = {
            f"over_budget/{hz:g}hz": f"{1000 / hz:.1f} ms ({hz:g} Hz)"
            for hz in params.metrics.budgets_hz
        }
    return {family: dict(of_family) for family, of_family in names.items() if of_family}


def _step_names(params: ReviewParams, bench: Bench) -> dict[str, str]:
    """Return the settings of all axes in words, and each over the one it is set against."""
    names: dict[str, str] = {}
    for axis in params.axes:
        values = dict.fromkeys(v for v, _ in axis.places(params.product, bench.titles).values())
        words = {v: f"{v} {axis.unit}".strip() for v in values}
        over = axis.over or next(iter(values))
        names |= {axis.code(v): word for v, word in words.items()}
        pairs = {f"{axis.code(v)}-over-{axis.code(over)}": f"{word} over {words[over]}"
                 for v, word in words.items() if v != over}  # fmt: skip
        names |= pairs
        names |= {f"{code}/on/{group}": f"{word}, {suite.name}" for code, word in pairs.items()
                  for group, suite in params.suites.items()}  # fmt: skip
    return names


def _kind_words(results: Results, kind: str) -> str:
    """Return a kind of price in words: a scenario by the name params give it."""
    prices = results.value.prices if results.value is not None else {}
    for (_, of_kind), price in prices.items():
        for mark in price.marks:
            if of_kind == kind and mark.startswith("scenario: "):
                return f"supposed: {mark.removeprefix('scenario: ')}"
    return f"{kind} prices"


Made = Iterable[Iterable[Claim]]


@dataclass(frozen=True, slots=True)
class _PageKind:
    """One kind of page: its claims, and by name its charts and the tables beside it.

    The sections are the cells of its template, `notebooks/<name>.ipynb`.
    """

    claims: Callable[[Review, Results, Make], Made]
    charts: tuple[str, ...] = ()  # of `kit.page.pictures.CHARTS`
    tables: tuple[str, ...] = ()  # of `kit.page.outputs.TABLES`, there even where they are empty
    of_one_cell: bool = False  # it names the runs of the one cell looked into alone
    with_planned: bool = False  # it names titles that nothing ran yet


def _of_review(review: Review, results: Results, make: Make) -> Made:
    """Return the claims of a review."""
    return [write(review, results, make) for write in CLAIMS.values()]


def _of_frame_times(review: Review, results: Results, make: Make) -> Made:
    """Return the claims of the runs of one cell: figures, those of single frames, then words."""
    cell = _cell_looked_into(review)
    own = chain(
        *(CLAIMS[name](review, results, make) for name in ("runs", "cells", "said_of_runs"))
    )
    made = [claim for claim in own if (claim.product, claim.title) == cell]
    figures = [claim for claim in made if claim.is_figure]
    return figures, _look_claims(review, make), [claim for claim in made if not claim.is_figure]


def _of_bench_health(review: Review, results: Results, make: Make) -> Made:
    """Return the claims of a bench's health, with the reviewed product's own cells and spread."""
    mine = HEADLINE, review.params.product
    cells = CLAIMS["cells"](review, results, make)
    return (
        CLAIMS["runs"](review, results, make),
        CLAIMS["drift"](review, results, make),
        _health_claims(review, results, make),
        CLAIMS["counts"](review, results, make),
        (claim for claim in cells if (claim.metric, claim.product) == mine),
        CLAIMS["spread"](review, results, make),
        CLAIMS["said_of_runs"](review, results, make),
    )


def _of_plan(review: Review, results: Results, make: Make) -> Made:
    """Return the claims of a plan, and the counts of the runs there are."""
    return _plan_claims(review, make), CLAIMS["counts"](review, results, make)


PAGE_KINDS: Mapping[str, _PageKind] = {
    "review": _PageKind(
        _of_review,
        charts=("titles", "margins", "influence", "spread", "classes", "steps", "value", "prices"),
        tables=("cells", "margins", "suites"),
    ),
    "frame_times": _PageKind(
        _of_frame_times,
        charts=("overlay", "distribution", "run"),
        tables=("look", "hitches"),
        of_one_cell=True,
    ),
    "bench_health": _PageKind(
        _of_bench_health, charts=("spread",), tables=("repeatability", "stale", "gaps", "tasks")
    ),
    "plan": _PageKind(_of_plan, tables=("plan", "order"), with_planned=True),
}


def page_of(template: str) -> str:
    """Return which of `PAGE_KINDS` a template makes: a copy keeps the beginning of its name, and a
    template of another name makes a review."""
    stem = template.replace("\\", "/").rpartition("/")[2].removesuffix(".ipynb")
    for name in PAGE_KINDS:
        if stem == name or stem.startswith((f"{name}-", f"{name}_")):
            return name
    return "review"


def titles_named(params: ReviewParams, bench: Bench, titles: tuple[str, ...]) -> tuple[str, ...]:
    """Return the titles a page may name: a plan has those that nothing ran yet too."""
    if PAGE_KINDS[page_of(params.template)].with_planned:
        return planned_titles(params, bench)
    return titles


def _cell_looked_into(review: Review) -> tuple[str, str]:
    """Return the product and title that `look` of the params names."""
    look = look_into(review)
    return look.product, look.title


def _records_shown(review: Review) -> tuple[RunRecord, ...]:
    """Return the records of the runs a page may name: those of one cell, or of the review."""
    records = _run_records(review)
    if not PAGE_KINDS[page_of(review.params.template)].of_one_cell:
        return records
    cell = _cell_looked_into(review)
    return tuple(run for run in records if (run.product, run.title) == cell)


def _run_records(review: Review) -> tuple[RunRecord, ...]:
    """Return every row of the review's run sheet: used, set aside, or why it did not run."""
    flagged = grouped((f.run, f.rule) for f in review.screened.flags if f.action == "flag")
    records = []
    for row in review.rows:
        measured = review.metrics.get(row.run)
        diagnostics = review.diagnostics.get(row.run)
        aside = review.screened.set_aside.get(row.run, "")
        reason = aside or ("" if measured else f"{row.status}: {row.reason}")
        records.append(
            RunRecord(
                id=row.run,
                product=row.product,
                title=row.title,
                file=row.log,
                sha256=(diagnostics.sha256 if diagnostics else "") or row.row_sha256,
                frames=diagnostics.frames if diagnostics else 0,
                used=measured is not None and not aside,
                reason=reason,
                layout=row.layout,
                status=row.status,
                session=row.session,
                began=row.began.isoformat() if row.began else "",
                duration_s=diagnostics.duration_s if diagnostics else 0.0,
                conditions=dict(row.conditions),
                flags=tuple(flagged.get(row.run, ())),
            )
        )
    return tuple(records)
