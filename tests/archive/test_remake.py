"""A sealed review made again from its inputs: the same bytes, or the place where they differ."""

from __future__ import annotations

import random
import re

import pytest
from damage import Spoiled
from sealmaker import copy_bag, finished_review, sealed_review

from kit.archive.verifying import GRADES, verify_bag
from kit.errors import UsageError
from kit.report.report import write_here
from kit.report.template import own_template


def spoiled(folder) -> Spoiled:
    return Spoiled(copy_bag(folder), random.Random(1))


def not_the_same(seen) -> dict[str, str]:
    return {part.path: part.state for part in seen.parts if part.state != "same bytes"}


def test_a_template_run_here_writes_the_bytes_a_kernel_writes(tmp_path):
    review = finished_review()
    params = review.parent.parent / "params" / "quill.yaml"
    closed, _ = write_here(own_template("review.ipynb"), params, folder=tmp_path)
    assert len(closed.files) > 10
    for name in closed.files:
        assert (tmp_path / name).read_bytes() == (review / name).read_bytes(), name


def test_every_file_is_made_again():
    seen = verify_bag(sealed_review())
    assert seen.grade == "reproduced" and seen.exit_status == 0
    assert not_the_same(seen) == {}
    assert {part.path for part in seen.parts} == {
        path.relative_to(sealed_review()).as_posix()
        for path in sealed_review().rglob("*")
        if path.is_file()
    }


def test_with_other_drawing_versions_pictures_are_set_aside_by_name(tmp_path):
    bag = spoiled(tmp_path / "bag")
    installed = bag.read("data/environment/installed.txt").decode()
    other = re.sub(r"(?m)^matplotlib==.*$", "matplotlib==2.0.0", installed)
    components = bag.read("data/environment/cyclonedx.json").decode()
    version = re.search(r"(?m)^matplotlib==(.*)$", installed)[1]
    bag.write("data/environment/installed.txt", other.encode())
    bag.write(
        "data/environment/cyclonedx.json",
        components.replace(f"matplotlib@{version}", "matplotlib@2.0.0")
        .replace(f'"name": "matplotlib",\n   "version": "{version}"',
                 '"name": "matplotlib",\n   "version": "2.0.0"').encode(),
    )  # fmt: skip
    picture = bag.pick("data/charts/*.svg")
    bag.write(picture, bag.read(picture).replace(b'stroke-width="2"', b'stroke-width="2.1"'))
    bag.mend()
    seen = verify_bag(bag.folder)
    assert not_the_same(seen).get(picture) == "same after"
    assert any(
        part.path == picture and part.after == ("pictures drawn by other versions",)
        for part in seen.parts
    )


def test_with_the_same_versions_a_picture_must_have_the_same_bytes(tmp_path):
    bag = spoiled(tmp_path / "bag")
    picture = bag.pick("data/charts/*.svg")
    bag.write(picture, bag.read(picture).replace(b'stroke-width="2"', b'stroke-width="2.1"'))
    bag.mend()
    seen = verify_bag(bag.folder)
    assert seen.grade == "not verified" and seen.exit_status == GRADES["not verified"] == 1
    assert picture in [f.path.partition(" # ")[0] for f in seen.findings if f.stage == "rebuild"]


def test_what_can_be_required():
    seen = verify_bag(sealed_review())
    assert seen.meets(["reproduced"]) and seen.meets(["whole"])
    assert not seen.meets(["reproduced", "signed"])
    with pytest.raises(UsageError, match='cannot require "reproducd"; did you mean "reproduced"'):
        seen.meets(["reproducd"])
    with pytest.raises(UsageError, match="nothing is required"):
        seen.meets([])
