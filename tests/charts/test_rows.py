"""Charts of rows: what is drawn is what the claims say."""

import math
import re
from dataclasses import replace
from itertools import pairwise

import made_claims
import pytest
from made_claims import (
    AVERAGE,
    LOW,
    book,
    cell,
    cells,
    margin,
    run_over_mean,
    runs_over_mean,
    suite,
)
from matplotlib.colors import to_hex
from matplotlib.text import Text

from kit.charts.identity import REVIEWED, Identity
from kit.charts.rows import (
    _margin_words,
    _outcome_counts,
    influence_chart,
    margins_chart,
    spread_chart,
    titles_chart,
)
from kit.charts.style import OUTCOMES, PAPER
from kit.claims.claim import Claim, Subject

NAMES = made_claims.names()


def marks(figure, shape):
    """Return (x, y) of every mark of one shape, over all axes."""
    return [
        (float(x), float(y))
        for axes in figure.axes
        for line in axes.lines
        if isinstance(line.get_marker(), str) and line.get_marker() == shape
        for x, y in zip(*line.get_data(), strict=True)
    ]


def texts_of(figure):
    return [t.get_text() for t in figure.findobj(Text)]


class TestTitles:
    """The chart of averages, each joined to its low."""

    @pytest.fixture(scope="class")
    @classmethod
    def averages(cls):
        return cells(5, 3)

    @pytest.fixture(scope="class")
    @classmethod
    def lows(cls):
        return cells(5, 3, LOW)

    @pytest.fixture(scope="class")
    @classmethod
    def chart(cls, averages, lows):
        return titles_chart(book(*averages, *lows))

    @pytest.fixture(scope="class")
    @classmethod
    def figure(cls, chart):
        return chart.draw("page")

    def test_every_average_is_drawn_once_where_its_claim_says(self, averages, lows, figure):
        for product, shape in (("p0", "o"), ("p1", "s"), ("p2", "D")):
            drawn = sorted(marks(figure, shape), key=lambda m: m[1])
            assert [x for x, _ in drawn] == [c.value for c in averages if c.product == product]
        assert sorted(x for x, _ in marks(figure, "|")) == sorted(c.value for c in lows)

    def test_stem_and_interval_end_where_the_claims_do(self, averages, lows, figure):
        (axes,) = figure.axes
        ends = {
            (round(float(x0), 9), round(float(x1), 9))
            for line in axes.lines
            if line.get_marker() == "None" and len(line.get_xdata()) > 2
            for x0, x1 in zip(line.get_xdata()[0::3], line.get_xdata()[1::3], strict=True)
        }
        for average, low in zip(averages, lows, strict=True):
            assert (round(low.value, 9), round(average.value, 9)) in ends
            assert (round(average.low, 9), round(average.high, 9)) in ends

    @pytest.mark.parametrize("size", ["page", "video"])
    def test_the_axis_begins_at_zero_and_says_quantity_unit_and_direction(self, chart, size):
        for axes in chart.draw(size).axes:
            assert axes.get_xlim()[0] == 0
            assert axes.get_xlabel() == "average, frames per second, more is better"

    def test_only_the_reviewed_product_is_filled(self, averages):
        (axes,) = titles_chart(book(*averages, product="p1")).draw("page").axes
        faces = {}
        for line in axes.lines:
            if line.get_marker() in {"o", "s", "D"}:
                faces.setdefault(line.get_marker(), set()).add(line.get_markerfacecolor())
        # p2 is the first rival where p1 is the reviewed product, p0 is none of the named.
        assert faces == {"o": {REVIEWED.colour, PAPER}, "s": {PAPER}}

    def test_each_product_is_named_once_beside_its_line_in_the_first_row(self, figure):
        (axes,) = figure.axes
        texts = {t.get_text(): t for t in axes.texts}
        assert set(texts) == {NAMES[p] for p in ("p0", "p1", "p2")}
        for product, shape in (("p0", "o"), ("p1", "s"), ("p2", "D")):
            first = min(marks(figure, shape), key=lambda m: m[1])
            assert texts[NAMES[product]].xy[1] == first[1]

    def test_the_note_never_calls_a_shorter_line_steadier(self, chart):
        # 60 of 100 fps and 120 of 200 are equally steady; their lines are 40 and 80 long.
        assert "steadier" not in chart.note
        assert "1\xa0% low: read it as a share of the average" in chart.note

    def test_a_title_that_did_not_run_is_said_and_left_open(self, averages, lows):
        kept = [c for c in averages if (c.title, c.product) != ("t02", "p1")]
        chart = titles_chart(book(*kept, *lows))
        assert "No result: Tessel 14 in Paper Forest." in chart.note
        assert not len(chart.table.query("title == 't02' and product == 'p1'"))
        assert len(chart.table) == 14 + 14
        assert len(marks(chart.draw("page"), "s")) == 4

    def test_a_product_without_result_in_the_first_row_is_named_there_and_said(self, averages):
        kept = [c for c in averages if (c.title, c.product) != ("t00", "p1")]
        (axes,) = titles_chart(book(*kept)).draw("page").axes
        assert "Tessel 14: no result" in [t.get_text() for t in axes.texts]

    def test_a_claim_without_an_interval_is_drawn_without_one(self):
        lone = cell("p0", "t00", 91.25)
        chart = titles_chart(book(lone))
        assert chart.table["low"].isna().all()
        figure = chart.draw("page")
        assert [x for x, _ in marks(figure, "o")] == [91.25]
        assert "narrower" not in chart.note

    def test_alt_text_holds_every_figure_of_the_reviewed_product(self, averages, lows, chart):
        for claim in (c for c in (*averages, *lows) if c.product == "p0"):
            assert claim.text in chart.alt  # as the page prints it, not rounded again
        for claim in averages:
            assert NAMES[claim.product] in chart.alt

    def test_the_table_is_the_claims_unrounded(self, averages, lows, chart):
        for metric, claims in ((AVERAGE, averages), (LOW, lows)):
            table = chart.table[chart.table["metric"] == metric].set_index("id")
            assert list(table.loc[[c.id for c in claims], "value"]) == [c.value for c in claims]
            assert list(table.loc[[c.id for c in claims], "low"]) == [c.low for c in claims]
        assert len(chart.table) == len(averages) + len(lows)

    def test_caption_counts_the_outcomes_of_each_rival(self, averages):
        won = [margin("p0", "p1", f"t{i:02d}", 0.1, 0.01) for i in range(5)]
        mixed = [
            margin("p0", "p2", f"t{i:02d}", x, 0.01)
            for i, x in enumerate((0.1, 0.1, -0.1, 0.02, 0.0))
        ]
        ahead, other = suite(won), suite(mixed)
        counts = {c.outcome: c.value for c in ahead if c.kind == "suite_count"}
        assert counts == {"ahead": 5, "behind": 0, "level": 0, "unresolved": 0}
        one = titles_chart(book(*averages, *won, *ahead))
        assert one.caption == "Marlow 14 is ahead of Tessel 14 in 5 of 5 titles"
        both = titles_chart(book(*averages, *won, *ahead, *mixed, *other))
        assert both.caption == (
            "Marlow 14 is ahead of Tessel 14 in 5 of 5, of Orrin 13 Plus in 2 of 5 titles"
        )

    def test_without_suites_the_caption_gives_the_range(self, averages):
        own = sorted((c for c in averages if c.product == "p0"), key=lambda c: c.value)
        assert titles_chart(book(*averages)).caption == (
            f"Marlow 14: average from {own[0].text} in {NAMES[own[0].title]} to {own[-1].text} "
            f"in {NAMES[own[-1].title]}"
        )

    @pytest.mark.parametrize(
        ("logs", "words"),
        [
            ((0.1,), "ahead of Tessel 14 in the one title"),
            ((-0.1, -0.1), "behind Tessel 14 in 2 of 2 titles"),
            ((0.1, 0.0, 0.0), "ahead of Tessel 14 in 1 of 3 titles, level in 2"),
            ((0.02, 0.02), "not told apart from Tessel 14 in 2 of 2 titles"),
            ((0.0, -0.1), "behind Tessel 14 in 1 of 2 titles, level in 1"),
            ((0.0, 0.0), "level with Tessel 14 in 2 of 2 titles"),
        ],
    )
    def test_outcomes_in_words(self, logs, words):
        of = [margin("p0", "p1", f"t{i:02d}", x, 0.01 if x else 0.005) for i, x in enumerate(logs)]
        made = suite(of)
        assert _outcome_counts(book(*made), made[0]) == words
        whole = made[0]
        about = Subject(whole.metric, whole.product, whole.baseline, group=whole.group)
        false = Claim.make("suite_false", about, 0.23)
        told = len(logs) > 1 and any(word in words for word in ("ahead", "behind"))
        end = " (expected to be false: 0.2)" if told else ""
        assert _outcome_counts(book(*made, false), whole) == words + end

    def test_numbers_follow_the_locale(self):
        chart = titles_chart(book(*cells(5, 3, locale="de"), locale="de"))
        assert re.search(r"\d,\d", chart.alt) and not re.search(r"\d\.\d", chart.alt)

    def test_a_review_without_averages_is_refused(self):
        with pytest.raises(ValueError, match="no title has an average"):
            titles_chart(book())

    def test_a_long_name_is_wrapped_or_cut_in_the_picture_and_whole_in_the_words(self, averages):
        long = "The Longest Winter in the Valley of the Seven Grey Clockmakers and Apprentices"
        chart = titles_chart(book(*averages, shown={"t01": long}))
        shown = texts_of(chart.draw("page"))
        cut = [t.replace("\n", " ").rstrip("\u2026") for t in shown if len(t) > 20]
        assert any(t in long for t in cut)
        assert long in chart.alt

    def test_the_reviewed_product_stands_first_and_the_others_as_in_params(self, averages):
        chart = titles_chart(book(*averages, product="p2"))
        assert list(dict.fromkeys(c.product for c in chart.claims)) == ["p2", "p0", "p1"]
        (axes,) = chart.draw("page").axes
        heights = [t.xy[1] for t in sorted(axes.texts, key=lambda t: t.get_text() != NAMES["p2"])]
        assert heights[0] == min(heights)

    def test_many_missing_results_are_counted(self, averages):
        kept = [c for c in averages if c.product != "p1" or c.title in {"t00", "t01"}]
        assert "No result: Tessel 14 in 3 titles." in titles_chart(book(*kept)).note

    def test_the_axis_leaves_room_for_names_right_of_their_lines(self):
        three = [cell(p, "t00", 100.0, 99.0, 101.0) for p in ("p0", "p1", "p2")]
        named = dict.fromkeys(("p0", "p1", "p2"), "A short name")
        (axes,) = titles_chart(book(*three, shown=named)).draw("page").axes
        assert [t.get_text() for t in axes.texts] == ["A short name"] * 3
        assert {t.get_ha() for t in axes.texts} == {"left"}
        assert axes.get_xlim()[1] <= 1.35 * 101.0


