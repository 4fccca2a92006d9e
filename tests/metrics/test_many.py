"""Very many runs in Parquet: the figures of each run alone, whatever blocks it is spread over."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import kit.metrics.many
from kit.errors import RunFileError
from kit.metrics.many import figures_frame, measure_tables


def write(path, runs, names=None, **options):
    """Write runs (arrays of frame times) one below the other."""
    names = list(range(len(runs))) if names is None else names
    column = [name for name, frames in zip(names, runs, strict=True) for _ in frames]
    pq.write_table(pa.table({"run": column, "ms": np.concatenate(runs)}), path, **options)
    return path


@pytest.fixture
def runs():
    rng = np.random.default_rng(5)
    return [rng.gamma(9, 1, size) for size in (900, 1, 5000, 333, 64, 2048)]


@pytest.mark.parametrize("rows", [7, 64, 1000, 1 << 20])
@pytest.mark.parametrize("group", [50, 1000, 100_000])
def test_figures_are_those_pandas_gives_run_by_run(tmp_path, runs, rows, group, monkeypatch):
    monkeypatch.setattr(kit.metrics.many, "ROWS_AT_ONCE", rows)
    path = write(tmp_path / "a.parquet", runs, row_group_size=group)
    found = figures_frame(measure_tables([path], frame_ms="ms", run="run", low="percentile"))
    ms = pd.read_parquet(path).groupby("run")["ms"]
    assert found["frames"].tolist() == ms.size().tolist()
    np.testing.assert_allclose(found["average_fps"], 1000 / ms.mean(), rtol=1e-12)
    np.testing.assert_allclose(found["duration_s"], ms.sum() / 1000, rtol=1e-12)
    # pandas' quantile is Hyndman and Fan's type 7.
    np.testing.assert_allclose(found["low_1pct_fps"], 1000 / ms.quantile(0.99), rtol=1e-12)
    np.testing.assert_allclose(found["low_0_1pct_fps"], 1000 / ms.quantile(0.999), rtol=1e-12)


def test_names_may_be_texts_and_runs_may_be_files(tmp_path, runs):
    one = write(tmp_path / "all.parquet", runs, names=list("abcdef"))
    paths = [
        write(tmp_path / f"{name}.parquet", [frames])
        for name, frames in zip("abcdef", runs, strict=True)
    ]
    options = {"frame_ms": "ms", "low": "slowest_share"}
    assert list(measure_tables([one], run="run", **options)) == list(
        measure_tables(paths, **options)
    )


def test_a_run_does_not_go_on_in_the_next_file(tmp_path, runs):
    paths = [write(tmp_path / f"{n}.parquet", runs[:2]) for n in range(2)]
    with pytest.raises(RunFileError, match='run "0" are not together'):
        list(measure_tables(paths, frame_ms="ms", run="run", low="percentile"))


@pytest.mark.parametrize("wrong", [0.0, -1.0, np.nan, np.inf])
def test_what_is_no_frame_time_is_refused(tmp_path, runs, wrong):
    runs[2][77] = wrong
    path = write(tmp_path / "a.parquet", runs)
    with pytest.raises(RunFileError, match='run "2" holds a frame time that is not above 0'):
        list(measure_tables([path], frame_ms="ms", run="run", low="percentile"))


def test_tables_that_do_not_fit_are_refused_in_words(tmp_path, runs):
    path = write(tmp_path / "a.parquet", runs)
    (tmp_path / "b.parquet").write_bytes(b"not Parquet")
    pq.write_table(pa.table({"run": [[1]], "ms": ["x"]}), tmp_path / "c.parquet")
    for file, columns, said in (
        (path, {"frame_ms": "took"}, "no such column; it has run, ms"),
        (path, {"frame_ms": "ms", "run": "id"}, "no such column"),
        (tmp_path / "b.parquet", {"frame_ms": "ms"}, "cannot be read as Parquet"),
        (tmp_path / "c.parquet", {"frame_ms": "ms"}, "holds string"),
        (tmp_path / "none.parquet", {"frame_ms": "ms"}, "cannot be read as Parquet"),
    ):
        with pytest.raises(RunFileError, match=said):
            list(measure_tables([file], **columns, low="percentile"))
    with pytest.raises(ValueError, match="low must be"):
        next(measure_tables([path], frame_ms="ms", low="other"))


def test_rows_of_one_run_apart_are_refused(tmp_path, runs):
    path = write(tmp_path / "a.parquet", runs[:3], names=["a", "b", "a"])
    with pytest.raises(RunFileError, match='run "a" are not together; sort the table by run'):
        list(measure_tables([path], frame_ms="ms", run="run", low="percentile"))
