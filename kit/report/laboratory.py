"""The object an analyst holds in a notebook: one review, opened, asked, changed and compared.

Every answer is a view of the review's claims, made under its controls and with their marks.
"""

from __future__ import annotations

import dataclasses
import inspect
import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Unpack

from kit.errors import UsageError
from kit.metrics.measuring import STORE_VARIABLE, Reading
from kit.metrics.store import Store
from kit.page.answers import (
    BESIDE_SUITES,
    QUESTIONS,
    Answer,
    Charts,
    Claims,
    Differences,
    Runs,
    Written,
    narrow,
)
from kit.page.html import Html
from kit.page.tables import LIMIT_RULES, environment
from kit.report.ahead import WaitingKernel
from kit.review.walk import Results, load_review, work_out
from kit.review.what_if import Changes, Edit, known_name, names_given
from kit.settings.metric import HEADLINE
from kit.settings.params import LookParams, load_params, text_beside

if TYPE_CHECKING:
    from kit.charts.style import Chart
    from kit.claims.claim import Claim, ClaimBook
    from kit.margins.compare import Margin
    from kit.report.report import Closing
    from kit.review.health import Health
    from kit.review.look_into import Look
    from kit.review.walk import Review


_Answered = dict[tuple[str, str], tuple[tuple["Margin", ...], tuple["Claim", ...]]]