class TestMargins:
    """The chart of margins: points, intervals, band, outcomes and both directions."""

    @pytest.fixture(scope="class")
    @classmethod
    def margins(cls):
        return [
            margin("p0", "p1", "t00", 0.10, 0.01),
            margin("p0", "p1", "t01", -0.10, 0.01, marks=("waived:memory",)),
            margin("p0", "p1", "t02", 0.00, 0.004),
            margin("p0", "p1", "t03", 0.02, 0.03, marks=("single_run",)),
        ]

    @pytest.fixture(scope="class")
    @classmethod
    def whole(cls, margins):
        return suite(margins)

    @pytest.fixture(scope="class")
    @classmethod
    def chart(cls, margins, whole):
        return margins_chart(book(*margins, *whole), whole[0])

    @pytest.fixture(scope="class")
    @classmethod
    def figure(cls, chart):
        return chart.draw("page")

    def chart_of(self, *margins, **how):
        made = suite(list(margins))
        return margins_chart(book(*margins, *made, **how), made[0])

    def points(self, figure):
        """Return face and height of every mark by its ratio; those with a dashed edge, too."""
        axes = figure.axes[0]
        found = {
            float(line.get_xdata()[0]): (line.get_markerfacecolor(), float(line.get_ydata()[0]))
            for line in axes.lines
            if line.get_marker() in {"o", "s", "D"}
        }
        for dots in axes.collections:
            ((x, y),) = dots.get_offsets()
            face = to_hex(dots.get_facecolors()[0])
            assert dots.get_linestyles()[0][1] is not None  # a dashed edge
            found[float(x)] = (face, float(y))
        return found

    def test_every_margin_and_the_suite_is_a_point_at_its_ratio(self, figure, margins, whole):
        assert sorted(self.points(figure)) == sorted([*(m.value for m in margins), whole[0].value])

    def test_rows_run_from_the_largest_margin_down_with_the_suite_last_and_apart(
        self, figure, margins, whole
    ):
        drawn = sorted(self.points(figure).items(), key=lambda item: item[1][1])
        ratios, heights = [x for x, _ in drawn], [y for _, (_, y) in drawn]
        assert ratios == [*sorted((m.value for m in margins), reverse=True), whole[0].value]
        gaps = [b - a for a, b in pairwise(heights)]
        assert gaps[-1] > 1.2 * gaps[0] and max(gaps[:-1]) == pytest.approx(min(gaps[:-1]))

    def test_intervals_end_where_the_claims_say(self, figure, margins, whole):
        ends = {
            tuple(round(float(v), 9) for v in line.get_xdata()[:2])
            for line in figure.axes[0].lines
            if len(line.get_xdata()) == 3
        }
        like = next(c for c in whole if c.kind == "suite_like")
        for claim in (*margins, whole[0], like):
            assert (round(claim.low, 9), round(claim.high, 9)) in ends

    def test_level_and_unresolved_are_open_and_everything_else_is_filled(
        self, figure, margins, whole
    ):
        assert [m.outcome for m in margins] == ["ahead", "behind", "level", "unresolved"]
        assert whole[0].outcome == "unresolved"
        drawn = self.points(figure)
        opened = {x for x, (face, _) in drawn.items() if face == PAPER}
        assert opened == {c.value for c in (*margins[2:], whole[0])}
        dashed = {float(d.get_offsets()[0][0]) for d in figure.axes[0].collections}
        assert dashed == {margins[3].value, whole[0].value}
        assert drawn[margins[0].value][0] == OUTCOMES["ahead"].colour
        assert drawn[margins[1].value][0] == OUTCOMES["behind"].colour

    def test_the_band_is_shaded_alike_in_both_directions(self, figure):
        (band,) = figure.axes[0].patches
        low, high = band.get_x(), band.get_x() + band.get_width()
        assert (low, high) == pytest.approx((1 / 1.02, 1.02))

    def test_the_same_place_reads_as_the_inverse_from_above(self, figure):
        below, above = figure.axes
        assert below.get_xscale() == above.get_xscale() == "log"
        assert below.get_xlim() == above.get_xlim()
        for x, text in zip(above.get_xticks(), above.get_xticklabels(), strict=True):
            percent = float(text.get_text().replace("\u2212", "-").rstrip("%\xa0"))
            assert 1 / x == pytest.approx(1 + percent / 100)  # 25 % more one way is 20 % less back
        for x, text in zip(below.get_xticks(), below.get_xticklabels(), strict=True):
            percent = float(text.get_text().replace("\u2212", "-").rstrip("%\xa0"))
            assert x == pytest.approx(1 + percent / 100)
        assert "Marlow 14 against Tessel 14" in below.get_xlabel()
        assert "Tessel 14 against Marlow 14" in above.get_xlabel()

    def test_figures_outcomes_and_daggers_stand_in_their_rows(self, chart, figure, margins):
        texts = texts_of(figure)
        assert {m.text for m in margins} <= set(texts)
        assert {"ahead", "behind", "level", "unresolved"} <= set(texts)
        assert "Harbour at Night \u2020" in texts and "Salt Dunes" in texts
        assert "\u2020 A control was waived." in chart.note

    def test_without_a_waiver_there_is_no_dagger(self, margins):
        assert "\u2020" not in self.chart_of(*margins[2:]).note
        assert margins[1].waived and not margins[3].waived

    def test_a_waiver_for_every_title_is_said_once(self, margins):
        waived = [replace(m, marks=("waived:memory",)) for m in margins]
        whole = suite(waived)
        whole[0] = replace(whole[0], marks=("waived:memory",))
        chart = margins_chart(book(*waived, *whole), whole[0])
        assert "A control was waived for all of it." in chart.note
        assert not any("\u2020" in text for text in [chart.note, *texts_of(chart.draw("page"))])

    def test_caption_and_alternative_say_result_numbers_and_outcomes(self, chart, margins):
        assert chart.caption.startswith(
            "Marlow 14 is ahead of Tessel 14 in 1 of 4 titles, behind in 1, level in 1, "
            "not told apart in 1; over the suite "
        )
        for m in margins:
            assert f"{NAMES[m.title]} {m.text} ({m.interval}), {m.outcome}" in chart.alt

    @pytest.mark.parametrize(
        ("log_ratio", "log_se", "words"),
        [
            (math.log(1.25), 0.01, "25.0\xa0% faster"),
            (math.log(0.8), 0.01, "20.0\xa0% slower"),
            (0.0, 0.004, "level (0.0\xa0%, between \u22120.8 and +0.8)"),
            (math.log(1.01), 0.03, "not told apart (+1\xa0%, between \u22125 and +7)"),
        ],
    )
    def test_a_margin_in_words_has_the_figures_of_its_claim(self, log_ratio, log_se, words):
        said = _margin_words(margin("p0", "p1", "t00", log_ratio, log_se))
        assert said == words

    def test_a_margin_without_an_interval_is_a_point_alone_and_says_so(self):
        lone = margin("p0", "p1", "t00", 0.1, None)
        made = suite([lone], interval=False)
        chart = margins_chart(book(lone, *made), made[0])
        assert "(no interval), unresolved" in chart.alt
        assert list(self.points(chart.draw("page"))) == [lone.value]
        assert "narrower" not in chart.note

    def test_a_far_interval_is_cut_at_the_edge_with_an_arrow_and_presses_nothing(self):
        wide = margin("p0", "p1", "t00", 0.05, 0.9)
        others = [margin("p0", "p1", f"t{i:02d}", 0.01 * i, 0.01) for i in range(1, 6)]
        figure = self.chart_of(wide, *others).draw("page")
        low, high = figure.axes[0].get_xlim()
        assert math.log(high / low) < 0.5
        arrows = {line.get_marker() for line in figure.axes[0].lines} & {"<", ">"}
        assert arrows == {"<", ">"}

    def test_a_suite_of_nothing_is_refused(self, whole):
        with pytest.raises(ValueError, match="no margins to draw"):
            margins_chart(book(*whole), replace(whole[0], inputs=()))

    def test_groups_have_file_names_of_their_own(self, margins, chart):
        group = suite(margins, group="new")
        other = margins_chart(book(*margins, *group), group[0])
        assert chart.name == "margins-average_fps-p0-over-p1" != other.name

    def test_the_direction_is_said_however_long_the_names(self, margins):
        long = dict.fromkeys(("p0", "p1"), "A long name " * 12)
        below = self.chart_of(*margins, shown=long).draw("page").axes[0].get_xlabel()
        assert below == "average (\u2212 slower, + faster)"
        score = [margin("p0", "p1", f"t{i:02d}", 0.1, 0.01, metric="value") for i in range(3)]
        chart = self.chart_of(*score)
        assert "(\u2212 behind, + ahead)" in chart.draw("page").axes[0].get_xlabel()

    def test_narrow_intervals_are_said_to_be_where_they_are_and_only_there(self):
        wide = [margin("p0", "p1", f"t{i:02d}", 0.02 * i, 0.03) for i in range(3)]
        assert "narrower" not in self.chart_of(*wide).note
        one = [*wide[:2], margin("p0", "p1", "t02", 0.04, 0.0002)]
        assert "1 of 5 intervals is narrower than its mark." in self.chart_of(*one).note
        all_of_it = [margin("p0", "p1", f"t{i:02d}", 0.3 * i, 0.0002) for i in range(3)]
        # The suite has an interval for titles like these too, which is wide enough to be seen.
        assert "4 of 5 intervals are narrower than their marks." in self.chart_of(*all_of_it).note

    def test_narrow_means_the_same_in_words_and_in_the_picture(self, figure, chart):
        axes, mark = figure.axes[0], 8.0
        to_px = axes.transData.transform
        spans = [
            to_px((line.get_xdata()[1], 0))[0] - to_px((line.get_xdata()[0], 0))[0]
            for line in axes.lines
            if len(line.get_xdata()) == 3 and line.get_linewidth() >= 2.0
        ]
        assert len(spans) == 5
        assert ("narrower" in chart.note) == any(span < mark for span in spans)


