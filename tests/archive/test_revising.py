"""Two sealed reviews compared, and the correction note made of them."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from bagmaker import make_bag
from sealmaker import copy_bag, corrected_review, sealed_review

from kit.archive.bag import zip_bag
from kit.archive.revising import (
    KINDS,
    ClaimChange,
    _claim_changes,
    _roots_of,
    _run_changes,
    _setting_changes,
    compare_reviews,
)
from kit.claims.claim import Claim, ClaimBook, RunRecord
from kit.errors import HostileBagError, SealError


@pytest.fixture(scope="module")
def revision():
    return compare_reviews(sealed_review(), corrected_review())


def test_a_review_against_itself_moves_nothing(tmp_path):
    same = compare_reviews(sealed_review(), zip_bag(sealed_review(), tmp_path / "again.zip"))
    assert not same.moved
    assert {kind for kind, count in same.counts.items() if count} == {"unchanged"}
    assert same.runs == () and same.settings == ()
    assert not same.names_old


def test_counts_every_figure_once(revision):
    ids = {c.id for book in (revision.old.book, revision.new.book) for c in book.figures}
    assert sum(revision.counts.values()) == len(ids)
    assert list(revision.counts) == list(KINDS)


def test_finds_what_was_done(revision):
    """One log recorded anew 15 % slower, one run set aside, one price put right."""
    assert [(r.run, r.change) for r in revision.runs] == [
        ("quill-harbour-3", "replaced"), ("wren-attic-1", "set aside")
    ]  # fmt: skip
    by_id = {c.id: c for c in revision.changes}
    slower = by_id["run/average_fps/quill-harbour-3"]
    assert slower.kind == "moved_outside"
    # It lasts 15 % longer, too: it counts over the stretch that all runs of its title have.
    assert slower.new.value / slower.old.value == pytest.approx(1 / 1.15, rel=2e-3)
    turned = by_id["margin/average_fps/harbour/quill-over-wren"]
    assert (turned.kind, turned.old.outcome, turned.new.outcome) == (
        "outcome_turned", "ahead", "unresolved"
    )  # fmt: skip
    assert "run quill-harbour-3 was replaced" in turned.causes[0]
    untouched = by_id["cell/average_fps/kettle/quill"]
    assert untouched.old.value == untouched.new.value
    price = by_id["value/launch/price/wren"]
    assert (price.old.value, price.new.value) == (1299.5, 1199.5)
    weighed = by_id["value/launch/premium/quill-over-wren"]
    assert "launch price wren changed" in weighed.causes
    assert revision.moved


@pytest.mark.parametrize("said", ["identity", "short", "name", "review"])
def test_the_new_review_names_the_one_it_replaces(revision, said):
    assert revision.names_old
    old = revision.old
    words = {"identity": old.identity, "short": old.identity[:12], "name": old.bag,
             "review": old.book.review}[said]  # fmt: skip
    assert replace(revision, new=replace(revision.new, replaces=words)).names_old
    assert not replace(revision, new=replace(revision.new, replaces="x" + words)).names_old
    assert not replace(revision, new=replace(revision.new, replaces=words[:3])).names_old


def test_the_seal_carries_what_it_replaces(revision):
    assert (
        f"Replaces: {revision.old.identity}\n" in (corrected_review() / "bag-info.txt").read_text()
    )


def test_lines_data_and_frames(revision):
    lines = revision.to_lines()
    assert "the new review says that it replaces the old one" in lines
    assert "outcome turned: margin/average_fps/harbour/quill-over-wren" in lines
    plain = json.loads(json.dumps(revision.to_dict()))
    assert plain["ok"] is False and plain["counts"] == revision.counts
    assert {c["kind"] for c in plain["changes"]} <= set(KINDS) - {"unchanged"}
    frame = revision.to_frame()
    assert list(frame.columns) == [
        "id", "change", "old_value", "old_low", "old_high", "old_outcome", "old_text",
        "new_value", "new_low", "new_high", "new_outcome", "new_text", "causes",
    ]  # fmt: skip
    assert frame["change"].value_counts().to_dict() == {
        k: v for k, v in revision.counts.items() if v
    }
    assert len(revision.frames()["runs"]) == 2
    assert "screen.set_aside.wren-attic-1.reason" in set(revision.frames()["settings"]["key"])


def test_backwards_new_is_gone(revision):
    back = compare_reviews(corrected_review(), sealed_review())
    assert back.counts["gone"] == revision.counts["new"]
    assert back.counts["new"] == revision.counts["gone"]


def test_a_damaged_bag_is_refused(tmp_path):
    bag = copy_bag(tmp_path / "bag")
    (bag / "data/claims.json").write_bytes(b"{}")
    with pytest.raises(SealError, match="bag: not a whole sealed review; verify it first"):
        compare_reviews(bag, sealed_review())
    with pytest.raises(SealError, match=r"no data/claims.json"):
        compare_reviews(sealed_review(), make_bag(tmp_path / "small"))
    with pytest.raises(SealError, match="no such bag"):
        compare_reviews(sealed_review(), tmp_path / "none")
    (bag / "data/link").symlink_to("/etc/passwd")
    with pytest.raises(HostileBagError, match="a link"):
        compare_reviews(bag, sealed_review())


def claim(name: str, value: float | None = 1.25, **more: object) -> Claim:
    settings: dict[str, object] = {
        "kind": name.split("/")[0], "metric": "average_fps", "product": "quill",
        "baseline": "wren", "title": "kettle", "low": 1.2, "high": 1.3, "confidence": 0.95,
        "unit": "ratio", "outcome": "ahead", "text": "+25.0\u00a0%",
        "interval": "+20.0 to +30.0", "rounding": "percent, 1 decimals", "method": "margin-welch",
        "method_version": 1, "inputs": (), "runs": (), "set_aside": (), "marks": (),
    }  # fmt: skip
    return Claim(id=name, value=value, **{**settings, **more})  # type: ignore[arg-type]


def run(name: str, **more: object) -> RunRecord:
    settings: dict[str, object] = {
        "product": "quill", "title": "kettle", "file": f"logs/{name}.csv", "sha256": "a" * 64,
        "frames": 100, "used": True, "reason": "", "layout": "", "status": "ran", "session": "",
        "began": "", "duration_s": 0.0, "conditions": {}, "flags": (),
    }  # fmt: skip
    return RunRecord(id=name, **{**settings, **more})  # type: ignore[arg-type]


def book(*claims: Claim, runs: tuple[RunRecord, ...] = (), **settings: object) -> ClaimBook:
    return ClaimBook(
        review="quill", title="t", byline="b", date="2026-04-01", product="quill",
        kit_version="0.1.0", params_file="quill.yaml", params_sha256="0" * 64, settings=settings,
        layouts={}, claims=claims, runs=runs,
    )  # fmt: skip


def kinds(old: ClaimBook, new: ClaimBook) -> dict[str, str]:
    runs, settings = list(_run_changes(old, new)), list(_setting_changes(old, new))
    return {c.id: c.kind for c in _claim_changes(old, new, runs, settings)}


def causes(old: ClaimBook, new: ClaimBook, name: str) -> tuple[str, ...]:
    runs, settings = list(_run_changes(old, new)), list(_setting_changes(old, new))
    return next(c.causes for c in _claim_changes(old, new, runs, settings) if c.id == name)


M = "margin/average_fps/kettle/quill-over-wren"


@pytest.mark.parametrize(
    ("change", "kind"),
    [
        ({}, "unchanged"),
        ({"value": 1.25 * (1 + 1e-13)}, "unchanged"),
        ({"value": 1.26}, "changed_within_interval"),
        ({"value": 1.3}, "changed_within_interval"),
        ({"value": 1.3001}, "moved_outside"),
        ({"value": 1.19}, "moved_outside"),
        ({"low": 1.1, "high": 1.4}, "changed_within_interval"),
        ({"outcome": "unresolved"}, "outcome_turned"),
        ({"outcome": "unresolved", "value": 1.0}, "outcome_turned"),
        ({"unit": "fps", "value": 1.26}, "moved_outside"),
        ({"value": None}, "moved_outside"),
        ({"text": "+25\u00a0%"}, "changed_within_interval"),
    ],
)
def test_how_a_claim_changed(change, kind):
    old = claim(M)
    assert kinds(book(old), book(replace(old, **change))) == {M: kind}
    assert kind in KINDS


def test_without_an_interval_a_figure_stands_while_it_rounds_to_what_was_printed():
    old = claim(M, 1.25, low=None, high=None, interval="")
    assert kinds(book(old), book(replace(old, value=1.2504))) == {M: "changed_within_interval"}
    assert kinds(book(old), book(replace(old, value=1.2506))) == {M: "moved_outside"}


def test_new_and_gone():
    assert kinds(book(), book(claim(M))) == {M: "new"}
    assert kinds(book(claim(M)), book()) == {M: "gone"}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"sha256": "b" * 64}, "replaced"),
        ({"used": False, "reason": "A backup ran."}, "set aside"),
        ({"product": "wren"}, "given to another product or title"),
        ({"conditions": {"driver": "52"}}, "recorded with another driver"),
        ({"session": "s1"}, "recorded with another session"),
    ],
)
def test_how_a_run_changed(change, words):
    old, new = book(runs=(run("r1"),)), book(runs=(run("r1", **change),))
    assert [c.change for c in _run_changes(old, new)] == [words]


def test_runs_added_removed_and_used_again():
    aside = run("r1", used=False, reason="A backup ran.")
    old, new = book(runs=(aside, run("r2"))), book(runs=(run("r1"), run("r3")))
    found = [(c.run, c.change, c.old, c.new) for c in _run_changes(old, new)]
    assert found == [
        ("r1", "used again", "not used: A backup ran.", "used"),
        ("r2", "removed", "used", "not there"),
        ("r3", "added", "not there", "used"),
    ]
    again = run("r1", used=False, reason="The window was open.")
    found = [c.change for c in _run_changes(book(runs=(aside,)), book(runs=(again,)))]
    assert found == ["given another reason"]
    assert list(_run_changes(old, old)) == []


def test_settings_that_differ_by_their_dotted_keys():
    old = book(margins={"confidence": 0.95, "seed": 1}, rivals=["wren"])
    new = book(margins={"confidence": 0.9, "seed": 1}, rivals=["wren", "finch"], plan=None)
    found = {s.key: (s.old, s.new) for s in _setting_changes(old, new)}
    assert found == {
        "margins.confidence": ("0.95", "0.9"), "rivals": ("wren", "wren, finch"),
        "plan": ("not set", "None"),
    }  # fmt: skip
    later = replace(old, kit_version="9.0.0")
    assert [s.key for s in _setting_changes(old, later)] == ["kit version"]


@pytest.mark.parametrize(
    ("before", "after", "key"),
    [
        ({"plan": {}}, {"plan": {"runs": 5}}, "plan.runs"),
        ({"empty": ()}, {"empty": ("x",)}, "empty"),
        ({"list": [{"a": 1}, {"a": 2}]}, {"list": [{"a": 1}, {"a": 3}]}, "list.1.a"),
        ({"list": [{"name": "n", "a": 2}]}, {"list": [{"name": "n", "a": 3}]}, "list.n.a"),
    ],
)
def test_a_setting_is_known_by_its_place_or_its_name(before, after, key):
    (found,) = _setting_changes(book(**before), book(**after))
    assert found.key == key
    assert (found.old == "nothing") == (key == "empty")


def test_the_order_of_waivers_and_runs_set_aside_does_not_matter():
    one = [{"run": "a", "reason": "x"}, {"run": "b", "reason": "y"}]
    assert list(_setting_changes(book(screen=one), book(screen=one[::-1]))) == []


class TestCauses:
    def test_a_run_beneath_it_through_its_inputs(self):
        cell = claim("cell/x", 60.0, runs=("r1",))
        old = book(cell, claim(M, inputs=("cell/x",)), runs=(run("r1"),))
        new = book(
            replace(cell, value=50.0), claim(M, 1.0, inputs=("cell/x",)),
            runs=(run("r1", sha256="b" * 64),),
        )  # fmt: skip
        assert causes(old, new, M) == ("run r1 was replaced: its log has other bytes",)

    def test_a_run_elsewhere_through_the_shared_variance(self):
        old = book(claim(M, runs=("r1",)), runs=(run("r1"), run("r2")))
        new = book(claim(M, high=1.31, runs=("r1",)), runs=(run("r1"), run("r2", sha256="b" * 64)))
        assert causes(old, new, M) == ("run-to-run variance is shared with runs that changed: r2",)

    def test_a_method(self):
        old = book(claim(M))
        new = book(claim(M, 1.26, method="margin-shared", method_version=2))
        assert causes(old, new, M) == ("method margin-welch v1 -> margin-shared v2",)

    def test_a_price(self):
        price = claim("value/launch/price/wren", 1299.0, kind="price")
        old = book(price, claim("value/x", inputs=(price.id,)))
        new = book(replace(price, value=1199.0), claim("value/x", 1.0, inputs=(price.id,)))
        assert causes(old, new, "value/x") == ("launch price wren changed",)

    def test_a_setting_but_not_one_that_only_says_who_wrote(self):
        old = book(claim(M), margins={"confidence": 0.95}, byline="A")
        new = book(claim(M, high=1.29), margins={"confidence": 0.9}, byline="B")
        assert causes(old, new, M) == ("setting margins.confidence: 0.95 -> 0.9",)

    def test_rounding_only_where_the_figure_is_the_same(self):
        old = book(claim(M))
        new = book(claim(M, text="+25\u00a0%", rounding="percent, 0 decimals"))
        assert causes(old, new, M) == ("rounding percent, 1 decimals -> percent, 0 decimals",)

    def test_many_causes_are_counted_not_listed(self):
        names = [f"r{n}" for n in range(20)]
        old = book(claim(M, runs=tuple(names)), runs=tuple(run(n) for n in names))
        new = book(claim(M, 1.0), runs=())
        found = causes(old, new, M)
        assert len(found) == 7 and found[-1] == "and 14 more"

    def test_an_unchanged_claim_has_none(self):
        old = book(claim(M), margins={"confidence": 0.95})
        assert causes(old, book(claim(M), margins={"confidence": 0.9}), M) == ()

    def test_claims_in_a_ring_do_not_hang(self):
        one = claim("cell/a", inputs=("cell/b",))
        two = claim("cell/b", inputs=("cell/a",))
        assert kinds(book(one, two), book(one, two)) == dict.fromkeys(
            ["cell/a", "cell/b"], "unchanged"
        )

    @pytest.mark.parametrize(("count", "more"), [(6, ()), (7, ("and 1 more",))])
    def test_six_causes_are_told(self, count, more):
        names = [f"r{n}" for n in range(count)]
        old = book(claim(M, runs=tuple(names)), runs=tuple(run(n) for n in names))
        found = causes(old, book(claim(M, 1.0)), M)
        assert found[6:] == more and found[5] == "run r5 was removed (used -> not there)"

    @pytest.mark.parametrize(("count", "named"), [(3, "r0, r1, r2"), (4, "r0, r1, r2, ...")])
    def test_three_runs_of_a_shared_variance_are_named(self, count, named):
        runs = tuple(run(f"r{n}") for n in range(count))
        (said,) = causes(book(claim(M), runs=runs), book(claim(M, high=1.31)), M)
        assert said == f"run-to-run variance is shared with runs that changed: {named}"

    def test_a_long_line_of_inputs_ends_after_two_hundred(self):
        # 200 claims are followed; no published source.
        line = [claim(f"cell/{n}", inputs=(f"cell/{n + 1}",)) for n in range(200)]
        end = claim("cell/200", runs=("r1",))
        roots = _roots_of(book(*line, end))
        assert roots["cell/0"] == frozenset() and roots["cell/200"] == {"r1"}
        assert _roots_of(book(*line[1:], end))["cell/1"] == {"r1"}


@pytest.mark.parametrize("count", [20, 21])
def test_twenty_changes_of_a_kind_are_printed(revision, count):
    many = tuple(
        ClaimChange(f"{M}{n}", "moved_outside", claim(M), claim(M, 1.4, outcome=""), ("why",))
        for n in range(count)
    )
    within = ClaimChange("x", "changed_within_interval", None, claim("x", 1.2), ())
    lines = replace(revision, changes=(*many, within), printed=()).to_lines()
    assert lines[2] == "to replace: 0 slides, 0 lines of the text"
    assert (
        lines.count("  +25.0\u00a0% (+20.0 to +30.0), ahead -> +25.0\u00a0% (+20.0 to +30.0)") == 20
    )
    assert lines.count("  because why") == 20
    assert lines.count("  and 1 more (--json lists all)") == count - 20
    assert "  none -> +25.0\u00a0% (+20.0 to +30.0), ahead" in lines
    assert lines[-1] == "1 small shifts change nothing printed on a slide"
    printed = replace(revision.printed[0], what="x")
    assert (
        "small shifts"
        not in replace(revision, changes=(within,), printed=(printed,)).to_lines()[-1]
    )


def test_lines_count_slides_apart_from_lines_of_the_text(revision):
    one = revision.printed[0]
    places = ("slide 01-a", "slide 01-a", "slide 02-b", "text, line 3")
    printed = tuple(replace(one, place=place) for place in places)
    lines = replace(revision, printed=printed).to_lines()
    assert lines[2] == "to replace: 2 slides, 1 lines of the text"


def test_an_identity_is_known_by_its_first_twelve_characters(revision):
    for length, known in ((12, True), (11, False)):
        new = replace(revision.new, replaces=f" {revision.old.identity[:length]} ")
        assert replace(revision, new=new).names_old is known


def test_what_to_replace_comes_first(revision):
    lines = revision.to_lines()
    assert lines[2].startswith("to replace: ")
    assert revision.to_dict()["to_replace"] == [
        {"place": p.place, "what": p.what, "old": p.old, "new": p.new} for p in revision.printed
    ]
    by_id = {c.id: c for c in revision.changes}
    assert revision.printed
    assert all(by_id[p.what].kind != "unchanged" for p in revision.printed if p.what in by_id)
    assert not compare_reviews(sealed_review(), sealed_review()).printed
