"""Ways evidence changes behind the bench's back: each is named, with its file, by `check`."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import openpyxl
import pytest

from kit.bench.acts import (
    adopt,
    export_bench,
    import_bench,
    merge,
    move_run,
    rename,
    retire,
    undo,
)
from kit.bench.evidence import check_evidence, explain_unreadable, refuse_altered
from kit.bench.intake import add_logs
from kit.bench.journal import ANCHORS, GENESIS, Anchor, By, Journal, read_excerpt
from kit.bench.prices import read_prices
from kit.bench.runs import RunSheet
from kit.errors import BenchError, Fault, RunFileError, UsageError
from kit.settings.bench_file import read_bench

BENCH = """\
format: marginbook-bench/1
name: Evidence
layouts:
  plain: {files: "*.csv", frames: {column: ms, holds: frame_time, unit: ms}}
products:
  ash-1: {name: Ash 1, class: desk}
  birch-2: {name: Birch 2, class: desk}
titles:
  dell: {name: The Dell}
  weir: {name: The Weir}
  sorting: {name: Sorting, measures: duration}
"""
WHY = By("a tester", "2026-11-25T08:00:00+00:00", "a test")


def make_bench(folder: Path) -> Path:
    """A bench with six runs taken in, two acts of the journal, and a typed-in figure."""
    bench, recorded = folder / "bench", folder / "recorded"
    bench.mkdir(parents=True)
    (bench / "bench.yaml").write_text(BENCH)
    for number in range(6):
        log = recorded / f"pass-{number}.csv"
        log.parent.mkdir(exist_ok=True)
        log.write_text("ms\n" + "".join(f"{10 + number + i % 7}.25\n" for i in range(60)))
    index = recorded / "index.csv"
    index.write_text(
        "file,run,product,title,session,began,driver,value,status,reason\n"
        + "".join(
            f"pass-{n}.csv,p{n},{'ash-1' if n < 3 else 'birch-2'},dell,s{n % 3},2026-11-24,52,,,\n"
            for n in range(6)
        )
        + ",typed,ash-1,sorting,,,52,31.5,,\n,lost,birch-2,weir,,,52,,crashed,froze\n"
    )
    add_logs(bench, [], index=index, by=WHY)
    retire(bench, ["p5"], by=WHY)
    return bench


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    return make_bench(tmp_path_factory.mktemp("evidence"))


@pytest.fixture
def bench(made, tmp_path) -> Path:
    folder = tmp_path / "bench"
    shutil.copytree(made, folder)
    return folder


def log(bench: Path, number: int = 1) -> Path:
    path = bench / "logs" / f"pass-{number}.csv"
    path.chmod(0o644)
    return path


def edit(path: Path, change: Callable[[bytes], bytes], *, stamp: bool = False) -> None:
    """Write a file's bytes anew; with `stamp`, its time is put back."""
    path.chmod(0o644)
    stat, data = path.stat(), path.read_bytes()
    new = change(data)
    assert new != data
    path.write_bytes(new)
    if stamp:
        os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))


def row(bench: Path, old: str, new: str) -> None:
    edit(bench / "runs.csv", lambda data: re.sub(old, new, data.decode(), count=1).encode())


def swap_rows(bench: Path) -> None:
    row(bench, r"p0,ash-1", "p0,birch-2")
    row(bench, r"p3,birch-2", "p3,ash-1")


def link_outside(bench: Path) -> None:
    path = log(bench)
    kept = bench.parent / "elsewhere.csv"
    path.rename(kept)
    path.symlink_to(kept)


def relink(bench: Path, to: str) -> None:
    log(bench).unlink()
    (bench / LOG).symlink_to(to)


def swap_names(bench: Path) -> None:
    one, other = log(bench, 0), log(bench, 3)
    one.rename(bench / "x")
    other.rename(one)
    (bench / "x").rename(other)


def lines_of(bench: Path) -> list[bytes]:
    return (bench / "journal.jsonl").read_bytes().splitlines(keepends=True)


def put_lines(bench: Path, lines: list[bytes]) -> None:
    (bench / "journal.jsonl").write_bytes(b"".join(lines))


def forged(bench: Path, **changes: object) -> None:
    """A field of entry 1 changed, with the journal written as ever."""
    lines = lines_of(bench)
    record = {**json.loads(lines[1]), **changes}
    lines[1] = json.dumps(record, separators=(",", ":")).encode() + b"\n"
    put_lines(bench, lines)


