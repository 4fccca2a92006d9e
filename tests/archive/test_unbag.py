"""Bags opened safely, and their own word for it checked."""

from __future__ import annotations

import io
import os
import re
import resource
import shutil
import socket
import stat
import struct
import subprocess
import sys
import time
import zipfile
import zlib
from pathlib import Path

import pytest
from bagmaker import bytes_of, make_bag
from typer.testing import CliRunner

from kit.archive import unbag
from kit.archive.bag import manifest_bytes, zip_bag
from kit.archive.unbag import MAX_FILES, _limits, _unpack_zip, open_bag, verify_with
from kit.cli import app
from kit.errors import HostileBagError, SealError


def findings(folder: Path) -> list[str]:
    with open_bag(folder) as bag:
        listing = bag.read_listing()
        found = [*listing.findings, *bag.check_bytes(listing), *bag.check_listing(listing)]
    return [str(finding) for finding in found]


def refusal(folder: Path) -> str:
    began = time.monotonic()
    with pytest.raises(HostileBagError) as caught, open_bag(folder):
        pass
    assert time.monotonic() - began < 10
    return str(caught.value)


def test_a_whole_bag_has_no_findings(tmp_path):
    assert findings(make_bag(tmp_path / "bag")) == []


def test_a_bag_by_the_reference_library_is_read(tmp_path):
    import bagit

    (tmp_path / "bag" / "logs").mkdir(parents=True)
    (tmp_path / "bag" / "logs" / "a.csv").write_bytes(b"ms\n16.7\n")
    bagit.make_bag(str(tmp_path / "bag"), {"Contact-Name": "Nobody"}, checksums=["sha256"])
    found = findings(tmp_path / "bag")
    # It writes BagIt 0.97, which this kit never made; all else is as RFC 8493 has it.
    assert len(found) == 1
    assert "bagit.txt: expected BagIt 1.0" in found[0]


# RFC 8493, section 2.2.2: the example of bag-info.txt, with a value that goes on in a second line.
RFC_BAG_INFO = """\
Source-Organization: FOO University
Organization-Address: 1 Main St., Cupertino, California, 11111
Contact-Name: Jane Doe
External-Description: Uncompressed greyscale TIFF images from the
     FOO papers colle...
Bagging-Date: 2008-01-15
Payload-Oxum: 279164409832.1198
"""


def test_bag_info_lines_that_go_on(tmp_path):
    bag = make_bag(tmp_path / "bag")
    (bag / "bag-info.txt").write_text(RFC_BAG_INFO)
    with open_bag(bag) as opened:
        info = opened.read_listing().info
    assert info["External-Description"] == (
        "Uncompressed greyscale TIFF images from the FOO papers colle...",
    )
    assert info["Payload-Oxum"] == ("279164409832.1198",)
    assert any("Payload-Oxum: expected 47.4, as counted" in f for f in findings(bag))


def change(bag: Path, path: str, data: bytes) -> None:
    (bag / path).parent.mkdir(parents=True, exist_ok=True)
    (bag / path).write_bytes(data)


