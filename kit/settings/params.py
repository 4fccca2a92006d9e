"""The models of `params/*.yaml` and their one reader.

What can change a published figure stands in the file, or is shown in the report under
"settings in force".
"""

from __future__ import annotations

import base64
import datetime as dt
import hashlib
import re
import typing
from collections import Counter
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, model_validator

from kit.errors import Fault, ParamsError, did_you_mean
from kit.package import PACKAGE
from kit.settings.bench_file import Bench, Id, Name, Title, read_bench
from kit.settings.metric import DEFAULT_METRICS, FRAME_METRICS, HEADLINE, RESULT
from kit.settings.yaml import Kept, Section, Text, YamlDocument, means, read_yaml


@dataclass(frozen=True, slots=True)
class _Named:
    """Marks a key, or a part of one, that names something of the bench: what it must be there."""

    what: Literal["product", "product of the review", "title"]


_Product = Annotated[Id, _Named("product")]
_Reviewed = Annotated[Id, _Named("product of the review")]
_Title = Annotated[Id, _Named("title")]


class _RegisteredPlan(Section):
    """The counts of runs decided on before any result was looked at."""

    on: dt.date = means("The day it was decided.", examples=["2026-11-01"])
    runs: dict[_Product, dict[_Title, Annotated[int, Field(ge=0)]]] = means(
        "Runs of each product in each title, as `plan --json` gives them.",
        min_length=1,
        examples=[{"new-part": {"my-scene": 5}}],
    )
    looks: tuple[float, ...] = means(
        "Shares of these runs after which results are looked at, rising to 1: intervals then "
        "hold over all looks.",
        (),
        examples=[[0.5, 1.0]],
    )
    spending: Literal["obrien_fleming", "pocock"] = means(
        "How false outcomes are spent over looks: few early, or as many at each.", "obrien_fleming"
    )

    @model_validator(mode="after")
    def _check(self) -> _RegisteredPlan:
        if self.looks and ([*self.looks] != sorted({*self.looks, 1.0}) or self.looks[0] <= 0):
            raise ValueError("looks must rise from above 0 to 1, such as [0.5, 1.0]")
        return self


class PlanParams(Section):
    """What a series of runs is planned for. Touches no published figure."""

    margin: float = means(
        "A share: 0.03 where a lead of 3 % is to be resolved.", gt=0, lt=1, examples=[0.03]
    )
    power: float = means("How often a lead of that size is resolved.", 0.8, gt=0, lt=1)
    seed: int = means("For the order of runs.", examples=[20261125])
    setup_s: float = means("Time a launch costs before its run.", 60.0, gt=0)
    run_s: float = means("Length of a run where the title states none.", 60.0, gt=0)
    switch_s: float = means("Time it costs to go from one product to another.", 0.0, ge=0)
    by_product: bool = means("Keep the runs of a product together within a block.", False)
    budget_minutes: float | None = means("Bench time there is.", None, gt=0, examples=[480.0])
    default_run_sd: float = means(
        "Spread from run to run, as a share, where the bench holds no runs to tell.", 0.01, gt=0
    )
    min_runs: int = means("Fewest runs of each title on each product.", 3, ge=2)
    max_runs: int = means("No more than this is planned.", 20, ge=2)
    cannot_run: tuple[_Product, ...] = means(
        "Products that are gone: their runs on the bench are all there are.",
        (),
        examples=[["old-part"]],
    )
    registered: _RegisteredPlan | None = means(
        "Counts decided beforehand; the report says where runs differ from them.", None
    )
    every_title: bool = means("Plan for statements about every title at once.", False)
    paired: bool = means(
        "Both sides are run in the same sessions; so they are where the bench's runs share "
        "sessions.",
        False,
    )
    session_correlation: float = means(
        "Of two products' results within a session, where paired and the bench does not tell.",
        0.0,
        ge=0,
        lt=1,
    )


class LookParams(Section):
    """What `frame_times.ipynb` looks into. Touches no published figure."""

    product: _Reviewed | None = means(
        "The reviewed product without it.", None, examples=["new-part"]
    )
    title: _Title | None = means(
        "Without it, the first title the product has frames in.", None, examples=["my-scene"]
    )
    most_runs: int = means("Runs laid over each other, the first of the sheet.", 6, ge=1, le=12)


class RetestParams(Section):
    """What tells re-runs from the runs before them.

    Each run belongs to the old bench, to the new one, or, where its condition is named in neither
    list, to none of both. Old runs of a product and title that was run again are set aside. What
    was not run again is compared with a mark, and the drift seen in what was stands beside it.
    """

    condition: Id | None = means(
        "A column of the run sheet, such as driver_branch or session.", None, examples=["driver"]
    )
    old: tuple[Text, ...] = means(
        "What that column says of the runs before.", (), examples=[["51.2"]]
    )
    new: tuple[Text, ...] = means("What that column says of the re-runs.", (), examples=[["52.3"]])
    since: dt.date | None = means(
        "In place of a condition: runs from this day on are new.",
        None,
        examples=[dt.date(2026, 11, 1)],
    )
    band: float = means("A share: drift within it counts as none.", 0.02, gt=0, lt=0.5)

    @model_validator(mode="after")
    def _check(self) -> RetestParams:
        if (self.condition is None) == (self.since is None):
            raise ValueError("give either a condition with old and new, or since")
        if self.condition is not None and not (self.old and self.new):
            raise ValueError("a condition needs both: what it says of old runs, and of new ones")
        if self.since is not None and (self.old or self.new):
            raise ValueError("old and new belong to a condition, not to since")
        both = set(self.old) & set(self.new)
        if both:
            raise ValueError(f"{sorted(both)[0]!r} stands under both old and new")
        return self