def rewritten(bench: Path) -> None:
    """The whole chain made anew, as someone could who has the kit."""
    (bench / "journal.jsonl").unlink()
    adopt(bench, by=WHY)


@dataclass(frozen=True)
class Way:
    """One way to change evidence: what is done, and what check says of it."""

    does: Callable[[Path], object]
    kind: str
    file: str
    says: str
    depth: str = "quick"


SHEET, LOG, JOURNAL = "bench/runs.csv", "logs/pass-1.csv", "bench/journal.jsonl"
WAYS = {
    # content
    "every frame scaled": Way(
        lambda b: edit(log(b), lambda d: d.replace(b".25", b".20")), "altered", LOG, "was altered"
    ),
    "one digit, same size, time put back": Way(
        lambda b: edit(log(b), lambda d: d.replace(b"11.25", b"11.24", 1), stamp=True),
        "altered", LOG, "was altered after it was taken in (363 bytes): not SHA-256", "full",
    ),
    "a frame more": Way(lambda b: edit(log(b), lambda d: d + b"9.25\n"), "altered", LOG, "altered"),
    "cut short": Way(lambda b: edit(log(b), lambda d: d[:90]), "altered", LOG, "90 bytes, 363 then"),
    "emptied": Way(lambda b: edit(log(b), lambda d: b""), "altered", LOG, "is empty now"),
    "a comment put in": Way(
        lambda b: edit(log(b), lambda d: b"# fixed\n" + d), "altered", LOG, "altered"
    ),
    "a mark before the text": Way(
        lambda b: edit(log(b), lambda d: b"\xef\xbb\xbf" + d), "altered", LOG, "altered"
    ),
    "another log in its place": Way(
        lambda b: edit(log(b), lambda d: log(b, 2).read_bytes()), "altered", LOG, "altered"
    ),
    "packed": Way(
        lambda b: edit(log(b), lambda d: __import__("gzip").compress(d)), "altered", LOG, "altered"
    ),
    # line endings
    "LF to CR LF": Way(
        lambda b: edit(log(b), lambda d: d.replace(b"\n", b"\r\n")), "line_ends", LOG, "line ends"
    ),
    "line ends of the journal": Way(
        lambda b: edit(b / "journal.jsonl", lambda d: d.replace(b"\n", b"\r\n")),
        "journal", JOURNAL, "line ends were changed to CR LF",
    ),
    # names, case, links
    "a log deleted": Way(lambda b: log(b).unlink(), "vanished", LOG, "is not here"),
    "a log renamed": Way(
        lambda b: log(b).rename(b / "logs" / "new.csv"), "orphaned", "logs/new.csv", "no row"
    ),
    "a log in capitals": Way(
        lambda b: log(b).rename(b / "logs" / "Pass-1.csv"), "vanished", LOG, "in capitals only"
    ),
    "a log in another folder": Way(
        lambda b: log(b).rename(b / "pass-1.csv"), "vanished", LOG, "is not here"
    ),
    "all logs gone": Way(
        lambda b: shutil.rmtree(b / "logs"), "vanished", LOG, "is not here"
    ),
    "two logs exchanged": Way(swap_names, "altered", "logs/pass-0.csv", "was altered"),
    "a link to the same bytes": Way(link_outside, "link", LOG, "is a symbolic link to"),
    "a link to other bytes": Way(
        lambda b: relink(b, "pass-2.csv"), "altered", LOG, "was altered"
    ),
    "a link to nothing": Way(
        lambda b: relink(b, "nothing.csv"), "vanished", LOG, "is not here"
    ),
    "a folder in its place": Way(
        lambda b: (log(b).unlink(), (b / LOG).mkdir()),
        "unreadable", LOG, "cannot be read",
    ),
    "a log put in": Way(
        lambda b: (b / "logs" / "new.csv").write_text("ms\n1\n"),
        "orphaned", "logs/new.csv", "no row of runs.csv names it",
    ),
    "a log and a row put in": Way(
        lambda b: (
            (b / "logs" / "new.csv").write_text("ms\n1\n"),
            edit(b / "runs.csv", lambda d: d + b"new,ash-1,dell,plain,logs/new.csv\n"),
        ),
        "unjournalled", "logs/new.csv", "the journal does not",
    ),
    # rows
    "a row deleted": Way(
        lambda b: row(b, r"p1,[^\n]*\n", ""), "row_gone", SHEET, 'run "p1" of entry 1'
    ),
    "a row deleted, its log orphaned": Way(
        lambda b: row(b, r"p1,[^\n]*\n", ""), "orphaned", LOG, "it came with entry 1"
    ),
    "a row and its log deleted": Way(
        lambda b: (row(b, r"p1,[^\n]*\n", ""), log(b).unlink()), "vanished", LOG, "is not here"
    ),
    "a run renamed": Way(
        lambda b: row(b, "p1,", "q1,"), "row_gone", SHEET, 'its log is that of run "q1" now'
    ),
    "a row written by hand": Way(
        lambda b: edit(b / "runs.csv", lambda d: d + b"mine,ash-1,sorting,,,,,,,52,30\n"),
        "row_new", SHEET, 'run "mine" was written by hand',
    ),
    "two runs exchanged between products": Way(
        swap_rows, "row_changed", SHEET, "product is 'birch-2', was 'ash-1'"
    ),
    "another title": Way(
        lambda b: row(b, "p1,ash-1,dell", "p1,ash-1,weir"), "row_changed", SHEET, "title is 'weir'"
    ),
    "another log named": Way(
        lambda b: row(b, "logs/pass-1.csv", "logs/pass-2.csv"), "row_changed", SHEET, "log is"
    ),
    "a typed figure changed": Way(
        lambda b: row(b, "31.5", "30.5"), "row_changed", SHEET, "value is '30.5', was '31.5'"
    ),
    "a condition changed": Way(
        lambda b: row(b, "(p1.*),52", r"\1,53"), "row_changed", SHEET, "driver is '53', was '52'"
    ),
    "a run set aside by hand": Way(
        lambda b: row(b, "set_aside,a test", "ran,"), "row_changed", SHEET, "status is"
    ),
    "a crash forgotten": Way(
        lambda b: row(b, r"lost,[^\n]*\n", ""), "row_gone", SHEET, 'run "lost"'
    ),
    "the date moved": Way(
        lambda b: row(b, "2026-11-24", "2026-10-24"), "row_changed", SHEET, "began is"
    ),
    "the session moved": Way(
        lambda b: row(b, "(p1.*),s1", r"\1,s2"), "row_changed", SHEET, "session is 's2', was 's1'"
    ),
    # clock
    "begun after it was taken in": Way(
        lambda b: row(b, "2026-11-24", "2026-12-24"), "clock", SHEET, "after it was taken in"
    ),
    "a clock set back": Way(
        lambda b: retire(b, ["p4"], by=By("x", "2026-01-01T08:00:00+00:00", "late")),
        "clock", "journal.jsonl", "is dated before the one above it",
    ),
    # the journal itself
    "a hash put right in the journal": Way(
        lambda b: edit(b / "journal.jsonl", lambda d: d.replace(b'"bytes":', b'"bytes":1', 1)),
        "journal", JOURNAL, "changed after it was written",
    ),
    "a reason changed": Way(
        lambda b: forged(b, reason="another"), "journal", JOURNAL, "its hash does not fit"
    ),
    "who, changed": Way(lambda b: forged(b, who="x"), "journal", JOURNAL, "hash does not fit"),
    "a key more": Way(lambda b: forged(b, note="x"), "journal", JOURNAL, "not exactly the keys"),
    "an entry taken out": Way(
        lambda b: put_lines(b, [lines_of(b)[0], *lines_of(b)[2:]]), "journal", JOURNAL,
        "does not follow the line before it",
    ),
    "entries exchanged": Way(
        lambda b: put_lines(b, [lines_of(b)[i] for i in (0, 2, 1)]), "journal", JOURNAL,
        "does not follow",
    ),
    "an entry twice": Way(
        lambda b: put_lines(b, [lines_of(b)[i] for i in (0, 1, 1, 2)]), "journal", JOURNAL,
        "does not follow",
    ),
    "spaces put in": Way(
        lambda b: edit(b / "journal.jsonl", lambda d: d.replace(b'"n":1,', b'"n": 1,', 1)),
        "journal", JOURNAL, "is not written as it was",
    ),
    "zeros over a middle line": Way(
        lambda b: put_lines(b, [lines_of(b)[0], b"\0" * 50 + b"\n", lines_of(b)[2]]),
        "journal", JOURNAL, "is no line of a journal (at byte",
    ),
    "a branch merged by git": Way(
        lambda b: put_lines(b, [*lines_of(b)[:2], b"<<<<<<< HEAD\n", lines_of(b)[2]]),
        "journal", JOURNAL, "is no line of a journal",
    ),
    "its end cut off": Way(
        lambda b: put_lines(b, lines_of(b)[:2]), "journal", JOURNAL, "its end was cut off"
    ),
    "written anew from the start": Way(
        rewritten, "journal", JOURNAL, 'had 3 when review "sealed" was sealed'
    ),
    "deleted": Way(
        lambda b: (b / "journal.jsonl").unlink(), "journal", JOURNAL, "is gone: it had 3 entries"
    ),
    "its list of anchors damaged": Way(
        lambda b: (b / "anchors.jsonl").write_text('{"review":"x"}\n'),
        "journal", "bench/anchors.jsonl", "has not exactly the keys",
    ),
}  # fmt: skip


