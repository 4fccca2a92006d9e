"""Each figure of the report: its identity, text and trace; its one writer. `claims.json`."""

from __future__ import annotations

import base64
import hashlib
import json
import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from functools import cached_property, partial
from operator import attrgetter
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal, Self

from pydantic import ConfigDict, ValidationError

from kit.errors import Fault, SealError, UsageError, did_you_mean
from kit.methods import METHODS
from kit.rounding import Rounded, grouped
from kit.settings.yaml import Section, means

if TYPE_CHECKING:  # reading claims needs no numpy
    from kit.margins.cells import Estimate
    from kit.metrics.run_metrics import RunMetrics

CLAIMS_FORMAT = "marginbook-claims/2"
OLD_FORMAT = "marginbook-claims/1"
NEW_IN_FORMAT_2 = ("group", "part")
STATED = "stated"
SCHEMA_NAMES = ("params", "bench", "claims")
DIALECT = "https://json-schema.org/draft/2020-12/schema"
_CLAIMS, _MANIFESTS = "claims.json", ("manifest-sha256.txt", "tagmanifest-sha256.txt")
REVIEW_FILES = (_CLAIMS, *_MANIFESTS)  # what a bag holds of another review
_LARGEST = 1 << 28  # bytes of another review's claims and manifests
# What `claims.json` holds: texts exactly as written, figures finite, no key unknown.
_PUBLISHED = ConfigDict(extra="forbid", str_strip_whitespace=False, allow_inf_nan=False)


TRACE = "t-"  # what a claim's place in the traces begins with


def anchor_of(claim: str) -> str:
    """Return the id of a claim's place in the traces of a report, by the claim's id.

    Short, since a page names it thousands of times; of the id alone, so that a link to it stays.
    """
    digest = hashlib.sha256(claim.encode()).digest()
    return TRACE + base64.b32encode(digest)[:9].decode().lower()


@dataclass(frozen=True, slots=True)
class _Kind:
    """One kind of claim: how its ids are built, where names of its fields stand, how it is made.

    `form` holds fields in braces: those of the claim, and `kind`, `pair` (product-over-baseline),
    `run` (the one run it is about), `titles` (the title, or all-titles) and `cell` (title/product,
    where there is a title). `group`, `metric` and `part` name the families of `ClaimBook.names` in
    which what these fields hold is found. `method` is of `kit.methods`, "" where figures of the
    kind have several; `printed` a key of `_PRINTED`, "" where the unit is one.
    """

    form: str
    method: str = ""
    unit: str = "ratio"
    printed: str = ""
    group: str = ""
    metric: str = "metrics"
    part: str = ""


_CELL, _MARGIN = "{kind}/{metric}/{title}/{product}", "{kind}/{metric}/{title}/{pair}"
_PAIR, _SUITE = "{kind}/{metric}/{pair}", "{kind}/{metric}/{group}/{pair}"
_VALUE, _WEIGHED = "value/{group}/{kind}/{product}", "value/{group}/{kind}/{pair}"
_CHAIN = "{kind}/{metric}/{product}-over-{group}-over-{baseline}"
_GAP = "gap/{metric}/{product}-over-{group}/against/{baseline}-over-{part}"
_STEP, _TITLES = "{kind}/{metric}/{group}/{product}", "{kind}/{metric}/{titles}"

