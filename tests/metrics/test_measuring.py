"""Many runs measured: one after another, in processes, from the store; always the same."""

from __future__ import annotations

from dataclasses import replace

import pytest
from small_bench import small_bench, write_bench

import kit.metrics.log_facts
import kit.metrics.measuring
from kit.archive.rebuild import recompute_review
from kit.bench.runs import read_run_sheet, read_runs
from kit.claims.claim import claims_json
from kit.claims.of_pages import make_claims
from kit.errors import RunFileError
from kit.metrics.measuring import (
    HANDFUL,
    PLAIN,
    Reading,
    kernel_variables,
    measure_runs,
    reading_in_kernel,
)
from kit.metrics.run_metrics import measure_run
from kit.metrics.signs import read_signs
from kit.metrics.store import Store
from kit.review.walk import load_review, work_out
from kit.settings.params import load_params
from metrics.test_log_facts import bits


@pytest.fixture
def loaded(tmp_path):
    return load_params(write_bench(small_bench(), tmp_path))


def measured(loaded, **options):
    reading = Reading(**options)
    return measure_runs(
        read_run_sheet(loaded.bench), loaded.bench, loaded.params, reading=reading
    )  # fmt: skip


def test_a_run_is_measured_as_its_log_alone_is(loaded):
    signs, metrics = measured(loaded)
    runs = read_runs(read_run_sheet(loaded.bench), loaded.bench)
    assert list(signs) == list(metrics) == [run.row.run for run in runs]
    for run in runs:
        alone = read_signs(run, loaded.params.screen)
        assert signs[run.row.run] == alone
        assert metrics[run.row.run] == measure_run(run, alone, loaded.params.metrics)


def test_processes_store_and_order_change_nothing(loaded, tmp_path, monkeypatch):
    plain = measured(loaded)
    monkeypatch.setattr(kit.metrics.measuring, "WORTH_PROCESSES_BYTES", 1)
    store = Store(tmp_path / "store")
    for options in (
        {"jobs": 2},
        {"threads": 2},
        {"jobs": 2, "store": store},
        {"store": store},
        {"store": store, "backwards": True},
        {"backwards": True},
        {"logs_at": loaded.bench.folder.as_uri()},
        {"logs_at": str(loaded.bench.folder)},
    ):
        found = measured(loaded, **options)
        assert list(found[0]) == list(plain[0]) and list(found[1]) == list(plain[1])
        assert [bits(f) for f in found] == [bits(p) for p in plain], options


def test_every_fault_of_every_log_is_told_at_once_in_order(loaded, tmp_path, monkeypatch):
    logs = loaded.bench.folder / "logs"
    (logs / "p0-t0-1.csv").write_text("n,took\n1,abc\n")
    (logs / "p1-t2-0.csv").unlink()
    (logs / "p2-t3-3.csv").write_text("")
    monkeypatch.setattr(kit.metrics.measuring, "WORTH_PROCESSES_BYTES", 1)
    told = []
    for options in ({}, {"jobs": 2}, {"store": Store(tmp_path / "store")}, {"backwards": True}):
        with pytest.raises(RunFileError) as caught:
            measured(loaded, **options)
        told.append([str(fault) for fault in caught.value.faults])
    assert len(told[0]) == 3 and all(faults == told[0] for faults in told)


def test_progress_is_told_to_the_last_log(loaded):
    seen = []
    measured(loaded, told=lambda done, of: seen.append((done, of)))
    assert seen == [(n, 48) for n in range(HANDFUL, 49, HANDFUL)]


def test_a_kernel_reads_as_it_is_told():
    assert reading_in_kernel({}) == PLAIN
    assert reading_in_kernel(kernel_variables(PLAIN)) == PLAIN
    assert (
        reading_in_kernel(kernel_variables(Reading(logs_at="memory://x"))).logs_at == "memory://x"
    )


def test_claims_and_traces_are_the_same_with_the_store(loaded, tmp_path):
    store = Store(tmp_path / "store")
    params = tmp_path / "made.yaml"
    books = []
    for reading in (PLAIN, Reading(store=store), Reading(store=store)):
        review = load_review(params, reading=reading)
        books.append(claims_json(make_claims(review, work_out(review))))
    assert books[0] == books[1] == books[2]


def test_verification_reads_the_logs_whatever_the_store_says(loaded, tmp_path, monkeypatch):
    """An environment that names a store full of lies changes nothing that `verify` recomputes."""
    params = tmp_path / "made.yaml"
    honest = claims_json(recompute_review(params, loaded.bench.folder).book)
    store = Store(tmp_path / "store")
    with monkeypatch.context() as patch:
        real = kit.metrics.log_facts.measure_log

        def wrong(log, metrics):
            figures = real(log, metrics)
            return replace(figures, values={**figures.values, "average_fps": 999.0})

        patch.setattr(kit.metrics.log_facts, "measure_log", wrong)
        measured(loaded, store=store)
    for name, value in kernel_variables(Reading(store=store)).items():
        monkeypatch.setenv(name, value)
    # The lie is in force where the store is used ...
    assert any(m.values["average_fps"] == 999.0 for m in load_review(params).metrics.values())
    # ... and not where it must not be.
    assert claims_json(recompute_review(params, loaded.bench.folder).book) == honest
