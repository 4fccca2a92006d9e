"""Zips that mean harm: refused with a message, in bounded time and memory, nothing outside."""

from __future__ import annotations

import io
import resource
import stat
import struct
import time
import zipfile
import zlib
from pathlib import Path

import pytest
from bagmaker import bytes_of, make_bag

from kit.archive.bag import zip_bag
from kit.archive.unbag import check_bytes, check_listing, open_bag, read_listing
from kit.archive.unpack import MAX_FILES, unpack_zip
from kit.errors import HostileBagError, SealError


def refusal(path: Path, into: Path) -> str:
    """Unpack, expect a refusal, check that nothing was written, and return the message."""
    beside = sorted(path.parent.rglob("*"))
    began = time.monotonic()
    with pytest.raises(HostileBagError) as caught:
        unpack_zip(path, into)
    assert time.monotonic() - began < 10
    assert sorted(path.parent.rglob("*")) == beside
    assert all(f.stage == "structure" and f.expected and f.found for f in caught.value.findings)
    return str(caught.value)


def zip_of(path: Path, entries: list[tuple[str | zipfile.ZipInfo, bytes]]) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for entry, data in entries:
            archive.writestr(entry, data)
    return path


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("../out.txt", 'a part is ".."'),
        ("bag/../../out.txt", 'a part is ".."'),
        ("/tmp/out.txt", "absolute"),
        ("C:\\out.txt", "drive letter"),
        ("bag/a\\..\\..\\out.txt", "backslash"),
        ("bag/nul", "device"),
        ("bag/data/a\x1b[31m", "control character"),
        ("bag/data/a\u202etxt.exe", "control character"),
        ("bag/" + "d/" * 40 + "x", "folders deep"),
    ],
)
def test_names_that_lead_out_or_mislead(tmp_path, name, why):
    (tmp_path / "into").mkdir()
    path = zip_of(tmp_path / "b.zip", [("bag/bagit.txt", b"x"), (name, b"x")])
    message = refusal(path, tmp_path / "into")
    assert why in message
    assert "\x1b" not in message
    assert not (tmp_path / "out.txt").exists()


def test_a_nul_in_a_name_is_not_cut_off(tmp_path):
    path = zip_of(tmp_path / "b.zip", [("bag/dataX..X..Xout", b"x")])
    raw = path.read_bytes().replace(b"bag/dataX..X..Xout", b"bag/data\0../../out")
    path.write_bytes(raw)
    (tmp_path / "into").mkdir()
    assert "control character U+0000" in refusal(path, tmp_path / "into")


@pytest.mark.parametrize(
    ("kind", "word"),
    [(stat.S_IFLNK, "a link"), (stat.S_IFIFO, "a pipe"), (stat.S_IFCHR, "a device")],
)
def test_links_and_devices(tmp_path, kind, word):
    entry = zipfile.ZipInfo("bag/data/log.csv")
    entry.create_system = 3
    entry.external_attr = (kind | 0o777) << 16
    path = zip_of(tmp_path / "b.zip", [("bag/bagit.txt", b"x"), (entry, b"/etc/passwd")])
    (tmp_path / "into").mkdir()
    assert f"bag/data/log.csv: expected a regular file; found {word}" in refusal(
        path, tmp_path / "into"
    )


def test_a_bomb_of_zeros(tmp_path):
    path = zip_of(tmp_path / "b.zip", [("bag/data/log.csv", bytes(64 << 20))])
    assert path.stat().st_size < 100_000
    (tmp_path / "into").mkdir()
    assert "67108864 bytes when unpacked" in refusal(path, tmp_path / "into")