def anchor_of(bench: Path) -> Anchor:
    journal = Journal.read(bench)
    return Anchor("sealed", "f" * 64, journal.head, len(journal.entries))


def test_the_table_is_long_enough_and_a_bench_left_alone_has_nothing_to_say(bench):
    assert len(WAYS) >= 40
    for depth in ("names", "quick", "full"):
        found = check_evidence(bench, depth=depth, against=[anchor_of(bench)])
        assert found.differences == () and found.entries == found.anchored == 3
        assert found.hashed == (6 if depth == "full" else 0)
    assert check_evidence(bench).to_lines()[0].startswith("journal: 3 entries, none anchored")


@pytest.mark.parametrize("name", WAYS)
def test_each_way_is_named_with_its_file(bench, name):
    way, anchor = WAYS[name], anchor_of(bench)
    way.does(bench)
    evidence = check_evidence(bench, depth=way.depth, against=[anchor])
    found = evidence.differences
    no_review = {"journal", "altered", "line_ends", "vanished", "unreadable"}
    assert evidence.faults == tuple(d.fault for d in found if d.kind in no_review)
    told = [(d.kind, d.file, d.message) for d in found]
    assert any(
        (kind, file) == (way.kind, way.file) and way.says in message for kind, file, message in told
    ), told
    assert all(d.fault.message for d in found)