PARAMS_FORMAT = "marginbook-params/1"


def _known_locale(name: str) -> str:
    """Return the name of a locale whose numbers can be written.

    Raises
    ------
    ValueError
        If there is no such locale.
    """
    if name != "en":  # the common case needs no locale data
        from babel import Locale, UnknownLocaleError

        try:
            Locale.parse(name, sep="-" if "-" in name else "_")
        except (UnknownLocaleError, ValueError):
            raise ValueError(
                f"no locale {name!r} is known; write a language such as en, de or en-GB"
            ) from None
    return name


def _known_metrics(names: tuple[str, ...]) -> tuple[str, ...]:
    """Return names of metrics of frames, each once and the headline among them.

    Raises
    ------
    ValueError
        If one is unknown, is not made of frames or stands twice, or the headline is missing.
    """
    for name in names:
        if name not in FRAME_METRICS:
            guess = did_you_mean(name, FRAME_METRICS)
            raise ValueError(f'no metric "{name}"{guess}; all: {", ".join(FRAME_METRICS)}')
    if len(set(names)) != len(names):
        raise ValueError("a metric stands twice")
    if HEADLINE not in names:
        raise ValueError(f"{HEADLINE} is missing; suites, value and summaries rest on it")
    return names


def _known_language(name: str) -> str:
    """Return a language that the words of a page are complete in.

    Raises
    ------
    ValueError
        If they are not: a page half in one language and half in another is not made.
    """
    catalogues = PACKAGE / "page" / "locale"
    complete = ("en", *sorted(path.stem for path in catalogues.glob("*.po")))
    if name not in complete:
        raise ValueError(
            f"the words of an article are complete in {', '.join(complete)}, not in {name!r}; "
            "`locale` says how numbers are written, and may be any"
        )
    return name


def _written_as(form: str, expected: str) -> AfterValidator:
    """Return a check that a text has a form, which says what was expected."""

    def check(text: str) -> str:
        if re.fullmatch(form, text) is None:
            raise ValueError(f"expected {expected}")
        return text

    return AfterValidator(check)


_Colour = Annotated[Text, _written_as("#[0-9a-f]{6}", "a colour such as '#1c2326', in quotes")]
_Fonts = Annotated[Text, _written_as(r"[\w ,-]{1,200}", "names of fonts, commas between them")]
_Locale = Annotated[Text, AfterValidator(_known_locale)]
_Reason = Annotated[Text, means("Why, for the reader.", min_length=8)]


class _Waiver(Section):
    """A named, reasoned exception to a control; it marks every figure it touches."""

    control: Id = means("Which control.")
    products: tuple[_Product, ...] = means("On which products.", min_length=1)
    reason: _Reason


class _SetAside(Section):
    """A run the analyst leaves out, with the reason."""

    run: Text = means("By its id in runs.csv.")
    reason: _Reason


class MetricParams(Section):
    """How a run's frame times become its figures."""

    compared: Annotated[tuple[str, ...], AfterValidator(_known_metrics)] = means(
        "Metrics of frames that are measured and compared; average_fps among them.",
        DEFAULT_METRICS,
        json_schema_extra={"items": {"enum": [*FRAME_METRICS]}},
    )
    low: Literal["percentile", "slowest_share", "time_share"] = means(
        "percentile: frame rate at a quantile of the frame times. slowest_share: mean rate of the "
        "slowest share of frames. time_share: rate below which the slowest frames make up a "
        "share of the time."
    )
    quantile_type: int = means("Hyndman-Fan type, for percentile.", 7, ge=1, le=9)
    budgets_hz: tuple[float, ...] = means(
        "Share of time in frames over these budgets.", (60.0, 120.0)
    )
    hitch_factor: float = means("A hitch lasts this many times the median around it.", 2.5, gt=1)
    hitch_ms: float = means("A hitch is also longer than that median by this much.", 8.0, ge=0)

    @property
    def names(self) -> tuple[str, ...]:
        """The metrics compared, and what titles that do not measure frames give."""
        return (*self.compared, RESULT)