class TestInfluence:
    """The chart of a suite without each of its titles."""

    @pytest.fixture(scope="class")
    @classmethod
    def of(cls):
        return made_claims.margins(6)

    @pytest.fixture(scope="class")
    @classmethod
    def made(cls, of):
        return suite(of)

    @pytest.fixture(scope="class")
    @classmethod
    def without(cls, made):
        return {c.title: c for c in made if c.kind == "influence"}

    @pytest.fixture(scope="class")
    @classmethod
    def chart(cls, of, made):
        return influence_chart(book(*of, *made), made[0])

    def test_rows_are_in_the_order_of_titles_and_points_where_the_claims_say(
        self, of, made, without, chart
    ):
        order = [t for t in Identity(book(*of, *made)).title_order() if t in without]
        assert order == [m.title for m in sorted(of, key=lambda m: -m.value)]
        (axes,) = chart.draw("page").axes
        drawn = sorted(marks(chart.draw("page"), "o"), key=lambda m: m[1])
        assert [x for x, _ in drawn] == [without[t].value for t in order]
        spans = [ln for ln in axes.lines if len(ln.get_xdata()) == 3]
        assert {float(ln.get_xdata()[0]) for ln in spans} == {made[0].value}
        assert len(spans) == len(without)

    def test_the_interval_of_the_full_suite_is_shaded(self, of, made, chart):
        (band,) = chart.draw("page").axes[0].patches
        ends = band.get_x(), band.get_x() + band.get_width()
        assert ends == pytest.approx((made[0].low, made[0].high))
        bare = suite(of, interval=False)
        plain = influence_chart(book(*of, *bare), bare[0])
        assert not plain.draw("page").axes[0].patches and "shaded" not in plain.note

    def test_caption_names_the_titles_that_move_it_most(self, without, chart):
        most = max(without.values(), key=lambda c: c.value)
        least = min(without.values(), key=lambda c: c.value)
        assert f"becomes {least.text} (without {NAMES[least.title]}) to" in chart.caption
        assert chart.caption.endswith(f"{most.text} (without {NAMES[most.title]})")
        assert all(f"without {NAMES[t]} {c.text}" in chart.alt for t, c in without.items())

    def test_what_is_drawn_is_its_table(self, made, without, chart):
        assert set(chart.table["id"]) == {made[0].id, *(c.id for c in without.values())}

    def test_a_suite_of_one_title_has_no_influence_to_show(self):
        made = suite(made_claims.margins(1))
        with pytest.raises(ValueError, match="two titles or more"):
            influence_chart(book(*made), made[0])


