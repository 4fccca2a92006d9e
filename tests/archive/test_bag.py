"""Bags as written, seen with foreign eyes: bagit.py, sha256sum, unzip."""

from __future__ import annotations

import errno
import hashlib
import os
import re
import shutil
import signal
import subprocess
import sys
import time
import unicodedata
import zipfile
from pathlib import Path

import pytest
from bagmaker import DATE, PAYLOAD, bytes_of, make_bag

from kit.archive.bag import Item, _folded, find_twins, name_fault, write_bag, zip_bag
from kit.errors import SealError


def run(*command: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command, cwd=cwd, capture_output=True, text=True, timeout=60)


def test_bagit_library_accepts_the_bag(tmp_path):
    bag = make_bag(tmp_path / "bag")
    # The reference implementation of RFC 8493 (Library of Congress), in full mode.
    done = run(sys.executable, "-m", "bagit", "--validate", str(bag), cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    (bag / "data/report.html").write_bytes(b"x")
    done = run(sys.executable, "-m", "bagit", "--validate", str(bag), cwd=tmp_path)
    assert done.returncode != 0


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="no sha256sum here")
def test_sha256sum_alone_checks_every_byte(tmp_path):
    bag = make_bag(tmp_path / "bag")
    check = ("sha256sum", "--strict", "-c", "manifest-sha256.txt", "tagmanifest-sha256.txt")
    done = run(*check, cwd=bag)
    assert done.returncode == 0, done.stderr
    assert done.stdout.count(": OK") == len(PAYLOAD) + 4
    (bag / "bag-info.txt").write_bytes(b"x")
    assert run(*check, cwd=bag).returncode == 1


def test_manifest_has_two_spaces_and_sorted_paths(tmp_path):
    bag = make_bag(tmp_path / "bag")
    lines = (bag / "manifest-sha256.txt").read_text(encoding="utf-8").splitlines()
    paths = [line[66:] for line in lines]
    assert all(line[64:66] == "  " for line in lines)
    assert paths == sorted(paths, key=str.encode)
    assert lines[paths.index("data/empty.txt")][:64] == hashlib.sha256(b"").hexdigest()


def test_bag_info_is_fixed(tmp_path):
    bag = make_bag(tmp_path / "bag", info=[("External-Description", "two\nlines")])
    assert (bag / "bag-info.txt").read_text() == (
        "Bagging-Date: 2026-04-01\nPayload-Oxum: 47.4\nExternal-Description: two lines\n"
    )


def test_same_input_same_bytes_from_two_folders(tmp_path):
    source = tmp_path / "log.csv"
    source.write_bytes(b"ms\n16.7\n")
    first = write_bag([Item("data/log.csv", source)], to=tmp_path / "one" / "bag", date=DATE)
    os.utime(source, (1, 1))
    second = write_bag([Item("data/log.csv", source)], to=tmp_path / "two" / "bag", date=DATE)
    assert bytes_of(first) == bytes_of(second)
    zips = [zip_bag(bag, bag.parent / "bag.zip").read_bytes() for bag in (first, second)]
    assert zips[0] == zips[1]


def test_a_changed_log_is_refused_and_nothing_left(tmp_path):
    source = tmp_path / "log.csv"
    source.write_bytes(b"ms\n16.7\n")
    item = Item("data/log.csv", source, sha256=hashlib.sha256(b"ms\n16.8\n").hexdigest())
    with pytest.raises(SealError, match="not what it was when the review was made"):
        write_bag([item], to=tmp_path / "out" / "bag", date=DATE)
    assert list((tmp_path / "out").iterdir()) == []


def test_a_bag_is_never_written_over(tmp_path):
    bag = make_bag(tmp_path / "bag")
    before = bytes_of(bag)
    with pytest.raises(SealError, match="never written over"):
        make_bag(bag)
    packed = zip_bag(bag, tmp_path / "bag.zip")
    with pytest.raises(SealError, match="never written over"):
        zip_bag(bag, packed)
    assert bytes_of(bag) == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["bag", "bag.zip"]


