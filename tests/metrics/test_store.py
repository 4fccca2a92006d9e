"""Results kept by content: found again, never believed when damaged, gone when too many."""

from __future__ import annotations

import os
import subprocess
import sys
from multiprocessing import get_context
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.metrics.store import (
    SHARDS,
    Store,
    code_key,
    content_key,
)

KEY = content_key("a result")


@pytest.fixture
def store(tmp_path):
    return Store(tmp_path / "store")


def entry_file(store, key=KEY):
    return store.folder / key[:2] / key


def test_what_is_kept_is_found_again(store):
    assert store.load(KEY) is None
    store.keep(KEY, b"contents\nwith lines\n")
    assert store.load(KEY) == b"contents\nwith lines\n"
    store.keep(KEY, b"")
    assert store.load(KEY) == b""


def test_every_truncation_and_every_flipped_byte_is_seen(store):
    store.keep(KEY, b"0123456789")
    whole = entry_file(store).read_bytes()
    for size in range(len(whole)):
        entry_file(store).write_bytes(whole[:size])
        assert store.load(KEY) is None, size
    for place in range(len(whole)):
        flipped = bytearray(whole)
        flipped[place] ^= 1
        entry_file(store).write_bytes(bytes(flipped))
        assert store.load(KEY) is None, place
    entry_file(store).write_bytes(whole + b"x")
    assert store.load(KEY) is None


def test_an_entry_of_another_key_is_not_believed(store):
    store.keep(KEY, b"mine")
    other = content_key("another result")
    entry_file(store, other).parent.mkdir(exist_ok=True)
    entry_file(store, other).write_bytes(entry_file(store).read_bytes())
    assert store.load(other) is None


def test_a_damaged_entry_is_written_anew(store):
    store.keep(KEY, b"right")
    entry_file(store).write_bytes(b"wrong")
    store.keep(KEY, b"right")
    assert store.load(KEY) == b"right"


def test_a_folder_that_cannot_be_written_is_no_fault(tmp_path):
    (tmp_path / "file").write_text("not a folder")
    store = Store(tmp_path / "file")
    store.keep(KEY, b"lost")
    assert store.load(KEY) is None


def test_the_oldest_entries_go_when_a_shard_is_full(tmp_path):
    store = Store(tmp_path, limit_bytes=SHARDS * 1000)
    keys = ["ab" + f"{n:062x}" for n in range(1, 11)]
    for moment, key in enumerate(keys):
        store.keep(key, b"x" * 200)
        os.utime(entry_file(store, key), (moment, moment))
    store._trim("ab")
    left = [key for key in keys if store.load(key) is not None]
    assert left == keys[-3:]  # 285 bytes each with their heads: three are within 1000


def test_the_bound_is_looked_after_while_entries_are_kept(tmp_path):
    store = Store(tmp_path, limit_bytes=SHARDS * 1000)
    for number in range(20):
        store.keep("ab" + f"{number:062x}", b"x" * 200)  # "00" follows "ab"
    assert sum(p.stat().st_size for p in (tmp_path / "ab").iterdir()) <= 1000


def test_an_entry_changes_by_a_rename_or_not_at_all(store, monkeypatch):
    store.keep(KEY, b"before")

    def refuse(self, target):
        raise OSError("no rename")

    monkeypatch.setattr(Path, "replace", refuse)
    store.keep(KEY, b"after")
    assert store.load(KEY) == b"before"
    assert list(entry_file(store).parent.iterdir()) == [entry_file(store)]


def keep_many(folder: Path, number: int) -> None:
    """Keep the same keys as every other process, each with what belongs to it."""
    store = Store(folder)
    for turn in range(200):
        key = content_key(str(turn % 10))
        store.keep(key, str(turn % 10).encode() * 5000)
        found = store.load(key)
        if found != str(turn % 10).encode() * 5000:
            raise SystemExit(number)


def test_processes_that_keep_the_same_keys_never_see_half_an_entry(tmp_path):
    spawn = get_context("spawn")
    started = [spawn.Process(target=keep_many, args=(tmp_path, n)) for n in range(1, 4)]
    for process in started:
        process.start()
    for process in started:
        process.join(60)
    assert [process.exitcode for process in started] == [0, 0, 0]
    assert not [p for p in tmp_path.rglob("*") if p.is_file() and "." in p.name]


@given(st.lists(st.text()), st.lists(st.text()))
def test_parts_are_kept_apart(one, other):
    assert (content_key(*one) == content_key(*other)) == (one == other)


def test_the_key_of_code_follows_text_and_version(tmp_path, monkeypatch):
    before = code_key(("errors",), ("numpy",))
    assert code_key(("trace",), ("numpy",)) != before
    assert code_key(("errors",), ("scipy",)) != before
    code_key.cache_clear()
    (tmp_path / "errors.py").write_text("# another text")
    other = {"errors": tmp_path / "errors.py"}
    monkeypatch.setattr("kit.metrics.store.module_paths", lambda: other)
    assert code_key(("errors",), ("numpy",)) != before
    code_key.cache_clear()


@pytest.mark.parametrize(
    ("environ", "expected"),
    [
        ({}, "/home/me/.cache/marginbook"),
        ({"XDG_CACHE_HOME": "/big/cache"}, "/big/cache/marginbook"),
        # XDG Base Directory Specification 0.8: relative paths are to be ignored.
        ({"XDG_CACHE_HOME": "cache"}, "/home/me/.cache/marginbook"),
        ({"XDG_CACHE_HOME": "/big", "MARGINBOOK_CACHE": "/mine"}, "/mine"),
        ({"LOCALAPPDATA": "/local"}, "/local/marginbook/cache"),
    ],
)
def test_where_results_are_kept(environ, expected):
    assert Store.of_user(environ, Path("/home/me")).folder == Path(expected) / "store"


HEAVY = (
    "matplotlib", "seaborn", "papermill", "nbconvert", "nbformat", "IPython", "statsmodels",
    "arch", "distributed", "dask", "jsonschema", "rfc3987_syntax",
)  # fmt: skip


@pytest.mark.parametrize(
    ("arguments", "also_absent"),
    [
        (["--help"], ("numpy", "pandas", "scipy", "pyarrow", "pydantic")),
        (["run", "--help"], ("numpy", "pandas", "scipy", "pyarrow")),
        (["check", "no-such.yaml"], ("pandas", "scipy.stats")),
        (["trace", "no-such-folder", "a-claim"], ("numpy", "pandas", "scipy", "pyarrow")),
        (["verify", "no-such-bag"], ()),
        (["revise", "no-such-bag", "other-bag"], ()),
        (["schema", "claims"], ()),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_nothing_heavy_is_imported_before_it_is_needed(arguments, also_absent, tmp_path):
    program = (
        "import sys\n"
        "from kit.cli import app\n"
        "try:\n"
        f"    app({arguments!r}, standalone_mode=False)\n"
        "except BaseException as error:\n"
        "    assert type(error).__name__ in {'Exit', 'SystemExit'}, error\n"
        f"print([name for name in {(*HEAVY, *also_absent)!r} if name in sys.modules])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[-1] == "[]"