DAMAGE = {
    "payload byte": (
        lambda b: change(b, "data/report.html", b"<!doctype html><title>s</title>\n"),
        "bytes: data/report.html: expected SHA-256 ",
    ),
    "payload cut": (lambda b: change(b, "data/report.html", b""), "bytes: data/report.html"),
    "tag byte": (lambda b: change(b, "datapackage.json", b"[]\n"), "bytes: datapackage.json"),
    "manifest byte": (
        lambda b: change(b, "manifest-sha256.txt", b""),
        "bytes: manifest-sha256.txt",
    ),
    "file added": (
        lambda b: change(b, "data/more.csv", b"x"),
        "completeness: data/more.csv: expected only files listed in manifest-sha256.txt",
    ),
    "tag file added": (lambda b: change(b, "notes.txt", b"x"), "completeness: notes.txt"),
    "other manifest": (
        lambda b: change(b, "manifest-md5.txt", b"x"),
        "completeness: manifest-md5.txt",
    ),
    "file removed": (
        lambda b: (b / "data/empty.txt").unlink(),
        "completeness: manifest-sha256.txt # data/empty.txt: expected a file that is here; "
        "found it is missing",
    ),
    "file renamed": (
        lambda b: (b / "data/empty.txt").rename(b / "data/none.txt"),
        "completeness: data/none.txt",
    ),
    "no bagit.txt": (lambda b: (b / "bagit.txt").unlink(), "structure: bagit.txt: expected this"),
    "no tag manifest": (
        lambda b: (b / "tagmanifest-sha256.txt").unlink(),
        "structure: tagmanifest-sha256.txt",
    ),
    "other version": (
        lambda b: change(b, "bagit.txt", b"BagIt-Version: 2.0\n"),
        "structure: bagit.txt: expected BagIt 1.0",
    ),
    "byte-order mark": (
        lambda b: change(b, "bagit.txt", "\ufeffBagIt-Version: 1.0\n".encode()),
        "structure: bagit.txt: expected BagIt 1.0",
    ),
    "fetch list": (
        lambda b: change(b, "fetch.txt", b"https://x.invalid/a 3 data/a\n"),
        "structure: fetch.txt",
    ),
    "not UTF-8": (
        lambda b: change(b, "manifest-sha256.txt", b"\xff\xfe"),
        "structure: manifest-sha256.txt: expected UTF-8 text; found byte 0",
    ),
    "letters in a hash": (
        lambda b: change(b, "manifest-sha256.txt", b"zz  data/report.html\n"),
        "structure: manifest-sha256.txt # line 1",
    ),
    "path twice": (
        lambda b: change(
            b, "manifest-sha256.txt", 2 * manifest_bytes({"data/empty.txt": "0" * 64})
        ),
        "structure: manifest-sha256.txt # line 2: expected a hash "
        "and a plain relative path; found the path stands twice",
    ),
    "path out": (
        lambda b: change(b, "manifest-sha256.txt", manifest_bytes({"data/../../x": "0" * 64})),
        "structure: manifest-sha256.txt # line 1",
    ),
    "coded path out": (
        lambda b: change(b, "manifest-sha256.txt", b"0" * 64 + b"  data/a%0Ab\n"),
        "control character U+000A",
    ),
    "tag in payload manifest": (
        lambda b: change(b, "manifest-sha256.txt", manifest_bytes({"bagit.txt": "0" * 64})),
        "expected a path below data/",
    ),
    "manifest not tagged": (
        lambda b: change(b, "tagmanifest-sha256.txt", b""),
        "structure: tagmanifest-sha256.txt: expected a line for manifest",
    ),
    "a long line": (
        lambda b: change(b, "bag-info.txt", b"y" * 81 + b"\n"),
        f"structure: bag-info.txt # line 1: expected label: value; found '{'y' * 80}'",
    ),
    "a long declaration": (
        lambda b: change(b, "bagit.txt", b"y" * 81),
        f"expected BagIt 1.0, tag files in UTF-8; found '{'y' * 80}'",
    ),
    "a long line of a manifest": (
        lambda b: change(b, "manifest-sha256.txt", b"y" * 161),
        f"found not a hash, spaces and a path: '{'y' * 160}'",
    ),
    "info without label": (
        lambda b: change(b, "bag-info.txt", b"hello\n"),
        "structure: bag-info.txt # line 1: expected label: value",
    ),
}


@pytest.mark.parametrize("kind", DAMAGE)
def test_damage_is_found_and_its_place_named(tmp_path, kind):
    damage, said = DAMAGE[kind]
    bag = make_bag(tmp_path / "bag")
    damage(bag)
    found = findings(bag)
    assert any(said in finding for finding in found), found


def test_all_faults_at_once(tmp_path):
    bag = make_bag(tmp_path / "bag")
    change(bag, "data/report.html", b"x")
    change(bag, "data/more.csv", b"x")
    (bag / "data/empty.txt").unlink()
    text = "\n".join(findings(bag))
    for place in ("bytes: data/report.html", "data/more.csv", "data/empty.txt", "Payload-Oxum"):
        assert place in text


def test_a_file_that_cannot_be_read_is_a_finding(tmp_path, monkeypatch):
    # File permissions do not bind a test run as root: the refusal is put in by hand.
    bag = make_bag(tmp_path / "bag")
    real = os.open

    def refuse(path: object, *rest: object) -> int:
        if str(path).endswith("report.html"):
            raise PermissionError(13, "Permission denied")
        return real(path, *rest)

    monkeypatch.setattr(os, "open", refuse)
    assert any("bytes: data/report.html" in f and "Permission denied" in f for f in findings(bag))