_ABOUT = ("metric", "product", "baseline", "title", "group", "part")
_about = attrgetter(*_ABOUT)
# Kinds alike in form, or in the families that name what their fields hold.
_suite = partial(_Kind, _SUITE, group="title_groups")
_priced = partial(_Kind, _VALUE, group="price_kinds")
_weighed = partial(_Kind, _WEIGHED, group="price_kinds")
_step = partial(_Kind, group="axes", part="steps")
_sensed = partial(_Kind, metric="sensors")
_powered = partial(_Kind, group="power_sources")
KINDS: Mapping[str, _Kind] = {
    "run": _Kind("run/{metric}/{run}", printed="fps"),
    "cell": _Kind(_CELL, printed="fps"),
    "run_over_mean": _Kind("run_over_mean/{metric}/{run}", "run-over-mean"),
    "low": _Kind("low/{group}/{metric}/{run}", printed="fps", group="low_definitions"),
    "within_frames": _Kind(
        "within/frames/{metric}/{product}", "effective-frames-product", "frames"
    ),
    "within_share": _Kind("within/share/{metric}/{product}", "share-within-product", "share"),
    "margin": _Kind(_MARGIN),
    "margin_all_runs": _Kind(_MARGIN, "margin-all-runs"),
    "margin_own_runs": _Kind(_MARGIN, "margin-own-runs"),
    "margin_robust": _Kind(_MARGIN, "margin-robust"),
    "plan_kept": _Kind("plan_kept"),
    "look_level": _Kind("look_level", "look-level", "share"),
    "margin_unstruck": _Kind(_MARGIN, "margin-unstruck"),
    "common_stretch": _Kind("common_stretch/{title}", "common-stretch"),
    "level_difference": _Kind(_MARGIN, "difference", printed="level"),
    "suite": _suite("suite-these-titles"),
    "suite_like": _suite("suite-titles-like-these"),
    "suite_smallest": _suite("suite-range"),
    "suite_largest": _suite("suite-range"),
    "suite_count": _Kind(_SUITE + "/{part}", "suite-count", "titles", group="title_groups"),
    "suite_side": _Kind(_SUITE + "/{part}", "suite-side", "titles", group="title_groups"),
    "suite_sign": _suite("sign-test", "", printed="chance"),
    "suite_false": _suite("false-outcomes", "titles", printed="expected"),
    "suite_day": _suite("product-day", "share"),
    "suite_break_even": _suite("break-even-day", "share"),
    "suite_all_runs": _suite("margin-all-runs"),
    "influence": _Kind(_SUITE + "/without-{title}", "suite-influence", group="title_groups"),
    "sensitivity": _Kind(_PAIR + "/{part}", "suite-otherwise", part="choices"),
    "step": _step(_STEP + "/{titles}/{part}", "suite-these-titles"),
    "step_like": _step(_STEP + "/{part}", "suite-titles-like-these"),
    "step_on": _step(_STEP + "/{part}", "suite-these-titles"),
    "step_on_like": _step(_STEP + "/{part}", "suite-titles-like-these"),
    "step_level": _step("step_level/{group}/{product}/{part}", "suite-fps", "fps"),
    "part": _Kind(_PAIR),
    "part_spread": _Kind(_PAIR, "machine-spread", "share"),
    "gap_here": _Kind(_PAIR, "suite-these-titles"),
    "gap_there": _Kind(_PAIR, "suite-these-titles"),
    "gap": _Kind(_GAP, "name-gap", group="products", part="products"),
    "closure": _Kind(_CHAIN + "/{part}", "closure", group="products"),
    "drift": _Kind(_TITLES + "/{part}"),
    "drift_anchor": _Kind(_TITLES + "/{product}"),
    "energy": _powered("cell/{metric}/{title}/{product}", unit="J", printed="fine"),
    "fps_per_watt": _powered(
        "cell/{metric}/{title}/{product}", "fps-per-watt", "fps/W", printed="fine"
    ),
    "energy_margin": _powered("margin/{metric}/{title}/{pair}"),
    "energy_unsettled": _powered("energy_unsettled/{title}/{product}", "energy-unsettled"),
    "sensor_lag": _sensed("sensor_lag/{metric}/{product}", "sensor-lag", "s", printed="fine"),
    "load": _sensed("cell/{metric}/{titles}/{product}", "sensor-under-load", printed="reading"),
    "load_spread": _sensed(
        "{kind}/{metric}/{titles}/{product}", "sensor-spread", printed="reading"
    ),
    "load_ratio": _sensed("margin/{metric}/{titles}/{pair}", "sensor-apart", printed="apart"),
    "load_difference": _sensed("margin/{metric}/{titles}/{pair}", "sensor-apart", printed="level"),
    "price": _priced("price", printed="money"),
    "price_seen": _Kind(
        "value/{group}/seen/{product}/{part}", "price-seen", printed="money", group="price_kinds"
    ),
    "suite_fps": _priced("suite-fps", "fps"),
    "cost_per_fps": _priced("cost-per-fps", printed="money_per_fps"),
    "premium": _weighed("premium"),
    "price_difference": _weighed("price-difference", printed="money_apart"),
    "equal_value_price": _weighed("equal-value-price", printed="money"),
    "cut_needed": _weighed("cut-needed", "share"),
    "specification": _Kind("specification/{metric}/{product}", metric="specifications"),
    "elsewhere": _Kind("elsewhere/{group}/{part}", group="reviews"),
    "count": _Kind("count/{part}", "count", printed="whole"),
    "spread": _Kind("spread/{metric}/{title}/{part}"),
    "component": _Kind("component/{metric}/{part}", "bench-components", "share", part="components"),
    "task": _Kind("task/{part}/{product}", "count", printed="whole"),
    "look": _Kind("look/{part}/{run}", group="low_definitions", part="budgets"),
    "share_within": _Kind("look/share_within/{metric}/{title}/{product}", "share-within", "share"),
    "hitch": _Kind("hitch/{part}/{run}/{group}", "hitches-in-run", "ms", printed="fps"),
    "sensor": _sensed("sensor/{metric}/{part}/{run}", "sensor-ends"),
    "plan": _Kind("plan/{part}{cell}"),
    "plan_margin": _Kind("plan/smallest/{title}/{pair}", "smallest-resolved"),
    "gain": _Kind("gain/{part}/{title}", "run-gain", "share"),
    "next_minutes": _Kind("next_minutes/{part}", "planned-time", "minutes"),
    "pilot": _Kind("pilot/{part}/{title}/{pair}", "pilot", "share"),
    # Statements: what a page says in words.
    "control": _Kind("control/{metric}/{product}", metric="controls"),
    "waiver": _Kind(_PAIR, metric="controls"),
    "set_aside": _Kind("set_aside/{run}"),
    "not_run": _Kind("not_run/{run}"),
    "no_figure": _Kind("no_figure/{title}/{product}"),
    "flag": _Kind("flag/{metric}/{part}", metric="rules"),
    "not_compared": _Kind("not_compared/{pair}"),
    "left_out": _Kind(_SUITE + "/{title}", group="title_groups"),
    "every_title": _suite(),
    "same_titles": _Kind(_CHAIN, group="products"),
    "frontier": _priced(),
    "spread_base": _Kind("spread_base/{metric}/{title}"),
    "spread_unknown": _Kind("spread_unknown/{metric}/{title}"),
    "stale": _Kind("stale/{title}/{product}"),
    "without_run": _Kind("without_run/{title}/{product}"),
    "task_why": _Kind("task_why/{product}"),
    "task_titles": _Kind("task_titles/{product}"),
    "price_passed_over": _Kind("value/{group}/passed_over/{product}/{part}", group="price_kinds"),
    "not_weighed": _priced(),
    "not_shown": _Kind("not_shown/{run}"),
    "not_planned": _Kind("not_planned/{title}"),
    "plan_asked": _Kind("plan_asked"),
    "plan_note": _Kind("plan_note/{part}"),
    "plan_short": _Kind("plan_short/{pair}"),
    "next_run": _Kind("next_run/{part}"),
    "order": _Kind("order/{part}"),
    "check": _Kind("check/{part}"),
    "pilot_said": _Kind("pilot_said/{part}/{title}/{pair}"),
    "pilot_rule": _Kind("pilot_rule"),
}