@dataclass(frozen=True, eq=False, repr=False)
class OpenReview:
    """One review: its runs when it is opened, its results and claims when they are asked for.

    It does not change: `what_if` gives another one.

    Attributes
    ----------
    review : Review
        Params, bench and runs: read, hashed, measured and screened.
    read_anew : tuple of str
        The logs that were read and measured for it; all others came from the results store or
        from the review it was asked of.
    edits : tuple of Edit
        What `what_if` changed in the params file.
    before : tuple of Review and Results, optional
        What was worked out of the review it was asked of: what no change touches is not worked out
        again.
    answered : mapping
        What that one answered, by question and metric: its margins, and the claims.
    """

    review: Review
    read_anew: tuple[str, ...] = ()
    edits: tuple[Edit, ...] = ()
    before: tuple[Review, Results] | None = None
    answered: _Answered = field(default_factory=dict)

    def __repr__(self) -> str:
        params, used = self.review.params, len(self.review.used)
        asked = ", ".join(dict.fromkeys(".".join(edit.path) for edit in self.edits))
        return (
            f"<review {params.review}{f' with other {asked}' if asked else ''}: "
            f"{len(params.products)} products, {len(self.review.titles)} titles, "
            f"{used} of {len(self.review.rows)} runs used>"
        )

    @cached_property
    def results(self) -> Results:
        """Cells, margins, suites and standings, worked out once."""
        return work_out(self.review, before=self.before)

    @cached_property
    def book(self) -> ClaimBook:
        """Every figure of the review's page, as `claims.json` has it."""
        from kit.claims.of_pages import make_claims

        return make_claims(self.review, self.results)

    @cached_property
    def charts(self) -> dict[str, list[Chart]]:
        """The charts of the review's page by subject; drawn when they are shown."""
        from kit.page.pictures import make_charts

        return make_charts(self.review, self.book)

    @property
    def claims(self) -> Claims:
        """Every figure and statement by its id: ``review.claims["margin/..."].trace()``."""
        return Claims(self.book)

    @property
    def runs(self) -> Runs:
        """Every run, used or not, with its figures."""
        return Runs(self.book)

    @property
    def flags(self) -> Answer:
        """What screening said: runs set aside, what did not run, what was flagged, and why."""
        return self._answer("flags", needed=False)

    @property
    def cells(self) -> Answer:
        """The figure of every metric, product and title, with the interval of its runs."""
        return self._answer("cells")

    def margins(
        self,
        *,
        product: str = "",
        over: str = "",
        metric: str = HEADLINE,
        titles: str | Sequence[str] = (),
    ) -> Answer:
        """Return how far a product is ahead in each title, with interval, outcome and marks.

        Parameters
        ----------
        product : str, optional
            Another than the reviewed one, of a pair that params name under `pairs`.
        over : str, optional
            Only over this product.
        metric : str
            average_fps, low_1pct_fps, ... as params compare them.
        titles : str or sequence of str, optional
            Only these, by their ids.

        Raises
        ------
        UsageError
            If the review has no such product, metric or title, or no margin of them.
        """
        self._check_metric(metric)
        return self._answer("margins", product=product, metric=metric, over=over, titles=titles)

    def suites(self, *, metric: str = HEADLINE, group: str = "", over: str = "") -> Answer:
        """Return the margins over all titles, and over each group of titles params name.

        Parameters
        ----------
        metric : str
            average_fps, low_1pct_fps, ... as params compare them.
        group : str, optional
            "all", or a group by its id in params.
        over : str, optional
            Only over this product.

        Raises
        ------
        UsageError
            If the review has no such metric, group or product.
        """
        self._check_metric(metric)
        if group:
            known_name(group, ("all", *self.review.params.suites), "group of titles")
        return self._answer("suites", metric=metric, group=group, over=over)

    def influence(self, *, over: str = "") -> Answer:
        """Return the suite margin with each title left out: the title it moves most by first.

        Parameters
        ----------
        over : str, optional
            Only over this product.

        Raises
        ------
        UsageError
            If the review has no such product.
        """
        found = self._answer("influence", over=over)
        book = found.book
        suites = {suite.baseline: suite for suite in book.of_kind(
            "suite", metric=HEADLINE, group="all", product=book.product)}  # fmt: skip

        def moves(claim: Claim) -> float:
            whole = suites[claim.baseline].figure
            return max(claim.figure / whole, whole / claim.figure)

        ordered = tuple(sorted(found.claims, key=moves, reverse=True))
        others = tuple(c for c in book.claims if c.kind != "influence")
        book = dataclasses.replace(book, claims=ordered + others)
        return dataclasses.replace(found, claims=ordered, shown=lambda: book)

    def sensitivity(self, *, over: str = "", metric: str = HEADLINE) -> Answer:
        """Return what the margin over all titles would be with one thing chosen otherwise.

        All runs, without flagged runs, other methods and lows, each title and group left out; the
        mark "turned" where the outcome is another.

        Parameters
        ----------
        over : str, optional
            Only over this product.
        metric : str
            average_fps or low_1pct_fps.

        Raises
        ------
        UsageError
            If the review has no such product, or no margin over titles of this metric.
        """
        self._check_metric(metric)
        return self._answer("sensitivity", over=over, metric=metric)

    def value(self, *, kind: str = "") -> Answer:
        """Return prices, what a frame per second costs, and prices of equal value.

        Parameters
        ----------
        kind : str, optional
            A kind of price: launch, street, a scenario's.

        Raises
        ------
        UsageError
            If the review has no such kind of price, or weighs none.
        """
        if kind:
            known_name(kind, self.book.names.get("price_kinds", {}), "kind of price")
        return self._answer("value", group=kind)

    def energy(self) -> Answer:
        """Return energy per frame, and what sensors read under load, where they were logged.

        Raises
        ------
        UsageError
            If it was not.
        """
        return self._answer("energy")

    def limits(self) -> Answer:
        """Return what seems to limit the product: processor, cap, heat, and on what evidence."""
        found = self._answer("limits", needed=False)
        told = [c for c in found.claims if c.metric in LIMIT_RULES and c.outcome != "set_aside"]
        return dataclasses.replace(found, claims=tuple(told))

    def chart(
        self,
        name: str,
        *,
        over: str = "",
        titles: str | Sequence[str] = (),
        products: str | Sequence[str] = (),
    ) -> Charts:
        """Return a chart of the page, or one of runs.

        Parameters
        ----------
        name : str
            titles, margins, influence, spread, classes, value; or, of the runs of one product in
            one title, overlay, distribution, run.
        over : str, optional
            margins, influence: only over this product.
        titles : str or sequence of str, optional
            Only these; of runs, the one title.
        products : str or sequence of str, optional
            Only these; of runs, the one product.

        Raises
        ------
        UsageError
            If there is no such chart, product or title, or nothing to draw.
        """
        from kit.page.pictures import CHARTS, show_charts
        from kit.review.look_into import look_into

        known_name(name, CHARTS, "chart")
        subject = CHARTS[name]
        for word, given in (("over", over), ("titles", titles), ("products", products)):
            if given and word not in subject.takes:
                raise UsageError(
                    f'the chart "{name}" is not asked for by {word}; it takes '
                    f"{' and '.join(subject.takes) or 'nothing'}"
                )
        asked = self._checked(over=over, titles=titles, products=products)
        claims = narrow(self.book.claims, **asked, suites=True)
        book = dataclasses.replace(self.book, claims=claims)
        try:
            if subject.of_frames:
                book = self.book
                looked = look_into(self._looked_at(asked["titles"], asked["products"]))
                made = subject.make(book, [run.series for run in looked.runs])
            else:
                made = subject.make(book)
        except ValueError as error:
            raise UsageError(f"{name}: {error}") from None
        if not made:
            raise UsageError(f"{name}: this review has nothing to draw{_of_what(asked)}")
        return Charts(name, tuple(made), partial(show_charts, book=book))

    def show(self, section: str, *, metric: str = "") -> Html:
        """Return a section of the review's page, as the page shows it.

        Parameters
        ----------
        section : str
            opening, margins, suites, screening, text, traces, ...
        metric : str, optional
            In place of the metric that the section's tables have.

        Raises
        ------
        UsageError
            If there is no such section.
        """
        from kit.page.outputs import review_pieces, show_line

        if section == "environment":
            return environment(self.book)
        WaitingKernel.hand_over(lambda: self.charts)
        pieces = review_pieces(self.review, self.book)
        known_name(section, {line.split('"')[1] for line in pieces}, "section of a page")
        if metric:
            self._check_metric(metric)
        line = show_line(section, metric)
        if line not in pieces:
            raise UsageError(f'the section "{section}" is of no metric alone')
        return pieces[line]()

    def show_charts(self, subject: str) -> Html:
        """Return the charts of one subject of the page, as the page shows them.

        Parameters
        ----------
        subject : str
            titles, margins, influence, ... as the kind of page has them; see `chart` for others.

        Raises
        ------
        UsageError
            If the page has no such charts.
        """
        from kit.page.pictures import show_charts

        known_name(subject, self.charts, "chart of this page")
        return show_charts(self.charts[subject], self.book)

    def text(self, source: str) -> Written:
        """Return text with its figures written in, each reference checked against the claims.

        Parameters
        ----------
        source : str
            Markdown with references, as a review's text has them:
            ``"{{margin ash over birch in dell}}"``.

        Raises
        ------
        TextError
            With every fault: no such claim, a figure typed by hand, a word against the outcome.
        """
        from kit.claims.bound_text import bind_text

        names = self.book.names.get("products")
        return Written(
            bind_text(
                source, self.book, file="text", names=names, others=self.review.loaded.reviews
            )
        )

    def what_if(self, **changes: Unpack[Changes]) -> OpenReview:
        """Return this review under other params, through the checks a params file passes.

        Only what the change needs is read and measured again.

        Parameters
        ----------
        {changes}

        Raises
        ------
        UsageError
            If nothing is asked, or what this review has nothing of; the nearest name is given.
        ParamsError
            If a value is impossible, as in a params file.
        BenchError
            If machines differ that would be compared, and nothing waives it.
        """
        loaded, edits = Edit.params_with(self.review, changes)
        reading, anew = _reading()
        review = self.review.changed(loaded, reading=reading)
        before = (self.review, self.results) if "results" in self.__dict__ else None
        return OpenReview(review, tuple(anew), (*self.edits, *edits), before, self._answered)

    def differences(self, other: OpenReview) -> Differences:
        """Return claim by claim what another review gives otherwise, turned outcomes first."""
        return Differences.between(self.book, other.book)

    def to_params(self, path: str | Path, *, replace: bool = False) -> Path:
        """Write the review's params to a new file, with the changes that `what_if` made.

        It opens to the same claims. Its review has the file's name, so that it does not overwrite
        the folder of the one it came from; comments of the first file stay.

        Parameters
        ----------
        path : str or Path
            Its folder is made if it is not there.
        replace : bool
            Whether a file that is there already is written over, as in a notebook run again.

        Raises
        ------
        UsageError
            If the file is there already, the first file was changed meanwhile, or it cannot be
            written.
        """
        path = Path(path)
        first = self.review.loaded.path
        if path.exists() and (not replace or path.samefile(first)):
            raise UsageError(f"{path.name} is there already; nothing was written")
        text = Edit.text_with(first, self.edits, folder=path.parent, review=path.stem)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
            self._copy_text(first, path.parent)
        except OSError as error:
            raise UsageError(f"cannot write {path.name}: {error.strerror or error}") from None
        ours = {"review": path.stem, "bench": "", "text": None, "replaces": None, "style": None}
        said = load_params(path).params.model_copy(update=ours)
        if said != self.review.params.model_copy(update=ours):
            path.unlink()
            raise UsageError(f"{first.name} was changed since it was opened; open it anew")
        return path

    def _copy_text(self, first: Path, folder: Path) -> None:
        """Copy the bound text beside params outside its project; never over another text."""
        named = self.review.params.text
        source = text_beside(first, named, folder=folder) if named else None
        if source is None:
            return
        target = folder / source.name
        if target.exists() and target.read_bytes() != source.read_bytes():
            raise UsageError(f"{target.name} is there already, with another text")
        target.write_bytes(source.read_bytes())

    def close(self, out_dir: str | Path) -> Closing:
        """Write claims, tables and charts into a folder, and say that the review is complete.

        Raises
        ------
        UsageError
            If no params file says what this review is: write it with `to_params` first.
        """
        from kit.claims.of_pages import page_of
        from kit.page.findings import Findings
        from kit.page.outputs import write_outputs
        from kit.report.report import close_review

        if self.edits:
            raise UsageError(
                "a review that no params file describes is not kept: write one with "
                '.to_params("params/NAME.yaml") and open that'
            )
        write_outputs(self.book, self.charts, out_dir)
        article = page_of(self.book.settings["template"]) == "review"
        return close_review(
            out_dir,
            review=self.book.review,
            finding=Findings(self.book).headline() if article else "",
            house=self.book.names.get("style"),
        )

    def _answer(
        self,
        question: str,
        *,
        product: str = "",
        metric: str = "",
        over: str = "",
        titles: str | Sequence[str] = (),
        group: str = "",
        needed: bool = True,
    ) -> Answer:
        """Return the claims that answer a question, of what was asked alone."""
        asked = self._checked(product=product, over=over, titles=titles)
        kinds = QUESTIONS[question].kinds
        own = (
            {product or self.review.params.product}
            if question in {"margins", "suites", "influence", "sensitivity"}
            else set()
        )
        answering = narrow(self._claims_for(question, metric), **asked, group=group, kinds=kinds)
        claims = tuple(
            claim
            for kind in kinds
            for claim in answering
            if claim.kind == kind and (not group or claim.group == group)
            if (not metric or claim.metric == metric) and (not own or claim.product in own)
        )
        if needed and not claims:
            asked |= {"metric": metric} if metric else {}
            raise UsageError(
                f"{question}: the page of {self.review.params.template} has none"
                f"{_of_what(asked)} in this review"
            )

        @cache
        def shown() -> ClaimBook:
            book, beside = self._book_for(question, metric), (*kinds, *BESIDE_SUITES)
            return dataclasses.replace(
                book, claims=narrow(book.claims, **asked, group=group, kinds=beside)
            )

        return Answer(question, claims, shown, metric)

    def _claims_for(self, question: str, metric: str) -> Sequence[Claim]:
        """Return the claims that may answer a question; what its table shows beside them is made
        when it is shown."""
        from kit.claims.claim import Claim
        from kit.claims.of_review import ANSWERS

        if question not in ANSWERS or self._rests_on_all(question):
            return self._book_for(question, metric).claims
        if (question, metric) not in self._answered:
            results = self._results_of([metric] if QUESTIONS[question].of_metrics else [])
            known: dict[str, Any] = {}
            if question == "margins" and (question, metric) in self.answered:
                there = zip(*self.answered[question, metric], strict=True)
                known["stated"] = {id(margin.compared): claim for margin, claim in there}
            make = partial(Claim.make, locale=self.review.params.locale)
            claims = ANSWERS[question](self.review, results, make, **known)
            made = {claim.id: claim for claim in claims}
            self._answered[question, metric] = results.margins, tuple(made.values())
        return self._answered[question, metric][1]

    @cached_property
    def _answered(self) -> _Answered:
        """What `_claims_for` gave before, by question and metric, with the margins there were."""
        return {}

    def _rests_on_all(self, question: str) -> bool:
        """Return whether the claims of the page are there, or a question needs more of them than
        it names: tables of pairs and of levels rest on more than one metric."""
        from kit.claims.of_pages import page_of

        params, titles = self.review.params, self.review.bench.titles
        levels = any(titles[t].value_unit.startswith("dB") for t in self.review.titles)
        more = QUESTIONS[question].of_metrics and (params.pairs or levels)
        return "book" in self.__dict__ or bool(more) or page_of(params.template) != "review"

    def _results_of(self, metrics: Sequence[str]) -> Results:
        """Return the results of some metrics, without all else; all results for none."""
        if not metrics or "results" in self.__dict__:
            return self.results.of_metrics(metrics) if metrics else self.results
        key = tuple(metrics)
        if key not in self._worked:
            self._worked[key] = work_out(self.review, before=self.before, metrics=metrics)
        return self._worked[key]

    @cached_property
    def _worked(self) -> dict[tuple[str, ...], Results]:
        """What `_results_of` worked out before, by metrics."""
        return {}

    def _book_for(self, question: str, metric: str) -> ClaimBook:
        """Return the claims a table asks for: all of the page, or what an answer rests on."""
        from kit.claims.of_pages import make_claims
        from kit.claims.of_review import CLAIMS

        if self._rests_on_all(question):
            return self.book
        asked = QUESTIONS[question]
        metrics = sorted({HEADLINE, metric or HEADLINE}) if asked.of_metrics else []
        key = (*asked.sections, *metrics)
        if key not in self._books:
            # What rests on nothing worked out needs no results.
            results = self._results_of(metrics) if asked.sections else Results()
            wanted = [name for name in CLAIMS if name in {*asked.sections, "said_of_runs"}]
            self._books[key] = make_claims(self.review, results, sections=wanted)
        return self._books[key]

    @cached_property
    def _books(self) -> dict[tuple[str, ...], ClaimBook]:
        """What `_book_for` made before, by sections and metrics."""
        return {}

    def _checked(
        self,
        *,
        product: str = "",
        over: str = "",
        titles: str | Sequence[str] = (),
        products: str | Sequence[str] = (),
    ) -> dict[str, Any]:
        """Return what was asked for, every name known to the review."""
        params, named = self.review.params, names_given(products)
        pairs = [*((params.product, other) for other in params.compared), *params.beside]
        baselines = [other for first, other in pairs if first == (product or params.product)]
        for name, known, what in (
            *(((product, [first for first, _ in pairs], "product of a pair"),) if product else ()),
            *(((over, baselines, "baseline"),) if over else ()),
            *((product, params.products, "product") for product in named),
        ):
            if name not in known and name in self.review.bench.products:
                raise UsageError(
                    f'"{name}" is no {what} of this review; '
                    f'.what_if(products=["{name}"]) sets it against {params.product}'
                )
            known_name(name, known, f"{what} of this review")
        for title in names_given(titles):
            known_name(title, self.review.titles, "title of this review")
        return {"over": over, "titles": names_given(titles), "products": named}

    def _check_metric(self, metric: str) -> None:
        known_name(metric, self.review.params.metrics.names, "metric of this review")

    def _looked_at(self, titles: Sequence[str], products: Sequence[str]) -> Review:
        """Return the review with one product in one title to look into."""
        if len(titles) > 1 or len(products) > 1:
            raise UsageError("a chart of runs is of one product in one title")
        look = self.review.params.look or LookParams()
        changes = {"product": next(iter(products), look.product),
                   "title": next(iter(titles), look.title)}  # fmt: skip
        params = self.review.params.model_copy(update={"look": look.model_copy(update=changes)})
        return dataclasses.replace(
            self.review, loaded=dataclasses.replace(self.review.loaded, params=params)
        )