class TestSpread:
    """The chart of runs beside their own mean."""

    def test_every_run_is_a_dot_at_its_ratio_to_the_mean_of_its_cell(self):
        claims = runs_over_mean(3, 1)
        chart = spread_chart(book(*claims))
        assert sorted(chart.table["value"]) == sorted(c.value for c in claims)
        figure = chart.draw("page")
        drawn = sorted(x for shape in "o" for x, _ in marks(figure, shape))
        assert drawn == sorted(c.value for c in claims)

    def test_only_the_reviewed_product_is_drawn(self):
        chart = spread_chart(book(*runs_over_mean(3, 2)))
        assert set(chart.table["product"]) == {"p0"}

    def test_the_caption_names_the_run_furthest_from_its_mean(self):
        far = run_over_mean("p0", "t01", 80 / 94.6, "far")
        chart = spread_chart(book(*runs_over_mean(3, 2), far))
        assert f"−15.4\xa0%: {NAMES['p0']} in Harbour at Night" in chart.caption  # 80 / 94.6 - 1

    def test_alt_text_gives_each_range_of_the_reviewed_product(self):
        runs = [
            run_over_mean("p0", "t00", r, f"r{i}") for i, r in enumerate((0.97, 1.0, 1.03, 1.0))
        ]
        assert "Salt Dunes −3.0\xa0% to +3.0\xa0%" in spread_chart(book(*runs)).alt

    def test_without_two_runs_of_a_product_in_a_title_there_is_no_spread(self):
        with pytest.raises(ValueError, match="two runs in a title"):
            spread_chart(book(*cells(2, 2)))
        with pytest.raises(ValueError, match="two runs in a title"):
            spread_chart(book(run_over_mean("p1", "t00", 1.0, "r1")))


