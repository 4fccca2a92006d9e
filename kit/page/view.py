"""Tables and lists of a page, declared over the claims and filled from them.

A declaration names kinds and fields of claims; what it names wrongly is refused when it is made.
What does not fit this small language is a plain function of the book.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from itertools import groupby
from string import Formatter
from typing import Any

from kit.claims.claim import KINDS, Claim, ClaimBook, claims_frame
from kit.methods import MARKS
from kit.page.html import Column, Html, Part, bullet_list, heading, html_table, paragraph, part_html
from kit.rounding import NBSP

OWN = "{own}"  # in `where`: the reviewed product; "{baseline}" and so on: that field of the row
FIELDS = frozenset({f.name for f in fields(Claim)} | {"run"})
Where = Mapping[str, str | Callable[[str], object]]  # a value, its template, or what it must pass


@dataclass(frozen=True, slots=True)
class Cell:
    """One column of a table, or one for each value of a field: claims of a kind.

    Several figures in one cell are each followed by their outcome; of several statements the first
    is shown.

    Attributes
    ----------
    kind : str
        The kind of claims it holds, a key of `KINDS`.
    head : str
        May name `each` and what `Table` lists in braces.
    where : mapping of a field to a value, a template of one, or a test
        What the claims' fields must be, beside what row and table say.
    each : str
        A field: the column is repeated for each of its values.
    instead : str
        A kind of statement that stands in place of the claim where there is one.
    outcomes : bool
        Whether a claim's outcome is shown.
    needed : bool
        Whether a row without this claim is an error; of what is not needed, no column is repeated
        that would be empty.
    """

    kind: str
    head: str
    where: Where = field(default_factory=dict)
    each: str = ""
    instead: str = ""
    outcomes: bool = False
    needed: bool = True


@dataclass(frozen=True, slots=True)
class Table:
    """A table of claims: a row for each set of values of some fields that claims have.

    Caption, heads and note may name in braces `metric`, `own`, `split`, `count` (of rows), `runs`
    (of the review) and `settings`.

    Attributes
    ----------
    caption : str
    heads : tuple of pairs of str
        The row's headings: the column's head, and a template of the fields' names.
    cells : tuple of Cell
    rows : tuple of str
        The fields whose values make a row, where they are not those that `heads` names.
    where : mapping, as in `Cell`
        What the fields of every claim must be.
    metric : str
        The metric of its claims unless one is asked for; "" takes all.
    split : str
        A field: there is a table for each of its values.
    last : pair of str and mapping, or None
        A further row: its heading, and what kind and fields of its claims are.
    keep : function of a row's claims, or None
        Whether the row is shown.
    order : {"names", "claims"}
        Rows stand as the book orders the names of their fields, or as claims come.
    note : str
        Stands under the table.
    otherwise : str
        Said where there is no row.

    Raises
    ------
    ValueError
        If it names a kind or a field that claims do not have.
    """

    caption: str
    heads: tuple[tuple[str, str], ...]
    cells: tuple[Cell, ...]
    rows: tuple[str, ...] = ()
    where: Where = field(default_factory=dict)
    metric: str = ""
    split: str = ""
    last: tuple[str, Mapping[str, str]] | None = None
    keep: Callable[[Sequence[Claim]], bool] | None = None
    order: str = "names"
    note: str = ""
    otherwise: str = ""

    def __post_init__(self) -> None:
        if not self.rows:
            parts = [part for _, template in self.heads for part in Formatter().parse(template)]
            object.__setattr__(self, "rows", tuple(name for _, name, _, _ in parts if name))
        named = {*self.rows, *self.where, *(cell.each for cell in self.cells), self.split} - {""}
        for cell in self.cells:
            named |= set(cell.where)
            _check_kinds(self.caption, cell.kind, cell.instead or cell.kind)
        if self.last is not None:
            _check_kinds(self.caption, self.last[1].get("kind", self.cells[0].kind))
            named |= set(self.last[1])
        _check_fields(self.caption, named)


@dataclass(frozen=True, slots=True)
class Lines:
    """A list of claims of a kind, a line each.

    Attributes
    ----------
    kind : str
        A key of `KINDS`.
    text : str
        The line: a template of the fields' names in people's words, and of the claim's `text`.
    otherwise : str
        Said where there is none.

    Raises
    ------
    ValueError
        If it names a kind that claims do not have.
    """

    kind: str
    text: str
    otherwise: str = ""

    def __post_init__(self) -> None:
        _check_kinds(self.text, self.kind)


# A text is the heading of what follows it, and left out where that is nothing.
Piece = Table | Lines | Callable[[ClaimBook], Html] | str


def _check_fields(name: str, found: set[str]) -> None:
    if found - FIELDS:
        raise ValueError(f"{name!r}: a claim has no field {', '.join(sorted(found - FIELDS))}")


def _check_kinds(name: str, *kinds: str) -> None:
    for kind in kinds:
        if kind not in KINDS:
            raise ValueError(f"{name!r}: there is no kind of claim called {kind!r}")


@dataclass(frozen=True, slots=True)
class _Grid:
    """One table filled: what it shows, and the claims in it."""

    caption: str
    columns: list[Column]
    rows: list[list[Part | None]]
    row_heads: int
    note: str
    claims: list[Claim]


def show(book: ClaimBook, *pieces: Piece | tuple[Piece, ...], metric: str = "") -> Html:
    """Return tables, lists and plain functions of the claims as one piece of the page.

    Parameters
    ----------
    book : ClaimBook
    pieces : Table, Lines, function of the book, text, or a tuple of these
        A text is the heading of what follows it, and left out where that is nothing.
    metric : str, optional
        In place of the metric that tables have.

    Returns
    -------
    Html
        Its frame holds the claims of the first table, a row each.

    Raises
    ------
    LookupError
        If a row of a table lacks a claim that is needed.
    """
    listed = [p for piece in pieces for p in (piece if isinstance(piece, tuple) else (piece,))]
    shown = [p if isinstance(p, str) else _piece_html(book, p, metric) for p in listed]
    parts = []
    for place, part in enumerate(shown):
        if isinstance(part, Html):
            parts.append(part.markup)
        elif any(isinstance(rest, Html) and rest.markup for rest in shown[place + 1 :]):
            parts.append(heading(part, level=3).markup)
    tables = [p for p in listed if isinstance(p, Table)]
    frame = (lambda: _table_frame(book, tables[0], metric)) if tables else None
    return Html("".join(parts), frame)


def _piece_html(book: ClaimBook, piece: Table | Lines | Callable[[ClaimBook], Html],
                metric: str) -> Html:  # fmt: skip
    """Return one declared piece, filled."""
    if isinstance(piece, Lines):
        claims = book.of_kind(piece.kind)
        named = [_words(book, c) | {"text": book.in_words(c.text)} for c in claims]
        lines = [piece.text.format_map(words) for words in named]
        return _or_said(bullet_list(lines), piece.otherwise)
    if not isinstance(piece, Table):
        return piece(book)
    said = mark_words(book)
    grids = _fill_table(book, piece, metric)
    made = [
        html_table(
            grid.caption,
            grid.columns,
            grid.rows,
            note=grid.note,
            row_heads=grid.row_heads,
            mark_words=said,
            locale=book.locale,
        ).markup
        for grid in grids
    ]
    return _or_said(Html("".join(made)), piece.otherwise)


def _or_said(piece: Html, otherwise: str) -> Html:
    return piece if piece.markup or not otherwise else paragraph(otherwise)


def _fill_table(book: ClaimBook, table: Table, metric: str = "") -> list[_Grid]:
    """Return a table filled from the claims, or one for each value of its `split`.

    Raises
    ------
    LookupError
        If a row lacks a claim that is needed.
    """
    metric = metric or table.metric
    where = {"metric": metric} if metric else {}
    where |= _resolved(table.where, {"own": book.product})
    grids = []
    for value in _sorted(book, _of_rows(book, table, where), table.split) if table.split else [""]:
        one = where | ({table.split: value} if table.split else {})
        grid = _grid(book, table, one, metric, value)
        if grid.rows:
            grids.append(grid)
    return grids


def _table_frame(book: ClaimBook, table: Table, metric: str = "") -> Any:
    """Return the claims a table shows as a DataFrame, a row each."""
    return claims_frame(c for grid in _fill_table(book, table, metric) for c in grid.claims)


def mark_words(book: ClaimBook) -> dict[str, str]:
    """Return what each mark on a figure means, by the mark.

    Those of prices and waivers are worded by the book: it has the names of kinds of prices, and
    which controls were waived.
    """
    beside = {
        f"beside_{kind}_prices": f"as observed ({words}), beside what is supposed of another"
        for kind, words in book.names.get("price_kinds", {}).items()
    }
    waived = {
        f"waived:{claim.metric}": f"{book.control_words(claim.metric)[0]} differs, waived: see "
        "Alike and not alike"
        for claim in book.of_kind("waiver")
    }
    there = {
        mark: f"{book.control_words(mark.removeprefix('waived:'))[0]} differs, waived there"
        for claim in book.of_kind("elsewhere")
        for mark in claim.marks
        if mark.startswith("waived:")
    }
    seals = book.names.get("review_seals", {})
    stated = {
        f"elsewhere:{name}": f'as stated in "{book.names["reviews"][name]}" of {day}, '
        + (f"sealed as {seals[name]}" if seals.get(name) else "which was not sealed")
        for name, day in book.names.get("review_days", {}).items()
    }
    assumed = {
        f"assumed:{sold['product']}": f"{book.product_name(sold['product'])} was not run: it has "
        f"the runs of {book.product_name(sold['of'])}, on the assumption: {sold['assumption']}"
        for sold in (book.settings.get("value") or {}).get("configurations", ())
    }
    return dict(MARKS) | assumed | beside | there | waived | stated


def _words(book: ClaimBook, claim: Claim) -> dict[str, str]:
    """Return people's words for what a claim's fields hold."""
    words = {name: book.name(name, getattr(claim, name), kind=claim.kind)
             for name in ("product", "baseline", "title", "group", "metric", "part")}  # fmt: skip
    where = (words["product"], words["title"], claim.run)
    return words | {"run": claim.run, "where": ", ".join(w for w in where if w)}


def _resolved(where: Where, row: Mapping[str, str]) -> dict[str, Any]:
    """Return what a declaration asks of fields, with the row's own fields put in."""
    return {n: v.format_map(row) if isinstance(v, str) else v for n, v in where.items()}