def test_links_are_refused_wherever_they_lead(tmp_path):
    bag = make_bag(tmp_path / "bag")
    (bag / "data/passwd").symlink_to("/etc/passwd")
    (bag / "data/self").symlink_to("report.html")
    (bag / "data/folder").symlink_to(tmp_path, target_is_directory=True)
    message = refusal(bag)
    for name in ("passwd", "self", "folder"):
        assert f"structure: data/{name}: expected a regular file; found a link" in message


def test_pipes_and_sockets_are_refused_without_opening_them(tmp_path):
    bag = make_bag(tmp_path / "bag")
    os.mkfifo(bag / "data/pipe.csv")
    server = socket.socket(socket.AF_UNIX)
    here = Path.cwd()
    os.chdir(bag)  # a socket's path must be short
    try:
        server.bind("sock")
    finally:
        os.chdir(here)
        server.close()
    message = refusal(bag)
    assert "data/pipe.csv: expected a regular file; found a pipe" in message
    assert "sock: expected a regular file; found a socket" in message


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("data/CON.csv", "device"),
        ("data/REPORT.html", "found also data/REPORT.html"),
        ("data/bench/logs/e\u0301tude.csv", "also data/bench/logs/e"),
        ("data/a\x07b", r"data/a\x07b"),
        ("data/a\\b", "backslash"),
        (b"data/\xff", "not UTF-8"),
    ],
)
def test_names_in_a_folder(tmp_path, name, why):
    bag = make_bag(tmp_path / "bag")
    (bag / os.fsdecode(name)).write_bytes(b"x")
    message = refusal(bag)
    assert why in message
    assert "\x07" not in message


def test_limits_of_a_folder_hold_to_the_last_one(tmp_path, monkeypatch):
    bag = make_bag(tmp_path / "bag")
    entries = len([*bag.rglob("*")])
    monkeypatch.setattr(unbag, "MAX_FILES", entries)
    with open_bag(bag):
        pass
    monkeypatch.setattr(unbag, "MAX_FILES", entries - 1)
    assert f"at most {entries - 1} files and folders; found more" in refusal(bag)


def test_huge_sparse_files(tmp_path):
    """No published source: 8 GiB a file, 64 GiB in all, 50,000 files are our own bounds."""
    assert (MAX_FILES, unbag.MAX_ZIP_LIST_BYTES) == (50_000, 20_000_000)
    folder = tmp_path / "bag"
    folder.mkdir()
    for number in range(8):
        with (folder / f"{number}").open("wb") as out:
            out.truncate(8_589_934_592)
    with open_bag(folder) as bag:
        assert sum(bag.files.values()) == 68_719_476_736
    (folder / "more").write_bytes(b"x")
    assert "at most 68719476736 bytes in all; found 68719476737" in refusal(folder)
    with (folder / "1").open("wb") as out:
        out.truncate(8_589_934_593)
    said = "structure: 1: expected at most 8589934592 bytes; found 8589934593 bytes"
    assert said in refusal(folder)


def test_the_first_twenty_faults_are_told(tmp_path):
    bag = make_bag(tmp_path / "bag")
    for number in range(21):
        (bag / f"{number}").symlink_to("/etc/passwd")
    assert refusal(bag).count("a link") == 20


def test_a_link_put_there_after_the_scan_is_not_followed(tmp_path):
    bag = make_bag(tmp_path / "bag")
    with open_bag(bag) as opened:
        (bag / "data/report.html").unlink()
        (bag / "data/report.html").symlink_to("/etc/passwd")
        with pytest.raises(SealError, match="cannot be read"):
            opened.read("data/report.html")


def test_no_bag(tmp_path):
    with pytest.raises(SealError, match="gone: no such bag"), open_bag(tmp_path / "gone"):
        pass


def test_text_larger_than_its_limit_is_not_read(tmp_path):
    with open_bag(make_bag(tmp_path / "bag")) as bag:
        assert bag.read("data/empty.txt", limit=0) == b""
        with pytest.raises(SealError, match="larger than the 31 bytes"):
            bag.read("data/report.html", limit=31)
        with pytest.raises(ValueError, match="not a file of the bag"):
            bag.read("../bag/bagit.txt")


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"[" * 100_000 + b"]" * 100_000, "nested deeper"),
        (b"[" + b"[]," * 2_000_000 + b"0]", "brackets and commas"),
        (b'{"a": ' + b"9" * 10_000 + b"}", "not JSON"),
        (b'{"a": ', "not JSON"),
        (b"\xff\xfe{}", "not JSON"),
    ],
)
def test_json_that_means_harm(tmp_path, data, why):
    bag = make_bag(tmp_path / "bag")
    (bag / "datapackage.json").write_bytes(data)
    with open_bag(bag) as opened, pytest.raises(SealError, match=f"datapackage.json: .*{why}"):
        opened.read_json("datapackage.json")