# Each form as `%` fills it, which takes half the time of `format`.
_FORMS = {
    kind: re.sub(
        r"{(\w+)}",
        r"%(\1)s",
        row.form.replace("{kind}", kind).replace("{pair}", "{product}-over-{baseline}"),
    )
    for kind, row in KINDS.items()
}

_Ends = tuple[float | None, float | None]


def _whole(value: float, _: _Ends, __: str, locale: str) -> Rounded:
    return Rounded.count(value, locale=locale)


def _in_unit(rule: str, value: float, ends: _Ends, unit: str, locale: str) -> Rounded:
    return Rounded.figure(value, *ends, unit=unit, rule=rule, locale=locale)


# How a figure is printed: from its value, the ends that decide its decimals, its unit, its locale.
_PRINTED: Mapping[str, Callable[[float, _Ends, str, str], Rounded]] = {
    "ratio": lambda v, ends, _, locale: Rounded.ratio(v, *ends, locale=locale),
    "apart": lambda v, ends, _, locale: Rounded.apart(v, *ends, locale=locale),
    "share": lambda v, ends, _, locale: Rounded.share(v, *ends, locale=locale),
    "money": lambda v, ends, unit, locale: Rounded.money(v, unit, *ends, locale=locale),
    "money_apart": lambda v, ends, unit, locale: Rounded.money(
        v, unit, *ends, locale=locale, sign=True
    ),
    "money_per_fps": lambda v, ends, unit, locale: Rounded.money(
        v, unit.removesuffix("/fps"), *ends, decimals=2, locale=locale
    ),
    "chance": lambda v, _, __, locale: Rounded.chance(v, locale=locale),
    "expected": lambda v, _, __, locale: Rounded.expected(v, locale=locale),
    "whole": _whole,
    **{rule: partial(_in_unit, rule) for rule in ("fps", "fine", "reading", "level")},
    **dict.fromkeys(("titles", "frames", "runs", "margins", "minutes", "hitches"), _whole),
}