def _chosen(book: ClaimBook, kind: str, where: Where) -> list[Claim]:
    """Return the claims of a kind whose fields are, or pass, what `where` says."""
    exact = {name: wanted for name, wanted in where.items() if isinstance(wanted, str)}
    tests = [(name, wanted) for name, wanted in where.items() if not isinstance(wanted, str)]
    return [
        claim
        for claim in book.of_kind(kind, **exact)
        if all(test(getattr(claim, name)) for name, test in tests)
    ]


def _sorted(book: ClaimBook, claims: Sequence[Claim], name: str) -> list[str]:
    """Return the values of a field in claims, in the order of the book's names."""
    found = dict.fromkeys(getattr(claim, name) for claim in claims)
    names = list(book.family(name, claims[0].kind)) if claims else []
    return sorted(found, key=lambda v: names.index(v) if v in names else len(names))


def _of_rows(book: ClaimBook, table: Table, where: Where) -> list[Claim]:
    """Return the claims that make rows: of cells that do not look elsewhere than their row."""
    own = {"own": book.product}
    return [
        claim
        for cell in table.cells
        if not {*table.rows, *([table.split] if table.split else [])} & cell.where.keys()
        for claim in _chosen(book, cell.kind, {**where, **_resolved(cell.where, own)})
    ]


