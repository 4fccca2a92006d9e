"""Taking logs in: fields from many sources, all or nothing, twice, at once, killed, undone."""

from __future__ import annotations

import gzip
import hashlib
import os
import tempfile
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pytest
from kill_points import ATTEMPTS, run_kills, run_steps, run_writers

from kit.bench import transaction as takein
from kit.bench.acts import add_crashed, enter_names, undo
from kit.bench.evidence import check_evidence
from kit.bench.intake import (
    Naming,
    _beside,
    _IndexRow,
    _likely_line,
    _match_name,
    _name_columns,
    _run_of,
    _shown,
    _slug,
    _table_cells,
    _tokens,
    add_logs,
    add_table,
    names_of_table,
)
from kit.bench.journal import By
from kit.bench.runs import RunSheet
from kit.bench.transaction import held_bench
from kit.errors import BenchError, KitError, RunFileError, UsageError
from kit.settings.bench_file import read_bench

REAL = Path(__file__).parents[1] / "data" / "real_runs"
REAL_BENCH = """\
format: marginbook-bench/1
name: Threads
layouts:
  times: {files: "*.csv", frames: {column: frame_time_ms, holds: frame_time, unit: ms}}
  stamps:
    files: "*.txt"
    delimiter: ";"
    decimal: ","
    comment: "#"
    frames: {column: elapsed_s, holds: frame_end, unit: s}
  ticks:
    files: "*.tsv.gz"
    delimiter: tab
    header: false
    frames: {column: 1, holds: frame_time, unit: us}
products:
  threads-4: {name: Four threads, class: server}
  threads-8: {name: Eight threads, class: server}
  threads-12: {name: Twelve threads, class: server}
titles:
  denoise: {name: Denoise}
  skin: {name: Skin}
  haze: {name: Haze}
  depth: {name: Depth}
  crowd: {name: Crowd}
  water: {name: Water}
"""
BY_THREADS = {"product": {"4": "threads-4", "8": "threads-8", "12": "threads-12"}}
SMALL_BENCH = """\
format: marginbook-bench/1
name: Small
layouts:
  plain: {files: "*.csv", frames: {column: ms, holds: frame_time, unit: ms}}
products:
  alder-4: {name: Alder 4, class: desk}
  alder-4-lite: {name: Alder 4 Lite, class: desk}
titles:
  weir: {name: The Weir}
  weir-lite: {name: The Weir in short}
  sorting: {name: Sorting, measures: duration}
controls: {driver: Driver version}
"""


@pytest.fixture
def real(tmp_path: Path) -> Path:
    return new_bench(tmp_path / "bench", REAL_BENCH)


@pytest.fixture
def small(tmp_path: Path) -> Path:
    return new_bench(tmp_path / "small", SMALL_BENCH)


def new_bench(folder: Path, text: str) -> Path:
    folder.mkdir(parents=True)
    (folder / "bench.yaml").write_text(text)
    return folder


def write_log(path: Path, ms: float = 16.5, rows: int = 50) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("ms\n" + f"{ms}\n" * rows)
    return path