@dataclass(frozen=True, slots=True)
class Claim:
    """One figure the report states, or one thing it says in words (a statement).

    `id` is readable and stays the same from build to build:
    ``margin/average_fps/dunes-1080/kestrel-14-over-heron-14``, ``suite/average_fps/all/a-over-b``,
    ``cell/low_1pct_fps/dunes-1080/kestrel-14``, ``run/average_fps/r0042``,
    ``value/street/equal_value_price/a-over-b``. `inputs` are ids of claims or, for kind "run", of
    runs; `runs` are the used runs the figure rests on, `set_aside` those left out of it. `text`
    is the figure as printed, `interval` its interval as printed. `group` says of which of several
    the claim is: group of titles, kind of price, definition of a low, way of measuring power, the
    product in the middle of a chain; `part` which of several figures of one thing it is. A
    statement has the method "stated" and no value: its `text` says it, its `outcome` in one word.
    """

    __pydantic_config__: ClassVar[ConfigDict] = _PUBLISHED
    id: Annotated[str, means("The same from build to build.")]
    kind: Annotated[str, means("What kind of figure or statement it is.")]
    metric: Annotated[str, means("Which metric, or the quantity it is about.")]
    product: Annotated[str, means('The product it is about; "" for none.')]
    baseline: Annotated[str, means('What the product is compared with; "" for nothing.')]
    title: Annotated[str, means('The title; "" where it is over several.')]
    value: Annotated[float | None, means("Unrounded. A margin is a ratio: 1.25, not 25.")]
    low: Annotated[float | None, means("Lower end of the interval, unrounded.")]
    high: Annotated[float | None, means("Upper end of the interval, unrounded.")]
    confidence: Annotated[float | None, means("Of the interval, a fraction: 0.95.")]
    unit: Annotated[str, means("Unit of the value.")]
    outcome: Annotated[str, means("What the interval says: ahead, level, behind, unresolved, ...")]
    text: Annotated[str, means("The figure as printed.")]
    interval: Annotated[str, means("The interval as printed.")]
    rounding: Annotated[str, means("The rule by which it is rounded.")]
    method: Annotated[str, means("A method of the catalogue (kit/methods.md).")]
    method_version: Annotated[int, means("Version of that method.")]
    inputs: Annotated[tuple[str, ...], means("Ids of the claims, or of the runs, it is made from.")]
    runs: Annotated[tuple[str, ...], means("Ids of the used runs it rests on.")]
    set_aside: Annotated[tuple[str, ...], means("Ids of the runs left out of it.")]
    marks: Annotated[tuple[str, ...], means("What a reader is warned of.")]
    group: Annotated[str, means("Of which of several: group of titles, kind of price, ...")] = ""
    part: Annotated[str, means("Which of several figures of one thing.")] = ""

    @property
    def figure(self) -> float:
        """The value; NaN where there is none."""
        return math.nan if self.value is None else self.value

    @property
    def is_figure(self) -> bool:
        """Whether the claim is a figure; False for a statement in words."""
        return self.method != STATED

    @property
    def printed(self) -> str:
        """The figure as printed, its interval in brackets where it has one."""
        return f"{self.text} ({self.interval})" if self.interval else self.text

    @property
    def ends(self) -> tuple[float, float]:
        """The ends of the interval; NaN where it has none."""
        return (
            (math.nan, math.nan) if self.low is None or self.high is None else (self.low, self.high)
        )

    @property
    def waived(self) -> bool:
        """Whether its marks say that a control was waived."""
        return any(mark.startswith("waived:") for mark in self.marks)

    @property
    def run(self) -> str:
        """The one run the claim is about; "" where it is about none or several."""
        runs = (*self.runs, *self.set_aside)
        return runs[0] if len(runs) == 1 else ""

    @property
    def anchor(self) -> str:
        """The id of this claim's place in the traces of a report."""
        return anchor_of(self.id)

    def elsewhere(self, review: str) -> Claim:
        """Return the claim as another review states it, which calls its own review so."""
        return replace(
            self,
            id=Claim.id_of("elsewhere", group=review, part=self.id),
            kind="elsewhere",
            group=review,
            part=self.id,
            method="elsewhere",
            method_version=METHODS["elsewhere"].version,
            inputs=(),
            runs=(),
            set_aside=(),
            marks=(f"elsewhere:{review}", *self.marks),
        )

    def at_home(self) -> Claim:
        """Return a claim of another review as that one has it, less what it rests on."""
        if self.kind != "elsewhere":
            return self
        head, last = self.part.partition("/")[0], self.part.rpartition("/")[2]
        kind = head if head in KINDS else self.kind
        return replace(self, id=self.part, kind=kind, group="", part=last)

    @staticmethod
    def make(
        kind: str,
        subject: Subject,
        figure: float | Figure | Estimate,
        *,
        method: str = "",
        unit: str | None = None,
        text: Rounded | None = None,
        ends: _Ends | None = None,
        locale: str = "en",
    ) -> Claim:
        """Return one claim; its id is built from its kind and subject.

        Parameters
        ----------
        kind : str
            A key of `KINDS`, whose row says the rest where it is not given.
        subject : Subject
            What the claim is about, and the claims and runs it rests on.
        figure : float, Figure or Estimate
            The figure, unrounded; with its interval and outcome where it has them.
        method : str
            A key of `kit.methods.METHODS`; the claim keeps its version.
        unit : str, optional
            Unit of the figure: "ratio" for a margin, "share" for a fraction in [0, 1].
        text : Rounded, optional
            The figure as printed.
        ends : (float, float), optional
            Of the interval by which it is rounded, if not its own.
        locale : str
            How figures are written.

        Raises
        ------
        ValueError
            If the kind is not one of `KINDS`, the method is not in the catalogue, or nothing says
            how a figure in this unit is printed.
        """
        metric, product, baseline, title, group, part = _about(subject)
        runs, aside = subject.runs, subject.set_aside
        name = Claim.id_of(
            kind, metric=metric, product=product, baseline=baseline, title=title, group=group,
            part=part, run=runs[0] if runs else aside[0] if aside else "",
        )  # fmt: skip
        row = KINDS[kind]
        method = method or row.method
        unit = row.unit if unit is None else unit
        if method not in METHODS:
            raise ValueError(f"{name}: no method {method!r} in the catalogue")
        found = _BARE if isinstance(figure, (float, int)) else figure
        value = figure if isinstance(figure, (float, int)) else figure.value
        value, low, high = math.nan if value is None else float(value), found.low, found.high
        if text is None:
            printed = _PRINTED.get(row.printed or unit)
            if printed is None:
                raise ValueError(f"{name}: nothing says how a figure in {unit!r} is printed")
            text = printed(value, ends or (low, high), unit, locale)
        bounded = low is not None and math.isfinite(low)
        return Claim(  # by place: every figure passes here
            name, kind, metric, product, baseline, title, _finite(value), low if bounded else None,
            _finite(high), None if low is None else found.confidence, unit, found.outcome,
            text.text, text.interval if bounded else "", text.rule, method, METHODS[method].version,
            tuple(subject.inputs), tuple(dict.fromkeys(runs)), tuple(dict.fromkeys(aside)),
            tuple(dict.fromkeys(subject.marks)), group, part,
        )  # fmt: skip

    @staticmethod
    def state(kind: str, text: str, subject: Subject, *, outcome: str = "") -> Claim:
        """Return what a page says in words as a claim without a value.

        Parameters
        ----------
        kind : str
            A key of `KINDS`.
        text : str
            What it says.
        subject : Subject
        outcome : str
            The same in one word, where pages or charts ask for it.
        """
        said = Rounded(text, "", "")
        figure = Figure(None, outcome=outcome)
        return Claim.make(kind, subject, figure, method=STATED, unit="", text=said)

    @staticmethod
    def id_of(
        kind: str,
        *,
        metric: str = "",
        product: str = "",
        baseline: str = "",
        title: str = "",
        group: str = "",
        part: str = "",
        run: str = "",
    ) -> str:
        """Return the id of the claim of a kind about what the fields name.

        >>> Claim.id_of("margin", metric="average_fps", title="dunes", product="a", baseline="b")
        'margin/average_fps/dunes/a-over-b'

        Raises
        ------
        ValueError
            If the kind is not one of `KINDS`.
        """
        if kind not in KINDS:
            raise ValueError(f"no kind of claim is called {kind!r}; there are {', '.join(KINDS)}")
        return _FORMS[kind] % {
            "metric": metric,
            "product": product,
            "baseline": baseline,
            "title": title,
            "titles": title or "all-titles",
            "cell": f"/{title}/{product}" if title else "",
            "group": group,
            "part": part,
            "run": run,
        }


# A word that may be a code: it has a hyphen, an underscore or the ending of a bench's file.
_CODE = re.compile(r"\w+(?:[-_.:]\w+)*[-_]\w+(?:[-_]\w+)*|\b\w+\.(?:csv|yaml)\b")
FILE_WORDS = {
    "prices.csv": "the list of prices",
    "runs.csv": "the run sheet",
    "bench.yaml": "the bench file",
}
CONTROL_CHARACTERS = 30
# What a code ends in that is measured; percents say so themselves.
_UNITS = {"pct": "", "w": "(W)", "mhz": "(MHz)", "c": "(°C)", "gb": "(GB)", "mb": "(MB)"}