def _grid(book: ClaimBook, table: Table, where: dict[str, Any], metric: str, split: str) -> _Grid:
    """Return one table filled: `where` holds what every claim must be, `split` its own value."""
    making = _of_rows(book, table, where)
    keys = list(dict.fromkeys(tuple(getattr(c, n) for n in table.rows) for c in making))
    first = {tuple(getattr(c, n) for n in table.rows): c for c in reversed(making)}
    if table.last is not None:
        keys = [key for key in keys if all(key)]
    if table.order == "names":
        places = [_sorted(book, making, name) for name in table.rows]
        keys.sort(key=lambda key: [p.index(v) for p, v in zip(places, key, strict=True)])
    own = {"own": book.product}
    lookups = [{**where, **dict(zip(table.rows, key, strict=True))} for key in keys]
    names = [
        [template.format_map(_words(book, first[key])) for _, template in table.heads]
        for key in keys
    ]
    columns = _columns(table, book, where)
    kinds: list[str | None] = [None] * len(keys)
    if table.last is not None and keys:
        lookups.append({**where, **{k: v for k, v in table.last[1].items() if k != "kind"}})
        last = table.last[0]
        last = book.whole_words(last) if table.last[1].get("group") == "all" else last
        names.append([last, *[""] * (len(table.heads) - 1)])
        kinds.append(table.last[1].get("kind"))
    found: list[tuple[list[str], list[list[Claim]]]] = []
    for lookup, head, kind in zip(lookups, names, kinds, strict=True):
        row = {**own, **{k: v for k, v in lookup.items() if isinstance(v, str)}}
        cells = [_of_cell(book, cell, kind, lookup, each, row) for cell, each, _ in columns]
        shown = [claim for cell in cells for claim in cell]
        if not shown or (table.keep is not None and not table.keep(shown)):
            continue
        for (cell, each, _), claims in zip(columns, cells, strict=True):
            if cell.needed and not each and not claims and kind is None:
                raise LookupError(f"{table.caption!r}: no {cell.kind} for {', '.join(head)}")
        found.append((head, cells))
    texts = {
        "metric": book.name("metric", metric, kind="cell"),
        "own": book.own_name,
        "split": book.name(table.split, split, kind=making[0].kind) if split and making else split,
        "count": len(found),
        "runs": len(book.runs),
        "settings": book.settings,
    }
    texts["Metric"] = str(texts["metric"]).capitalize()
    made = [Column(name.format_map(texts)) for name, _ in table.heads]
    for place, (cell, _, name) in enumerate(columns):
        claims = [claim for _, cells in found for claim in cells[place]]
        alone = all(len(cells[place]) < 2 for _, cells in found)
        number = alone and any(claim.is_figure for claim in claims)
        words = cell.head.format_map(texts | {"each": name})
        made.append(Column(words, _common_unit(claims), number, cell.outcomes))
    return _Grid(
        table.caption.format_map(texts),
        made,
        [[*head, *(_part(book, cell) for cell in cells)] for head, cells in found],
        len(table.heads),
        book.in_words(table.note.format_map(texts)),
        [claim for _, cells in found for cell in cells for claim in cell],
    )