class ScreenParams(Section):
    """Rules of screening with their thresholds. `set_aside_rules` act, all others only flag."""

    set_aside: tuple[_SetAside, ...] = means(
        "Runs you leave out. They stay in the report, with the reason.",
        (),
        examples=[[{"run": "my-run-3", "reason": "What went wrong in this run."}]],
    )
    set_aside_rules: tuple[
        Literal["planned_length", "bad_stamps", "same_log", "warm_up", "far_run", "drift_in_run"],
        ...,
    ] = means(
        "Rules that leave runs out; all others only flag.",
        ("planned_length", "bad_stamps", "same_log", "warm_up"),
    )
    min_length_share: float = means(
        "A run lasts at least this share of the title's planned length.", 0.95, gt=0, le=1
    )
    gap_ms: float = means("A longer frame is a gap.", 1000.0, gt=0)
    warm_up_margin: float = means(
        "First run apart from the mean of the others by this share.", 0.04, gt=0
    )
    warm_up_spreads: float = means(
        "First run apart by this many spreads of the others as well.", 6.0, gt=0
    )
    drift_share: float = means("Change of the level over a run, as a share of it.", 0.03, gt=0)
    drift_p: float = means("Drift in a run less likely by chance than this.", 0.001, gt=0, lt=1)
    step_share: float = means("Step of the level within a run, as a share of it.", 0.05, gt=0)
    length_share: float = means(
        "Runs of one title differ in length and in frames by this share.", 0.05, gt=0
    )
    order_drift_share: float = means(
        "Change of the level over the order of runs, as a share.", 0.05, gt=0
    )
    order_drift_p: float = means(
        "Kendall's exact test; five runs give 0.017 at best.", 0.05, gt=0, lt=1
    )
    caps_hz: tuple[float, ...] = means(
        "Frame-rate caps looked for, besides the display's own.",
        (30.0, 48.0, 60.0, 90.0, 120.0, 144.0, 165.0, 240.0),
    )
    cap_share: float = means(
        "Share of stretches of 8 frames whose mean is within cap_width of a cap's period, where "
        "hardly any stretch is faster.",
        0.35,
        gt=0,
        le=1,
    )
    cap_width: float = means("How near a cap's period is, as a share of it.", 0.005, gt=0, lt=0.1)
    far_run_alpha: float = means("An outlier by Grubbs' test, at this level.", 0.01, gt=0, lt=1)
    far_run_z: float = means("An outlier by its modified z, above this.", 3.5, gt=0)
    throttle_clock_share: float = means(
        "Clock falls by this share while temperature rises.", 0.05, gt=0
    )
    throttle_rise_c: float = means(
        "Temperature rises by so many degrees, first fifth of a run to last.", 1.0, gt=0
    )
    processor_bound_margin: float = means(
        "Products of different strength are level within this share.", 0.02, gt=0
    )
    processor_bound_spread: float = means(
        "They do so where the suite sets them this far apart.", 0.15, gt=0
    )
    processor_load_pct: float = means(
        "Or the processor is loaded by so many percent.", 95.0, gt=0, le=100
    )
    rounding_share: float = means("Capture step over the median frame time.", 0.01, gt=0)
    condition_tolerances: dict[Id, float] = means(
        "How far a measured condition may differ among the runs of a cell. Measured conditions "
        "that are not named here are not compared.",
        {"ambient_c": 3.0},
    )
    conditions_ignored: tuple[Id, ...] = means(
        "Columns of the run sheet that may differ from run to run.",
        ("note", "notes", "comment", "remark", "operator", "pass", "position"),
    )
    stale_days: int = means("Runs this much older than the reviewed product's.", 180, gt=0)
    version_conditions: tuple[Id, ...] = means(
        "Recorded conditions that are versions: what the bench ran before the newest one is stale.",
        ("driver", "driver_branch", "title_version"),
    )
    min_runs: int = means("Fewer runs of a product in a title are flagged.", 3, ge=1)


class MarginParams(Section):
    """How two products are compared in one title."""

    method: Literal["auto", "welch", "shared", "paired"] = means(
        "auto, welch (runs of both sides alone), shared (spread shared across titles) or paired "
        "(by session)."
    )
    confidence: float = means("A fraction: 0.95, not 95.", gt=0, lt=1)
    level_band: float = means("A share: margins within it either way count as level.", gt=0, lt=0.5)
    family: Literal["holm", "benjamini_hochberg", "none"] = means(
        "For statements about every title.", "holm"
    )
    spread_from: tuple[_Title, ...] = means(
        "Titles whose runs say how far those of a figure scatter that has no spread of its own, "
        "in the place of all cells of the review.",
        (),
        examples=[["my-scene"]],
    )
    seed: int = means("For what draws numbers (diagnostics only).")


class SuiteParams(Section):
    """One group of titles that gets a suite margin."""

    name: Name
    titles: tuple[_Title, ...] | None = means("Titles of the suite, by id; or give tags.", None)
    tags: dict[Id, Text] = means(
        "Titles of the suite, by the tags they have.", default_factory=dict
    )
    weights: dict[_Title, float] = means(
        "Unequal weights of titles, which the report states.", default_factory=dict
    )


class NamePair(Section):
    """Two products whose parts share a name, in two classes of machine."""

    here: _Product = means("In the class of the review.")
    there: _Product = means("In the other class.")


class _Pair(Section):
    """Two products set against each other, besides the reviewed one and its rivals."""

    product: _Product = means("By its id in bench.yaml.")
    over: _Product = means("What it is set against.")


class _UnderLoad(Section):
    """What sensors read under load, of the product beside others."""

    sensors: tuple[Literal["clock_mhz", "temperature_c", "power_w", "noise_dba"], ...] = means(
        "Which; nothing is said of one that no log has.",
        ("clock_mhz", "power_w", "temperature_c", "noise_dba"),
    )
    against: tuple[_Reviewed, ...] = means(
        "Beside which products of the review; its namesakes, unless said, else the first rival.",
        (),
        examples=[["old-part"]],
    )


