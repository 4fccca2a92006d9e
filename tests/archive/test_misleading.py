"""A sample of the misleading changes that `tests/evidence/misleading.py` makes by the hundred."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from damage import Spoiled, with_store
from misleading import CLASSES, lawful, remember_made, try_change
from sealmaker import copy_bag, sealed_review

import kit.archive.remake as remake
from kit.archive.verifying import verify_bag


@pytest.fixture(scope="module", autouse=True)
def _made_once(tmp_path_factory):
    write = remake.write_here
    remember_made(tmp_path_factory.mktemp("made"))
    yield
    remake.write_here = write


SAMPLE = list(CLASSES)[::3]


@pytest.mark.parametrize("words", SAMPLE)
def test_a_misleading_change_is_found_and_its_file_named(tmp_path, words):
    assert try_change(sealed_review(), tmp_path, words, seed=1) is True


def test_every_class_of_changes_can_be_made(tmp_path):
    """A class whose pattern fits nowhere in the pages of today would count as none missed."""
    unfit = []
    for words, change in CLASSES.items():
        bag = Spoiled(copy_bag(tmp_path / words), random.Random(words))
        try:
            change(bag)
        except (LookupError, ValueError) as error:
            unfit.append(f"{words}: {error}")
    assert unfit == []


def test_lawful_copies_are_reproduced(tmp_path: Path):
    bags = list(lawful(sealed_review(), tmp_path))
    assert len(bags) >= 14
    for words, bag in bags[::5]:
        assert verify_bag(bag, reading=with_store()).grade == "reproduced", words