def test_entries_since_the_last_seal_are_told_from_those_it_holds(bench):
    anchor = anchor_of(bench)
    said = check_evidence(bench, against=[anchor]).to_lines()[0]
    assert said.startswith("journal: 3 entries, 3 anchored (review sealed); 0 of 6 logs")
    retire(bench, ["p4"], by=WHY)
    said = check_evidence(bench, against=[anchor]).to_lines()[0]
    assert said.startswith("journal: 4 entries, 3 anchored (review sealed), 1 since then not;")


@pytest.mark.parametrize(("day", "told"), [("2026-11-26", False), ("2026-11-27", True)])
def test_a_run_begun_a_day_after_its_take_in_may_be_of_another_zone(bench, day, told):
    row(bench, "2026-11-24", day)  # taken in on 2026-11-25
    kinds = {d.kind for d in check_evidence(bench).differences}
    assert ("clock" in kinds) == told


def test_a_journal_rewritten_to_the_same_length_is_told_by_its_head(bench):
    anchor = anchor_of(bench)
    rewritten(bench)
    retire(bench, ["p4"], by=WHY)
    found = check_evidence(bench, against=[anchor]).differences
    assert len(Journal.read(bench).entries) == 3
    assert "it was written anew" in found[0].message


def test_a_log_just_read_is_not_hashed_again(bench):
    edit(log(bench), lambda data: data + b"9.25\n")
    sha = {f"logs/pass-{n}.csv": "0" * 64 for n in (1,)}
    found = check_evidence(bench, read=sha)
    assert [d.file for d in found.differences] == [LOG] and found.hashed == 1
    rows = RunSheet(read_bench(bench)).rows
    with pytest.raises(RunFileError, match=r"logs/pass-1\.csv: was altered after it was taken in"):
        refuse_altered(rows, bench, {"p1": "0" * 64})


