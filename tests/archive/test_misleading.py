"""A sample of the misleading changes that `tests/evidence/misleading.py` makes by the hundred."""

from __future__ import annotations

import random

import pytest
from damage import Spoiled
from misleading import CLASSES, bytes_under, remember_made, seal_it, try_change
from sealmaker import copy_bag, sealed_review

import kit.archive.remake as remake


@pytest.fixture(scope="module", autouse=True)
def _made_once(tmp_path_factory):
    write = remake.write_here
    remember_made(tmp_path_factory.mktemp("made"))
    yield
    remake.write_here = write


SAMPLE = list(CLASSES)[2::9]
# What the small bag has not; `misleading.py` changes it in one that has.
ELSEWHERE = ("journal", "slides", "Sealed-Before-This ")


@pytest.mark.parametrize("words", SAMPLE)
def test_a_misleading_change_is_found_and_its_file_named(tmp_path, words):
    assert try_change(sealed_review(), tmp_path, words, seed=1) is True


def test_every_class_of_changes_can_be_made(tmp_path):
    """A class whose pattern fits nowhere in the pages of today would count as none missed."""
    bag = Spoiled(copy_bag(tmp_path / "bag"), random.Random(1))
    seal_it(bag.folder)
    before = bytes_under(bag.folder)
    unfit = []
    for words, change in CLASSES.items():
        try:
            change(bag)
        except (LookupError, ValueError, OSError) as error:
            unfit += [] if any(word in words for word in ELSEWHERE) else [f"{words}: {error}"]
        after = bytes_under(bag.folder)
        for path in after.keys() - before.keys():
            (bag.folder / path).unlink()
        for path, data in before.items():
            if after.get(path) != data:
                bag.write(path, data)
    assert unfit == []
