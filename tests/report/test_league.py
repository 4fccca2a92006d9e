"""The league of finished reviews: one baseline, shared titles alone, figures of the reports."""

import math

import pytest

from kit.claims.claim import ClaimBook
from kit.claims.write import Figure, Subject, make_claim
from kit.errors import UsageError
from kit.report.league import Finished, _find_finished, _index_page, make_league, write_season
from kit.rounding import ratio_text


def a_claim(kind, method, ratio, half, **about):
    low, high = ratio * math.exp(-half), ratio * math.exp(half)
    return make_claim(
        kind, Subject(metric="average_fps", **about), Figure(ratio, low, high, 0.95, "ahead"),
        method=method, unit="ratio", text=ratio_text(ratio, low, high),
    )  # fmt: skip


def finished(product, margins, *, baseline="old", name=None, folder=None):
    """Return a review with the margins given by title (ratio, half width of its ln)."""
    claims = [
        a_claim(
            "margin", "margin-welch", ratio, half, product=product, baseline=baseline, title=title
        )
        for title, (ratio, half) in margins.items()
    ]
    if claims:
        suite = math.exp(sum(math.log(r) for r, _ in margins.values()) / len(margins))
        claims.append(
            a_claim("suite", "suite-these-titles", suite, 0.003, product=product,
                    baseline=baseline, group="all", inputs=[c.id for c in claims])
        )  # fmt: skip
    book = ClaimBook(
        review=product, title=f"A look at {product}", byline="The desk", date="2026-11-16",
        product=product, kit_version="0", params_file="p.yaml", params_sha256="", settings={},
        layouts={}, claims=tuple(claims), runs=(),
        names={"products": {product: name or product.title(), baseline: baseline.title()}},
    )  # fmt: skip
    return Finished(folder or f"of-{product}", book)


A = finished("a", {"dell": (1.2, 0.01), "hill": (1.3, 0.02)})
B = finished("b", {"dell": (1.1, 0.01), "hill": (1.5, 0.03), "moor": (4.0, 0.01)})


def test_only_shared_titles_count_and_intervals_follow_from_the_margins():
    league = make_league([A, B])
    assert (league.baseline, league.titles) == ("old", ("dell", "hill"))
    first, second = league.places
    assert (first.product, second.product) == ("b", "a")
    # B's third title, in which it is far ahead, is not shared: recomputed from the two margins.
    assert first.ratio == pytest.approx(math.sqrt(1.1 * 1.5))
    half = math.hypot(0.01, 0.03) / 2
    assert (first.low, first.high) == pytest.approx(
        (first.ratio * math.exp(-half), first.ratio * math.exp(half))
    )
    assert (first.claim, first.outcome) == ("", "ahead")
    # A's suite is over just these titles, so its report's own claim stands.
    assert second.claim == "suite/average_fps/all/a-over-old"
    assert second.high == pytest.approx(math.sqrt(1.2 * 1.3) * math.exp(0.003))


def test_the_common_baseline_is_the_one_most_reviews_have():
    other = finished("c", {"dell": (1.4, 0.01)}, baseline="new")
    league = make_league([A, B, other])
    assert league.baseline == "old"
    assert league.left_out == {"of-c": "no margin of averages over Old"}
    assert [p.product for p in make_league([A, B, other], baseline="new").places] == ["c"]
    with pytest.raises(UsageError, match='no finished review has margins over "odl"; did you mean'):
        make_league([A, B], baseline="odl")


def test_a_review_that_shares_no_title_leaves_the_others_theirs():
    alone = finished("d", {"fen": (2.0, 0.01)})
    league = make_league([A, B, alone])
    assert league.titles == ("dell", "hill")
    assert league.left_out == {"of-d": "shares no title with the others"}


def test_nothing_to_compare_is_no_league():
    league = make_league([finished("e", {})])
    assert league.places == () and len(league.to_frame()) == 0
    assert "none has a margin of averages" in _index_page([finished("e", {})], league)


def test_names_of_reviews_are_text_on_the_index_page():
    bad = finished("f", {"dell": (1.2, 0.01)}, name="<script>x</script> & co")
    page = _index_page([bad], make_league([bad]))
    assert "<script" not in page and "&lt;script&gt;x&lt;/script&gt; &amp; co" in page


def test_folders_that_are_no_reviews_are_passed_over(tmp_path):
    (tmp_path / "notes").mkdir()
    (tmp_path / "half").mkdir()
    (tmp_path / "half" / "report.html").write_text("x")
    (tmp_path / "half" / "claims.json").write_text("{")
    assert _find_finished(tmp_path) == () and _find_finished(tmp_path / "none") == ()
    assert write_season(tmp_path) == ()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["half", "notes"]
