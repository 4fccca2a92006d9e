"""Lawful bags: a review sealed, packed, signed and handed on in every way we can think of.

    python tests/evidence/lawful.py [--only WORDS]

Each must be reproduced to the byte: whatever else `verify` says of one is a false alarm. In-process
where only the bag differs, as a command of its own where the surroundings do (locale, time zone,
folder, rights, user). Prints a line a bag, and the sum.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
import tarfile
import tempfile
import unicodedata
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

from damage import FORGER, PROJECT, TAG_MANIFEST, author_key, sign, with_store
from misleading import authorities, seal_it
from sealmaker import (
    corrected_review,
    full_review,
    run_project,
    sealed_review,
    write_project,
)

from kit.archive.bag import zip_bag
from kit.archive.sealing import seal
from kit.archive.signature import SSH, sign_manifest
from kit.archive.verifying import verify_bag

# Of the bench: one product's runs of a title typed in, and counts registered beforehand.
TYPED = "run-typed,finch,attic,,,2026-03-20T10:00:00+00:00,,ran,,51.2,91.5"
PLAN = """\
plan:
  margin: 0.03
  seed: 1
  registered:
    on: 2026-02-01
    runs: {quill: {kettle: 3, harbour: 3, attic: 3}, wren: {kettle: 3, harbour: 4, attic: 3}}
"""


def copied(bag: Path, to: Path) -> Path:
    return Path(shutil.copytree(bag, to))


def packed_by_python(bag: Path, to: Path, *, level: int) -> Path:
    """Return a zip written by Python's own library, its entries in another order."""
    with zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED, compresslevel=level) as archive:
        for path in sorted(bag.rglob("*"), reverse=level > 1):
            archive.write(path, f"again/{path.relative_to(bag).as_posix()}")
    return to


def streamed(bag: Path, to: Path) -> Path:
    """Return a zip written where nobody can go back: sizes stand behind each file."""
    with subprocess.Popen(["cat"], stdin=subprocess.PIPE, stdout=to.open("wb")) as pipe:
        with zipfile.ZipFile(pipe.stdin, "w") as archive:
            for path in sorted(bag.rglob("*")):
                archive.write(path, f"again/{path.relative_to(bag).as_posix()}")
        pipe.stdin.close()
    return to


def by_tool(bag: Path, to: Path, *command: str) -> Path:
    """Return a zip written by another program, run in the folder above the bag."""
    subprocess.run([*command, to, bag.name], cwd=bag.parent, check=True, capture_output=True)
    return to


def through_tar(bag: Path, to: Path) -> Path:
    to.mkdir()
    with tarfile.open(to / "bag.tar", "w") as archive:
        archive.add(bag, bag.name)
    with tarfile.open(to / "bag.tar") as archive:
        archive.extractall(to, filter="data")
    return to / bag.name


def with_rights(bag: Path, *, folders: int, files: int) -> Path:
    for path in bag.rglob("*"):
        path.chmod(folders if path.is_dir() else files)
    return bag


def with_times(bag: Path, seconds: float) -> Path:
    for path in bag.rglob("*"):
        os.utime(path, (seconds, seconds))
    return bag


def signed(bag: Path, *, several: bool = False) -> Path:
    sign(bag)
    if several:
        manifest = (bag / TAG_MANIFEST).read_bytes()
        for name in ("second-desk", "3"):
            data = sign_manifest(manifest, FORGER)[SSH]
            (bag / "signature" / f"{name}.sshsig").write_bytes(data)
    return bag


def planned_and_typed(work: Path) -> Path:
    """Return a sealed review with typed-in figures, and with a plan registered beforehand."""
    params = write_project(work / "project")
    params.write_text(params.read_text() + PLAN)
    sheet = params.parent.parent / "bench" / "runs.csv"
    head, *rows = sheet.read_text().splitlines()
    rows = [f"{row}," for row in rows if not row.startswith("finch-attic")]
    sheet.write_text("\n".join([f"{head},average_fps", *rows, TYPED]) + "\n")
    return seal(run_project(work, params), to=work / "planned").path


