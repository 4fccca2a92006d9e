"""A folder of logs looked at whole: which part of path and name is what, and which layout fits.

Nothing is written here but what the analyst agreed to: products, titles and layouts that
`bench.yaml` does not have. Where the names do not tell, no guess is made.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from kit.bench.acts import enter_names
from kit.bench.intake import Intake, add_logs
from kit.bench.journal import NOBODY, By
from kit.errors import RunFileError, UsageError
from kit.logs.propose import propose_layout
from kit.logs.read import read_log
from kit.settings.bench_file import Bench, Layout, read_bench

_ENDINGS = re.compile(r"(\.[A-Za-z]{1,8}){1,2}$")
_CLASS = "unclassed"  # of a machine nothing is said of
_SHOWN = 12


@dataclass(frozen=True, slots=True)
class _Guess:
    """What a folder of logs seems to hold.

    Attributes
    ----------
    fields : mapping of Path to mapping of str to str
        By log: product, title, session, pass, layout.
    parts : tuple of str
        What each part of path and name was taken for, with examples.
    new : mapping
        What `bench.yaml` lacks: products, titles, layouts.
    over : tuple of (Path, str)
        Files passed over, and why.
    """

    folder: Path
    fields: Mapping[Path, Mapping[str, str]]
    parts: tuple[str, ...]
    new: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    over: tuple[tuple[Path, str], ...] = ()

    def to_lines(self) -> list[str]:
        """Return the guess as a table to agree to."""
        lines = [f"{len(self.fields)} logs below {self.folder.name}", *self.parts]
        for key, entries in self.new.items():
            lines.append(f"new in bench.yaml, {key}: {', '.join(entries)}")
        for path, said in list(self.fields.items())[:_SHOWN]:
            shown = ", ".join(f"{name} {text}" for name, text in said.items())
            lines.append(f"  {path.relative_to(self.folder).as_posix()}: {shown}")
        if len(self.fields) > _SHOWN:
            lines.append(f"  and {len(self.fields) - _SHOWN} more alike")
        why = Counter(reason for _, reason in self.over)
        return lines + [f"passed over {count} files: {reason}" for reason, count in why.items()]


def guess_folder(bench_folder: Path, folder: Path) -> _Guess:
    """Look at all files of a folder and propose how they are taken in.

    Raises
    ------
    UsageError
        If the names do not tell product and title: what was seen, and what to write instead.
    """
    bench = read_bench(bench_folder)
    layouts, fits, over = _layouts(bench, folder)
    cut = {path: _tokens(path.relative_to(folder)) for path in fits}
    if not cut:
        raise UsageError(f"{folder.name}: there is no log in it that can be read")
    width = Counter(map(len, cut.values())).most_common(1)[0][0]
    over += [(p, "its name has other parts than most") for p in cut if len(cut[p]) != width]
    cut = {path: tokens for path, tokens in cut.items() if len(tokens) == width}
    names = _name_columns(list(cut.values()), bench)
    if not {"product", "title"} <= set(names):
        seen = " | ".join(next(iter(cut.values())))
        raise UsageError(
            f"{folder.name}: cannot tell product and title from names such as {seen}; say so with "
            "--pattern '{product}_{title}_{pass}.csv', --index, or --product and --title"
        )
    known = {"product": _slugs(bench.products), "title": _slugs(bench.titles)}
    new: dict[str, dict[str, Any]] = {"products": {}, "titles": {}, "layouts": layouts}
    fields: dict[Path, dict[str, str]] = {}
    for path, tokens in cut.items():
        said: dict[str, str] = {}
        for what, token in zip(names, tokens, strict=True):
            if what in known:
                said[what] = known[what].get(_slug(token), _slug(token))
            elif what:
                said[what] = token
        if said["product"] not in bench.products:
            new["products"][said["product"]] = {"name": _shown(tokens, names, "product"),
                                                "class": _CLASS}  # fmt: skip
        if said["title"] not in bench.titles:
            new["titles"][said["title"]] = {"name": _shown(tokens, names, "title")}
        fields[path] = {**said, "layout": fits[path]}
    columns = list(zip(*cut.values(), strict=True))
    parts = tuple(
        f"part {i} of path and name, {what or 'passed over'}: "
        + ", ".join(list(dict.fromkeys(columns[i - 1]))[:4])
        for i, what in enumerate(names, 1)
    )
    return _Guess(folder, fields, parts, {k: v for k, v in new.items() if v}, tuple(over))


def take_guess(bench_folder: Path, guess: _Guess, *, session: str = "", by: By = NOBODY) -> Intake:
    """Enter into `bench.yaml` what a guess needs, and take its logs in.

    Raises
    ------
    FaultsError
        With every fault; no log was taken in then.
    """
    if guess.new:
        enter_names(bench_folder, guess.new, by=by)
    columns = ("product", "title", "session", "pass", "layout")
    with TemporaryDirectory() as name:
        index = Path(name) / "index.csv"
        with index.open("w", encoding="utf-8", newline="") as stream:
            writer = csv.writer(stream)
            writer.writerow(("file", *columns))
            for path, said in guess.fields.items():
                row = {"session": session, **said}
                writer.writerow((str(path.resolve()), *(row.get(c, "") for c in columns)))
        return add_logs(bench_folder, [], index=index, by=by)


def _layouts(
    bench: Bench, folder: Path
) -> tuple[dict[str, Any], dict[Path, str], list[tuple[Path, str]]]:
    """Return new layouts, the layout of each log, and what is no log."""
    new: dict[str, Any] = {}
    models = dict(bench.layouts)
    fits: dict[Path, str] = {}
    over: list[tuple[Path, str]] = []
    for path in sorted(folder.rglob("*")):
        relative = path.relative_to(folder)
        if not path.is_file() or any(part.startswith(".") for part in relative.parts):
            continue
        fitting = [name for name in models if _reads(path, models[name])]
        if not fitting and path.suffix not in {".yaml", ".yml", ".md", ".html", ".png", ".pdf"}:
            try:
                proposal = propose_layout(path)
            except RunFileError:
                over.append((path, "no log that can be read"))
                continue
            name = (
                proposal.name if proposal.name not in models else f"{proposal.name}-{len(models)}"
            )
            new[name] = dict(proposal.layout)
            models[name] = Layout.model_validate(proposal.layout)
            fitting = [name]
        if fitting:
            fits[path] = fitting[0]
        else:
            over.append((path, "no log by its ending"))
    return new, fits, over


def _reads(path: Path, layout: Any) -> bool:
    try:
        read_log(path, layout, file=path.name)
    except RunFileError:
        return False
    return True


def _tokens(path: Path) -> tuple[str, ...]:
    """Return the parts of a path and name: folders, what `_` or space parts, a number at the end.

    >>> _tokens(Path("a/canyon-1.csv")), _tokens(Path("accelerator-a_canyon_1.csv.gz"))
    (('a', 'canyon', '1'), ('accelerator-a', 'canyon', '1'))
    """
    name = _ENDINGS.sub("", path.name)
    folders = [part for piece in path.parent.parts for part in piece.split("_")]
    parts = [p for p in (*folders, *re.split("_+" if "_" in name else r"\s+", name)) if p]
    end = re.fullmatch(r"(.*[^\d-])-?(\d{1,3})", parts[-1])
    return (*parts[:-1], end[1], end[2]) if end and "-" in parts[-1] else tuple(parts)


def _slug(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-") or "x"


def _slugs(known: Mapping[str, Any]) -> dict[str, str]:
    """Return what stands for each id in a name: the id, and its name."""
    return {_slug(m.name): key for key, m in known.items()} | {_slug(key): key for key in known}


def _shown(tokens: Sequence[str], names: Sequence[str], what: str) -> str:
    return re.sub(r"[-_]+", " ", tokens[list(names).index(what)]).strip().capitalize()


def _name_columns(rows: Sequence[Sequence[str]], bench: Bench) -> list[str]:
    """Return what each part of the names is: a field, or nothing where it is passed over."""
    columns = list(zip(*rows, strict=True))
    names = [""] * len(columns)
    known = {"product": _slugs(bench.products), "title": _slugs(bench.titles)}
    for what, slugs in known.items():
        shares = [sum(_slug(v) in slugs for v in column) / len(column) for column in columns]
        best = max(range(len(columns)), key=lambda i: shares[i])
        if shares[best] > 0.5 and not names[best]:
            names[best] = what
    digits = [i for i, c in enumerate(columns) if not names[i] and all(v.isdigit() for v in c)]
    if digits:
        names[digits[-1]] = "pass"
    left = [i for i in range(len(columns)) if not names[i] and i not in digits]
    # What varies tells more than what all names share. The order is that of README's pattern.
    left.sort(key=lambda i: len(set(columns[i])) == 1)
    missing = [what for what in ("product", "title") if what not in names]
    for what, i in zip(missing, sorted(left[: len(missing)]), strict=False):
        names[i] = what
    session = [i for i in left[len(missing) :] if len(set(columns[i])) > 1]
    if session:
        names[session[0]] = "session"
    return names
