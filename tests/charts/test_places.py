"""What pictures draw stands where it stood: see `drawn`.

Values our own code printed; no outside source. They notice that something moved, not that it is
right: that is told by the tests of each picture.
"""

from __future__ import annotations

from functools import cache

import made_claims
import pytest
from drawn import chart_places, elements_of, inline_pictures, kept, slide_places

from kit.charts import inline, layout, money, rows, runs, style  # noqa: F401 - they draw these

charts = cache(lambda: made_claims.all_charts(4, 3))
pictures = cache(lambda: dict(inline_pictures()))
slides = cache(lambda: dict(slide_places()))


def test_every_picture_is_kept():
    assert kept()["charts"].keys() == charts().keys()
    assert kept()["inline"].keys() == pictures().keys()
    assert kept()["slides"].keys() == slides().keys()


def assert_near(left, wanted):
    assert len(left) == len(wanted)
    for name, *place in wanted:
        # A point either way: letters are a little wider in another version of the fonts.
        near = (
            one for one in left
            if one[0] == name and all(abs(a - b) <= 1 for a, b in zip(place, one[1:], strict=True))
        )  # fmt: skip
        found = next(near, None)
        assert found is not None, f"{name} stood at {place}; now {left}"
        left.remove(found)


@pytest.mark.parametrize("kind", kept()["charts"])
def test_a_chart_draws_the_same_things_in_the_same_places(kind):
    assert_near(chart_places(charts()[kind].draw("page")), kept()["charts"][kind])


@pytest.mark.parametrize("name", kept()["slides"])
def test_a_slide_draws_the_same_things_in_the_same_places(name):
    assert_near([*slides()[name]], kept()["slides"][name])


@pytest.mark.parametrize("name", kept()["inline"])
def test_a_picture_in_the_text_is_drawn_as_it_was(name):
    assert elements_of(pictures()[name]) == kept()["inline"][name]