class Axis(Section):
    """One product at several settings of one thing: a comparison within it, no rival."""

    setting: Id = means(
        "What is set otherwise: a control of the machine, or a setting or tag of titles."
    )
    name: Name
    product: _Product | None = means(
        "Of which product; the reviewed one, unless said.", None, examples=["new-part"]
    )
    steps: dict[Text, _Product] = means(
        "Each setting with the product of bench.yaml that is it there. Without steps they are "
        "made from titles of one workload that differ in this setting alone.",
        default_factory=dict,
        examples=[{"loud": "new-part", "quiet": "old-part"}],
    )
    over: Text | None = means(
        "The setting the others are set against; the first, unless said.", None, examples=["loud"]
    )
    unit: str = means("Unit of settings that are numbers; they make a curve.", "")
    same_picture: bool = means(
        "false: the settings do not show the same picture, as upscaling modes.", True
    )

    @staticmethod
    def code(setting: str) -> str:
        """Return a setting as it stands in a claim's id and in bound text.

        >>> Axis.code("2560 x 1600")
        '2560-x-1600'
        """
        return re.sub(r"[^\w.]+", "-", setting).strip("-")

    def places(
        self, product: str, titles: Mapping[str, Title]
    ) -> dict[tuple[str, str], tuple[str, str]]:
        """Return setting and scene of each product and title that is a step.

        Parameters
        ----------
        product : str
            The reviewed one.
        titles : mapping of str to Title
            Of the bench. A scene is called by the first of its titles.

        Returns
        -------
        dict of (product, title) to (setting, scene)
            Settings in their order.
        """
        if self.steps:
            return {(p, t): (value, t) for value, p in self.steps.items() for t in titles}
        found: dict[tuple[str, str], tuple[str, str]] = {}
        scenes: dict[str, str] = {}
        for name, title in titles.items():
            value = title.tags.get(self.setting) or title.settings.get(self.setting)
            if value is None or title.workload is None:
                continue
            alike = [
                sorted((k, v) for k, v in of.items() if k != self.setting)
                for of in (title.settings, title.tags)
            ]
            scene = scenes.setdefault(f"{title.workload} {title.measures} {alike}", name)
            found[self.product or product, name] = (value, scene)
        often = Counter(scene for _, scene in found.values())
        return {key: place for key, place in found.items() if often[place[1]] > 1}


class _PriceScenario(Section):
    """A price that is not in `prices.csv`: what if the product cost this."""

    name: Name
    product: _Product = means("By its id in bench.yaml.")
    price: float = means("In the currency above.", gt=0)


class _Configuration(Section):
    """A product on sale that was not run: it stands with the runs of one that was."""

    product: _Product = means("Sold so, with a price; by its id in bench.yaml.")
    of: _Reviewed = means("Whose runs it has: the same part in the same class of machine.")
    assumption: Text = means("Why it may, for the reader.", min_length=8)


class ValueParams(Section):
    """Which prices count, and in which currency."""

    currency: str = means(
        "Three letters. No rate is fetched.", pattern=r"^[A-Z]{3}$", examples=["EUR"]
    )
    kinds: tuple[Text, ...] = means("Which kinds of price count.", ("launch", "street"))
    since: dt.date | None = means(
        "Street prices from this day on.", None, examples=[dt.date(2026, 11, 1)]
    )
    until: dt.date | None = means(
        "Street prices up to this day.", None, examples=[dt.date(2026, 11, 25)]
    )
    old_days: int = means("Older street prices are marked.", 60, gt=0)
    min_title_share: float = means(
        "A rival with averages in a smaller share of the product's titles is not set on one "
        "scale with the others, which would lose titles by it.",
        0.5,
        gt=0,
        le=1,
    )
    scenarios: tuple[_PriceScenario, ...] = means(
        "What if a product cost this.",
        (),
        examples=[[{"name": "After a cut", "product": "new-part", "price": 399.0}]],
    )
    configurations: tuple[_Configuration, ...] = means(
        "Cheaper (or dearer) configurations that were not run; marked wherever they stand.",
        (),
        examples=[[{"product": "old-part", "of": "new-part", "assumption": "Why it may."}]],
    )


