"""The bench's file: what titles measure, in which direction and unit."""

import pytest
from pydantic import ValidationError

from kit.settings.bench_file import Layout, Title


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


FRAMES = {"column": "ms", "holds": "frame_time", "unit": "ms"}
END = {"column": "at", "holds": "frame_end", "unit": "s"}
MARKS = {"column": "scene"}


def layout(**settings):
    return Layout.model_validate({"frames": FRAMES, **settings})


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"parts": {}}, "say one of column, heading and members"),
        ({"parts": MARKS | {"heading": "=="}}, "say one of column, heading and members"),
        ({"parts": {"heading": "==", "keep": ["a"]}}, "keep and holds_on go with column"),
        ({"parts": {"members": ["a"], "holds_on": True}}, "keep and holds_on go with column"),
        ({"parts": {"heading": "("}}, "heading is no regular expression"),
        ({"frames": FRAMES | {"unit": "fps"}}, "frame_rate and unit: fps go together"),
        ({"frames": FRAMES | {"holds": "frame_rate"}}, "frame_rate and unit: fps go together"),
        ({"frames": FRAMES | {"unit": "iso"}}, "unit iso is for holds: frame_end"),
        ({"frames": END | {"unit": "clock", "starts": "zero"}}, "unit clock is for holds"),
        ({"frames": FRAMES | {"column": 0}}, "found '0'; expected a column's name"),
        ({"frames": FRAMES | {"column": True}}, "found 'true'; expected a column's name"),
        ({"frames": FRAMES | {"column": 1.5}}, "found '?1.5'?; expected a column's name"),
        ({"delimiter": ""}, "must be one character"),
        ({"delimiter": ";;"}, "must be one character"),
        ({"delimiter": "a"}, "would cut names and numbers in two"),
        ({"delimiter": '"'}, "cannot part cells"),
        ({"delimiter": "\x07"}, "cannot part cells"),
        ({"decimal": ","}, "delimiter and decimal mark are both ','"),
        ({"parts": MARKS, "frames": END | {"starts": "zero"}}, "parts by column or heading"),
        ({"parts": MARKS, "container": "parquet"}, "parts by column or heading"),
        ({"parts": {"heading": "=="}, "container": "jsonl"}, "parts by column or heading"),
        ({"header": False}, "given by place, counted from 1: 'ms'"),
        ({"header": False, "frames": FRAMES | {"column": 1}, "sensors": {"power_w": "w"}}, "'w'"),
        ({"skip_lines": -1}, "greater than or equal to 0"),
    ],
)
def test_a_layout_that_contradicts_itself_is_refused(settings, said):
    with pytest.raises(ValidationError, match=said):
        layout(**settings)


@pytest.mark.parametrize(
    ("settings", "plain"),
    [
        ({}, True),
        ({"delimiter": "tab"}, True),
        ({"delimiter": "|", "decimal": ","}, True),
        ({"header": False, "frames": FRAMES | {"column": 1}}, True),
        ({"container": "parquet", "header": False}, True),
        ({"container": "parquet", "frames": END | {"unit": "iso"}}, True),
        ({"parts": {"members": ["a"]}, "container": "parquet"}, True),
        ({"parts": {"members": ["a"]}, "frames": END | {"starts": "zero"}}, True),
        ({"frames": END | {"unit": "iso"}}, False),
        ({"frames": END | {"unit": "clock"}}, False),
        ({"container": "jsonl"}, False),
        ({"until": ""}, False),
        ({"units_in_cells": True}, False),
        ({"parts": MARKS | {"keep": ["a"], "holds_on": True}}, False),
        ({"parts": {"heading": "=="}, "container": "xlsx"}, False),
        ({"part": "a"}, False),
    ],
)
def test_a_layout_is_plain_where_rows_stand_as_they_are_read(settings, plain):
    assert layout(**settings).is_plain is plain