def _columns(table: Table, book: ClaimBook, where: dict[str, Any]) -> list[tuple[Cell, str, str]]:
    """Return each column's cell, with the value and name of its `each`; cells side by side that
    are repeated over one field are repeated together."""
    columns = []
    for each, group in groupby(table.cells, key=lambda cell: cell.each):
        cells = list(group)
        if not each:
            columns += [(cell, "", "") for cell in cells]
            continue
        own = {"own": book.product}
        wheres = [(cell.kind, {**where, **_resolved(cell.where, own)}) for cell in cells]
        claims = [claim for kind, of_kind in wheres for claim in _chosen(book, kind, of_kind)]
        for value in _sorted(book, claims, each):
            name = book.name(each, value, kind=cells[0].kind)
            columns += [
                (cell, value, name)
                for cell, (kind, of_kind) in zip(cells, wheres, strict=True)
                if cell.needed or _chosen(book, kind, {**of_kind, each: value})
            ]
    return columns


def _of_cell(
    book: ClaimBook,
    cell: Cell,
    kind: str | None,
    lookup: Mapping[str, Any],
    each: str,
    row: Mapping[str, str],
) -> list[Claim]:
    where = {**lookup, **_resolved(cell.where, row), **({cell.each: each} if each else {})}
    if cell.instead and kind is None:
        fields_of = {k: v for k, v in where.items() if k not in {"metric", "part"}}
        if said := _chosen(book, cell.instead, fields_of):
            return said[:1]
    claims = _chosen(book, kind or cell.kind, where)
    return claims if not claims or claims[0].is_figure else claims[:1]


def _part(book: ClaimBook, claims: Sequence[Claim]) -> Part | None:
    """Return what a cell shows: a figure, words, or several figures with their outcomes."""
    if not claims:
        return None
    if len(claims) == 1:
        return claims[0] if claims[0].is_figure else book.in_words(claims[0].text)
    return Html(", ".join(f"{part_html(claim)} {claim.outcome}" for claim in claims))


def _common_unit(claims: Sequence[Claim]) -> str:
    """Return the unit that every figure of a column is printed with; "" where there is none."""
    figures = [claim for claim in claims if claim.is_figure]
    units = {claim.unit for claim in figures}
    if len(units) != 1:
        return ""
    unit = units.pop()
    unit = "%" if unit in {"ratio", "share"} else unit.removesuffix("/fps")
    printed = all(c.text.endswith(NBSP + unit) or c.text.startswith(unit + NBSP) for c in figures)
    return unit if printed else ""
