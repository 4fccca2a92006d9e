"""A second process beside the kernel, and the store, change no byte of what a review leaves."""

from __future__ import annotations

import io
import os
from dataclasses import replace

import pytest
from metrics.test_cluster import contents
from small_bench import small_bench, write_bench

from kit.metrics.measuring import Reading
from kit.metrics.store import Store
from kit.report.ahead import WaitingKernel, _work_ahead
from kit.report.laboratory import open_review
from kit.report.report import ReviewRun, run_review
from kit.review.walk import load_review


@pytest.fixture
def params(tmp_path):
    return write_bench(small_bench(titles=3, runs=3), tmp_path / "project")


def test_it_leaves_every_log_and_picture_in_the_store(params, tmp_path, monkeypatch):
    store = Store(tmp_path / "store")
    for name, value in Reading(store=store).kernel_variables().items():
        monkeypatch.setenv(name, value)
    handed, pipe = os.pipe()
    monkeypatch.setattr(WaitingKernel, "_beside", [pipe])
    opened = open_review(params)
    opened.show("opening")
    with os.fdopen(handed, "rb") as charts:
        _work_ahead(params, charts)
    logs = 3 * 3 * 3

    def never(*args, **options):
        raise AssertionError("read again")

    monkeypatch.setattr("kit.metrics.measuring.parse_log", never)
    monkeypatch.setattr("kit.metrics.measuring.measure_log", never)
    assert len(load_review(params).metrics) == logs
    drawn = [chart for subject in opened.charts.values() for chart in subject]
    assert len(drawn) > 5
    for chart in drawn:
        unable = replace(chart, paint=never)
        unable.draw_export()
        assert unable.page_image().data and unable.claims


def test_without_a_store_it_does_nothing(params, monkeypatch):
    monkeypatch.delenv("MARGINBOOK_STORE", raising=False)
    monkeypatch.setattr("kit.review.walk.load_review", None)
    _work_ahead(params, io.BytesIO())


def test_one_that_is_told_nothing_ends_by_itself_and_leaves_nothing():
    with WaitingKernel.ahead(True):
        (waiting,) = WaitingKernel._spare
        assert waiting.process.stdin is not None
        waiting.process.stdin.close()
        assert waiting.process.wait(timeout=60) == 0
    assert not waiting.folder.exists() and not WaitingKernel._spare


def test_one_that_is_not_taken_is_ended():
    with WaitingKernel.ahead(True):
        (waiting,) = WaitingKernel._spare
    assert waiting.process.poll() is not None and not waiting.folder.exists()
    with WaitingKernel.ahead(False):
        assert not WaitingKernel._spare


def test_a_review_of_the_same_runs_has_no_second_process(params, tmp_path, monkeypatch):
    begun = []

    def template(*args, beside, **options):
        begun.append(bool(beside))
        return ReviewRun("made", tmp_path / "out" / "made", "", ())

    monkeypatch.setattr("kit.report.report.run_template", template)
    monkeypatch.setattr("kit.report.report.note_inputs", lambda *args, **more: None)
    store = Reading(store=Store(tmp_path / "store"))

    def run(reading):
        run_review(params, out_dir=tmp_path / "out", timeout_s=60, reading=reading, ahead=True)

    run(store)
    run(store)  # nearly all is known
    text = params.read_text(encoding="utf-8")
    params.write_text(text + "# a remark\n", encoding="utf-8")
    run(store)
    sheet = params.parent / "bench" / "runs.csv"
    sheet.write_bytes(sheet.read_bytes() + b"\n")  # as new runs would change it
    run(store)
    run(Reading())
    assert begun == [True, False, False, True, True]


@pytest.mark.slow
def test_every_file_is_the_same_with_store_without_and_beside_a_second_process(params, tmp_path):
    store = Store(tmp_path / "store")
    found = []
    for number, (reading, ahead) in enumerate(
        [
            (Reading(), False),
            (Reading(), True),
            (Reading(store=store), True),
            (Reading(store=store), False),
            (Reading(store=store, jobs=2), False),
        ]
    ):
        out = tmp_path / f"out-{number}"
        run_review(params, out_dir=out, timeout_s=120, reading=reading, ahead=ahead)
        found.append(contents(out))
    assert len(found[0]) > 20
    assert all(files == found[0] for files in found[1:])