def test_a_folder_that_appears_meanwhile_is_not_written_over(tmp_path):
    def put_something_there(_tag_manifest: bytes) -> dict[str, bytes]:
        (tmp_path / "bag").mkdir()
        (tmp_path / "bag" / "mine.txt").write_text("mine")
        return {}

    with pytest.raises(SealError, match="never written over"):
        make_bag(tmp_path / "bag", sign=put_something_there)
    assert bytes_of(tmp_path / "bag") == {"mine.txt": b"mine"}
    assert [p.name for p in tmp_path.iterdir()] == ["bag"]


def writes_of_one_bag(folder: Path) -> int:
    """Count the flushes one bag takes: the points at which it can be interrupted."""
    calls = 0
    real = os.fsync

    def count(handle: int) -> None:
        nonlocal calls
        calls += 1
        real(handle)

    os.fsync = count
    try:
        make_bag(folder / "counted" / "bag")
    finally:
        os.fsync = real
    return calls


def test_killed_at_any_write_it_leaves_nothing_or_a_whole_bag(tmp_path):
    whole = bytes_of(make_bag(tmp_path / "whole"))
    points = writes_of_one_bag(tmp_path)
    assert points > len(PAYLOAD) + 4
    outcomes = []
    for point in range(points):
        folder = tmp_path / f"at-{point}"
        child = os.fork()
        if child == 0:  # pragma: no cover - another process
            left = iter(range(point))
            real = os.fsync

            def kill(handle: int, left=left, real=real) -> None:
                if next(left, None) is None:
                    os.kill(os.getpid(), signal.SIGKILL)
                real(handle)

            os.fsync = kill
            try:
                make_bag(folder / "bag")
            finally:
                os._exit(3)
        _, status = os.waitpid(child, 0)
        assert os.WTERMSIG(status) == signal.SIGKILL
        there = (folder / "bag").exists()
        outcomes.append(there)
        assert not there or bytes_of(folder / "bag") == whole
    # The very last flush, of the folder above, comes after the rename.
    assert outcomes == [False] * (points - 1) + [True]


@pytest.mark.parametrize("error", [KeyboardInterrupt(), OSError(errno.ENOSPC, "no room")])
def test_interrupted_it_cleans_up(tmp_path, monkeypatch, error):
    calls = iter(range(3))
    real = os.fsync

    def stop(handle: int) -> None:
        if next(calls, None) is None:
            raise error
        real(handle)

    monkeypatch.setattr(os, "fsync", stop)
    expected = SealError if isinstance(error, OSError) else KeyboardInterrupt
    with pytest.raises(expected):
        make_bag(tmp_path / "out" / "bag")
    assert list((tmp_path / "out").iterdir()) == []


def test_full_disk_is_said_in_words(tmp_path, monkeypatch):
    def full(_handle: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    bag = make_bag(tmp_path / "bag")
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(SealError, match="the disk is full; nothing was written"):
        make_bag(tmp_path / "other")
    with pytest.raises(SealError, match="the disk is full; nothing was written"):
        zip_bag(bag, tmp_path / "bag.zip")
    assert [p.name for p in tmp_path.iterdir()] == ["bag"]


# RFC 8493, section 2.1.3 and 5.2.2; names of devices: Win32 documentation, "Naming Files".
@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("", "empty"),
        ("/etc/passwd", "absolute"),
        ("\\\\server\\share", "absolute"),
        ("C:/x", "drive"),
        ("c:x", "drive"),
        ("data/../x", r'a part is "\.\."'),
        ("data/./x", r'a part is "\."'),
        ("data//x", 'a part is ""'),
        ("data/x/", 'a part is ""'),
        ("data\\..\\x", "backslash"),
        ("~root/x", "starts with"),
        ("data/CON", "device"),
        ("data/nul.csv", "device"),
        ("data/Lpt1.tar.gz", "device"),
        ("data/com\u00b9.txt", "device"),
        ("data/aux .csv", "device"),
        ("data/a\0b", "control character U\\+0000"),
        ("data/a\nb", "control character U\\+000A"),
        ("data/a\u202ebad", "control character U\\+202E"),
        ("data/a\u2028b", "control character U\\+2028"),
        ("data/a ", "space"),
        ("data/a.", "dot"),
        ("data/a:stream", "cannot store"),
        ("data/a%0Ab", "cannot store"),
        ("data/what?", "cannot store"),
        ("data/\udcff", "UTF-8"),
        ("d/" * 30 + "x", "folders deep"),
        ("d" * 1000, "at most 900"),
    ],
)
def test_names_that_cannot_stand_in_a_bag(tmp_path, name, why):
    fault = name_fault(name)
    assert fault is not None
    assert re.search(why, fault)
    if name.startswith("data/"):
        with pytest.raises(SealError, match="cannot stand in an archive"):
            write_bag([Item(name, b"x")], to=tmp_path / "bag", date=DATE)
        assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "name", ["data/a.csv", "data/console.csv", "data/\u7af9/log 1.csv", "data/-x", "data/a~b"]
)
def test_ordinary_names_pass(name):
    assert name_fault(name) is None