class ReviewParams(Section):
    """`params/<review>.yaml`, whole: what one review compares, and how."""

    format: Literal["marginbook-params/1"] = means("Which version of this file it is.")
    review: Id = means("The id of the review, and of its folder.")
    title: Text = means("Title of the report.")
    byline: Text = means("Who stands for it.")
    date: dt.date = means("The day of the review. Prices and runs are aged from it.")
    bench: Text = means("The bench folder, from this file's folder.")
    template: Text = means(
        "A notebook of the project's folder `notebooks`: review, frame_times, bench_health or "
        "plan.",
        "review.ipynb",
    )
    locale: _Locale = means("How numbers are written: en, de, fr, ...", "en")
    language: Annotated[Text, AfterValidator(_known_language)] = means(
        "What the article's words are in: en or de. Numbers: `locale`.", "en"
    )
    product: _Product = means("The reviewed product, by its id in bench.yaml.")
    rivals: tuple[_Product, ...] = means("What it is set against.", min_length=1)
    predecessor: _Product | None = means("The product it follows.", None, examples=["old-part"])
    same_name: tuple[NamePair, ...] = means(
        "Parts of one name in two classes of machine. Products of the review that hold one "
        "`part` there are such without being named.",
        (),
        examples=[[{"here": "new-part", "there": "old-part"}]],
    )
    pairs: tuple[_Pair, ...] = means(
        "Any other two products to set against each other: margins, suites, premiums.",
        (),
        examples=[[{"product": "old-part", "over": "new-part"}]],
    )
    axes: tuple[Axis, ...] = means(
        "One product at several settings of one thing, such as a fan mode.",
        (),
        examples=[
            [
                {
                    "setting": "fan_mode",
                    "name": "Fan mode",
                    "steps": {"loud": "new-part", "quiet": "old-part"},
                }
            ]
        ],
    )
    under_load: _UnderLoad = means(
        "Clock, power and temperature in the second half of runs.", _UnderLoad()
    )
    machines: dict[_Product, tuple[_Product, ...]] = means(
        "Further machines that hold the same part as a product: what is said of the part rests "
        "on all of them.",
        default_factory=dict,
        examples=[{"new-part": ["old-part"]}],
    )
    titles: Literal["all"] | tuple[_Title, ...] = means(
        "all that both sides share, or a list of ids.", "all"
    )
    controls: tuple[Id, ...] = means(
        "What must be alike on both sides. A mismatch without a waiver stops the margin."
    )
    waivers: tuple[_Waiver, ...] = means(
        "Exceptions, each with its reason. They mark every figure they touch.",
        (),
        examples=[[{"control": "memory_gb", "products": ["old-part"], "reason": "Why it may."}]],
    )
    metrics: MetricParams = means("How frame times become figures.")
    screen: ScreenParams = means("Rules of screening with their thresholds.", ScreenParams())
    margins: MarginParams = means("How products are compared.")
    suites: dict[Id, SuiteParams] = means(
        "Groups of titles that get a margin of their own.",
        default_factory=dict,
        examples=[
            {
                "high-lines": {
                    "name": "At 1440 lines",
                    "titles": ["my-scene"],
                    "tags": {"resolution": "1440p"},
                    "weights": {"my-scene": 1.0},
                }
            }
        ],
    )
    headline: Id | None = means(
        "Which of suites the headline, the summary and the value rest on, in the place of all "
        "titles: what other titles add does not move them.",
        None,
        examples=["high-lines"],
    )
    value: ValueParams | None = means("Prices, from prices.csv of the bench.", None)
    plan: PlanParams | None = means("For `marginbook plan` and plan.ipynb.", None)
    look: LookParams | None = means("For frame_times.ipynb.", None)
    retest: RetestParams | None = means(
        "Where part of the bench was run again: what tells new runs from old.", None
    )
    text: Text | None = means(
        "Bound text, from this file's folder.", None, examples=["my-review.md"]
    )
    style: Text | None = means(
        "House style: a folder with a style.yaml, from this file's folder. Look alone: touches "
        "no figure.",
        None,
        examples=["house"],
    )
    slides: tuple[Text, ...] = means(
        "Slides drawn by `run`, in this order: titles, rivals, suite, groups, classes, power, "
        "prices, setup, or single ones by name. Without it, `marginbook slides` draws them.",
        (),
        examples=[["suite", "rivals", "titles", "prices", "setup"]],
    )
    reviews: dict[Id, Text] = means(
        "Other reviews that the text refers to, as in {{suite a over b @ NAME}}: by a name, the "
        "folder of a finished one, or a sealed one (folder or .zip), from this file's folder.",
        default_factory=dict,
        examples=[{"spring-review": "../out/my-spring-review"}],
    )
    spoken: Literal["words", "numerals"] = means(
        "How `| spoken` writes numbers in bound text.", "words"
    )
    replaces: Text | None = means(
        "The sealed review this one replaces.", None, examples=["../sealed/my-review-1"]
    )

    @model_validator(mode="after")
    def _check(self) -> ReviewParams:
        if len(set(self.rivals)) != len(self.rivals):
            raise ValueError("rivals: a product stands twice")
        if self.product in self.rivals:
            raise ValueError(f'rivals: "{self.product}" is the product itself')
        if self.headline is not None and self.headline not in self.suites:
            guess = did_you_mean(self.headline, self.suites)
            raise ValueError(f'headline: no suite "{self.headline}" in suites{guess}')
        if self.headline is not None and "all" in self.suites:
            raise ValueError('headline: with it, "all" means that suite; name no other suite so')
        asked = [(pair.product, pair.over) for pair in self.pairs]
        for product, other in asked:
            if product == other or asked.count((product, other)) > 1:
                fault = "is set against itself" if product == other else "stands twice"
                raise ValueError(f'pairs: "{product}" over "{other}" {fault}')
        for lead, others in self.machines.items():
            if lead in others or len(set(others)) != len(others):
                raise ValueError(f'machines: one of "{lead}" stands twice')
        for axis in self.axes:
            if axis.steps and (len(axis.steps) < 2 or axis.over not in {None, *axis.steps}):
                fault = "needs two steps or more" if len(axis.steps) < 2 else "has no such step"
                raise ValueError(f"axes: {axis.setting} {fault} (over: {axis.over})")
            if axis.steps and (axis.product or self.product) not in axis.steps.values():
                raise ValueError(f"axes: {axis.setting}: no step is the product itself")
        keys = [(axis.setting, axis.product) for axis in self.axes]
        if len(set(keys)) != len(keys):
            raise ValueError("axes: a setting of one product stands twice")
        return self

    @property
    def compared(self) -> tuple[str, ...]:
        """Every baseline the product is set against, each once: rivals, predecessor, namesake."""
        others = [*self.rivals]
        if self.predecessor:
            others.append(self.predecessor)
        others += [pair.there for pair in self.same_name if pair.here == self.product]
        return tuple(dict.fromkeys(others))

    @property
    def beside(self) -> tuple[tuple[str, str], ...]:
        """Every other (product, baseline) set against each other: names in two classes, pairs."""
        pairs = [(pair.here, pair.there) for pair in self.same_name]
        pairs += [(pair.product, pair.over) for pair in self.pairs]
        return tuple(pair for pair in dict.fromkeys(pairs) if pair[0] != self.product or
                     pair[1] not in self.compared)  # fmt: skip

    @property
    def loaded(self) -> tuple[str, ...]:
        """The products whose sensors are read under load, the reviewed one first."""
        namesakes = [pair.there for pair in self.same_name if pair.here == self.product]
        others = self.under_load.against or namesakes or self.rivals[:1]
        return tuple(dict.fromkeys([self.product, *others]))

    @property
    def whole(self) -> SuiteParams | None:
        """The titles of the suite "all" and their weights; None is every title, weighing alike."""
        return self.suites.get(self.headline or "all")

    def machines_of(self, product: str) -> tuple[str, ...]:
        """Return every machine that holds a product's part, the product itself first."""
        return (product, *self.machines.get(product, ()))

    @property
    def products(self) -> tuple[str, ...]:
        """Every product the review reads, the reviewed one first."""
        pairs = [p for pair in self.same_name for p in (pair.here, pair.there)]
        pairs += [p for pair in self.pairs for p in (pair.product, pair.over)]
        pairs += [p for lead, others in self.machines.items() for p in (lead, *others)]
        pairs += [p for axis in self.axes for p in (axis.product, *axis.steps.values()) if p]
        pairs += [c.product for c in self.value.configurations] if self.value else []
        return tuple(dict.fromkeys([self.product, *self.compared, *pairs]))

    def named(self) -> Iterator[tuple[Any, ...]]:
        """Yield each product and title named: what it is, its name, and the path of its key."""
        return _named_in(ReviewParams, self, ())