def _plain_code(code: str) -> str:
    """Return a code in words: without underscores, the unit at its end in brackets.

    >>> _plain_code("ambient_c"), _plain_code("sessions_apart"), _plain_code("f9-desk-1")
    ('ambient (°C)', 'sessions apart', 'f9-desk-1')
    """
    bare, _, unit = code.rpartition("_")
    if bare and unit in _UNITS:
        return f"{bare} {_UNITS[unit]}".replace("_", " ").strip()
    return code.replace("_", " ")


@dataclass(frozen=True, slots=True)
class RunRecord:
    """One run of the review, used or not, as `claims.json` lists it."""

    __pydantic_config__: ClassVar[ConfigDict] = _PUBLISHED
    id: Annotated[str, means("As in the run sheet.")]
    product: Annotated[str, means("As in bench.yaml.")]
    title: Annotated[str, means("As in bench.yaml.")]
    file: Annotated[str, means('From the bench folder; "" without a log.')]
    sha256: Annotated[str, means("Of the log as recorded.")]
    frames: Annotated[int, means("How many frames its log holds.", ge=0)]
    used: Annotated[bool, means("Whether any figure rests on it.")]
    reason: Annotated[str, means("Why it is not used.")]
    layout: Annotated[str, means("How its log was read.")]
    status: Annotated[str, means("ran, crashed, refused, not_started or set_aside.")]
    session: Annotated[str, means("Which session it belongs to.")]
    began: Annotated[str, means("When it began, ISO 8601.")]
    duration_s: Annotated[float, means("Sum of its frame times, in seconds.")]
    conditions: Annotated[Mapping[str, str], means("What else the run sheet records of it.")]
    flags: Annotated[tuple[str, ...], means("Screening rules it was flagged by.")]