class TestOrderOfTitles:
    """One order for all charts: groups of the tag that matters most, margins inside."""

    LOGS = (0.01, 0.05, 0.30, 0.20, 0.02, 0.25)

    def made(self, **tags):
        of = [margin("p0", "p1", f"t{i:02d}", x, 0.01) for i, x in enumerate(self.LOGS)]
        groups = {"old": [of[i] for i in (0, 1, 4)], "new": [of[i] for i in (2, 3, 5)]}
        odd = {"odd": of[::2], "even": of[1::2]}
        suites = {
            "even": {"name": "Even", "tags": {"parity": "even"}},
            "odd": {"name": "Odd", "tags": {"parity": "odd"}},
            "old": {"name": "Old ones", "tags": {"age": "old"}},
            "new": {"name": "New ones", "tags": {"age": "new"}},
        }
        claims = [c for g in (odd, groups) for name, ms in g.items() for c in suite(ms, group=name)]
        return book(*of, *suite(of), *claims, suites=suites, n_titles=7)

    def test_the_groups_furthest_apart_come_first_and_in_each_the_largest_margin(self):
        order = Identity(self.made()).title_order()
        assert list(order) == ["t01", "t04", "t00", "t02", "t05", "t03", "t06"]
        assert list(order.values()) == ["Old ones"] * 3 + ["New ones"] * 3 + [""]

    def test_every_chart_of_rows_keeps_it_and_heads_the_groups(self):
        made = self.made()
        whole = made.by_id["suite/average_fps/all/p0-over-p1"]
        full = replace(made, claims=(*made.claims, *cells(7, 2), *runs_over_mean(7)))
        names = [NAMES[t] for t in Identity(made).title_order()]
        for chart in (
            titles_chart(full),
            spread_chart(full),
            margins_chart(full, whole),
            influence_chart(full, whole),
        ):
            found = [t for t in chart.draw("page").findobj(Text) if t.get_text() in names]
            down = [t.get_text() for t in sorted(found, key=lambda t: -t.get_position()[1])]
            assert down == [n for n in names if n in down] and len(down) >= 6
            heads = [t for t in texts_of(chart.draw("page")) if t in {"Old ones", "New ones"}]
            assert heads == ["Old ones", "New ones"]

    def test_without_groups_titles_stand_by_margin_alone(self):
        of = [margin("p0", "p1", f"t{i:02d}", x, 0.01) for i, x in enumerate(self.LOGS)]
        order = Identity(book(*of, *suite(of), n_titles=6)).title_order()
        assert list(order) == ["t02", "t05", "t03", "t01", "t04", "t00"]
        assert set(order.values()) == {""}
