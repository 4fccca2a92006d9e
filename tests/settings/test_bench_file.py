"""The bench's file: what titles measure, in which direction and unit."""

import pytest

from kit.settings.bench_file import Title


@pytest.mark.parametrize(
    ("measures", "unit", "less"),
    [
        # SI units, and dB(A) of IEC 61672; in which direction a figure is better: common practice.
        ("frames", "fps", False),
        ("score", "points", False),
        ("battery_life", "h", False),
        ("duration", "s", True),
        ("power", "W", True),
        ("noise", "dB(A)", True),
    ],
)
def test_each_kind_of_title_has_a_unit_and_a_direction(measures, unit, less):
    title = Title(name="T", measures=measures)
    assert (title.value_unit, title.less_is_better) == (unit, less)
    if measures != "frames":
        named = Title(name="T", measures=measures, unit="x")
        assert (named.value_unit, named.less_is_better) == ("x", less)