@dataclass(frozen=True, eq=False)
class ClaimBook:
    """All claims of a review, the runs under them, and the settings in force.

    Attributes
    ----------
    review, title, byline, date : str
        The review's id, headline, author and day (ISO 8601).
    product : str
        The reviewed product's id.
    params_file, params_sha256 : str
        Name of the params file, and the hash of its bytes.
    settings : mapping
        Params as read, plain data: every default filled in.
    layouts : mapping
        How the logs of the runs were read, by name.
    claims : tuple of Claim
        In the order of the page, each after those it is made from.
    runs : tuple of RunRecord
        Used and set aside, in the order of the run sheet.
    """

    review: str
    title: str
    byline: str
    date: str
    product: str
    kit_version: str
    params_file: str
    params_sha256: str
    settings: Mapping[str, Any]
    layouts: Mapping[str, Any]
    claims: tuple[Claim, ...]
    runs: tuple[RunRecord, ...]
    names: Mapping[str, Mapping[str, str]] = field(default_factory=dict)  # by family, then id
    file_format: str = CLAIMS_FORMAT
    seal: str = ""  # identity of the bag it was read from, by `read_stated`; never written

    @staticmethod
    def files_of(path: Path) -> dict[str, bytes]:
        """Return `claims.json` of a finished or sealed review, and the manifests of a sealed one.

        Parameters
        ----------
        path : Path
            Its folder, a bag, a zip of one, or what another bag holds of it.

        Raises
        ------
        SealError
            If there is no review, or it is larger than any.
        """
        import zipfile

        try:
            if path.is_file():
                with zipfile.ZipFile(path) as bag:
                    inside = {n.partition("/")[2]: n for n in bag.namelist()}
                    listed = [(n, inside.get(f"data/{n}") or inside.get(n)) for n in REVIEW_FILES]
                    if sum(bag.getinfo(at).file_size for _, at in listed if at) > _LARGEST:
                        raise SealError(f"{path.name}: larger than any review")
                    found = {n: bag.read(at) for n, at in listed if at}
            else:
                places = {n: (path / "data" / n, path / n) for n in REVIEW_FILES}
                there = {n: at for n, both in places.items() for at in both[::-1] if at.is_file()}
                found = {n: at.read_bytes() for n, at in there.items()}
        except (OSError, zipfile.BadZipFile, RuntimeError) as error:
            raise SealError(f"{path.name}: cannot be read: {error}") from None
        if _CLAIMS not in found:
            raise SealError(f"{path.name}: no claims.json; this is no finished or sealed review")
        return found

    @classmethod
    def read_stated(cls, path: Path) -> Self:
        """Return the claims of another review as it states them, with the identity of its bag.

        Raises
        ------
        SealError
            As `files_of`; or if the manifests of a sealed one do not lead to its claims.
        """
        files = cls.files_of(path)
        book = cls.parse(files[_CLAIMS], file=f"{path.name}/claims.json")
        if _MANIFESTS[1] not in files:
            return book
        told = {"data/claims.json": _CLAIMS, _MANIFESTS[0]: _MANIFESTS[0]}
        for (listed, file), manifest in zip(told.items(), _MANIFESTS, strict=True):
            line = f"{hashlib.sha256(files.get(file, b'')).hexdigest()}  {listed}"
            if line not in files.get(manifest, b"").decode("utf-8", "replace").split("\n"):
                raise SealError(f"{path.name}: {listed} is not as {manifest} has it; verify it")
        return replace(book, seal=hashlib.sha256(files[_MANIFESTS[1]]).hexdigest())

    def stated_by(self, review: str) -> ClaimBook:
        """Return the claims that this book states of another review, as that one has them.

        Raises
        ------
        LookupError
            If no review is called so; the nearest is named.
        """
        known = self.settings.get("reviews") or {}
        if review not in known:
            raise LookupError(f'no review "{review}"{did_you_mean(review, known, listed=9)}')
        claims = tuple(claim.at_home() for claim in self.of_kind("elsewhere", group=review))
        return replace(self, claims=claims)

    @classmethod
    def parse(cls, data: bytes, *, file: str) -> Self:
        """Return the book that `claims.json` holds.

        Parameters
        ----------
        data : bytes
            The file, of this format or the one before.
        file : str
            The name that errors should give it.

        Raises
        ------
        SealError
            If it is not JSON, not in the published form, or deeper than this form ever is.
        """
        if data.count(b"[") + data.count(b"{") > 4_000_000:
            raise SealError(f"{file}: holds more brackets than any list of claims")
        try:
            document = _ClaimsDocument.model_validate(
                json.loads(data.decode(), object_pairs_hook=once_each)
            )
        except (ValueError, RecursionError) as error:
            if isinstance(error, ValidationError):
                first = error.errors()[0]
                place = ".".join(str(part) for part in first["loc"])
                raise SealError(
                    f"{file}: {place}: {first['msg']} ({error.error_count()} faults in all)"
                ) from None
            raise SealError(f"{file}: not JSON: {str(error).splitlines()[0]}") from None
        return cls(
            review=document.review.id,
            **document.review.model_dump(exclude={"id"}),
            kit_version=document.kit_version,
            settings=document.settings,
            layouts=document.layouts,
            claims=document.claims,
            runs=document.runs,
            names=document.names,
            file_format=document.format,
        )

    @property
    def locale(self) -> str:
        """How figures are written."""
        return str(self.settings.get("locale", "en"))

    @property
    def language(self) -> str:
        """What the words of the article are in."""
        return str(self.settings.get("language", "en"))

    def whole_words(self, words: str) -> str:
        """Return what the suite "all" is called: its name where params choose it, else `words`."""
        chosen = self.settings.get("headline")
        return self.name("group", chosen, kind="suite") if chosen else words

    @property
    def own_name(self) -> str:
        """The reviewed product's name as people read it."""
        return self.product_name(self.product)

    def product_name(self, product: str) -> str:
        """Return a product's name as people read it."""
        return self.names.get("products", {}).get(product) or (
            self._named_elsewhere.get(product, product)
        )

    def title_name(self, title: str) -> str:
        """Return a title's name as people read it."""
        return self.names.get("titles", {}).get(title) or self._named_elsewhere.get(title, title)

    @property
    def _named_elsewhere(self) -> Mapping[str, str]:
        """Names of products and titles that other reviews have alone."""
        return self.names.get("elsewhere", {})

    def name(self, field: str, value: str, *, kind: str = "") -> str:
        """Return people's words for the value of a claim's field; the value where none are known.

        What a group, a part or a metric is called depends on the claim's `kind`.
        """
        return self.family(field, kind).get(value, value)

    def family(self, field: str, kind: str = "") -> Mapping[str, str]:
        """Return the names of what a claim's field may hold, in the page's order; {} where the
        field has no names."""
        of_kind = KINDS.get(kind, _Kind(""))
        families = {"product": "products", "baseline": "products", "title": "titles"}
        families |= {"group": of_kind.group, "metric": of_kind.metric, "part": of_kind.part}
        return self.names.get(families.get(field, ""), {})

    def control_words(self, control: str) -> tuple[str, str]:
        """Return a control as a sentence takes it up, and its unit, "" where it has none.

        "Main memory, in GB" is ("main memory", "GB"). What a control means may be a whole sentence:
        past `CONTROL_CHARACTERS` its key is said instead.
        """
        bare, _, unit = self.name("metric", control, kind="control").partition(", in ")
        bare = re.sub(r"^The (machine's own )?", "", bare)
        bare = re.split(r", and | of the machine", bare)[0]
        if bare == control or len(bare) > CONTROL_CHARACTERS:
            bare = _plain_code(control)
        return (bare[:1].lower() + bare[1:] if bare[1:2].islower() else bare), unit

    @cached_property
    def _words(self) -> dict[str, str]:
        """People's words for every id and code that has them."""
        families = ("elsewhere", "titles", "metrics", "products")
        controls = {name: self.control_words(name)[0] for name in self.names.get("controls", {})}
        ids = {code: words for name in families for code, words in self.names.get(name, {}).items()}
        return FILE_WORDS | controls | ids

    def in_words(self, text: str) -> str:
        """Return a text with names in place of ids, and words in place of codes.

        What has a name or a label is called by it; another word with an underscore loses that, and
        has its unit in brackets. Ids of runs stay: a run sheet knows no other name.

        >>> from types import SimpleNamespace
        >>> book = SimpleNamespace(_words={"f9-desk": "Fennock 9 (desk)"})
        >>> ClaimBook.in_words(book, "no runs of f9-desk: sessions_apart, run f9-desk-1")
        'no runs of Fennock 9 (desk): sessions apart, run f9-desk-1'
        """
        return _CODE.sub(lambda m: self._words.get(m[0]) or _plain_code(m[0]), text)

    @cached_property
    def by_id(self) -> dict[str, Claim]:
        """Claims by id."""
        return {claim.id: claim for claim in self.claims}

    @cached_property
    def run_by_id(self) -> dict[str, RunRecord]:
        """Runs by id."""
        return {run.id: run for run in self.runs}

    @cached_property
    def figures(self) -> tuple[Claim, ...]:
        """Claims that are figures, without the statements."""
        return tuple(claim for claim in self.claims if claim.is_figure)

    @cached_property
    def _by_kind(self) -> dict[str, tuple[Claim, ...]]:
        """Claims of each kind, in the book's order."""
        found = grouped((claim.kind, claim) for claim in self.claims)
        return {kind: tuple(claims) for kind, claims in found.items()}

    @cached_property
    def _indexes(self) -> dict[tuple[str, ...], dict[tuple[str, ...], tuple[Claim, ...]]]:
        """What `of_kind` was asked by before: a kind and names of fields, then their values."""
        return {}

    def get(self, name: str) -> Claim | None:
        """Return a claim, or None."""
        return self.by_id.get(name)

    def of_kind(self, kind: str, **where: str) -> tuple[Claim, ...]:
        """Return the claims of a kind whose fields have the values given, in the book's order.

        Parameters
        ----------
        kind : str
            A key of `KINDS`.
        **where : str
            Fields of `Claim`, such as ``product="kestrel"``.
        """
        index = self._indexes.get((kind, *where))
        if index is None:
            index = self._indexes[kind, *where] = {}
            for claim in self._by_kind.get(kind, ()):
                key = tuple(getattr(claim, name) for name in where)
                index[key] = (*index.get(key, ()), claim)
        return index.get(tuple(where.values()), ())

    def to_json(self) -> bytes:
        """Return the bytes of `claims.json`: one claim or run a line, same book, same bytes."""
        document = _claims_document(self)
        parts = []
        for key, value in document.items():
            if key in {"runs", "claims"}:
                rows = ",\n  ".join(_line(row) for row in value)
                parts.append(f' "{key}": [\n  {rows}\n ]' if value else f' "{key}": []')
            else:
                parts.append(f' "{key}": {_line(value)}')
        return ("{\n" + ",\n".join(parts) + "\n}\n").encode()

    def trace_lines(self, name: str) -> list[str]:
        """Return a claim's trace in lines: claim, method, inputs, runs, files and SHA-256.

        Raises
        ------
        UsageError
            If no claim has this id; a close id is named.
        """
        claim = self._named(name)
        lines = [
            f"{claim.id}",
            f"  {claim.text}" + (f"  ({claim.interval})" if claim.interval else ""),
        ]
        if claim.is_figure:
            lines.append(f"  value {claim.value!r}, unit {claim.unit}")
        if claim.low is not None:
            lines.append(f"  interval {claim.low!r} to {claim.high!r} at {claim.confidence}")
        if claim.outcome:
            lines.append(f"  outcome {claim.outcome}")
        words = (
            METHODS[claim.method].words if claim.method in METHODS else "unknown to this version"
        )
        lines.append(f"  method {claim.method} v{claim.method_version}: {words}")
        if claim.marks:
            lines.append(f"  marks {', '.join(claim.marks)}")
        lines += self._input_lines(claim, "  ", set())
        lines.append("  runs used")
        lines += [self._run_line(run) for run in claim.runs] or ["    none"]
        if claim.set_aside:
            lines.append("  runs set aside")
            lines += [self._run_line(run) for run in claim.set_aside]
        return lines

    def trace_tree(self, name: str) -> dict[str, Any]:
        """Return a claim's trace as plain data: the claim, its input claims, its runs.

        Raises
        ------
        UsageError
            If no claim has this id; a close id is named.
        """
        claim = self._named(name)
        below: dict[str, Claim] = {}
        stack = list(claim.inputs)
        while stack:
            name = stack.pop()
            child = self.get(name)
            if child is not None and name not in below:
                below[name] = child
                stack.extend(child.inputs)
        return {
            "claim": asdict(claim),
            "inputs": [asdict(below[name]) for name in sorted(below)],
            "runs": [asdict(self.run_by_id[run]) for run in (*claim.runs, *claim.set_aside)],
        }

    def trace_faults(self) -> list[Fault]:
        """Return a fault for each claim whose trace leads nowhere (for tests and `verify`).

        Inputs must be claims or runs of the book, and runs, used or set aside, be listed in it.
        """
        faults = []
        for claim in self.claims:
            for name in claim.inputs:
                if name not in self.by_id and name not in self.run_by_id:
                    faults.append(
                        Fault("claims.json", f'input "{name}" is not there', key=claim.id)
                    )
            for name in (*claim.runs, *claim.set_aside):
                if name not in self.run_by_id:
                    faults.append(Fault("claims.json", f'run "{name}" is not there', key=claim.id))
        return faults

    def _named(self, name: str) -> Claim:
        """Return a claim by its id.

        Raises
        ------
        UsageError
            If there is none; a close id is named.
        """
        claim = self.get(name)
        if claim is None:
            guess = did_you_mean(name, self.by_id)
            raise UsageError(f'{self.review}: no claim "{name}"{guess}')
        return claim

    def _input_lines(self, claim: Claim, indent: str, seen: set[str]) -> Iterable[str]:
        """Return the claims that one is made from as indented lines, each claim once."""
        for name in claim.inputs:
            child = self.get(name)
            if child is None or name in seen:
                continue
            seen.add(name)
            yield f"{indent}from {child.id} = {child.text}"
            yield from self._input_lines(child, indent + "  ", seen)

    def _run_line(self, run_id: str) -> str:
        """Return a run of a trace as a line: id, file, frames, SHA-256, why it is set aside."""
        run = self.run_by_id[run_id]
        where = run.file or "typed in, no log"
        reason = f"  set aside: {run.reason}" if not run.used else ""
        return f"    {run.id}  {where}  {run.frames} frames  sha256 {run.sha256}{reason}"