def test_a_log_that_cannot_be_read_is_first_told_as_altered_if_it_was(bench):
    files = (LOG, "logs/pass-2.csv", "logs/gone.csv")
    error = RunFileError([Fault(file, "found 'x'", line=7) for file in files])
    assert explain_unreadable(error, bench).faults == error.faults
    edit(log(bench), lambda data: data + b"x\n")
    first, *rest = explain_unreadable(error, bench).faults
    assert first.file == LOG and first.message.startswith("was altered") and rest == [*error.faults]
    edit(bench / "journal.jsonl", lambda data: data[1:])
    assert explain_unreadable(error, bench) is error


def test_a_vanished_log_names_only_a_file_that_differs_in_capitals(bench):
    log(bench).unlink()
    (found,) = check_evidence(bench).differences
    assert found.message.endswith("and is not here") and found.run == "p1"
    assert str(found.fault).startswith(f"{LOG}: came with entry 1 (add by a tester, 2026-11-25)")


def test_a_damaged_journal_anchors_nothing(bench):
    anchor = anchor_of(bench)
    put_lines(bench, [lines_of(bench)[0], b"\0" * 50 + b"\n", lines_of(bench)[2]])
    found = check_evidence(bench, against=[anchor])
    assert (found.entries, found.anchored) == (0, 0)
    assert found.to_lines()[0].startswith("journal: 0 entries, none anchored")


def test_a_torn_last_line_is_left_out_and_the_next_act_mends_it(bench):
    whole = (bench / "journal.jsonl").read_bytes()
    with (bench / "journal.jsonl").open("ab") as stream:
        stream.write(b'{"n":3,"prev":"')
    found = check_evidence(bench)
    assert found.differences == () and "cut short (15 bytes)" in found.notes[0]
    done = retire(bench, ["p4"], by=WHY)
    assert "15 bytes" in done.recovered
    assert (bench / "journal.jsonl").read_bytes().startswith(whole)
    assert check_evidence(bench, depth="full").differences == ()


def test_alike_differences_are_folded_on_one_screen(bench):
    for number in range(6):
        edit(log(bench, number), lambda data: data + b"9.25\n")
    lines = check_evidence(bench).to_lines()
    assert len(lines) == 6 and "and 3 more" in lines[-1] and "6 altered: put back" in lines[1]


