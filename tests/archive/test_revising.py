"""Two sealed reviews compared, and the correction note made of them."""

from __future__ import annotations

import json

import pytest
from bagmaker import make_bag
from sealmaker import copy_bag, corrected_review, sealed_review

from kit.archive.bag import zip_bag
from kit.archive.changes import KINDS
from kit.archive.revising import compare_reviews
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


def test_counts_every_claim_once(revision):
    ids = {c.id for c in revision.old.book.claims} | {c.id for c in revision.new.book.claims}
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
    assert slower.new.value / slower.old.value == pytest.approx(1 / 1.15, rel=1e-4)
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
    from dataclasses import replace

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
    assert len(revision.runs_frame()) == 2
    assert "screen.set_aside.wren-attic-1.reason" in set(revision.settings_frame()["key"])


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