TABLE_COLUMNS = (
    "id", "kind", "metric", "product", "baseline", "title", "group", "part", "value", "low", "high",
    "confidence", "unit", "outcome", "text", "interval", "method", "runs", "marks",
)  # fmt: skip


def claims_frame(claims: Iterable[Claim]) -> Any:
    """Return claims as a DataFrame, a row each, unrounded: the form of every CSV beside a page."""
    import pandas as pd

    rows = [
        [
            " ".join(value) if isinstance(value := getattr(claim, name), tuple) else value
            for name in TABLE_COLUMNS
        ]
        for claim in claims
    ]
    frame = pd.DataFrame(rows, columns=list(TABLE_COLUMNS))
    return frame.astype(dict.fromkeys(("value", "low", "high", "confidence"), float))


class _ReviewModel(Section):
    """Which review the claims belong to."""

    model_config = ConfigDict(**_PUBLISHED, title="Review")

    id: str = means("Id of the review.")
    title: str = means("Title of the report.")
    byline: str = means("Who stands for it.")
    date: str = means("Day of the review.")
    product: str = means("The reviewed product.")
    params_file: str = means("Name of its params file.")
    params_sha256: str = means("Of that file's bytes.")


class _ClaimsDocument(Section):
    """`claims.json`, whole."""

    model_config = ConfigDict(**_PUBLISHED, title="ClaimsDocument")

    format: Literal["marginbook-claims/1", "marginbook-claims/2"] = means(
        "Which version of this file it is."
    )
    review: _ReviewModel = means("The review these claims are of.")
    kit_version: str = means("Of the kit that made them.")
    settings: dict[str, Any] = means("The params in force.")
    layouts: dict[str, Any] = means("How the logs were read.")
    names: dict[str, dict[str, str]] = means(
        "How ids are written for people, by what they are ids of.", default_factory=dict
    )
    runs: tuple[RunRecord, ...] = means("Every run of the review, used or not.")
    claims: tuple[Claim, ...] = means(
        "Their order, and that of names, is the order of rows and columns of the page."
    )