def test_a_json_of_as_many_parts_as_may_be_is_read(tmp_path, monkeypatch):
    assert unbag.MAX_JSON_PARTS == 4_000_000
    monkeypatch.setattr(unbag, "MAX_JSON_PARTS", 3)
    bag = make_bag(tmp_path / "bag")
    (bag / "three").write_bytes(b'[1, {"a": 2}]')
    (bag / "four").write_bytes(b'[1, {"a": 2}, 3]')
    with open_bag(bag) as opened:
        assert opened.read_json("three") == [1, {"a": 2}]
        with pytest.raises(SealError, match="more than 3 brackets and commas"):
            opened.read_json("four")


def test_reading_needs_only_the_standard_library(tmp_path):
    bag = make_bag(tmp_path / "bag")
    code = (
        "import sys; from pathlib import Path; from kit.archive.unbag import open_bag\n"
        f"with open_bag(Path({str(bag)!r})) as bag: assert not bag.read_listing().findings\n"
        "print(sorted(m for m in sys.modules if m in {'numpy', 'pandas', 'lxml', 'IPython'}))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=Path.cwd()
    )
    assert done.stdout.strip() == "[]", done.stderr


def test_reading_changes_nothing(tmp_path):
    bag = make_bag(tmp_path / "bag")
    before = {p: p.stat().st_mtime_ns for p in bag.rglob("*")}
    content = bytes_of(bag)
    findings(bag)
    assert {p: p.stat().st_mtime_ns for p in bag.rglob("*")} == before
    assert bytes_of(bag) == content


def zip_refusal(path: Path, into: Path) -> str:
    """Unpack, expect a refusal, check that nothing was written, and return the message."""
    beside = sorted(path.parent.rglob("*"))
    began = time.monotonic()
    with pytest.raises(HostileBagError) as caught:
        _unpack_zip(path, into)
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
    message = zip_refusal(path, tmp_path / "into")
    assert why in message
    assert "\x1b" not in message
    assert not (tmp_path / "out.txt").exists()


def test_a_nul_in_a_name_is_not_cut_off(tmp_path):
    path = zip_of(tmp_path / "b.zip", [("bag/dataX..X..Xout", b"x")])
    raw = path.read_bytes().replace(b"bag/dataX..X..Xout", b"bag/data\0../../out")
    path.write_bytes(raw)
    (tmp_path / "into").mkdir()
    assert "control character U+0000" in zip_refusal(path, tmp_path / "into")


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
    assert f"bag/data/log.csv: expected a regular file; found {word}" in zip_refusal(
        path, tmp_path / "into"
    )


def test_a_bomb_of_zeros(tmp_path):
    path = zip_of(tmp_path / "b.zip", [("bag/data/log.csv", bytes(64 << 20))])
    assert path.stat().st_size < 100_000
    (tmp_path / "into").mkdir()
    assert "67108864 bytes when unpacked" in zip_refusal(path, tmp_path / "into")


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
    assert "when unpacked" in zip_refusal(path, tmp_path / "into")


def test_an_entry_that_states_less_than_it_holds(tmp_path):
    path = zip_of(tmp_path / "b.zip", [("bag/data/log.csv", bytes(64 << 20))])
    raw = path.read_bytes().replace(struct.pack("<L", 64 << 20), struct.pack("<L", 100))
    path.write_bytes(raw)
    (tmp_path / "into").mkdir()
    with pytest.raises(SealError, match="not a zip that can be read"):
        _unpack_zip(path, tmp_path / "into")
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
    assert f"at most {MAX_FILES} files" in zip_refusal(path, tmp_path / "into")
    assert time.monotonic() - began < 1
    grown_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    assert grown_kb < 50_000


def listed(name: str, size: int) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name)
    entry.file_size = size
    return entry