class TestActs:
    """Each act: a reason, a step, an entry; nothing else changes; taken back."""

    def test_an_old_bench_is_adopted_once(self, bench):
        (bench / "journal.jsonl").unlink()
        found = check_evidence(bench)
        assert (found.entries, found.anchored, found.logs, found.hashed) == (-1, 0, 0, 0)
        done = adopt(bench, by=By("x", "", ""))
        assert done.to_lines()[:2] == ["6 logs entered", "8 rows entered as they are"]
        assert check_evidence(bench, depth="full").differences == ()
        assert adopt(bench, by=WHY).said == ("nothing to adopt: all is in the journal",)
        row(bench, "(p1.*),52", r"\1,53")
        with pytest.raises(UsageError, match="needs a reason"):
            adopt(bench, by=By())
        adopt(bench, by=WHY)
        assert check_evidence(bench).differences == ()

    def test_an_altered_log_is_never_adopted(self, bench):
        edit(log(bench), lambda data: data + b"9.25\n")
        with pytest.raises(BenchError, match=r"logs/pass-1\.csv: is not what was taken in"):
            adopt(bench, by=WHY)

    def test_a_run_is_moved_and_moved_back(self, bench):
        before = (bench / "runs.csv").read_bytes()
        done = move_run(bench, "p1", by=WHY, product="birch-2")
        assert done.said == ("p1: product 'ash-1' -> 'birch-2'",)
        assert [r.product for r in RunSheet(read_bench(bench)).rows if r.run == "p1"] == ["birch-2"]
        assert Journal.read(bench).entries[done.entry].reason == "a test"
        undo(bench, done.entry, by=WHY)
        assert (bench / "runs.csv").read_bytes() == before
        assert check_evidence(bench, depth="full").differences == ()

    @pytest.mark.parametrize(
        ("more", "match"),
        [
            ({"run": "type"}, 'no run "type"; did you mean "typed"'),
            ({"product": "elm"}, 'no product "elm"'),
            ({"product": ""}, "name the right"),
            ({"product": "ash-1"}, "nothing would change"),
            ({"by": By()}, "needs a reason"),
        ],
    )
    def test_moving_refuses(self, bench, more, match):
        given = {"run": "p1", "product": "birch-2", "by": WHY, **more}
        before = (bench / "runs.csv").read_bytes(), (bench / "journal.jsonl").read_bytes()
        with pytest.raises((BenchError, UsageError), match=match):
            move_run(bench, given["run"], by=given["by"], product=given["product"])
        assert before == ((bench / "runs.csv").read_bytes(), (bench / "journal.jsonl").read_bytes())

    @pytest.mark.parametrize(("what", "old"), [("product", "ash-1"), ("title", "dell")])
    def test_a_renamed_id_is_followed_by_its_rows(self, bench, what, old):
        text = (bench / "bench.yaml").read_text()
        done = rename(bench, what, old, "new-id", by=WHY)
        assert (bench / "bench.yaml").read_text() == text.replace(f"{old}:", "new-id:")
        rows = RunSheet(read_bench(bench)).rows
        assert {getattr(r, what) for r in rows} >= {"new-id"} and old not in {
            getattr(r, what) for r in rows
        }
        assert check_evidence(bench, depth="full").differences == ()
        undo(bench, done.entry, by=WHY)
        assert (bench / "bench.yaml").read_text() == text

    def test_any_take_in_is_taken_back_not_the_last_only(self, bench, tmp_path):
        for name in ("x", "y"):
            (tmp_path / f"{name}.csv").write_text(f"ms\n{ord(name)}.5\n" + "16.5\n" * 40)
        fields = {"product": "ash-1", "title": "weir"}
        one = add_logs(bench, [tmp_path / "x.csv"], fields=fields, by=WHY)
        add_logs(bench, [tmp_path / "y.csv"], fields=fields, by=WHY)
        assert undo(bench, 3, by=WHY).runs == ("x",)
        assert not (bench / one.added[0].file).exists() and (bench / "logs" / "y.csv").exists()
        assert check_evidence(bench, depth="full").differences == ()
        with pytest.raises(BenchError, match="was taken back already"):
            undo(bench, 3, by=WHY)

    def test_what_was_changed_since_is_taken_back_first(self, bench):
        move_run(bench, "p1", by=WHY, product="birch-2")
        with pytest.raises(BenchError, match='run "p1" was changed since it was taken in'):
            undo(bench, 1, by=WHY)

    def test_benches_are_joined_and_parted(self, bench, tmp_path):
        other = make_bench(tmp_path / "second")
        text = (other / "bench.yaml").read_text()
        (other / "bench.yaml").write_text(
            text.replace("titles:", "  cedar: {name: Cedar, class: desk}\ntitles:")
        )
        move_run(other, "p4", by=WHY, product="cedar")
        same, new = log(other, 0), log(other, 4)
        edit(new, lambda data: data + b"9.25\n")
        with pytest.raises(BenchError, match=r"logs/pass-4\.csv: is not what was taken in there"):
            merge(bench, other, by=WHY)
        edit(new, lambda data: data[:-5])
        (other / "logs" / "late.csv").write_bytes(same.read_bytes() + b"9.25\n")
        with (other / "runs.csv").open("a") as sheet:
            sheet.write("p0b,cedar,dell,plain,logs/late.csv\np0,x\n".replace("p0,x\n", ""))
        done = merge(bench, other, by=WHY)
        assert done.runs == ("typed-bench", "lost-bench", "p0b") or "p0b" in done.runs
        assert "cedar" in read_bench(bench).products
        assert check_evidence(bench, depth="full").differences == ()
        entry = Journal.read(bench).entries[done.entry]
        assert entry.of_kind("bench")[0]["length"] == len(Journal.read(other).entries)
        undo(bench, done.entry, by=WHY)
        assert not (bench / "logs" / "late.csv").exists()
        assert check_evidence(bench, depth="full").differences == ()

    def test_benches_that_describe_a_product_otherwise_are_not_joined(self, bench, tmp_path):
        other = make_bench(tmp_path / "second")
        text = (other / "bench.yaml").read_text()
        (other / "bench.yaml").write_text(text.replace("name: Ash 1", "name: Ash One"))
        with pytest.raises(BenchError, match=r"products\.ash-1: is described otherwise"):
            merge(bench, other, by=WHY)
        with pytest.raises(UsageError, match="not merged into itself"):
            merge(bench, bench.parent / "." / bench.name, by=WHY)