def _claims_document(book: ClaimBook) -> dict[str, Any]:
    """Return a book as the content of `claims.json`."""
    names = [f.name for f in fields(Claim)]
    if book.file_format == OLD_FORMAT:
        names = [name for name in names if name not in NEW_IN_FORMAT_2]
    of_review = {key: getattr(book, key) for key in _ReviewModel.model_fields if key != "id"}
    return {
        "format": book.file_format,
        "review": {"id": book.review, **of_review},
        **{key: getattr(book, key) for key in ("kit_version", "settings", "layouts", "names")},
        "runs": [asdict(run) for run in book.runs],
        "claims": [{name: getattr(claim, name) for name in names} for claim in book.claims],
    }


def _line(value: Any) -> str:
    """Return a value as one line of JSON; NaN and infinity are refused."""
    return json.dumps(value, ensure_ascii=False, allow_nan=False, default=str)


def _finite(value: float | None) -> float | None:
    """Return a figure that JSON can hold: NaN and infinity become None, and a mark says why."""
    return value if value is not None and math.isfinite(value) else None


def once_each(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Return an object's keys and values; readers differ on which of two like keys holds."""
    found = dict(pairs)
    if len(found) != len(pairs):
        keys = [key for key, _ in pairs]
        twice = next(key for key in keys if keys.count(key) > 1)
        raise ValueError(f"the key {twice[:80]!r} stands twice in one object")
    return found


def load_claims(folder: Path) -> ClaimBook:
    """Return the claims of a finished review's folder.

    Raises
    ------
    SealError
        If the folder holds no readable `claims.json`.
    """
    path = folder / "claims.json"
    if not path.is_file():
        raise SealError(f"{folder.name}: no claims.json; this is not the folder of a review")
    return ClaimBook.parse(path.read_bytes(), file=f"{folder.name}/claims.json")


def _schema_of(what: str) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of one kind of file.

    Raises
    ------
    UsageError
        If `what` is not one of `SCHEMA_NAMES`.
    """
    from kit.settings.bench_file import BenchFile
    from kit.settings.params import ReviewParams

    models: dict[str, type[Section]] = {
        "params": ReviewParams,
        "bench": BenchFile,
        "claims": _ClaimsDocument,
    }
    if what not in models:
        raise UsageError(f'no schema called "{what}"; there are {", ".join(SCHEMA_NAMES)}')
    return {"$schema": DIALECT, **models[what].model_json_schema(by_alias=True)}


def schema_text(what: str) -> str:
    """Return the schema as the text kept in `kit/schemas/`."""
    return json.dumps(_schema_of(what), indent=1, ensure_ascii=False) + "\n"


@dataclass(frozen=True, slots=True)
class Subject:
    """What a claim is about, and what it rests on.

    Attributes
    ----------
    metric, product, baseline, title, group, part : str
        As the fields of `Claim`; "" for none. With the kind they make the claim's id.
    inputs : sequence of str
        Ids of claims, or of runs, that the figure is made from.
    runs, set_aside : sequence of str
        Runs it rests on, and those left out of it.
    marks : sequence of str
        What a reader is warned of.
    """

    metric: str = ""
    product: str = ""
    baseline: str = ""
    title: str = ""
    group: str = ""
    part: str = ""
    inputs: Sequence[str] = ()
    runs: Sequence[str] = ()
    set_aside: Sequence[str] = ()
    marks: Sequence[str] = ()

    @staticmethod
    def of_run(
        run: str, metric: str, measured: RunMetrics, *, used: bool = True, marks: Sequence[str] = ()
    ) -> Subject:
        """Return what a figure of one run is about; a run set aside is marked so."""
        return Subject(
            metric,
            measured.product,
            title=measured.title,
            inputs=[run],
            runs=[run] if used else (),
            set_aside=() if used else [run],
            marks=marks if used else ["set_aside", *marks],
        )


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure with its interval; what is made by comparing has an outcome.

    Attributes
    ----------
    value, low, high : float or None
        In the claim's unit, unrounded; NaN is kept as None.
    confidence : float or None
        Of the interval, a fraction.
    """

    value: float | None
    low: float | None = None
    high: float | None = None
    confidence: float | None = None
    outcome: str = ""


_BARE = Figure(None)  # what a figure without an interval has besides itself