@pytest.mark.parametrize(
    ("sizes", "packed", "why"),
    [
        ([1_098_576], 1_000, ""),  # 50 times its size and a MiB
        ([1_098_577], 1_000, "at most 50 times the zip's own 1000 bytes; found 1098577 bytes"),
        ([8 << 30] * 8, 10 << 30, ""),
        ([*[8 << 30] * 8, 1], 10 << 30, "found 68719476737 bytes when unpacked"),
        ([(8 << 30) + 1], 10 << 30, "at most 8589934592 bytes; found 8589934593 bytes"),
    ],
)
def test_a_zip_unpacks_to_no_more_than_a_review_has(sizes, packed, why):
    entries = [listed(f"bag/{n}", size) for n, size in enumerate(sizes)]
    if not why:
        assert unbag._check_entries(entries, packed=packed) == "bag"
        return
    with pytest.raises(HostileBagError, match=why):
        unbag._check_entries(entries, packed=packed)


def test_limits_of_a_zip_hold_to_the_last_one(tmp_path, monkeypatch):
    path = zip_of(tmp_path / "b.zip", [(f"bag/{n}/a", b"") for n in range(3)])
    list_bytes = 3 * (46 + len("bag/0/a"))  # APPNOTE.TXT, section 4.3.12
    entries = zipfile.ZipFile(path).infolist()
    # Two folders above each file and the folder of the bag: bag/0, bag/1, bag/2, bag and ".".
    for name, most, check in (
        ("MAX_FILES", 3, lambda: unbag._check_zip_end(path)),
        ("MAX_ZIP_LIST_BYTES", list_bytes, lambda: unbag._check_zip_end(path)),
        ("MAX_FILES", 5, lambda: unbag._check_entries(entries, packed=1)),
    ):
        with monkeypatch.context() as patch:
            patch.setattr(unbag, name, most)
            check()
            patch.setattr(unbag, name, most - 1)
            with pytest.raises(HostileBagError, match="files and folders; found more"):
                check()
    many = [listed("bag/a", 0)] * 4
    monkeypatch.setattr(unbag, "MAX_FILES", 3)
    with pytest.raises(HostileBagError, match="at most 3 files and folders"):
        unbag._check_entries(many, packed=1)
    assert b"PK\5\6" in zip_of(tmp_path / "none.zip", []).read_bytes()[:22]
    unbag._check_zip_end(tmp_path / "none.zip")  # the shortest zip: its end record alone


def test_a_million_folders_in_few_entries(tmp_path):
    names = ["bag/" + "/".join(f"{i:x}{d}" for d in range(20)) for i in range(4_000)]
    path = zip_of(tmp_path / "b.zip", [(name, b"") for name in names])
    (tmp_path / "into").mkdir()
    assert f"at most {MAX_FILES} files and folders" in zip_refusal(path, tmp_path / "into")


def test_more_entries_than_the_end_record_says(tmp_path):
    path = zip_of(tmp_path / "b.zip", [(f"bag/{n}", b"") for n in range(MAX_FILES + 5)])
    raw = bytearray(path.read_bytes())
    raw[-14:-10] = struct.pack("<HH", 3, 3)
    path.write_bytes(raw)
    (tmp_path / "into").mkdir()
    assert "at most" in zip_refusal(path, tmp_path / "into")


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
    assert f"one folder at the top of the zip; found {why}" in zip_refusal(path, tmp_path / "into")


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_one_name_twice(tmp_path):
    path = zip_of(tmp_path / "b.zip", [("bag/a", b"1"), ("bag/a", b"2")])
    (tmp_path / "into").mkdir()
    assert "bag/a: expected each name once" in zip_refusal(path, tmp_path / "into")


def test_other_compressions_and_encryption(tmp_path):
    path = tmp_path / "b.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_BZIP2) as archive:
        archive.writestr("bag/a", b"x")
    (tmp_path / "into").mkdir()
    assert "stored or deflated" in zip_refusal(path, tmp_path / "into")
    locked = zip_of(tmp_path / "c.zip", [("bag/a", b"x")])
    raw = bytearray(locked.read_bytes())
    raw[raw.index(b"PK\1\2") + 8] |= 1
    locked.write_bytes(raw)
    assert "encrypted" in zip_refusal(locked, tmp_path / "into")


@pytest.mark.parametrize("data", [b"", b"PK", b"not a zip at all, only text", b"\0" * 4096])
def test_no_zip(tmp_path, data):
    path = tmp_path / "b.zip"
    path.write_bytes(data)
    with pytest.raises(SealError, match=r"b\.zip: neither a folder nor a zip"):
        _unpack_zip(path, tmp_path)


