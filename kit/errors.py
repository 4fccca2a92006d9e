"""Every error the kit raises on purpose, with the exit status of its family."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import partial
from typing import Self


def did_you_mean(
    word: str, known: Iterable[str], *, listed: int = 0, closeness: float = 0.6
) -> str:
    """Return `; did you mean "..."?` when up to three known words hold `word` or are close to it.

    A word is close as a whole, or to one of the parts that hyphens, underscores and spaces make.

    Parameters
    ----------
    word : str
        What was found.
    known : iterable of str
        What is known there.
    listed : int
        How many known words to list where none is close; 0 lists none and returns nothing.
    closeness : float
        How alike two words must be, a fraction in [0, 1], as `difflib` measures it.

    Examples
    --------
    >>> did_you_mean("rivls", ["rivals", "titles"])
    '; did you mean "rivals"?'
    >>> did_you_mean("sedge", ["tarn-sedge", "tarn-teasel"])
    '; did you mean "tarn-sedge"?'
    >>> did_you_mean("trn", ["tarn-sedge", "tarn-teasel"])
    '; did you mean "tarn-sedge" or "tarn-teasel"?'
    >>> did_you_mean("zzz", ["rivals", "margin"], listed=12)
    '; known: margin, rivals'
    """
    words = list(known)
    for meant in _meant(word, words, closeness):
        if 1 <= len(meant) <= 3:
            return "; did you mean " + " or ".join(f'"{name}"' for name in meant) + "?"
    return f"; known: {', '.join(sorted(words)[:listed]) or 'none'}" if listed else ""


def _meant(word: str, words: list[str], closeness: float) -> Iterator[list[str]]:
    """Yield the known words that may be meant, the likeliest way of telling first."""
    holding = [name for name in words if len(word) > 2 and word in name]
    if len(holding) == 1:
        yield holding
    like = partial(difflib.get_close_matches, word, n=1)
    yield [n for n in words if like(re.split("[-_ ]", n), cutoff=max(closeness, 0.75))]
    yield like(words, cutoff=closeness)
    yield holding


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong in one file: where, what was found, what was expected, what to do.

    Attributes
    ----------
    file : str
        The name as the reviewer knows it, relative to the bench or the params file.
    message : str
        What was found, what was expected, what to do.
    line : int, optional
        Line of the file, counted from 1.
    key : str, optional
        A dotted key of a YAML file, or a column of a table.
    """

    file: str
    message: str
    line: int | None = None
    key: str | None = None

    def __str__(self) -> str:
        place = self.file
        if self.line is not None:
            place += f", line {self.line}"
        if self.key:
            place += f", {self.key}"
        return f"{place}: {self.message}"


_SHOWN_ALIKE, _SHOWN_OF_A_KIND = 3, 12


def folded(lines: Iterable[str], kind: str = "") -> list[str]:
    """Return lines in which those alike but for names and numbers are told once, with a count.

    Lines that are all of one `kind`, such as rows, are alike whatever they say.

    Examples
    --------
    >>> folded(f"a{i}.csv, line {i}: found '{i}'" for i in range(5))[3:]
    ['  and 2 more like the last']
    >>> folded([f"row {i}" for i in range(20)], "rows")[12:]
    ['and 8 more rows']
    """
    groups: dict[str, list[str]] = {}
    for line in lines:
        place, _, said = line.partition(": ")
        alike = re.sub(r"'[^']*'|\"[^\"]*\"|\d+(?:\.\d+)?", "#", said or place)
        groups.setdefault("" if kind else alike, []).append(line)
    shown = _SHOWN_OF_A_KIND if kind else _SHOWN_ALIKE
    told = []
    for group in groups.values():
        told += group[:shown]
        if (left := len(group) - shown) > 0:
            told.append(f"and {left} more {kind}" if kind else f"  and {left} more like the last")
    return told


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing verification found wrong.

    Attributes
    ----------
    stage : str
        At which stage of verification; "" until the stage is done.
    path : str
        A file of the bag, where useful with a claim, run or row after ` # `.
    expected, found : str
        What should stand there, and what does.
    """

    stage: str = field(default="", kw_only=True)
    path: str
    expected: str
    found: str

    def __str__(self) -> str:
        return f"{self.stage}: {self.path}: expected {self.expected}; found {self.found}"


class KitError(Exception):
    """An error the reviewer can mend. Shown as one line, without a traceback."""

    exit_status = 2

    def _render_traceback_(self) -> list[str]:
        """Show the message alone in a notebook (IPython asks for this method)."""
        return [f"{type(self).__name__.lstrip('_')}: {self}"]


class FaultsError(KitError):
    """All faults of what was read, reported together.

    Attributes
    ----------
    faults : tuple of Fault
        In the order they are told, a line each.
    """

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__(self.faults)

    @classmethod
    def at(
        cls, file: str, message: str, *, line: int | None = None, key: str | None = None
    ) -> Self:
        """Return the error for one fault.

        Parameters
        ----------
        file, message, line, key
            As for `Fault`.
        """
        return cls([Fault(file, message, line=line, key=key)])

    @classmethod
    def raise_if(cls, faults: Iterable[Fault]) -> None:
        """Raise the error with every fault, each told once; nothing happens where there is none.

        Parameters
        ----------
        faults : iterable of Fault
            All that was found.
        """
        if told := dict.fromkeys(faults):
            raise cls(told)

    def __str__(self) -> str:
        return "\n".join(str(fault) for fault in self.faults)


class ParamsError(FaultsError):
    """Faults in a params file."""

    exit_status = 2


class BenchError(FaultsError):
    """Faults in a bench: its files, or machines unlike in a control that no waiver names."""

    exit_status = 3


class RunFileError(FaultsError):
    """Faults in raw logs."""

    exit_status = 3


class TextError(FaultsError):
    """Faults in bound text: a missing claim, a typed figure, a word against its outcome."""

    exit_status = 2


class UsageError(KitError):
    """A command called in a way that cannot work."""

    exit_status = 2


class ExecutionError(KitError):
    """A notebook that did not run to its end."""

    exit_status = 4


class SealError(KitError):
    """A folder that cannot be sealed, or a bag that cannot be read at all."""

    exit_status = 3


class HostileBagError(SealError):
    """A bag that is not safe to read, with every reason found before reading stopped."""

    def __init__(self, findings: Iterable[Finding]) -> None:
        self.findings = tuple(findings)
        super().__init__(self.findings)

    def __str__(self) -> str:
        return "\n".join(str(finding) for finding in self.findings)