# The Unicode Standard, D145, canonical caseless matching; folding as in CaseFolding.txt.
@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("data/A", "data/a"),
        ("data/\u00e9", "data/e\u0301"),
        ("data/stra\u00dfe", "data/STRASSE"),
        ("data/\u03c2", "data/\u03c3"),
        ("data/Logs/a", "data/logs/b"),
    ],
)
def test_twins_are_found(tmp_path, first, second):
    assert find_twins([first, second])
    with pytest.raises(SealError, match="one name on some systems"):
        write_bag([Item(first, b"1"), Item(second, b"2")], to=tmp_path / "bag", date=DATE)


def test_different_names_are_no_twins():
    assert find_twins(["data/a", "data/b", "data/a.csv", "data/c/a"]) == []
    assert _folded("data/a") != _folded("data/\u0430")  # Latin and Cyrillic a stay apart


def test_zip_holds_one_folder_and_other_tools_read_it(tmp_path):
    bag = make_bag(tmp_path / "bag")
    packed = zip_bag(bag, tmp_path / "bag.zip")
    with zipfile.ZipFile(packed) as archive:
        assert archive.testzip() is None
        entries = archive.infolist()
    assert [e.filename for e in entries] == sorted(f"bag/{p}" for p in bytes_of(bag))
    assert {
        (e.date_time, e.create_system, e.compress_type, e.external_attr >> 16) for e in entries
    } == {((1980, 1, 1, 0, 0, 0), 3, zipfile.ZIP_STORED, 0o100644)}
    if shutil.which("unzip"):
        assert run("unzip", "-q", str(packed), "-d", "there", cwd=tmp_path).returncode == 0
        assert bytes_of(tmp_path / "there" / "bag") == bytes_of(bag)


def test_a_pipe_in_place_of_a_log_does_not_hang(tmp_path):
    os.mkfifo(tmp_path / "log.csv")
    opener = os.open(tmp_path / "log.csv", os.O_RDWR)  # so that opening it to read returns
    began = time.monotonic()
    try:
        with pytest.raises(SealError, match="not a regular file"):
            write_bag([Item("data/log.csv", tmp_path / "log.csv")], to=tmp_path / "b", date=DATE)
    finally:
        os.close(opener)
    assert time.monotonic() - began < 5


def test_a_missing_source_is_named_without_its_folder(tmp_path):
    item = Item("data/log.csv", tmp_path / "gone.csv")
    with pytest.raises(SealError, match=r"bag: cannot be written: .*\(gone.csv\)") as caught:
        write_bag([item], to=tmp_path / "bag", date=DATE)
    assert str(tmp_path) not in str(caught.value)


def test_no_mark_that_turns_the_direction_of_text_stands_in_a_name():
    """Unicode's bidirectional controls (UAX 9, table 4): embeddings, isolates and three marks.

    Their classes are those of the interpreter's own copy of the Unicode data.
    """
    turning = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}
    marks = {"LEFT-TO-RIGHT MARK", "RIGHT-TO-LEFT MARK", "ARABIC LETTER MARK"}
    found = 0
    for code in (*range(0x600, 0x700), *range(0x2010 - 16, 0x2070)):
        character = chr(code)
        refused = name_fault(f"data/a{character}b") is not None
        expected = (
            unicodedata.bidirectional(character) in turning
            or unicodedata.name(character, "") in marks
            or unicodedata.category(character) in {"Zl", "Zp"}
        )
        assert refused == expected, f"U+{code:04X}"
        found += expected
    assert found == 14