def _of_what(asked: dict[str, Any]) -> str:
    """Return what was asked for in words."""
    said = [
        f" {word} {', '.join(names_given(asked[key]))}"
        for word, key in (("over", "over"), ("in", "titles"), ("of", "products"), ("of", "metric"))
        if asked.get(key)
    ]
    return "".join(said)


def _explain_what_if() -> None:
    """Give `what_if` its parameters, for help and completion: they stand in `Changes` once."""
    kinds = inspect.get_annotations(Changes)
    keyword = inspect.Parameter.KEYWORD_ONLY
    given = [
        inspect.Parameter(name, keyword, default=None, annotation=kind)
        for name, kind in kinds.items()
    ]
    own = inspect.Parameter("self", inspect.Parameter.POSITIONAL_OR_KEYWORD)
    method: Any = OpenReview.what_if
    method.__signature__ = inspect.Signature([own, *given], return_annotation="OpenReview")
    words = inspect.cleandoc(Changes.__doc__ or "").partition("\n\n")[2]
    method.__doc__ = inspect.cleandoc(method.__doc__).replace("{changes}", words)


_explain_what_if()


def _reading() -> tuple[Reading, list[str]]:
    """Return how logs are read here, and the list that fills with those read anew.

    In a kernel that `marginbook run` started it says how; else the user's results store is used.
    """
    anew: list[str] = []
    if STORE_VARIABLE in os.environ:
        return dataclasses.replace(Reading.in_kernel(os.environ), anew=anew), anew
    store = Store.of_user(os.environ, Path.home())
    return Reading(threads=2, store=store, anew=anew), anew