def _named_in(hint: Any, value: Any, path: tuple[str | int, ...]) -> Iterator[tuple[Any, ...]]:
    """Yield what a value names, by the types in its place: see `_Named`."""
    hints = [h for h in (hint, *typing.get_args(hint)) if h is not None]
    if isinstance(value, Section):
        for key, inner in _hints_of(type(value)).items():
            yield from _named_in(inner, getattr(value, key), (*path, key))
    elif isinstance(value, Mapping):
        of_key, of_item = next(typing.get_args(h) for h in hints if typing.get_origin(h) is dict)
        for key, item in value.items():
            yield from _named_in(of_key, key, (*path, key))
            yield from _named_in(of_item, item, (*path, key))
    elif isinstance(value, tuple):
        inner = next(typing.get_args(h)[0] for h in hints if typing.get_origin(h) is tuple)
        for place, item in enumerate(value):
            yield from _named_in(inner, item, (*path, place))
    elif isinstance(value, str):
        said = (m for h in hints for m in getattr(h, "__metadata__", ()) if isinstance(m, _Named))
        yield from ((mark.what, value, *path) for mark in said)


@cache
def _hints_of(section: type[Section]) -> dict[str, Any]:
    """Return the types of a section's fields, of those that can name something."""
    hints = typing.get_type_hints(section, include_extras=True)
    return {key: hint for key, hint in hints.items() if _may_name(hint)}


def _may_name(hint: Any) -> bool:
    if isinstance(hint, type) and issubclass(hint, Section):
        return bool(_hints_of(hint))
    marked = any(isinstance(mark, _Named) for mark in getattr(hint, "__metadata__", ()))
    return marked or any(_may_name(inner) for inner in typing.get_args(hint))


@dataclass(frozen=True, slots=True)
class LoadedParams:
    """A params file and the bench it names, both checked.

    Attributes
    ----------
    path : Path
        The params file.
    params : ReviewParams
        What it says.
    bench : Bench
        The bench it names.
    document : YamlDocument
        The same as written, with the line of each key.
    sha256 : str
        Of the file's bytes; "" where no file holds these params.
    house : mapping of str to str
        The house style: "name", "logo" (a PNG as a data address) and "logo_file", "serif", "sans",
        and colours ("light/paper"); empty without one.
    house_files : tuple of str
        What its folder holds of it, from the folder of the params file.
    reviews : mapping of str to Path
        Where other reviews are, by the names params give them; in a bag, what it holds of them.
    """

    path: Path
    params: ReviewParams
    bench: Bench
    document: YamlDocument
    sha256: str = ""
    house: Mapping[str, str] = field(default_factory=dict)
    house_files: tuple[str, ...] = ()
    reviews: Mapping[str, Path] = field(default_factory=dict)

    def with_confidence(self, confidence: float) -> LoadedParams:
        """Return the same with every interval of margins at another confidence."""
        margins = self.params.margins.model_copy(update={"confidence": confidence})
        return replace(self, params=self.params.model_copy(update={"margins": margins}))

    def with_document(self, document: YamlDocument) -> LoadedParams:
        """Return what params say that no file holds, for the same bench, checked as a file is.

        Raises
        ------
        ParamsError
            With every fault, unknown products and titles among them.
        """
        params = document.as_model(ReviewParams, ParamsError)
        return _with_known_names(
            LoadedParams(self.path, params, self.bench, document, reviews=self.reviews)
        )


_BENCH: ContextVar[Path | None] = ContextVar("bench in place of the one named", default=None)


@contextmanager
def bench_read_from(folder: Path) -> Iterator[None]:
    """Let reviews read meanwhile this bench, whatever bench their params name."""
    token = _BENCH.set(folder)
    try:
        yield
    finally:
        _BENCH.reset(token)


