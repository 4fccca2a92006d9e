"""The counts DEVELOPERS.md states of clumsy input and of faults, made anew.

    python tests/evidence/print_counts.py [logs] [people] [edges] [properties] [kills]

prints a line each (all of them where none is named); the exit status is 1 if one is not as it
should be. Takes some five minutes on two cores.
"""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
ROOT = TESTS.parent


def run(*words: str) -> str:
    """Return what a command of this Python prints; its failures are read from that."""
    done = subprocess.run(
        [sys.executable, *words],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    return done.stdout + done.stderr


def last(text: str, pattern: str) -> tuple[int, int]:
    """Return the two numbers of the last line that fits a pattern."""
    found = re.findall(pattern, text)
    if not found:
        raise SystemExit(f"no line fits {pattern!r} in:\n{text[-2000:]}")
    return int(found[-1][0]), int(found[-1][1])


def count_logs() -> tuple[str, bool]:
    """Faulty logs and their messages."""
    tried, right = last(
        run("tests/evidence/faulty_logs.py"), r"faulty logs tried (\d+), right message (\d+)"
    )
    return f"faulty logs tried {tried} / right message {right}", tried == right


def count_cases(what: str, *files: str) -> tuple[str, bool]:
    """Cases of a table that pytest walks."""
    said = run("-m", "pytest", "-q", "-p", "no:cacheprovider", *files)
    passed = re.search(r"(\d+) passed", said)
    failed = re.search(r"(\d+) (?:failed|error)", said)
    bad = int(failed[1]) if failed else 0
    good = int(passed[1]) if passed else 0
    return f"{what} tried {good + bad} / wrong {bad}", good > 0 and not bad


def count_properties() -> tuple[str, bool]:
    """Examples drawn by hypothesis in every test that uses it, and those that failed."""
    files = [
        path.relative_to(ROOT).as_posix()
        for path in sorted(TESTS.rglob("test_*.py"))
        if re.search(r"^from hypothesis import", path.read_text(encoding="utf-8"), re.MULTILINE)
    ]
    said = run(
        "-m",
        "pytest",
        "-q",
        "-p",
        "no:cacheprovider",
        "--hypothesis-show-statistics",
        *files,
    )
    drawn = re.findall(r"(\d+) passing(?: examples)?, (\d+) failing", said)
    good, bad = (sum(int(pair[i]) for pair in drawn) for i in (0, 1))
    bad = max(bad, int("failed" in said.splitlines()[-1]))
    return f"property examples run {good + bad} / failures {bad}", good > 0 and not bad


def count_kills() -> tuple[str, bool]:
    """Take-ins and runs killed, and the states lost by it."""
    tried = lost = 0
    for command in (
        ("tests/evidence/kill_points.py", "200"),
        ("tests/evidence/run_kill_points.py",),
    ):
        more, wrong = last(run(*command), r"kill points tried (\d+), states lost (\d+)")
        tried, lost = tried + more, lost + wrong
    return f"kill points tried {tried} / states lost {lost}", tried > 0 and not lost


COUNTS = {
    "logs": count_logs,
    "people": lambda: count_cases("YAML and CSV of people", "tests/whole/test_people.py"),
    "edges": lambda: count_cases(
        "relations and edges", "tests/whole/test_metamorphic.py", "tests/whole/test_edges.py"
    ),
    "properties": count_properties,
    "kills": count_kills,
}


def main() -> int:
    """Print the counts asked for."""
    wanted = sys.argv[1:] or list(COUNTS)
    unknown = set(wanted) - set(COUNTS)
    if unknown:
        raise SystemExit(f"unknown: {', '.join(sorted(unknown))}; known: {', '.join(COUNTS)}")
    good = True
    for name in wanted:
        line, fine = COUNTS[name]()
        print(line, flush=True)
        good &= fine
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