PRICES = "product;price;currency;kind;date;source\r\nash-1;499,00;EUR;street;2026-11-20;a shop\r\n"


class TestSpreadsheet:
    """Out to a spreadsheet and back: what an analyst changes there, and nothing else."""

    @pytest.fixture
    def out(self, bench, tmp_path):
        (bench / "prices.csv").write_text(PRICES, newline="")
        export_bench(bench, tmp_path / "out.xlsx")
        return tmp_path / "out.xlsx"

    def edited(self, out, sheet, cells):
        """Change cells as a spreadsheet program would, and save."""
        book = openpyxl.load_workbook(out)
        for place, value in cells.items():
            book[sheet][place] = value
        book.save(out)

    def test_days_and_figures_are_real_ones_and_nothing_is_lost(self, bench, out):
        book = openpyxl.load_workbook(out)
        assert book["prices"]["E2"].value == dt.datetime(2026, 11, 20)
        head = [cell.value for cell in book["runs"][1]]
        second = {name: cell.value for name, cell in zip(head, book["runs"][2], strict=True)}
        assert second["began"] == dt.datetime(2026, 11, 24) and second["driver"] == "52"
        typed = [row[head.index("value")].value for row in book["runs"].iter_rows(min_row=2)]
        assert 31.5 in typed
        held = (bench / "runs.csv").read_bytes(), (bench / "journal.jsonl").read_bytes()
        with pytest.raises(BenchError, match=r"^bench\.yaml: is no spreadsheet"):
            import_bench(bench, bench / "bench.yaml", by=WHY)
        done = import_bench(bench, out, by=WHY)
        assert done.to_lines() == ["nothing is changed there"]
        assert held == ((bench / "runs.csv").read_bytes(), (bench / "journal.jsonl").read_bytes())

    def test_what_is_changed_there_is_an_act_and_is_taken_back(self, bench, out):
        sheet, prices = (bench / "runs.csv").read_bytes(), (bench / "prices.csv").read_bytes()
        began = next(c.coordinate for c in openpyxl.load_workbook(out)["runs"][2]
                     if isinstance(c.value, dt.datetime))  # fmt: skip
        self.edited(out, "runs", {began: dt.datetime(2026, 11, 23, 9, 30)})
        self.edited(out, "prices", {"B2": 479.5, "A3": "birch-2", "B3": 399, "C3": "EUR",
                                    "D3": "used", "E3": dt.datetime(2026, 11, 22), "F3": "b"})  # fmt: skip
        done = import_bench(bench, out, by=WHY)
        assert done.runs == ("p0",) and "2026-11-23T09:30:00" in done.said[0]
        found = read_prices(read_bench(bench))
        assert [(p.price, p.date.day) for p in found] == [(479.5, 20), (399.0, 22)]
        assert (bench / "prices.csv").read_bytes().count(b"\r\n") == 3  # written as it was found
        assert check_evidence(bench, depth="full").differences == ()
        undo(bench, done.entry, by=WHY)
        assert (bench / "runs.csv").read_bytes() == sheet
        assert (bench / "prices.csv").read_bytes() == prices
        assert check_evidence(bench, depth="full").differences == ()

    def test_what_the_bench_changed_since_is_never_undone(self, bench, out):
        move_run(bench, "p1", by=WHY, product="birch-2")
        (bench / "prices.csv").write_text(PRICES.replace("499", "489"), newline="")
        assert import_bench(bench, out, by=WHY).entry == -1
        self.edited(out, "runs", {"A3": "p1", "B3": "ash-1", "C3": "weir"})
        with pytest.raises(BenchError, match='line 3: run "p1" was changed here and in the bench'):
            import_bench(bench, out, by=WHY)
        self.edited(out, "prices", {"B2": 1})
        self.edited(out, "runs", {"C3": "dell"})
        with pytest.raises(BenchError, match="prices: was changed here and in the bench since"):
            import_bench(bench, out, by=WHY)

    def test_a_row_may_be_new_but_a_log_comes_by_add(self, bench, out):
        book = openpyxl.load_workbook(out)
        head = [cell.value for cell in book["runs"][1]]
        new = {"run": "n", "product": "ash-1", "title": "sorting", "value": 33, "status": "ran"}
        book["runs"].append([new.get(name) for name in head])
        book["runs"].append(
            [{**new, "run": "m", "title": "dell", "value": None, "log": "logs/x.csv",
              "layout": "plain"}.get(name) for name in head]
        )  # fmt: skip
        book.save(out)
        with pytest.raises(BenchError, match=r"logs/x\.csv.* is no log of the bench"):
            import_bench(bench, out, by=WHY)
        book["runs"].delete_rows(book["runs"].max_row)
        book.save(out)
        assert import_bench(bench, out, by=WHY).runs == ("n",)
        assert check_evidence(bench, depth="full").differences == ()

    def test_what_a_spreadsheet_cannot_hold_is_refused_by_name(self, bench, tmp_path):
        row(bench, "(p1.*),52", rf"\1,{'x' * 40_000}")
        with pytest.raises(UsageError, match=r"driver .xxx.* cannot be kept in a spreadsheet"):
            export_bench(bench, tmp_path / "out.xlsx")
        assert not (tmp_path / "out.xlsx").exists()