def overlapping_bomb(entries: int, size: int) -> bytes:
    """Return a zip whose entries all point at one packed stream, so that each looks harmless.

    The idea is D. Fifield, "A better zip bomb", USENIX WOOT 2019; built here from APPNOTE.TXT.
    """
    packer = zlib.compressobj(1, zlib.DEFLATED, -15)
    data = bytes(range(256)) * (size // 256)
    packed = packer.compress(data) + packer.flush()
    crc = zlib.crc32(data)
    body = struct.pack("<4s5H3L2H", b"PK\3\4", 20, 0, 8, 0, 0, crc, len(packed), size, 5, 0)
    body += b"bag/a" + packed
    listing = b""
    for number in range(entries):
        name = f"bag/{number}".encode()
        listing += (
            struct.pack(
                "<4s6H3L5H2L",
                b"PK\1\2",
                20,
                20,
                0,
                8,
                0,
                0,
                crc,
                len(packed),
                size,
                len(name),
                0,
                0,
                0,
                0,
                0,
                0,
            )
            + name
        )
    end = struct.pack("<4s4H2LH", b"PK\5\6", 0, 0, entries, entries, len(listing), len(body), 0)
    return body + listing + end


def test_a_bomb_of_entries_that_share_their_bytes(tmp_path):
    path = tmp_path / "b.zip"
    path.write_bytes(overlapping_bomb(20_000, 1 << 20))
    assert path.stat().st_size < 3 << 20
    (tmp_path / "into").mkdir()
    assert "when unpacked" in refusal(path, tmp_path / "into")


def test_an_entry_that_states_less_than_it_holds(tmp_path):
    path = zip_of(tmp_path / "b.zip", [("bag/data/log.csv", bytes(64 << 20))])
    raw = path.read_bytes().replace(struct.pack("<L", 64 << 20), struct.pack("<L", 100))
    path.write_bytes(raw)
    (tmp_path / "into").mkdir()
    with pytest.raises(SealError, match="not a zip that can be read"):
        unpack_zip(path, tmp_path / "into")
    assert sum(p.stat().st_size for p in tmp_path.rglob("*.csv")) <= 100


def million_entries() -> bytes:
    """Return a zip with a list of 1,000,000 entries (64-bit end record, as APPNOTE asks)."""
    listing = b"".join(
        struct.pack("<4s6H3L5H2L", b"PK\1\2", 20, 20, 0, 0, 0, 0, 0, 0, 0, 12, 0, 0, 0, 0, 0, 0)
        + b"bag/%08d" % number
        for number in range(1_000_000)
    )
    end64 = struct.pack(
        "<4sQ2H2L4Q", b"PK\6\6", 44, 45, 45, 0, 0, 1_000_000, 1_000_000, len(listing), 0
    )
    locator = struct.pack("<4sLQL", b"PK\6\7", 0, len(listing), 1)
    end = struct.pack("<4s4H2LH", b"PK\5\6", 0, 0, 0xFFFF, 0xFFFF, 0xFFFFFFFF, 0xFFFFFFFF, 0)
    return listing + end64 + locator + end


def test_a_million_entries(tmp_path):
    path = tmp_path / "b.zip"
    path.write_bytes(million_entries())
    assert zipfile.is_zipfile(path)  # others would read it
    (tmp_path / "into").mkdir()
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    began = time.monotonic()
    assert f"at most {MAX_FILES} files" in refusal(path, tmp_path / "into")
    assert time.monotonic() - began < 1
    grown_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    assert grown_kb < 50_000


def test_a_million_folders_in_few_entries(tmp_path):
    names = ["bag/" + "/".join(f"{i:x}{d}" for d in range(20)) for i in range(4_000)]
    path = zip_of(tmp_path / "b.zip", [(name, b"") for name in names])
    (tmp_path / "into").mkdir()
    assert f"at most {MAX_FILES} files and folders" in refusal(path, tmp_path / "into")


def test_more_entries_than_the_end_record_says(tmp_path):
    path = zip_of(tmp_path / "b.zip", [(f"bag/{n}", b"") for n in range(MAX_FILES + 5)])
    raw = bytearray(path.read_bytes())
    raw[-14:-10] = struct.pack("<HH", 3, 3)
    path.write_bytes(raw)
    (tmp_path / "into").mkdir()
    assert "at most" in refusal(path, tmp_path / "into")


@pytest.mark.parametrize(
    ("entries", "why"),
    [
        ([("one/bagit.txt", b""), ("two/x", b"")], "one, two"),
        ([("bagit.txt", b"")], "bagit.txt"),
        ([], "nothing"),
    ],
)
def test_not_one_folder_at_the_top(tmp_path, entries, why):
    path = zip_of(tmp_path / "b.zip", entries)
    (tmp_path / "into").mkdir()
    assert f"one folder at the top of the zip; found {why}" in refusal(path, tmp_path / "into")


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_one_name_twice(tmp_path):
    path = zip_of(tmp_path / "b.zip", [("bag/a", b"1"), ("bag/a", b"2")])
    (tmp_path / "into").mkdir()
    assert "bag/a: expected each name once" in refusal(path, tmp_path / "into")


def test_other_compressions_and_encryption(tmp_path):
    path = tmp_path / "b.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_BZIP2) as archive:
        archive.writestr("bag/a", b"x")
    (tmp_path / "into").mkdir()
    assert "stored or deflated" in refusal(path, tmp_path / "into")
    locked = zip_of(tmp_path / "c.zip", [("bag/a", b"x")])
    raw = bytearray(locked.read_bytes())
    raw[raw.index(b"PK\1\2") + 8] |= 1
    locked.write_bytes(raw)
    assert "encrypted" in refusal(locked, tmp_path / "into")


@pytest.mark.parametrize("data", [b"", b"PK", b"not a zip at all, only text", b"\0" * 4096])
def test_no_zip(tmp_path, data):
    path = tmp_path / "b.zip"
    path.write_bytes(data)
    with pytest.raises(SealError, match=r"b\.zip: neither a folder nor a zip"):
        unpack_zip(path, tmp_path)


def test_a_comment_could_hide_another_end(tmp_path):
    path = zip_of(tmp_path / "b.zip", [("bag/a", b"x")])
    with zipfile.ZipFile(path, "a") as archive:
        archive.comment = b"hello"
    with pytest.raises(SealError, match="without a comment"):
        unpack_zip(path, tmp_path)


def test_every_truncation_is_refused(tmp_path):
    whole = zip_bag(make_bag(tmp_path / "bag"), tmp_path / "bag.zip").read_bytes()
    path = tmp_path / "cut.zip"
    for end in range(0, len(whole) - 1, 37):
        path.write_bytes(whole[:end])
        with pytest.raises(SealError):
            unpack_zip(path, tmp_path / "into")


def test_a_flipped_bit_is_refused_found_or_without_effect(tmp_path):
    bag = make_bag(tmp_path / "in" / "bag")
    whole = zip_bag(bag, tmp_path / "in" / "bag.zip").read_bytes()
    same = bytes_of(bag)
    path = tmp_path / "flipped.zip"
    refused = 0
    for place in range(0, len(whole), 3):
        flipped = bytearray(whole)
        flipped[place] ^= 1 << (place % 8)
        path.write_bytes(flipped)
        try:
            with open_bag(path) as opened:
                listing = read_listing(opened)
                found = [
                    *listing.findings,
                    *check_bytes(opened, listing),
                    *check_listing(opened, listing),
                ]
                assert found or bytes_of(opened.folder) == same, place
        except SealError:
            refused += 1
    assert refused > len(whole) / 3 / 2
    assert sorted(p.name for p in tmp_path.iterdir()) == ["flipped.zip", "in"]


def test_a_whole_zip_opens_and_is_removed_afterwards(tmp_path):
    bag = make_bag(tmp_path / "bag")
    packed = zip_bag(bag, tmp_path / "bag.zip")
    with open_bag(packed) as opened:
        assert {path: opened.read(path) for path in opened.files} == bytes_of(bag)
        assert opened.name == "bag"
        folder = opened.folder
        assert folder.exists()
    assert not folder.exists()


def test_a_zip_packed_again_by_other_tools_opens(tmp_path):
    bag = make_bag(tmp_path / "bag")
    memory = io.BytesIO()
    with zipfile.ZipFile(memory, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.mkdir("bag")
        for path, data in bytes_of(bag).items():
            archive.writestr(f"bag/{path}", data)
    (tmp_path / "again.zip").write_bytes(memory.getvalue())
    with open_bag(tmp_path / "again.zip") as opened:
        assert set(opened.files) == set(bytes_of(bag))