def test_a_comment_could_hide_another_end(tmp_path):
    path = zip_of(tmp_path / "b.zip", [("bag/a", b"x")])
    with zipfile.ZipFile(path, "a") as archive:
        archive.comment = b"hello"
    with pytest.raises(SealError, match="without a comment"):
        _unpack_zip(path, tmp_path)


def test_every_truncation_is_refused(tmp_path):
    whole = zip_bag(make_bag(tmp_path / "bag"), tmp_path / "bag.zip").read_bytes()
    path = tmp_path / "cut.zip"
    for end in range(0, len(whole) - 1, 37):
        path.write_bytes(whole[:end])
        with pytest.raises(SealError):
            _unpack_zip(path, tmp_path / "into")


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
                listing = opened.read_listing()
                found = [
                    *listing.findings,
                    *opened.check_bytes(listing),
                    *opened.check_listing(listing),
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


def zip_bytes(*entries: tuple[zipfile.ZipInfo, bytes]) -> bytes:
    memory = io.BytesIO()
    with zipfile.ZipFile(memory, "w", zipfile.ZIP_STORED) as archive:
        for entry, data in entries:
            archive.writestr(entry, data)
    return memory.getvalue()


def unicode_path(name: str, other: str) -> zipfile.ZipInfo:
    """Return an entry that tools which know field 0x7075 write under another name.

    APPNOTE.TXT, section 4.6.9: version, CRC-32 of the name in the head, the other name.
    """
    entry = zipfile.ZipInfo(name)
    data = struct.pack("<BL", 1, zlib.crc32(name.encode())) + other.encode()
    entry.extra = struct.pack("<HH", 0x7075, len(data)) + data
    return entry


def test_a_zip_may_not_have_two_sayings(tmp_path):
    plain = zipfile.ZipInfo("bag/data/a.csv")
    raised = zipfile.ZipInfo("bag/data/a.csv")
    raised.external_attr = 0o104755 << 16
    noted = zipfile.ZipInfo("bag/data/a.csv")
    noted.comment = b"another"
    good = zip_bytes((plain, b"x" * 40))
    renamed = good.replace(b"bag/data/a.csv", b"bag/data/b.csv", 1)  # in its own head only
    second = good.index(b"PK\x01\x02")
    end = bytearray(good[:second] + b"gap!" + good[second:])
    end[-6:-2] = struct.pack("<L", second + 4)
    for data, why in (
        (zip_bytes((unicode_path("bag/data/a.csv", "bag/../evil"), b"x")), "no extra field"),
        (zip_bytes((raised, b"x")), "without rights of its owner"),
        (zip_bytes((noted, b"x")), "no comment"),
        (renamed, "as the list of entries has it"),
        (b"MZ prefix" + good, "its head at byte 0"),
        (bytes(end), "the list of entries at byte"),
    ):
        path = tmp_path / "b.zip"
        path.write_bytes(data)
        with pytest.raises(SealError) as caught:
            _unpack_zip(path, tmp_path / "into")
        assert why in str(caught.value), why
    path.write_bytes(good)
    assert _unpack_zip(path, tmp_path / "good").is_dir()


# What stands behind the data of a streamed entry: APPNOTE.TXT, section 4.3.9. Its mark may be
# there or not, its sizes have eight bytes where the file is of 4 GiB or more.
@pytest.mark.parametrize("mark", [b"PK\7\x08", b""], ids=["marked", "bare"])
@pytest.mark.parametrize(("size", "size_bytes"), [(0xFFFF_FFFF, 4), (0x1_0000_0000, 8)])
def test_a_streamed_entry_has_its_sizes_behind_it(tmp_path, mark, size, size_bytes):
    head = struct.pack("<4s5H3L2H", b"PK\3\4", 20, 8, 8, 0, 0, 0, 0, 0, 5, 0) + b"bag/a"
    behind = mark + b"\1" * (4 + 2 * size_bytes)
    path = tmp_path / "b.zip"
    path.write_bytes(head + b"data" + behind + b"PK\1\2")
    entry = listed("bag/a", size)
    entry.flag_bits, entry.compress_type, entry.compress_size = 8, 8, 4
    entry.header_offset = 0
    ends_at = len(head) + 4 + len(behind)
    assert list(unbag._heads_apart(path, [entry], ends_at=ends_at)) == []
    (found,) = unbag._heads_apart(path, [entry], ends_at=ends_at + 1)
    assert found.expected == f"the list of entries at byte {ends_at}"


def test_a_head_that_is_cut_or_none_is_told(tmp_path):
    path = tmp_path / "b.zip"
    entry = listed("bag/a", 4)
    entry.header_offset = 0
    for data in (b"PK\3\4" + b"\0" * 25, b"PK\3\5" + b"\0" * 26):
        path.write_bytes(data)
        (found,) = unbag._heads_apart(path, [entry], ends_at=30)
        assert (found.expected, found.found) == ("the head of a file", "none")


@pytest.mark.parametrize("extra", [b"\x55\x54\0", struct.pack("<HH", 0x5455, 3) + b"ab"])
def test_an_extra_field_that_is_cut_short_is_none_that_is_known(extra):
    assert len(list(unbag._odd_fields("a", extra))) == 1
    whole = struct.pack("<HH", 0x5455, 2) + b"ab" + struct.pack("<HH", 0xCAFE, 0)
    assert list(unbag._odd_fields("a", whole)) == []


def test_a_zip_by_the_usual_tool_opens(tmp_path):
    """Info-ZIP writes times and owners into extra fields, and packs what is longer than a word."""
    tool = shutil.which("zip")
    if tool is None:
        pytest.skip("no zip on this machine")
    bag = make_bag(tmp_path / "bag")
    for path in bag.rglob("*"):  # a name beyond ASCII it writes as its locale has it
        if path.is_file() and not path.name.isascii():
            path.unlink()
    subprocess.run([tool, "-qr", "bag.zip", "bag"], cwd=tmp_path, check=True)
    with open_bag(tmp_path / "bag.zip") as opened:
        assert sorted(opened.files) == sorted(bytes_of(bag))


def test_a_zip_with_the_mark_of_java_opens(tmp_path):
    """`jar` puts the field 0xCAFE, without content, on the first entry of every zip."""
    bag = make_bag(tmp_path / "bag")
    with zipfile.ZipFile(tmp_path / "bag.zip", "w") as archive:
        for path in sorted(bag.rglob("*")):
            entry = zipfile.ZipInfo.from_file(path, f"bag/{path.relative_to(bag).as_posix()}")
            entry.extra = struct.pack("<HH", 0xCAFE, 0) if not archive.filelist else b""
            archive.writestr(entry, path.read_bytes() if path.is_file() else b"")
    with open_bag(tmp_path / "bag.zip") as opened:
        assert sorted(opened.files) == sorted(bytes_of(bag))


@pytest.mark.parametrize(
    ("data", "why"),
    [(b'{"a": 1, "a": 2}', "'a' stands twice"), (b'\xef\xbb\xbf{"a": 1}', "BOM")],
)
def test_a_json_that_readers_take_two_ways(tmp_path, data, why):
    bag = make_bag(tmp_path / "bag")
    (bag / "data" / "two.json").write_bytes(data)
    with open_bag(bag) as opened, pytest.raises(SealError, match=why):
        opened.read_json("data/two.json")


def test_only_line_feeds_end_a_line_of_a_manifest(tmp_path):
    bag = make_bag(tmp_path / "bag")
    path = bag / "manifest-sha256.txt"
    whole = path.read_text(encoding="utf-8")
    for mark, good in (("\r\n", True), ("\u2028", False), ("\x0b", False), ("\x1c", False)):
        path.write_bytes(whole.replace("\n", mark).encode())
        with open_bag(bag) as opened:
            listing = opened.read_listing()
        assert bool(listing.payload) == good and bool(listing.findings) != good, mark


# What no lawful bag holds, and turns the order in which text is shown: Unicode Standard Annex 9.
@pytest.mark.parametrize("mark", ["\u202a", "\u202e", "\u2066", "\u2069"])
def test_no_text_that_turns_gets_in(mark, tmp_path):
    from kit.bench.runs import SheetText
    from kit.claims.bound_text import read_text
    from kit.errors import BenchError, ParamsError, TextError
    from kit.settings.yaml import read_yaml

    path = tmp_path / "one"
    path.write_text(f"a: b\nname,{mark}\n", encoding="utf-8")
    code = f"line 2: holds .*U.{ord(mark):04X}"
    with pytest.raises(ParamsError, match=code):
        read_yaml(path, file="one", error=ParamsError)
    with pytest.raises(BenchError, match=code):
        SheetText.read(path, file="one")
    with pytest.raises(TextError, match=code):
        read_text(path)


def test_a_sheet_of_150_000_columns_is_refused_at_once(tmp_path):
    from kit.bench.runs import SheetText
    from kit.errors import BenchError

    sheet = "run," + ",".join(f"c{n}" for n in range(150_000)) + "\n"
    began = time.monotonic()
    with pytest.raises(BenchError, match="has 150001 columns; a sheet has at most 5000"):
        SheetText.parse(sheet.encode(), file="runs.csv")
    assert time.monotonic() - began < 2  # by names counted one by one it took minutes


class TestTheDoor:
    """`verify` in a process with limits: what stops it is named, whatever lies in the bag."""

    def fake(self, folder: Path, body: str) -> Path:
        """Write a Python that does as it likes, whatever it is asked."""
        python = folder / "python"
        python.write_text(f"#!{sys.executable}\n{body}\n")
        python.chmod(0o755)
        return python

    @pytest.mark.parametrize(
        ("body", "named"),
        [
            ("while True: pass", "more than 1 s of processor time"),
            ("x = bytearray(1 << 40)", "more than 512 MB of memory"),
            ("import time; time.sleep(60)", "no answer within 2 s"),
            ("import os; os.kill(os.getpid(), 11)", "signal 11"),
            ("{}['a']", "KeyError: 'a'"),
        ],
        ids=["time", "memory", "clock", "crash", "bug"],
    )
    def test_what_stops_it_is_named(self, tmp_path, monkeypatch, body, named):
        clock_s = 2 if "answer" in named else 60
        monkeypatch.setattr(unbag, "_limits", lambda bag: (1, 512 << 20, clock_s))
        with pytest.raises(SealError, match=f"^[^\n]*NOT verified[^\n]*{re.escape(named)}"):
            verify_with(self.fake(tmp_path, body), tmp_path / "bag", arguments=[])

    def test_a_fault_of_this_version_is_named_too(self, tmp_path, monkeypatch, capfd):
        # What stands in for a library that our commands need.
        text = "import sys\nprint('far', file=sys.stderr)\n{}['a']\n"
        (tmp_path / "typer.py").write_text(text)
        monkeypatch.setattr(sys, "path", [str(tmp_path), *sys.path])
        with pytest.raises(SealError, match=r"^bag: NOT verified: it stopped at KeyError: 'a'"):
            verify_with(None, Path("bag"), arguments=[])
        assert capfd.readouterr().err == "far\n"  # how far it came, and no traceback

    # By hand: 120 s and 4 s a MiB, 8 GiB and 40 bytes a byte, ten times the seconds by the clock.
    # A zip counts for eight times its size.
    @pytest.mark.parametrize(
        ("name", "limits"),
        [
            ("bag", (132, 8_589_934_592 + 125_829_120, 1320)),
            ("bag.zip", (144, 8_589_934_592 + 251_658_240, 1440)),
            ("none", (120, 8_589_934_592, 1200)),
        ],
    )
    def test_limits_grow_with_the_bag(self, tmp_path, name, limits):
        (tmp_path / "bag").mkdir()
        (tmp_path / "bag" / "log").write_bytes(bytes(3 << 20))
        (tmp_path / "bag.zip").write_bytes(bytes(6 << 17))
        assert _limits(tmp_path / name) == limits

    def test_the_command_goes_through_it(self, tmp_path, monkeypatch):
        asked = []
        answer = (7, ["a word on standard error"])
        monkeypatch.setattr(
            unbag, "verify_with", lambda *w, arguments: (asked.append((w, arguments)), answer)[1]
        )
        done = CliRunner().invoke(app, ["verify", "bag", "--json"])
        assert done.exit_code == 7 and "a word on standard error" in done.stderr
        assert asked == [((None, Path("bag")), ["--no-limits", "--json"])]

    def test_this_version_answers_from_inside(self, tmp_path, capfd):
        status, said = verify_with(None, make_bag(tmp_path / "bag"), arguments=["--no-limits"])
        assert (status, said) == (1, [])
        assert capfd.readouterr().out.splitlines()[-1] == "NOT verified"


def test_a_long_value_of_bag_info_is_read_once(tmp_path):
    bag = make_bag(tmp_path / "bag")
    with (bag / "bag-info.txt").open("ab") as info:
        info.write(b" x" * 20 + b"\n" + b" y\n" * 1_000_000)
    began = time.process_time()
    with open_bag(bag) as opened:
        (value,) = opened.read_listing().info["External-Identifier"]
    assert value.endswith("x y y") or value.endswith("y y y")
    assert time.process_time() - began < 10