def digest(text):
    """Return what the journal's chain is made of: the standard's SHA-256 of a text, by hashlib."""
    return hashlib.sha256(text.encode()).hexdigest()


def test_an_excerpt_tells_what_was_wanted_and_follows_line_by_line(bench):
    journal = Journal.read(bench)
    last = [item["file"] for e in journal.entries for item in e.items if item["kind"] == "log"][-1]
    data = journal.excerpt(wanted=lambda item: item.get("file") == last)
    told = read_excerpt(data, file="journal")
    lines = [json.loads(line) for line in data.splitlines()]
    hidden = [line for line in lines if set(line) == {"n", "body"}]
    assert told.length == len(lines) == len(journal.entries) and hidden
    assert told.shown == len(lines) - len(hidden) == 1
    (number,) = (line["n"] for line in lines if "items" in line)
    sha256 = hashlib.sha256((bench / last).read_bytes()).hexdigest()
    assert dict(told.logs) == {last: (sha256, number)}
    # By hand: each head is the digest of the one before and of the line's body.
    head = GENESIS
    for entry, line in zip(journal.entries, lines, strict=True):
        full = entry.to_dict()
        head = digest(head + line["body"]) if "body" in line else full["hash"]
        assert head == full["hash"]
    assert told.head == head


@pytest.mark.parametrize("place", [0, -1])
def test_an_excerpt_that_does_not_follow_is_refused_with_its_line(bench, place):
    journal = Journal.read(bench)
    for wanted in (lambda item: True, lambda item: False):
        lines = journal.excerpt(wanted=wanted).splitlines(keepends=True)
        record = json.loads(lines[place])
        key = "body" if "body" in record else "reason"
        lines[place] = json.dumps(record | {key: "0" * 64}).encode() + b"\n"
        if "body" in record:  # of lines that tell nothing, the head alone tells
            assert read_excerpt(b"".join(lines), file="journal").head != journal.entries[-1].hash
            continue
        with pytest.raises(BenchError, match=f"line {(place % len(lines)) + 1}.*does not follow"):
            read_excerpt(b"".join(lines), file="journal")
    with pytest.raises(BenchError, match="the last line is cut short"):
        read_excerpt(journal.excerpt(wanted=lambda item: True)[:-1], file="journal")


def test_an_anchor_is_noted_once_and_a_bench_that_cannot_take_it_is_left(tmp_path):
    first = Anchor("spring", "a" * 64, "b" * 64, 3)
    second = Anchor("autumn", "c" * 64, "d" * 64, 5)
    assert Anchor.read_all(tmp_path) == ()
    assert [a.note(tmp_path) for a in (first, second, first)] == [True, True, True]
    assert Anchor.read_all(tmp_path) == (first, second)
    lines = (tmp_path / ANCHORS).read_bytes().split(b"\n")
    assert len(lines) == 3 and lines[-1] == b"" and json.loads(lines[0])["length"] == 3
    assert not first.note(tmp_path / "nowhere")
    (tmp_path / ANCHORS).write_bytes(lines[0] + b"\n{}\n")
    with pytest.raises(BenchError, match=r"line 2: .*has not exactly the keys review, identity"):
        Anchor.read_all(tmp_path)
    assert not second.note(tmp_path)