def lawful(work: Path) -> Iterator[tuple[str, Callable[[], Path]]]:
    """Yield in words each bag as others may hand it on, and what makes it."""
    small = sealed_review()

    def copy(name: str) -> Path:
        return copied(small, work / name)

    yield "folder", lambda: copy("a")
    yield "folder of another name", lambda: copy("Ein Archiv, 2. Fassung")
    yield "path with spaces and umlauts", lambda: copied(small, work / "Für Gäste" / "b b")
    yield "path with umlauts taken apart", lambda: copy(unicodedata.normalize("NFD", "grün"))
    yield "zip of ours", lambda: zip_bag(small, work / "ours.zip")
    yield "zip, with spaces", lambda: zip_bag(small, work / "our own.zip")
    for level in (0, 1, 9):
        yield (
            f"zip by Python, level {level}",
            lambda level=level: packed_by_python(small, work / f"{level}.zip", level=level),
        )
    yield "zip by Python, streamed", lambda: streamed(small, work / "streamed.zip")
    for options in ("-qr", "-qrX", "-qr0", "-qrD"):
        if shutil.which("zip"):
            to = work / f"tool{options}.zip"
            yield f"zip {options}", lambda to=to, o=options: by_tool(small, to, "zip", o)
    if shutil.which("jar"):
        yield "zip by jar", lambda: by_tool(small, work / "jar.zip", "jar", "cMf")
    yield (
        "zip by shutil",
        lambda: Path(shutil.make_archive(str(work / "made"), "zip", small.parent, small.name)),
    )
    yield "through tar", lambda: through_tar(small, work / "tar")
    yield "signed", lambda: signed(copy("signed"))
    yield "signed, zip", lambda: zip_bag(signed(copy("signed-2")), work / "signed.zip")
    yield "signed by three", lambda: signed(copy("three"), several=True)
    yield "of 1970", lambda: with_times(copy("old"), 0)
    yield "of 2099", lambda: with_times(copy("new"), 4_070_908_800)
    yield "for its owner alone", lambda: with_rights(copy("bare"), folders=0o700, files=0o600)
    yield "for reading alone", lambda: with_rights(copy("kept"), folders=0o755, files=0o444)
    yield "in German, with slides, journal and the seal before", full_review
    yield "corrected", corrected_review
    yield "typed-in figures, a plan registered", lambda: planned_and_typed(work / "planned")


SURROUNDINGS: dict[str, dict[str, str]] = {
    "locale C": {"LC_ALL": "C"}, "locale de_DE": {"LC_ALL": "de_DE.UTF-8"},
    "locale tr_TR": {"LC_ALL": "tr_TR.UTF-8"}, "locale POSIX": {"LC_ALL": "POSIX"},
    "time zone of Apia": {"TZ": "Pacific/Apia"}, "of Kathmandu": {"TZ": "Asia/Kathmandu"},
    "of St. John's": {"TZ": "America/St_Johns"}, "hash seed 1": {"PYTHONHASHSEED": "1"},
    "hash seed 2": {"PYTHONHASHSEED": "2"}, "another epoch": {"SOURCE_DATE_EPOCH": "1000000000"},
    "another backend": {"MPLBACKEND": "svg"}, "a narrow terminal": {"COLUMNS": "20"},
    "no colours": {"NO_COLOR": "1"},
}  # fmt: skip


def commands(work: Path) -> Iterator[tuple[str, list[str | Path], dict[str, str], Path, int]]:
    """Yield in words, command, environment, folder and umask of each `marginbook verify`."""
    verify: list[str | Path] = [sys.executable, "-m", "kit", "verify"]
    bag = sealed_review()
    for words, variables in SURROUNDINGS.items():
        yield words, [*verify, bag], variables, work, 0o022
    yield "umask 077", [*verify, bag], {}, work, 0o077
    yield "from inside the bag", [*verify, "."], {}, copied(bag, work / "inside"), 0o022
    sealed = copied(bag, work / "sealed")
    seal_it(sealed)
    given = ["--signer", author_key(work), "--tsa", authorities()[0][0]]
    must = ["--require", "reproduced,signed,timed"]
    yield "signed and stamped", [*verify, sealed, *given, *must], {}, work, 0o022
    yield "without limits", [*verify, "--no-limits", bag], {}, work, 0o022
    if hasattr(os, "geteuid") and os.geteuid() == 0 and shutil.which("setpriv"):
        other = ["setpriv", "--reuid=65534", "--regid=65534", "--clear-groups"]
        probe = "import subprocess, sys; subprocess.run([sys.executable, '-c', ''], check=True)"
        tried = [*other, sys.executable, "-c", probe]
        if subprocess.run(tried, capture_output=True, check=False).returncode:
            print("not tried: another user, who cannot run this Python")
        else:
            theirs = copied(bag, Path(tempfile.mkdtemp(dir="/tmp")) / "theirs")
            theirs.parent.chmod(0o755)
            home = {"HOME": "/nonexistent", "MPLCONFIGDIR": "/nonexistent"}
            yield "another user", [*other, *verify, theirs], home, theirs.parent, 0o022


def main() -> int:
    """Verify every lawful bag; print which were not reproduced."""
    parser = argparse.ArgumentParser(description="False alarms of `verify` on lawful bags.")
    parser.add_argument("--only", default="", help="bags whose words fit")
    given = parser.parse_args()
    wrong = tried = 0
    with tempfile.TemporaryDirectory(prefix="lawful-") as temporary:
        work = Path(temporary)
        for words, make in lawful(work):
            if re.search(given.only, words):
                seen = verify_bag(make(), reading=with_store())
                tried += 1
                wrong += seen.grade != "reproduced"
                print(f"{seen.grade}: {words} {seen.findings[:2] or ''}", flush=True)
        for words, command, variables, folder, umask in commands(work):
            if re.search(given.only, words):
                done = subprocess.run(
                    command, cwd=folder, capture_output=True, text=True, umask=umask,
                    env={**os.environ, "PYTHONPATH": str(PROJECT), **variables}, check=False,
                )  # fmt: skip
                tried += 1
                wrong += done.returncode != 0
                said = "reproduced" if not done.returncode else f"{done.stdout}{done.stderr}"
                print(f"{said}: {words}", flush=True)
    print(f"{wrong} / {tried} false alarms on lawful bags")
    return int(wrong > 0)


if __name__ == "__main__":
    sys.exit(main())