def load_params(
    path: Path, *, bench_folder: Path | None = None, kept: Kept | None = None
) -> LoadedParams:
    """Read a params file and the bench it names.

    Parameters
    ----------
    path : Path
        The params file.
    bench_folder : Path, optional
        Read this bench in place of the one the file names (a sealed review's excerpt).
    kept : Kept, optional
        As for `read_yaml`.

    Raises
    ------
    ParamsError
        With every fault of the params file, unknown products and titles among them.
    BenchError
        With every fault of `bench.yaml`.
    """
    document = read_yaml(path, file=path.name, error=ParamsError, kept=kept)
    params = document.as_model(ReviewParams, ParamsError)
    excerpt = bench_folder or _BENCH.get()
    folder = excerpt or (path.parent / params.bench).resolve()
    if not (folder / "bench.yaml").is_file():
        near = [found.parent.name for found in folder.parent.glob("*/bench.yaml")]
        guess = did_you_mean(folder.name, near, listed=5 if near else 0)
        said = f'"{params.bench}" is not a bench: no bench.yaml in that folder{guess}'
        raise ParamsError([document.fault(said, "bench")])
    sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
    reviews = {
        # In a bag nothing is looked for outside it.
        name: excerpt.parent / "reviews" / name if excerpt else (path.parent / where).resolve()
        for name, where in params.reviews.items()
    }
    for name, where in reviews.items() if excerpt is None else ():
        if not any((where / at).is_file() for at in ("", "claims.json", "data/claims.json")):
            near = [found.name for found in where.parent.glob("*") if found.name[:1] != "."]
            guess = did_you_mean(where.name, near, listed=5 if near else 0)
            said = f'"{params.reviews[name]}" is no finished or sealed review{guess}'
            raise ParamsError([document.fault(said, "reviews", name)])
    loaded = LoadedParams(
        path, params, read_bench(folder, kept=kept), document, sha256, reviews=reviews
    )
    return _with_known_names(loaded)


def text_beside(path: Path, named: str, *, folder: Path) -> Path | None:
    """Return the text of params at `path` if params in `folder` need a copy of it beside them.

    Outside the project of params (the folder above theirs) a text is refused; None where it is in.
    """
    text = (path.parent / named).resolve()
    return None if text.is_relative_to(folder.resolve().parent) else text


def _with_known_names(loaded: LoadedParams) -> LoadedParams:
    """Return params whose names the bench knows, and whose text is there."""
    path, params, document = loaded.path, loaded.params, loaded.document
    known: dict[str, Collection[str]] = {
        "product": loaded.bench.products,
        "title": loaded.bench.titles,
        "product of the review": params.products,
    }
    faults: list[Fault] = []
    for what, name, *key in params.named():
        if name not in known[what]:
            guess = did_you_mean(name, known[what], listed=12)
            said = f'no {what.partition(" ")[0]} "{name}" in bench.yaml{guess}'
            faults.append(document.fault(said, *key))
    for i, waiver in enumerate(params.waivers):
        if waiver.control not in params.controls:
            said = f'"{waiver.control}" is not among controls; nothing to waive'
            faults.append(document.fault(said, "waivers", i, "control"))
    known_products = loaded.bench.products
    alike: list[tuple[str, str, tuple[str | int, ...]]] = [
        (lead, name, ("machines", lead))
        for lead, others in params.machines.items()
        for name in (lead, *others)
    ]
    for i, of in enumerate(params.value.configurations if params.value else ()):
        alike.append((of.of, of.product, ("value", "configurations", i)))
    for lead, name, place in alike:
        if not {lead, name} <= known_products.keys():
            continue
        one, other = known_products[lead], known_products[name]
        if one.part is None or (one.part, one.machine_class) != (other.part, other.machine_class):
            said = f'"{name}" does not hold the part of "{lead}": `part` and `class` of both '
            faults.append(document.fault(said + "in bench.yaml must agree", *place))
    for i, axis in enumerate(params.axes):
        values = {v for v, _ in axis.places(params.product, loaded.bench.titles).values()}
        if not values:
            said = f'no two titles of one workload differ in "{axis.setting}" alone; or give steps'
            faults.append(document.fault(said, "axes", i))
        elif axis.over not in {None, *values}:
            guess = did_you_mean(str(axis.over), values, listed=12)
            faults.append(document.fault(f'no setting "{axis.over}"{guess}', "axes", i, "over"))
    if params.text is not None:
        if text_beside(path, params.text, folder=path.parent) is not None:
            said = "lies outside the project (the folder above that of this file); move it inside"
            faults.append(document.fault(f'"{params.text}" {said}', "text"))
        elif not (path.parent / params.text).is_file():
            faults.append(document.fault(f'no such file: "{params.text}"', "text"))
    if params.style is not None:
        if text_beside(path, f"{params.style}/style.yaml", folder=path.parent) is not None:
            said = "lies outside the project (the folder above that of this file); move it inside"
            faults.append(document.fault(f'"{params.style}" {said}', "style"))
        elif not (path.parent / params.style / "style.yaml").is_file():
            said = f'"{params.style}" is no house style: no style.yaml in that folder'
            faults.append(document.fault(said, "style"))
        else:
            house, files = _read_house(path.parent, params.style, faults)
            loaded = replace(loaded, house=house, house_files=files)
    ParamsError.raise_if(faults)
    return replace(loaded, params=_with_class_pairs(params, loaded.bench))


def _with_class_pairs(params: ReviewParams, bench: Bench) -> ReviewParams:
    """Return params with the products that hold one part in two classes of machine as `same_name`.

    In the class of the review stands the product compared first; steps of axes and further machines
    are the same product.
    """
    asked = [name for pair in params.pairs for name in (pair.product, pair.over)]
    products = [*dict.fromkeys((params.product, *params.compared, *asked))]
    machine = {name: bench.products[name].machine_class for name in products}
    first: dict[tuple[str, str], str] = {}
    for name in products:
        if part := bench.products[name].part:
            first.setdefault((part, machine[name]), name)
    known = {frozenset((pair.here, pair.there)) for pair in params.same_name}
    found = []
    for (part, _), there in first.items():
        here = first.get((part, machine[params.product]))
        if here is not None and here != there and {here, there} not in known:
            found.append(NamePair(here=here, there=there))
    return params.model_copy(update={"same_name": (*params.same_name, *found)}) if found else params