def open_review(params: str | Path, *, bench: str | Path | None = None) -> OpenReview:
    """Open a review: read its params, bench and raw logs, screen and measure its runs.

    In a notebook it says in one line which logs it read anew; what was measured before, under the
    same settings, is found in the results store by the bytes of its log.

    Parameters
    ----------
    params : str or Path
        The params file.
    bench : str or Path, optional
        Read this bench in place of the one the file names.

    Raises
    ------
    KitError
        `ParamsError`, `BenchError` or `RunFileError`, each with every fault found
        at its step.
    """
    reading, anew = _reading()
    folder = None if bench is None else Path(bench)
    opened = OpenReview(load_review(params, bench_folder=folder, reading=reading), tuple(anew))
    if STORE_VARIABLE not in os.environ and _in_notebook():
        print(_read_words(opened))
    return opened


def _in_notebook() -> bool:
    import builtins

    return hasattr(builtins, "__IPYTHON__")


def _read_words(opened: OpenReview) -> str:
    """Return in one line what was read anew."""
    logs, anew = sum(bool(row.log) for row in opened.review.rows), opened.read_anew
    if not anew:
        return f"{logs} logs, each measured before: found in the results store by its bytes"
    named = ", ".join(anew[:3]) + (f" and {len(anew) - 3} more" if len(anew) > 3 else "")
    return f"{logs} logs, {len(anew)} read and measured anew: {named}"


def bench_health(params: str | Path) -> Health:
    """Return what is stale and missing on the bench of a review, and what to run first.

    Raises
    ------
    KitError
        As `open_review`.
    """
    from kit.review.health import measure_health

    opened = open_review(params)
    return measure_health(opened.review, opened.results)


def look(params: str | Path) -> Look:
    """Look into the runs of one product in one title, as the section `look` of params says.

    Raises
    ------
    KitError
        As `open_review`; `UsageError` where there is no run of that product in that title.
    """
    from kit.review.look_into import look_into

    return look_into(open_review(params).review)