def picture(folder: Path) -> dict[str, bytes]:
    """Every file of a bench but its lock and its journal, which only grows."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name not in {".bench.lock", "journal.jsonl"}
    }


def rows_of(folder: Path):
    return RunSheet(read_bench(folder)).rows


def plain_seconds_and_frames(path: Path) -> tuple[float, int]:
    """Length and frames of a real log by its README, with nothing but numpy."""
    if path.suffix == ".gz":
        us = np.array(gzip.decompress(path.read_bytes()).split(), dtype=float)
        return us.sum() / 1e6, us.size
    if path.suffix == ".txt":
        lines = path.read_text("utf-8-sig").splitlines()
        cells = [ln.split(";")[1] for ln in lines if ln and ln[0] not in "#f"]
        stamps = np.array([float(cell.replace(",", ".")) for cell in cells])
        return stamps[-1] - stamps[0], stamps.size - 1
    ms = np.loadtxt(path, delimiter=",", skiprows=1, usecols=1)
    return ms.sum() / 1e3, ms.size


def test_all_real_logs_go_in_by_their_names(real):
    intake = add_logs(
        real,
        [REAL / "logs"],
        naming=Naming(pattern="{title}-t{product}-{session}", maps=BY_THREADS),
    )
    assert len(intake.added) == 54
    assert intake.skipped == ()
    rows = rows_of(real)
    assert len(rows) == 54
    for run in [row.read(read_bench(real)) for row in rows]:
        name = Path(run.row.log).name
        scene, threads, number = name.split(".")[0].split("-")
        assert run.row.title == scene
        assert run.row.product == f"threads-{threads[1:]}"
        assert run.row.session == number
        original = REAL / "logs" / name
        assert (real / run.row.log).read_bytes() == original.read_bytes()
        assert run.log.sha256 == hashlib.sha256(original.read_bytes()).hexdigest()
        seconds, frames = plain_seconds_and_frames(original)
        average = 1000 * run.log.frame_ms.size / run.log.frame_ms.sum()
        assert average == pytest.approx(frames / seconds, rel=1e-6)


def test_all_real_logs_go_in_by_their_index(real):
    columns = {"title": "scene", "product": "threads", "session": "run"}
    intake = add_logs(
        real, index=REAL / "index.csv", naming=Naming(columns=columns, maps=BY_THREADS)
    )
    assert len(intake.added) == 54
    rows = {row.run: row for row in rows_of(real)}
    row = rows["denoise-t8-1"]
    assert (row.product, row.title, row.session, row.layout) == (
        "threads-8",
        "denoise",
        "1",
        "stamps",
    )
    assert row.began is not None
    assert row.began.isoformat() == "2026-11-25T08:36:09+00:00"
    frame = intake.to_frame()
    assert set(frame["action"]) == {"added"}
    assert frame["duration_s"].between(4, 6).all()


def test_taken_in_twice_changes_nothing(real):
    add_logs(
        real,
        [REAL / "logs"],
        naming=Naming(pattern="{title}-t{product}-{session}", maps=BY_THREADS),
    )
    before = picture(real)
    again = add_logs(
        real,
        [REAL / "logs"],
        naming=Naming(pattern="{title}-t{product}-{session}", maps=BY_THREADS),
    )
    assert again.added == ()
    assert len(again.skipped) == 54
    assert "has the same bytes already as logs/crowd-t12-1.tsv.gz (run crowd-t12-1)" in (
        again.skipped[0].reason
    )
    assert picture(real) == before


def test_a_dry_run_says_the_same_and_writes_nothing(small, tmp_path):
    log = write_log(tmp_path / "in" / "a.csv")
    before = picture(small)
    dry = add_logs(small, [log], dry_run=True, fields={"product": "alder-4", "title": "weir"})
    assert picture(small) == before
    assert not (small / ".bench.lock").exists()
    wet = add_logs(small, [log], fields={"product": "alder-4", "title": "weir"})
    assert dry.dry_run
    assert not wet.dry_run
    assert dry.to_frame().equals(wet.to_frame())
    assert wet.to_frame()["frames"].tolist() == [50]


def test_the_sheet_keeps_its_delimiter_its_columns_and_every_byte(small, tmp_path):
    sheet = (
        "\ufeffrun;title;product;log;reason\r\n\r\n"
        'old;weir;alder-4;logs/old.csv;"two ""words""; as is"\r\n'
    )
    write_log(small / "logs" / "old.csv")
    (small / "runs.csv").write_text(sheet, encoding="utf-8", newline="")
    add_logs(
        small,
        [write_log(tmp_path / "b.csv", 17)],
        fields={"product": "alder-4", "title": "weir", "layout": "plain"},
    )
    raw = (small / "runs.csv").read_bytes().decode()
    # A layout was named, so a column was needed for it; nothing else has changed.
    assert raw.splitlines()[0] == "\ufeffrun;title;product;log;reason;layout"
    assert raw.endswith("b;weir;alder-4;logs/b.csv;;plain\r\n")
    assert 'old;weir;alder-4;logs/old.csv;"two ""words""; as is";\r\n' in raw
    before = raw
    add_logs(
        small, [write_log(tmp_path / "c.csv", 18)], fields={"product": "alder-4", "title": "weir"}
    )
    assert (small / "runs.csv").read_bytes().decode() == (
        before + "c;weir;alder-4;logs/c.csv;;plain\r\n"
    )


def test_a_name_taken_by_other_bytes_gets_a_number(small, tmp_path):
    for n, folder in enumerate("abc"):
        log = write_log(tmp_path / folder / "pass.csv", 16 + n)
        add_logs(small, [log], fields={"product": "alder-4", "title": "weir"})
    assert [(row.run, row.log) for row in rows_of(small)] == [
        ("pass", "logs/pass.csv"),
        ("pass-2", "logs/pass-2.csv"),
        ("pass-3", "logs/pass-3.csv"),
    ]
    assert (small / "logs" / "pass.csv").read_text().startswith("ms\n16\n")
    assert (small / "logs" / "pass-3.csv").read_text().startswith("ms\n18\n")


def test_the_same_bytes_twice_in_one_take_in_go_in_once(small, tmp_path):
    write_log(tmp_path / "in" / "a.csv")
    write_log(tmp_path / "in" / "b.csv")
    intake = add_logs(small, [tmp_path / "in"], fields={"product": "alder-4", "title": "weir"})
    assert [one.source for one in intake.added] == ["in/a.csv"]
    assert intake.skipped[0].reason == "the same bytes as in/a.csv"


def test_a_log_already_in_the_folder_is_not_copied(small):
    write_log(small / "logs" / "a.csv")
    add_logs(small, [small / "logs"], fields={"product": "alder-4", "title": "weir"})
    assert [row.log for row in rows_of(small)] == ["logs/a.csv"]
    assert sorted(p.name for p in (small / "logs").iterdir()) == ["a.csv"]
    undo(small)
    assert (small / "logs" / "a.csv").exists()  # it was there before


def test_ids_with_hyphens_are_told_apart_by_what_the_bench_knows(small, tmp_path):
    log = write_log(tmp_path / "weir-alder-4-lite-3.csv")
    add_logs(small, [log], naming=Naming(pattern="{title}-{product}-{session}"))
    (row,) = rows_of(small)
    assert (row.title, row.product, row.session) == ("weir", "alder-4-lite", "3")


def test_a_name_that_fits_a_pattern_in_two_ways_is_refused(small, tmp_path):
    log = write_log(tmp_path / "abc-weir-alder-4.csv")
    with pytest.raises(RunFileError, match=r"in two ways: session a, fan_mode bc.* or session ab"):
        add_logs(small, [log], naming=Naming(pattern="{session}{fan_mode}-{title}-{product}"))


def test_a_field_at_the_end_may_hold_the_character_between_fields(small, tmp_path):
    log = write_log(tmp_path / "weir-2026-05-01.csv")
    add_logs(small, [log], naming=Naming(pattern="{title}-{began}"), fields={"product": "alder-4"})
    (row,) = rows_of(small)
    assert row.began is not None
    assert row.began.isoformat() == "2026-05-01T00:00:00"


def test_conditions_come_from_files_beside_the_logs(small, tmp_path):
    folder = tmp_path / "in"
    write_log(folder / "a.csv", 16)
    write_log(folder / "b.csv", 17)
    (folder / "conditions.yaml").write_text("driver: 1.10\nambient_c: 21\nsession: mon\n")
    (folder / "b.yaml").write_text("ambient_c: 25.0\n")
    add_logs(small, [folder], fields={"product": "alder-4", "title": "weir", "fan_mode": "quiet"})
    first, second = rows_of(small)
    assert first.conditions == {"fan_mode": "quiet", "driver": "1.10", "ambient_c": "21"}
    assert second.conditions["ambient_c"] == "25.0"
    assert second.session == "mon"


def test_rows_of_an_index_without_a_log_become_rows_too(small, tmp_path):
    write_log(tmp_path / "a.csv")
    index = tmp_path / "index.csv"
    index.write_text(
        "file;run;product;title;status;reason;driver\n"
        "a.csv;r1;alder-4;weir;;;1.10\n;r2;alder-4;weir;crashed;black screen;1.10\n"
    )
    add_logs(small, index=index)
    first, second = rows_of(small)
    assert (first.run, first.log) == ("r1", "logs/a.csv")
    assert (second.run, second.status, second.reason) == ("r2", "crashed", "black screen")
    assert add_logs(small, index=index).added == ()


def test_logs_outside_an_index_are_passed_over_and_named(small, tmp_path):
    write_log(tmp_path / "in" / "a.csv", 16)
    write_log(tmp_path / "in" / "b.csv", 17)
    (tmp_path / "in" / "notes.txt").write_text("no log")
    (tmp_path / "in" / "index.csv").write_text("file,product,title\na.csv,alder-4,weir\n")
    intake = add_logs(small, [tmp_path / "in"], index=tmp_path / "in" / "index.csv")
    assert [one.source for one in intake.added] == ["in/a.csv"]
    assert {(one.source, one.reason) for one in intake.skipped} == {
        ("in/b.csv", "index.csv does not name it; --guess asks for its row"),
        ("in/notes.txt", "no layout of the bench is for files of that name"),
    }


WEIR = {"product": "alder-4", "title": "weir"}
REFUSED = {
    "unknown product": (
        {"fields": {"product": "alder", "title": "weir"}},
        'a.csv, product: no product "alder"',
    ),
    "no title": ({"fields": {"product": "alder-4"}}, "a.csv, title: the cell is empty"),
    "unknown layout": ({"fields": {**WEIR, "layout": "x"}}, 'no layout "x"'),
    "no such name": ({"naming": Naming("{title}_{product}")}, "the name does not fit the pattern"),
    "bad moment": ({"fields": {**WEIR, "began": "1/2/26"}}, "began: found '1/2/26'"),
    "bad run": ({"fields": {**WEIR, "run": "a b"}}, "run: found 'a b'"),
    "two sources": (
        {"fields": {**WEIR, "session": "x"}, "naming": Naming("{session}")},
        "session: an option says 'x', the file name says 'a'",
    ),
    "slip": ({"fields": {**WEIR, "drivr": "1"}}, 'did you mean "driver"?'),
    "log of a duration": (
        {"fields": {"product": "alder-4", "title": "sorting"}},
        "measures duration",
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_a_refused_take_in_leaves_the_bench_as_it_was(small, tmp_path, case):
    options, fragment = REFUSED[case]
    log = write_log(tmp_path / "a.csv")
    before = picture(small)
    with pytest.raises(KitError) as caught:
        add_logs(small, [log], **options)
    assert fragment in str(caught.value)
    assert picture(small) == before


def test_all_faults_of_a_take_in_are_told_at_once(small, tmp_path):
    folder = tmp_path / "in"
    write_log(folder / "good.csv")
    (folder / "bad.csv").write_text("ms\n16\nx\n")
    (folder / "empty.csv").write_text("")
    before = picture(small)
    with pytest.raises(RunFileError) as caught:
        add_logs(
            small, [folder, tmp_path / "gone.csv"], fields={"product": "alder-4", "title": "weir"}
        )
    assert [fault.file for fault in caught.value.faults] == [
        "in/bad.csv",
        "in/empty.csv",
        "gone.csv",
    ]
    assert picture(small) == before


def test_a_name_with_control_characters_is_refused_and_shown_inert(small, tmp_path):
    log = write_log(tmp_path / "a\x1b[31m.csv")
    with pytest.raises(RunFileError, match="characters that do not show") as caught:
        add_logs(small, [log], fields={"product": "alder-4", "title": "weir"})
    assert str(caught.value).isprintable()


def test_nothing_to_take_in_is_wrong_use(small):
    with pytest.raises(UsageError, match="there is no log to take in"):
        add_logs(small, [])


@pytest.mark.parametrize("pattern", ["{}", "{a b}", "plain", "{_}"])
def test_a_pattern_without_fields_is_wrong_use(small, tmp_path, pattern):
    with pytest.raises(UsageError):
        add_logs(small, [write_log(tmp_path / "a.csv")], naming=Naming(pattern=pattern))


def test_layouts_are_told_apart_by_reading(tmp_path):
    text = SMALL_BENCH.replace('files: "*.csv", ', "").replace(
        "products:",
        "  stamps: {frames: {column: t, holds: frame_end, unit: ms}}\n"
        "  seconds: {frames: {column: t, holds: frame_end, unit: s}}\nproducts:",
    )
    bench = new_bench(tmp_path / "b", text)
    here = {"fields": WEIR}
    add_logs(bench, [write_log(tmp_path / "a.csv")], **here)
    assert rows_of(bench)[0].layout == "plain"
    stamps = tmp_path / "s.csv"
    stamps.write_text("t\n0\n16\n32\n")
    with pytest.raises(RunFileError, match="fits the layouts stamps and seconds; name the right"):
        add_logs(bench, [stamps], **here)
    other = tmp_path / "o.csv"
    other.write_text("watts\n35\n")
    with pytest.raises(RunFileError, match=r"fits no layout of the bench \(plain: line 1: no col"):
        add_logs(bench, [other], **here)
    with pytest.raises(RunFileError, match=r"^gone\.csv: no such file$"):
        add_logs(bench, [tmp_path / "gone.csv"], **here)  # once, not for each layout


def test_taking_back_restores_every_byte(small, tmp_path):
    add_logs(
        small, [write_log(tmp_path / "a.csv", 16)], fields={"product": "alder-4", "title": "weir"}
    )
    before = {k: v for k, v in picture(small).items() if not k.startswith(".before")}
    add_logs(
        small,
        [write_log(tmp_path / "b.csv", 17), write_log(tmp_path / "c.csv", 18)],
        fields={"product": "alder-4", "title": "weir", "ambient_c": "21"},
    )
    assert undo(small).runs == ("b", "c")
    assert picture(small) == before
    assert undo(small).runs == ("a",)
    with pytest.raises(BenchError, match="there is no take-in to take back"):
        undo(small)


def test_taking_back_leaves_rows_written_since(small, tmp_path):
    add_logs(
        small, [write_log(tmp_path / "a.csv", 16)], fields={"product": "alder-4", "title": "weir"}
    )
    sheet = small / "runs.csv"
    own = 'mine,alder-4,weir,,,,,crashed,"two\nlines"\n'
    head, row = sheet.read_text().splitlines(keepends=True)
    sheet.write_text(head + own + row + own.replace("mine", "last"))
    undo(small)
    assert sheet.read_text() == head + own + own.replace("mine", "last")
    assert list((small / "logs").iterdir()) == []


def test_taking_back_refuses_what_was_changed_since(small, tmp_path):
    add_logs(
        small, [write_log(tmp_path / "a.csv", 16)], fields={"product": "alder-4", "title": "weir"}
    )
    sheet = small / "runs.csv"
    whole = sheet.read_text()
    sheet.write_text(whole.replace("weir", "weir-lite"))
    with pytest.raises(BenchError, match='run "a" was changed since it was taken in'):
        undo(small)
    sheet.write_text(whole)
    (small / "logs" / "a.csv").chmod(0o644)
    (small / "logs" / "a.csv").write_text("ms\n1\n")
    with pytest.raises(BenchError, match=r"logs/a\.csv: was changed since"):
        undo(small)
    assert sheet.read_text() == whole


def test_a_sheet_changed_meanwhile_is_not_written_over(small, tmp_path, monkeypatch):
    add_logs(
        small, [write_log(tmp_path / "a.csv", 16)], fields={"product": "alder-4", "title": "weir"}
    )
    put = takein._put

    def edit_then_put(staged, to):
        put(staged, to)
        with (small / "runs.csv").open("a") as sheet:
            sheet.write("mine,alder-4,weir,,,,,crashed,by hand\n")

    monkeypatch.setattr(takein, "_put", edit_then_put)
    with pytest.raises(BenchError, match="was changed while logs were being taken in"):
        add_logs(
            small,
            [write_log(tmp_path / "b.csv", 17)],
            fields={"product": "alder-4", "title": "weir"},
        )
    assert [row.run for row in rows_of(small)] == ["a", "mine"]
    assert [p.name for p in (small / "logs").iterdir()] == ["a.csv"]


def test_a_full_disk_leaves_the_bench_as_it_was(small, tmp_path, monkeypatch):
    add_logs(
        small, [write_log(tmp_path / "a.csv", 16)], fields={"product": "alder-4", "title": "weir"}
    )
    before = picture(small)

    def full(handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(takein.os, "fsync", full)
    with pytest.raises(BenchError, match=r"No space left on device.*nothing was added"):
        add_logs(
            small,
            [write_log(tmp_path / "b.csv", 17)],
            fields={"product": "alder-4", "title": "weir"},
        )
    monkeypatch.undo()
    assert picture(small) == before


def test_without_hard_links_logs_go_in_all_the_same(small, tmp_path, monkeypatch):
    def no_links(*_):
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(takein.os, "link", no_links)
    add_logs(
        small, [write_log(tmp_path / "a.csv", 16)], fields={"product": "alder-4", "title": "weir"}
    )
    assert (small / "logs" / "a.csv").read_text().startswith("ms\n16")
    assert [row.run for row in rows_of(small)] == ["a"]


def test_a_journal_from_elsewhere_removes_nothing_outside(small, tmp_path):
    victim = write_log(tmp_path / "victim.csv")
    staging = small / ".taking-in"
    staging.mkdir()
    sha = hashlib.sha256(victim.read_bytes()).hexdigest()
    (staging / "intent.json").write_text(
        '{"act": "undo", "rows": {"x": ""}, "sheet_after": "", "sheet_before": "0", "lines": "", '
        f'"removed": [{{"source": "", "file": "../victim.csv", "sha256": "{sha}"}}]}}'
    )
    add_logs(
        small, [write_log(tmp_path / "a.csv", 16)], fields={"product": "alder-4", "title": "weir"}
    )
    assert victim.exists()


def test_a_bench_that_is_held_is_waited_for_and_then_told(small):
    with held_bench(small):
        context = get_context("spawn")
        with context.Pool(1) as pool:
            told = pool.apply(_try_lock, (str(small),))
    assert "another take-in has held the bench for 0.2 s" in told


def _try_lock(folder: str) -> str:
    try:
        with held_bench(Path(folder), timeout_s=0.2):
            return "free"
    except BenchError as error:
        return str(error)


def _add_own(job: tuple[str, str, int]) -> int:
    bench, logs, number = job
    shared, own = Path(logs) / "shared.csv", Path(logs) / str(number)
    return len(
        add_logs(Path(bench), [shared, own], fields={"product": "alder-4", "title": "weir"}).added
    )


def test_twenty_processes_add_at_once_and_nothing_is_lost_or_double(small, tmp_path):
    logs = tmp_path / "in"
    write_log(logs / "shared.csv", 99)
    for number in range(20):
        write_log(logs / str(number) / "pass.csv", 10 + number)  # one name, other bytes
    jobs = [(str(small), str(logs), number) for number in range(20)]
    with get_context("fork").Pool(20) as pool:
        added = pool.map(_add_own, jobs, chunksize=1)
    assert sum(added) == 21
    rows = rows_of(small)
    assert len({row.run for row in rows}) == len(rows) == 21
    runs = [row.read(read_bench(small)) for row in rows]
    assert sorted(float(run.log.frame_ms[0]) for run in runs) == [*range(10, 30), 99]
    assert len(list((small / "logs").iterdir())) == 21


def test_take_ins_killed_at_random_moments_lose_nothing():
    reached, troubles = run_kills(20, seed=7)
    assert sum(reached.values()) == 20
    assert troubles == []


@pytest.mark.parametrize("act", ATTEMPTS)
def test_killed_before_a_disk_event_nothing_is_lost(act):
    steps, troubles = run_steps(ATTEMPTS[act], every=3 if act == "adopt" else 7)
    assert steps >= 2
    assert troubles == []


def test_writers_at_once_lose_nothing_and_enter_nothing_twice():
    assert run_writers(5) == ""


def test_a_bench_that_may_not_be_written_says_so(small, tmp_path):
    # Once where it may, so that nothing is left to import as a user who may not read this project.
    add_logs(small, [write_log(tmp_path / "a.csv")], fields={"product": "alder-4", "title": "weir"})
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o755)
        bench = new_bench(folder / "small", SMALL_BENCH)
        log = write_log(folder / "a.csv")
        bench.chmod(0o555)
        root = os.geteuid() == 0
        try:
            if root:  # to whom nothing is forbidden
                os.seteuid(65534)
            with pytest.raises(BenchError, match="small: may not be written: Permission denied"):
                add_logs(bench, [log], fields={"product": "alder-4", "title": "weir"})
        finally:
            if root:
                os.seteuid(0)
            bench.chmod(0o755)
        assert sorted(path.name for path in bench.iterdir()) == ["bench.yaml"]


@pytest.mark.parametrize(
    ("names", "pattern"),
    [
        (["alder-4_weir_1.csv.gz", "alder-4-lite_weir_1.csv.gz"], "{product}_{title}_{pass}.csv"),
        (["alder-4/weir-1.csv", "alder-4-lite/weir-1.csv"], "{product}/{title}-{pass}.csv"),
        (
            ["alder-4/monday/weir-1.csv", "alder-4-lite/x/weir-1.csv"],
            "{product}/{_}/{title}-{pass}",
        ),
    ],
    ids=["packed, as README has it", "folders", "a folder passed over"],
)
def test_passes_are_counted_by_product_and_title(small, tmp_path, names, pattern):
    (small / "bench.yaml").write_text(SMALL_BENCH.replace('files: "*.csv"', 'files: "*.csv*"'))
    for number, name in enumerate(names):
        path = tmp_path / "today" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        text = f"ms\n{16 + number}.5\n" + "16.5\n" * 40
        path.write_bytes(gzip.compress(text.encode()) if name.endswith(".gz") else text.encode())
    add_logs(small, [tmp_path / "today"], naming=Naming(pattern=pattern))
    rows = rows_of(small)
    assert {(r.run, r.product, r.title) for r in rows} == {
        ("alder-4-weir-1", "alder-4", "weir"),
        ("alder-4-lite-weir-1", "alder-4-lite", "weir"),
    }
    path.write_text("ms\n" + "18.5\n" * 40) if not name.endswith(".gz") else path.write_bytes(
        gzip.compress(b"ms\n" + b"18.5\n" * 40)
    )
    again = add_logs(
        small, [tmp_path / "today"], naming=Naming(pattern=pattern)
    )  # the same pass on another day
    assert [one.row.run for one in again.added] == ["alder-4-lite-weir-1-2"]


def test_ids_that_meet_are_told_by_their_logs(small, tmp_path):
    for product in ("alder-4", "alder-4-lite"):
        write_log(tmp_path / f"{product}_weir_1.csv", 16 + len(product))
    logs = sorted(tmp_path.glob("*_1.csv"))
    with pytest.raises(BenchError, match=r'"1" is used twice, first by alder-4.*write \{pass\}'):
        add_logs(small, logs, naming=Naming(pattern="{product}_{title}_{run}.csv"))


def test_a_run_that_left_no_log_is_a_row_with_its_reason(small, tmp_path):
    add_logs(small, [write_log(tmp_path / "a.csv")], fields={"product": "alder-4", "title": "weir"})
    why = By("x", "2026-11-25T08:00:00+00:00", "froze at the gate")
    given = {"product": "alder-4", "title": "weir", "session": ""}
    assert add_crashed(small, given, by=why).runs == ("alder-4-weir-crashed",)
    assert add_crashed(small, given, by=why).runs == ("alder-4-weir-crashed-2",)
    row = rows_of(small)[1]
    assert (row.status, row.reason) == ("crashed", "froze at the gate")
    assert check_evidence(small, depth="full").differences == ()
    with pytest.raises(BenchError, match='no title "wier"'):
        add_crashed(small, {**given, "title": "wier"}, by=why)
    assert undo(small).runs == ("alder-4-weir-crashed-2",)


# --- wide tables of figures, as spreadsheets hold them ---

WIDE_BENCH = """\
format: marginbook-bench/1
name: Wide
products:
  ash: {name: Ash 1, class: portable}
  birch: {name: Birch 2, class: desk}
