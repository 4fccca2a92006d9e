"""Bags damaged at random: each must end with a sentence and an exit status, inside seconds.

    python tests/evidence/broken_bags.py [--each N] [--seed N]

Half of the damages are mended (every hash put right), so that what reads the files meets them.
Whatever is raised but a `SealError`, or takes longer than `SECONDS` of this process, is printed.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import random
import re
import shutil
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from pathlib import Path

from damage import CLAIMS, NOTEBOOK, Spoiled, author_key, with_store
from misleading import authorities, mend_all, remember_made, seal_it

from kit.archive.bag import zip_bag
from kit.archive.verifying import GRADES, verify_bag
from kit.errors import SealError

SECONDS = 30.0
YAML = ("data/params/*.yaml", "data/bench/bench.yaml")
JSON = (CLAIMS, NOTEBOOK, "datapackage.json", "ro-crate-metadata.json", "data/methods.json",
        "data/environment/cyclonedx.json", "data/bench/journal-part.jsonl")  # fmt: skip
ODD: tuple[object, ...] = (
    None, True, -1, 0, 10**400, 1e308, -0.0, "", "\ud800", "\u202e", "x" * 100_000, [], {}, [[]],
    {"": {}}, [None] * 1000, "../../etc/passwd", "2026-02-30", "=1+1", "NaN", "\x00",
)  # fmt: skip


def some_file(bag: Spoiled) -> str:
    return bag.pick(bag.draw.choice(["**/*", "*", "data/*", "data/bench/**/*", "signature/*"]))


def truncated(bag: Spoiled) -> None:
    path = some_file(bag)
    data = bag.read(path)
    bag.write(path, data[: bag.draw.randrange(len(data) + 1)])


def flipped(bag: Spoiled) -> None:
    path = some_file(bag)
    for _ in range(bag.draw.choice([1, 8, 200])):
        bag.flip(path)


def noise_in(bag: Spoiled) -> None:
    path = some_file(bag)
    data = bag.read(path)
    at = bag.draw.randrange(len(data) + 1)
    bag.write(path, data[:at] + bag.draw.randbytes(bag.draw.choice([1, 30, 4000])) + data[at:])


def part_out(bag: Spoiled) -> None:
    path = some_file(bag)
    data = bag.read(path)
    start, end = sorted(bag.draw.randrange(len(data) + 1) for _ in range(2))
    bag.write(path, data[:start] + data[end:])


def swapped(bag: Spoiled) -> None:
    one, other = some_file(bag), some_file(bag)
    data = bag.read(one)
    bag.write(one, bag.read(other))
    bag.write(other, data)


def replaced(bag: Spoiled) -> None:
    content = bag.draw.choice([
        b"", b"\x00" * 10, b"{}", b"[]", b"null", b"[" * 60_000, b'{"a":' * 9_000, b"\xff\xfe<",
        b"PK\x05\x06" + bytes(18), b"a," * 150_000, b"- " * 9_000, b"&a [*a, *a]", b"<p>" * 50_000,
        b"\x1f\x8b\x08\x00", b"PAR1" + bytes(40) + b"PAR1", b"\x28\xb5\x2f\xfd\x00",
    ])  # fmt: skip
    bag.write(some_file(bag), content)


def kind_of_file(bag: Spoiled) -> None:
    path = bag.folder / some_file(bag)
    path.unlink()
    bag.draw.choice([
        lambda: None, path.mkdir, lambda: path.symlink_to("/etc/hostname"),
        lambda: path.symlink_to(path.name),
    ])()  # fmt: skip


def value_in_json(bag: Spoiled) -> None:
    """Put an odd value at a random place of a JSON file."""
    path = bag.pick(bag.draw.choice(JSON))
    lines = bag.read(path).decode().splitlines() if path.endswith("l") else [bag.read(path)]
    at = bag.draw.randrange(len(lines))
    document = json.loads(lines[at])
    here = document
    while True:
        keys = list(here) if isinstance(here, dict) else list(range(len(here)))
        if not keys:
            break
        key = bag.draw.choice(keys)
        if isinstance(here[key], dict | list) and here[key] and bag.draw.random() < 0.8:
            here = here[key]
            continue
        kind = bag.draw.randrange(4)
        if kind == 0:
            del here[key]
        elif kind == 1 and isinstance(here, list):
            here.append(here[key])
        elif kind == 2 and isinstance(here, dict):
            here[f"{key}-more"] = here[key]
        else:
            here[key] = bag.draw.choice(ODD)
        break
    text = json.dumps(document, indent=None if path.endswith("l") else 1)
    lines[at] = text if path.endswith("l") else text.encode()
    bag.write(path, "\n".join(lines).encode() if path.endswith("l") else lines[0])


def line_in_yaml(bag: Spoiled) -> None:
    path = bag.pick(bag.draw.choice(YAML))
    lines = bag.read(path).decode().splitlines()
    at = bag.draw.randrange(len(lines))
    odd = bag.draw.choice([
        "", "a: !!python/object:os.system x", "? [x]\n: y", "<<: *a", "key: &a [*a]", "\t- x",
        f"{'k' * 200_000}: 1", f"many: {{{', '.join(f'k{n}: 1' for n in range(30_000))}}}",
        "seed: 1e999", "seed: .nan", "template: ../../etc/passwd", "text: /etc/hostname",
        "template: bench-health.ipynb", "bench: /", "language: xx", "date: 0000-00-00",
    ])  # fmt: skip
    lines[at] = bag.draw.choice(
        [odd, f"{lines[at]}\n{odd}", re.sub(r": .*", f": {odd}", lines[at])]
    )
    bag.write(path, "\n".join(lines).encode("utf-8", "surrogatepass"))


def cell_in_sheet(bag: Spoiled) -> None:
    path = bag.pick("data/bench/*.csv")
    rows = [line.split(",") for line in bag.read(path).decode().splitlines()]
    row = bag.draw.choice(rows)
    row[bag.draw.randrange(len(row))] = bag.draw.choice([
        "", '"', "../../x", "/etc/passwd", "x" * 200_000, "\x00", "1e999", "nan", "\u202e", "," * 9,
        "," * 150_000, "=1+1", "logs", "logs/", "CON", "data/bench/runs.csv", "0001-01-01", "\r",
    ])  # fmt: skip
    bag.write(path, "\n".join(",".join(row) for row in rows).encode())


def line_of_tags(bag: Spoiled) -> None:
    path = bag.pick("*.txt")
    lines = bag.read(path).decode().splitlines()
    lines[bag.draw.randrange(len(lines))] = bag.draw.choice([
        "", ":", " : ", "Bagging-Date: 99999-01-01", "Payload-Oxum: " + "9" * 5000, "a" * 300_000,
        "0" * 64 + "  ../../etc/passwd", "0" * 64 + "  data", "Journal-Length: -1", "\x00: \x00",
        "Journal-Head: x", "Replaces: " + "x" * 5000, "Bag-Software-Agent: marginbook 9" * 99,
    ])  # fmt: skip
    bag.write(path, "\n".join(lines).encode())


def row_of_log(bag: Spoiled) -> None:
    path = bag.pick("data/bench/logs/*.csv")
    lines = bag.read(path).decode().splitlines()
    lines[bag.draw.randrange(len(lines))] = bag.draw.choice(
        ["", "1", "1,1e999", "1,-1", "1,0", '"', "," * 200_000, "x" * 1_000_000, "\x00", "1,1,1"]
    )
    bag.write(path, "\n".join(lines).encode())


WAYS: dict[str, Callable[[Spoiled], None]] = {
    way.__name__: way
    for way in (truncated, flipped, noise_in, part_out, swapped, replaced, kind_of_file,
                value_in_json, line_in_yaml, cell_in_sheet, line_of_tags, row_of_log)
}  # fmt: skip


def try_way(source: Path, work: Path, words: str, seed: int) -> str:
    """Damage a copy and verify it; return what is wrong with the answer, or nothing."""
    shutil.rmtree(work / "bag", ignore_errors=True)
    shutil.copytree(source, work / "bag")
    bag = Spoiled(work / "bag", random.Random(f"{words} {seed}"))
    seal_it(bag.folder)
    try:
        WAYS[words](bag)
    except (LookupError, UnicodeDecodeError):
        return ""
    unfit = (ValueError, LookupError, OSError, TypeError, AttributeError, RecursionError)
    if seed % 2:
        with contextlib.suppress(*unfit):  # what cannot be mended stays as it is
            mend_all(bag, source)
    path = bag.folder
    if seed % 5 == 4 and not any(p.is_symlink() for p in bag.folder.rglob("*")):
        (work / "bag.zip").unlink(missing_ok=True)
        path = zip_bag(bag.folder, work / "bag.zip")
        data = bytearray(path.read_bytes())
        if seed % 10 == 9:
            data[bag.draw.randrange(len(data))] ^= 1 << bag.draw.randrange(8)
        path.write_bytes(data)
    given = {"signer": author_key(work), "authority": authorities()[0][0]} if seed % 3 else {}
    began = time.process_time()
    try:
        seen = verify_bag(path, reading=with_store(), **given)
    except SealError as error:
        return "" if str(error) else "an error without words"
    except BaseException:
        return traceback.format_exc()
    if time.process_time() - began > SECONDS:
        return f"{time.process_time() - began:.0f} s"
    try:
        json.dumps(seen.to_dict())
        text = "\n".join(seen.to_lines())
    except Exception:
        return traceback.format_exc()
    if re.search("[\u202a-\u202e\u2066-\u2069\x1b\x00]", text):
        return f"characters that turn text or drive a terminal: {text[:200]!r}"
    if len(text) > 100_000:
        return f"{len(text)} characters said"
    return "" if seen.exit_status == GRADES[seen.grade] and (seen.ok or seen.findings) else "no why"


def main() -> int:
    """Damage in every way; print what did not end well."""
    parser = argparse.ArgumentParser(description="Bags damaged at random; how `verify` ends.")
    parser.add_argument("--each", type=int, default=26, help="times each way is tried")
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    from sealmaker import sealed_review

    wrong = tried = 0
    with tempfile.TemporaryDirectory(prefix="broken-") as temporary:
        remember_made(Path(temporary))
        for seed in range(given.seed, given.seed + given.each):
            for words in WAYS:
                said = try_way(sealed_review(), Path(temporary), words, seed)
                tried += 1
                if said:
                    wrong += 1
                    print(f"WRONG: {words}, seed {seed}: {said[-1500:]}", flush=True)
    print(f"{wrong} of {tried} damaged bags did not end with a sentence, {len(WAYS)} ways")
    return int(wrong > 0)


if __name__ == "__main__":
    sys.exit(main())
