"""Every faulty log of the table gives its one right message, in bounded time and memory."""

from __future__ import annotations

import pytest
from faulty_logs import CASES, trouble_with


def test_the_table_is_long_enough():
    assert len(CASES) >= 60


@pytest.mark.parametrize("name", CASES)
def test_a_faulty_log_gives_its_one_right_message(tmp_path, name):
    assert trouble_with(CASES[name], tmp_path) == ""