titles:
  dell: {name: "Dell, 1080 lines"}
  moor: {name: Moor}
  pack: {name: Packing, measures: duration}
"""
WIDE = [
    ["average", "Ash 1", "birch"],
    ["Dell, 1080 lines", 61.5, 50.25],
    ["moor", 88, None],
    ["Packing", 120.5, 133],
    [None, None, None],
    ["1 % low", "birch", "Ash 1"],
    ["Dell, 1080 lines", 38, 44.125],
]
# Written out by hand from WIDE: every filled cell once, each with its product, title and figure.
WIDE_ROWS = {
    ("ash", "dell"): {"average_fps": 61.5, "low_1pct_fps": 44.125},
    ("birch", "dell"): {"average_fps": 50.25, "low_1pct_fps": 38.0},
    ("ash", "moor"): {"average_fps": 88.0},
    ("ash", "pack"): {"value": 120.5},
    ("birch", "pack"): {"value": 133.0},
}


def wide_bench(folder: Path) -> Path:
    (folder / "wide").mkdir()
    (folder / "wide" / "bench.yaml").write_text(WIDE_BENCH, encoding="utf-8")
    return folder / "wide"


def write_wide(path: Path, rows: list[list]) -> Path:
    if path.suffix == ".xlsx":
        from openpyxl import Workbook

        book = Workbook()
        for row in rows:
            book.active.append(row)
        book.save(path)
        return path
    mark = ";" if "semi" in path.stem else ","
    point = "," if mark == ";" else "."
    texts = [
        [
            "" if c is None else str(c).replace(".", point) if isinstance(c, float) else str(c)
            for c in row
        ]
        for row in rows
    ]
    lines = [mark.join(f'"{c}"' if mark in c else c for c in row) for row in texts]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize("name", ["results.xlsx", "results.csv", "semi.csv"])
def test_a_wide_table_goes_in_figure_by_figure(tmp_path, name):
    bench, table = wide_bench(tmp_path), write_wide(tmp_path / name, WIDE)
    by = By("vera", "2026-11-26T09:00:00+00:00", "handed over as a table")
    with pytest.raises(UsageError, match="say of which day"):
        add_table(bench, table)
    told = add_table(bench, table, fields={"began": "2026-11-25"}, dry_run=True)
    assert len(told.added) == 5 and not (bench / "runs.csv").exists()
    done = add_table(bench, table, fields={"began": "2026-11-25"}, by=by)
    rows = RunSheet(read_bench(bench)).rows
    assert {(r.product, r.title): dict(r.typed) for r in rows} == WIDE_ROWS
    assert all(r.conditions["source"] == name and not r.log for r in rows)
    assert {str(r.began.date()) for r in rows} == {"2026-11-25"}
    assert len(done.added) == 5 and "ash, dell, average_fps 61.5" in "\n".join(done.to_lines())
    assert check_evidence(bench).differences == ()
    journal = (bench / "journal.jsonl").read_text(encoding="utf-8")
    assert "handed over as a table" in journal and name in journal
    again = add_table(bench, table, fields={"began": "2026-11-25"})
    assert not again.added and len(again.skipped) == 5
    undo(bench, by=by)
    assert not RunSheet(read_bench(bench)).rows


def test_names_of_a_wide_table_that_the_bench_lacks_are_proposed(tmp_path):
    bench = wide_bench(tmp_path)
    blocks = [["", "Ash 1", "Elm 5"], ["moor", 61.5, 40], ["Two Gates", 70, 50]]
    table = write_wide(tmp_path / "r.csv", [*blocks, ["1 % low", "Elm 5"], ["moor", 31]])
    new = names_of_table(bench, table)
    assert new["titles"] == {"two-gates": {"name": "Two Gates"}}
    (bench / "runs.csv").write_text("run,product,title,layout,log\n", encoding="utf-8")
    assert list(new["products"]) == ["elm-5"] and new["products"]["elm-5"]["name"] == "Elm 5"
    enter_names(bench, new, by=By("vera", "2026-11-26T09:00:00+00:00"))
    assert names_of_table(bench, table) == {}
    assert len(add_table(bench, table, fields={"began": "2026-11-25"}).added) == 4
    assert names_of_table(bench, table, maps={"product": {"Ash 1": "birch"}}) == {}


@pytest.mark.parametrize("name", ["means.csv", "means.xlsx"])
def test_blocks_of_a_wide_table_say_passes_and_their_spread(tmp_path, name):
    blocks = [["", "ash"], ["moor", 61.5], ["passes", "ash"], ["moor", 3]]
    table = write_wide(tmp_path / name, [*blocks, ["spread_pct", "ash"], ["moor", 0.8]])
    bench = wide_bench(tmp_path)
    add_table(bench, table, fields={"began": "2026-11-25"})
    (row,) = RunSheet(read_bench(bench)).rows
    assert (dict(row.typed), row.passes, row.spread) == ({"average_fps": 61.5}, 3, 0.008)


def test_every_fault_of_a_wide_table_is_told_and_nothing_is_written(tmp_path):
    bench = wide_bench(tmp_path)
    rows = [*WIDE, ["Mooor", 1.0, 2.0], ["sharpness", "Ash 1", "birch"], ["moor", 5.0, 6.0]]
    table = write_wide(tmp_path / "bad.csv", rows)
    with pytest.raises(BenchError) as told:
        add_table(bench, table, fields={"began": "2026-11-25"})
    text = str(told.value)
    assert (
        'no title "Mooor"' in text and '"sharpness" says nothing of what this block holds' in text
    )
    text_cell = write_wide(tmp_path / "text.csv", [["", "ash"], ["moor", "fast"]])
    with pytest.raises(BenchError, match="expected a number"):
        add_table(bench, text_cell, fields={"began": "2026-11-25"})
    (tmp_path / "no.xlsx").write_bytes(b"no workbook")
    with pytest.raises(BenchError, match="damaged zip archive"):
        add_table(bench, tmp_path / "no.xlsx", fields={"began": "2026-11-25"})
    assert not (bench / "runs.csv").exists()


# --- what is told, and the edges of names: by hand ---


def test_what_became_of_each_log_is_told_as_a_table_and_in_lines(small, tmp_path):
    folder = tmp_path / "in"
    write_log(folder / "a.csv", 20.0, rows=100)
    (folder / "b.csv").write_text("ms\n16\n" + "\n".join(["15.5"] * 9) + "\n")
    for name in ("n1.txt", "n2.txt", "n3.txt"):
        (folder / name).write_text("no log")
    done = add_logs(small, [folder], fields={**WEIR, "began": "2026-05-01T10:00:00"})
    lines = done.to_lines()
    assert lines[0] == "a: alder-4, weir, layout plain, 100 frames, 2.0 s, logs/a.csv"
    assert lines[-2].startswith("in/n1.txt, in/n2.txt, in/n3.txt: passed over, no layout")
    assert lines[-1] == "2 added, 3 not"
    told = done.to_dict()
    assert (told["ok"], told["dry_run"], told["recovered"]) == (True, False, "")
    assert [row["action"] for row in told["logs"]] == ["added"] * 2 + ["passed over"] * 3
    first, *_, last = told["logs"]
    assert (first["run"], first["frames"], first["began"]) == ("a", 100, "2026-05-01T10:00:00")
    assert (last["run"], last["frames"], last["began"]) == ("", 0, "")
    (folder / "n4.txt").write_text("no log")
    again = add_logs(small, [folder], fields=WEIR, dry_run=True)
    assert (again.dry_run, again.added) == (True, ())
    lines = again.to_lines()
    assert any(line.startswith("in/n1.txt, in/n2.txt, in/n3.txt and 1 more: ") for line in lines)
    assert lines[-1] == "0 would be added; nothing was written, 6 not"
    assert any("logs/a.csv (run a)" in one.reason for one in again.skipped)


def test_ids_of_runs_are_short_and_told_apart(small, tmp_path):
    long = "x" * 120
    logs = [write_log(tmp_path / folder / f"{long}.csv", ms) for folder, ms in
            (("a", 16), ("b", 17), ("c", 18))]  # fmt: skip
    add_logs(small, [*logs, write_log(tmp_path / "-=-.csv", 19)], fields=WEIR)
    assert [row.run for row in rows_of(small)] == ["x" * 100, "x" * 100 + "-2", "x" * 100 + "-3",
                                                   "run"]  # fmt: skip
    assert _run_of("table of may", "a b", "-c-") == "a-b-c-table-of-may"
    assert len(_run_of("t" * 200, "a")) == 128


@pytest.mark.parametrize("end", ["", "\n"])
def test_a_sheet_without_an_end_of_line_gets_one(small, tmp_path, end):
    add_logs(small, [write_log(tmp_path / "a.csv", 16)], fields=WEIR)
    sheet = small / "runs.csv"
    before = sheet.read_text().rstrip("\r\n") + end
    sheet.write_text(before)
    add_logs(small, [write_log(tmp_path / "b.csv", 17)], fields=WEIR)
    assert sheet.read_text().startswith(before)
    assert [row.run for row in rows_of(small)] == ["a", "b"]


def test_an_index_is_read_from_its_own_folder_and_its_lines_are_told(small, tmp_path):
    write_log(tmp_path / "logs" / "a.csv", 16)
    index = tmp_path / "index.csv"
    index.write_text("log,what,title,done\nlogs\\a.csv,alder-4,weir,x\n,alder-4,,\n")
    by = Naming(columns={"file": "log", "product": "what"})
    with pytest.raises(BenchError, match=r"index.csv, line 3, run"):
        add_logs(small, index=index, naming=by)
    index.write_text("log,what,title,done\nlogs\\a.csv,alder-4,weir,x\n")
    add_logs(small, index=index, naming=by)
    (row,) = rows_of(small)
    assert (row.run, row.product, row.title, row.conditions) == ("a", "alder-4", "weir", {})
    with pytest.raises(BenchError, match=r'line 1, who: there is no such column; .* "log", "what"'):
        add_logs(small, index=index, naming=Naming(columns={"file": "log", "product": "who"}))
    with pytest.raises(BenchError, match="line 1, file: there is no such column"):
        add_logs(small, index=index)


def test_the_likely_row_is_the_first_whose_product_and_title_the_path_names(small):
    bench = read_bench(small)
    rows = [
        _IndexRow(f"line {line}", line, Path("x"), {"product": product, "title": title})
        for line, product, title in (
            (2, "alder-4", "weir"), (3, "alder-4-lite", "weir"), (4, "alder-4-lite", "weir"),
            (5, "alder-4", "weir-lite"),
        )
    ]  # fmt: skip
    for path, line in (
        ("in/alder-4_weir.csv", 2), ("alder-4-lite/the/weir 1.csv", 3), ("alder-4-lite/a/b/weir.csv", 0),
        ("Alder 4/The Weir in short.csv", 5), ("weir.csv", 0), ("balder-4-weir.csv", 0),
    ):  # fmt: skip
        assert _likely_line(Path(path), rows, bench) == line, path


@pytest.mark.parametrize(
    ("path", "tokens"),
    [
        ("a_b/c-d 1.csv", ("a", "b", "c-d", "1")),
        ("a b-12.log.gz", ("a", "b", "12")),
        ("a__b_3.csv", ("a", "b", "3")),
        ("a-1234.csv", ("a-1234",)),  # four digits are a year, not a pass
        ("a-123.csv", ("a", "123")),
        ("a12.csv", ("a12",)),
        ("x-a12.csv", ("x-a", "12")),
    ],
)
def test_what_parts_a_name(path, tokens):
    assert _tokens(Path(path)) == tokens


@pytest.mark.parametrize(
    ("rows", "names"),
    [
        (["alder-4 weir 1", "oak weir 2"], ["product", "title", "pass"]),  # one of two known
        (["a s 1", "b s 2"], ["product", "title", "pass"]),
        (["weir a 1", "The-Weir b 2"], ["title", "product", "pass"]),
        (["s a w 1", "s b w 2"], ["product", "title", "", "pass"]),
        (["a x m 1", "b y n 2"], ["product", "title", "session", "pass"]),
        (["a x m 7 1", "b y m 7 2"], ["product", "title", "", "", "pass"]),
        (["1 a x", "2 b y"], ["pass", "product", "title"]),
    ],
)
def test_what_the_parts_of_names_stand_for(small, rows, names):
    found = _name_columns([*zip(*map(str.split, rows), strict=True)], read_bench(small))
    assert found == names


def test_a_table_is_read_by_the_mark_between_its_cells(tmp_path):
    table = tmp_path / "t.csv"
    for text, cells in (
        ("a;b,c;d\n1,5;2;x,1\n", [["a", "b,c", "d"], ["1.5", "2", "x,1"]]),
        ("a\tb\tc\n1,5\t 2,25 \t\n", [["a", "b", "c"], ["1.5", "2.25", ""]]),
        ('a,b\n"1,5",2\n', [["a", "b"], ["1,5", "2"]]),
    ):
        table.write_text(text, encoding="utf-8-sig")
        assert [row for _, row in _table_cells(table)] == cells
    table.write_text("a,b\n,\n1,2\n")
    assert [line for line, _ in _table_cells(table)] == [1, 3]
    table.write_bytes(b"\xe9,a")
    with pytest.raises(BenchError, match="not UTF-8 text; save the sheet as CSV in UTF-8"):
        _table_cells(table)
    with pytest.raises(BenchError, match="no such file"):
        _table_cells(tmp_path / "none.csv")
    assert (_slug("Ash 1!"), _slug("--"), _slug("Höhle")) == ("ash-1", "x", "hohle")


def test_a_figure_that_stands_twice_is_a_fault_only_where_it_differs(tmp_path):
    bench = wide_bench(tmp_path)
    twice = [["", "ash"], ["moor", 61.5], ["average", "ash"], ["moor", 61.5]]
    told = add_table(bench, write_wide(tmp_path / "t.csv", twice), fields={"began": "2026-11-25"})
    assert [dict(one.row.typed) for one in told.added] == [{"average_fps": 61.5}]
    other = write_wide(tmp_path / "u.csv", [*twice[:3], ["moor", 62.5]])
    said = r"u.csv, line 4: average_fps of ash in moor stands twice: 61.5 and 62.5"
    with pytest.raises(BenchError, match=said):
        add_table(bench, other, fields={"began": "2026-11-25"})
    with pytest.raises(UsageError, match="there is no figure in it"):
        add_table(bench, write_wide(tmp_path / "v.csv", twice[:1]), fields={"began": "2026-11-25"})


@pytest.mark.parametrize(
    ("pattern", "name", "fields"),
    [
        ("{title}.csv", "weir.csv.gz", {"title": "weir"}),
        ("{title}.csv", "weir.csv", {"title": "weir"}),
        ("{title}.csv.gz", "weir.csv.gz", {"title": "weir"}),
        ("{title}", "weir.csv.zst", {"title": "weir"}),
        ("{product}/{product}_{title}", "alder-4/alder-4_weir.csv",
         {"product": "alder-4", "title": "weir"}),
        ("{_}-{title}-{_}", "a-weir-b.csv", {"title": "weir"}),
        ("{title}_{fan_mode}", "weir_quiet-1.csv", {"title": "weir", "fan_mode": "quiet-1"}),
        ("{title}", "moor.csv", {"title": "moor"}),  # not known: the sheet's own check tells
        ("{title}.csv", "weir.csv.bz2", None),
        ("{product}/{product}_{title}", "alder-4/alder-4-lite_weir.csv", None),
    ],
)  # fmt: skip
def test_what_a_name_says_by_a_pattern(small, pattern, name, fields):
    bench = read_bench(small)
    if fields is not None:
        assert _match_name(name, Naming(pattern), bench, shown=name) == fields
    else:
        with pytest.raises(RunFileError, match="does not fit the pattern"):
            _match_name(name, Naming(pattern), bench, shown=name)


def test_what_stands_beside_a_log_goes_from_its_own_file_to_the_folder_s(tmp_path):
    log = write_log(tmp_path / "a.b.csv")
    assert _beside(log) == []
    (tmp_path / "a.yaml").write_text("driver: 1.10\nsession:\n")
    (tmp_path / "a.b.csv.yaml").write_text("fan_mode: quiet\n")
    (tmp_path / "conditions.yaml").write_text("driver: 2\nfan_mode: loud\nambient_c: 21\n")
    assert _beside(log) == [
        ("a.b.csv.yaml", {"fan_mode": "quiet"}),
        ("a.yaml", {"driver": "1.10"}),
        ("conditions.yaml", {"ambient_c": "21"}),
    ]
    (tmp_path / "a.yaml").write_text("driver: [1, 2]\nsession: {a: b}\n")
    with pytest.raises(BenchError, match=r"(?s)driver: expected one value.*session: expected one"):
        _beside(log)


def test_a_log_is_shown_from_the_folder_it_was_given_in(tmp_path):
    log = write_log(tmp_path / "in" / "deep" / "a.csv")
    assert _shown(log, [tmp_path / "other", tmp_path / "in"]) == "in/deep/a.csv"
    assert _shown(log, [log]) == _shown(log, []) == "a.csv"
    assert _shown(tmp_path / "a\x1b.csv", []) == r"'a\x1b.csv'"


def test_stamps_that_do_not_advance_are_noted(tmp_path):
    bench = new_bench(
        tmp_path / "b", SMALL_BENCH.replace("holds: frame_time, unit: ms", "holds: frame_end, unit: ms")
    )  # fmt: skip
    (tmp_path / "a.csv").write_text("ms\n0\n10\n10\n5\n30\n")
    (one,) = add_logs(bench, [tmp_path / "a.csv"], fields=WEIR).added
    assert (one.reason, one.frames) == ("2 stamps do not advance", 4)
    assert one.duration_s == pytest.approx(0.03)


def test_hidden_files_and_those_of_yaml_are_no_logs_of_a_folder(small, tmp_path):
    folder = tmp_path / "in"
    write_log(folder / "a.csv", 16)
    write_log(folder / ".b.csv", 17)
    write_log(folder / ".old" / "c.csv", 18)
    (folder / "conditions.yml").write_text("driver: 1\n")
    done = add_logs(small, [folder, folder / "a.csv"], fields=WEIR)
    assert [one.source for one in done.taken] == ["in/a.csv"]
    (small / ".hidden").mkdir()
    inside = write_log(small / ".hidden" / "d.csv", 19)
    assert [one.file for one in add_logs(small, [inside], fields=WEIR).added] == [".hidden/d.csv"]


def test_a_text_of_several_lines_stays_on_one_of_the_sheet(small, tmp_path):
    notes = {"note": "warm \n\tand  loud", "driver": " 1.10  beta "}
    add_logs(small, [write_log(tmp_path / "a.csv")], fields={**WEIR, **notes})
    (row,) = rows_of(small)
    assert row.conditions == {"note": "warm and loud", "driver": "1.10  beta"}


def test_the_first_twelve_products_are_listed_for_one_that_is_not_known(tmp_path):
    more = "".join(f"  tree-{n:02}: {{name: Tree {n}, class: desk}}\n" for n in range(11))
    bench = new_bench(tmp_path / "b", SMALL_BENCH.replace("titles:\n", more + "titles:\n"))
    table = write_wide(tmp_path / "t.csv", [["", "quartz"], ["weir", 61.5]])
    with pytest.raises(BenchError, match=r'no product "quartz" .*, tree-00, .*, tree-09$'):
        add_table(bench, table, fields={"began": "2026-11-25"})