class _Inks(Section):
    """The colours of one scheme that a house may choose; the others keep theirs."""

    paper: _Colour | None = means("The ground.", None)
    card: _Colour | None = means("The ground of an open trace.", None)
    tab: _Colour | None = means("Under the reviewed product's row.", None)
    band: _Colour | None = means("The level band.", None)
    ink: _Colour | None = means("Text, and marks of suites.", None)
    muted: _Colour | None = means("Notes, heads, axes.", None)
    faint: _Colour | None = means("The line of parity; text on paper.", None)
    rule: _Colour | None = means("Lines of rows.", None)
    strong: _Colour | None = means("Lines of groups.", None)
    accent: _Colour | None = means("Links, and the margin rule.", None)


class _HouseStyle(Section):
    """A house style: `style.yaml` of the folder that `style` in params names."""

    format: Literal["marginbook-style/1"]
    name: Text = means("Stands first in the masthead and on slides.", max_length=40)
    logo: Text | None = means("A PNG in the same folder, before the name.", None)
    serif: _Fonts | None = means("Families for prose and headings.", None)
    sans: _Fonts | None = means("Families for tables and labels.", None)
    light: _Inks = _Inks()
    dark: _Inks = _Inks()


# What must be told from which grounds, and how well: W3C, Web Content Accessibility Guidelines 2.2,
# 1.4.3 (text: 4.5 to 1) and 1.4.11 (marks: 3 to 1). Colours of products and outcomes mean something
# and are nobody's to choose, so a house's paper must suit them.
_TOLD_APART = (
    (4.5, ("ink", "muted"), ("paper", "card", "tab", "band")),
    (4.5, ("faint", "accent"), ("paper", "card")),
    (4.5, ("accent",), ("tab",)),
    (4.5, ("own", "ahead", "behind-chip"), ("paper",)),
    (3.0, ("a", "b", "c", "before", "more", "behind", "level"), ("paper",)),
)
_LOGO_BYTES, _LOGO_PX = 100_000, 2_000


def _read_house(
    folder: Path, named: str, faults: list[Fault]
) -> tuple[dict[str, str], tuple[str, ...]]:
    """Return a house style as `LoadedParams` has it; its faults join the others.

    Parameters
    ----------
    folder : Path
        That of the params file.
    named : str
        The style's folder, as params name it.
    faults : list of Fault
    """
    path = folder / named / "style.yaml"
    try:
        document = read_yaml(path, file=f"{named}/style.yaml", error=ParamsError)
        house = document.as_model(_HouseStyle, ParamsError)
    except ParamsError as error:
        faults += error.faults
        return {}, ()
    fonts = {"serif": house.serif, "sans": house.sans}
    found = {"name": house.name} | {key: value for key, value in fonts.items() if value}
    files = [f"{named}/style.yaml"]
    for scheme, standard in zip(("light", "dark"), _standard_inks(), strict=True):
        own = getattr(house, scheme).model_dump(exclude_none=True)
        found |= {f"{scheme}/{key}": colour for key, colour in own.items()}
        inks = standard | own
        for least, texts, grounds in _TOLD_APART:
            for text, ground in ((t, g) for t in texts for g in grounds if {t, g} & own.keys()):
                contrast = _contrast(inks[text], inks[ground])
                if contrast < least:
                    said = (
                        f"{text} {inks[text]} on {ground} {inks[ground]}: a contrast of "
                        f"{contrast:.2f} to 1, where {least} is needed (WCAG 2.2)"
                    )
                    faults.append(document.fault(said, scheme, text if text in own else ground))
    if house.logo is not None:
        try:
            found |= {"logo": _logo_address(path.parent, house.logo), "logo_file": house.logo}
            files.append(f"{named}/{house.logo}")
        except ValueError as error:
            faults.append(document.fault(str(error), "logo"))
    return found, tuple(files)


def _logo_address(folder: Path, name: str) -> str:
    """Return a PNG as a data address.

    Raises
    ------
    ValueError
        If it is none, is not in the folder itself, or is too large.
    """
    path = folder / name
    if path.resolve().parent != folder.resolve() or not path.is_file():
        raise ValueError(f'"{name}" is no file of the style\'s own folder')
    data = path.read_bytes()[: _LOGO_BYTES + 1]
    # W3C, Portable Network Graphics, 5.2 and 11.2.2: signature, then the chunk of width and height.
    if data[:8] != b"\x89PNG\r\n\x1a\n" or data[12:16] != b"IHDR":
        raise ValueError(f'"{name}" is no PNG')
    pixels = max(int.from_bytes(data[16:20], "big"), int.from_bytes(data[20:24], "big"))
    if len(data) > _LOGO_BYTES or not 0 < pixels <= _LOGO_PX:
        raise ValueError(f'"{name}" is larger than {_LOGO_BYTES // 1000} kB or {_LOGO_PX} pixels')
    return f"data:image/png;base64,{base64.b64encode(data).decode()}"


def _standard_inks() -> tuple[dict[str, str], dict[str, str]]:
    """Return the colours of a page without a house style, in the light and in the dark, by name."""
    css = (PACKAGE / "page" / "page.css").read_text(encoding="utf-8")
    light, dark = (block.partition("}")[0] for block in css.split(":root {")[1:3])
    return _inks_in(light), _inks_in(dark)


def _inks_in(block: str) -> dict[str, str]:
    return dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", block))


def _contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours (WCAG 2.2, "relative luminance")."""

    def luminance(colour: str) -> float:
        parts = (int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5))
        red, green, blue = (
            c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts
        )
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    dim, bright = sorted((luminance(one), luminance(other)))
    return (bright + 0.05) / (dim + 0.05)
