"""HTML fragments of a report: figure links, tables, pictures, bound text, filled templates.

Pure functions on plain data. Whatever comes from a bench (names, notes, file names) is escaped
here, once. What a fragment looks like is settled in `page.css`; nothing carries a style attribute,
so the page's content policy can forbid them. Templates lie in `kit/page/templates`: they hold
markup and no rules; what is said and in which order comes from the functions that fill them.
"""

from __future__ import annotations

import base64
import html
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Literal

from markupsafe import Markup

from kit.claims.bound_text import BoundText, Reference, size_text, with_currency_sign, write_marks
from kit.claims.claim import Claim
from kit.package import PACKAGE
from kit.rounding import NBSP, OUTCOME_SIGNS, words_of

TURNING = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"  # would show a text as another
WRAPPER = '<div class="marginbook">'
FIGURE_SPACE, POINT_SPACE = "\u2007", "\u2008"  # as wide as a digit, as a decimal mark
MARK_LETTERS = "abcdefghijklmnopqrstuvwxyz"


@dataclass(frozen=True, slots=True)
class Html:
    """A piece of HTML that is already escaped, shown as such in a notebook.

    Attributes
    ----------
    markup : str
        The HTML. Whoever makes a piece answers for its being escaped.
    frame : DataFrame, function that makes it, or None
        What is behind a table, where there is one; made when it is asked for.
    article : bool
        Whether it is of the article: a notebook then shows it in the page's own style.
    """

    markup: str
    frame: Any = field(default=None, compare=False)
    article: bool = field(default=False, compare=False)

    def _repr_html_(self) -> str:
        style = _notebook_style() + (_article_style() if self.article else "")
        return f"{WRAPPER}<style>{style}</style>{self.markup}</div>"

    def __repr__(self) -> str:
        """Return a short text: the markup itself would drown a prompt."""
        return f"Html({len(self.markup)} characters)"

    def to_frame(self) -> Any:
        """Return the DataFrame behind this piece.

        Raises
        ------
        ValueError
            If it is not a table.
        """
        if self.frame is None:
            raise ValueError("this piece of the page is not a table")
        return self.frame() if callable(self.frame) else self.frame


Part = str | Html | Claim


@dataclass(frozen=True, slots=True)
class Printed:
    """A claim in the form it is printed in.

    Attributes
    ----------
    claim : Claim
    text : str
        One of the claim's `printed_forms`: `verify` refuses any other.
    """

    claim: Claim
    text: str


@lru_cache(maxsize=1)
def _notebook_style() -> str:
    """Return the style of pieces shown in a notebook; the exporter drops style elements."""
    sheet = (PACKAGE / "page" / "notebook.css").read_text(encoding="utf-8")
    return sheet.partition("*/")[2].strip()


@lru_cache(maxsize=1)
def _article_style() -> str:
    """Return the page's style for an article's piece in a notebook: within the piece alone, by the
    width of the cell instead of the window's, dark by the notebook's theme instead of the
    system's, and without what is of print."""
    sheet = (PACKAGE / "page" / "page.css").read_text(encoding="utf-8").partition("@page")[0]
    sheet = re.sub(r"/\*.*?\*/\s*", "", sheet, flags=re.DOTALL)
    dark = r"@media screen and \(prefers-color-scheme: dark\) \{\s*:root (\{[^}]*\})\s*\}"
    sheet = re.sub(dark, r'[data-jp-theme-light="false"] & \1', sheet)
    sheet = sheet.replace(":root {", "& {").replace("@media screen and (max", "@container (max")
    return f".marginbook.marginbook {{ {sheet} }}"


def text_html(text: str) -> str:
    """Return text as HTML: markup escaped, what HTML may not hold (control characters, code
    points that are none) shown as U+FFFD, right-to-left runs kept apart from their surroundings.

    Notes
    -----
    What HTML may not hold: HTML Living Standard, 13.2.3.5, "Preprocessing the input stream". That
    marks of direction can show a text as another: Unicode Technical Report 36, 2.4.

    >>> text_html('<b>"A" & B</b>')
    '&lt;b&gt;&quot;A&quot; &amp; B&lt;/b&gt;'
    """
    if text.isascii() and text.isprintable():
        return html.escape(text)
    clean = "".join("\ufffd" if _never_in_html(char) else char for char in text)
    escaped = html.escape(clean)
    turned = {"R", "AL", "AN", "RLE", "RLO", "LRE", "LRO", "RLI", "LRI", "FSI", "PDF", "PDI"}
    if any(unicodedata.bidirectional(char) in turned for char in clean):
        return f'<bdi dir="auto">{escaped}</bdi>'
    return escaped


def _never_in_html(char: str) -> bool:
    """Whether a page may not hold a character: a control, a lone surrogate, a noncharacter, or a
    mark that turns the direction of what follows it."""
    if char in TURNING:
        return True
    if unicodedata.category(char) in {"Cc", "Cs"}:
        return char not in "\n\t"
    return 0xFDD0 <= ord(char) <= 0xFDEF or ord(char) & 0xFFFE == 0xFFFE


def part_html(part: Part) -> str:
    """Return the HTML of a piece of content.

    Parameters
    ----------
    part : str, Html or Claim
        Text is escaped, HTML stays as it is, a claim becomes a link to its trace.
    """
    if isinstance(part, Html):
        return part.markup
    if isinstance(part, Claim):
        return figure_link(part)
    return text_html(part)


def data_html(claim: Claim, *, unit: str = "") -> str:
    """Return a claim's printed figure with its machine value.

    Parameters
    ----------
    claim : Claim
    unit : str, optional
        What a table's head gives already: it is marked for the page's style to hide. The text
        stays whole (`claim.text`), so that it can be compared with `claims.json`.
    """
    text = claim.text
    before, after = "", ""
    if unit and text.endswith(NBSP + unit):
        text, after = text[: -len(unit) - 1], f"<i>{NBSP}{text_html(unit)}</i>"
    elif unit and text.startswith(unit + NBSP):
        text, before = text[len(unit) + 1 :], f"<i>{text_html(unit)}{NBSP}</i>"
    return _with_value(claim, before + text_html(text) + after)


def _with_value(claim: Claim, shown: str) -> str:
    """Return markup of a claim with its machine value, where it has one."""
    return shown if claim.value is None else f'<data value="{claim.value!r}">{shown}</data>'


def _linked(claim: Claim, shown: str, css: str = "") -> Markup:
    """Return markup of a claim as a link to its trace."""
    return Markup(f'<a class="fig{css}" href="#{claim.anchor}">{shown}</a>')


def _printed_link(claim: Claim, text: str) -> Markup:
    """Return a claim's figure in one of its printed forms, as a link to its trace."""
    return _linked(claim, _with_value(claim, text_html(text)))


def figure_link(claim: Claim, *, unit: str = "") -> str:
    """Return a claim's figure as a link to its trace; `unit` is what a head gives already."""
    return str(_linked(claim, data_html(claim, unit=unit)))


def outcome_html(outcome: str) -> str:
    """Return an outcome's word; the page's style sets its sign before it.

    Parameters
    ----------
    outcome : str
        A key of `OUTCOME_SIGNS`; any other word is text.
    """
    if outcome not in OUTCOME_SIGNS:
        return text_html(outcome)
    return f'<span class="outcome {outcome}">{outcome}</span>'


def paragraph(*parts: Part, css: str = "") -> Html:
    """Return a paragraph of text, figures and pieces.

    Parameters
    ----------
    *parts : str, Html or Claim
        One after another, without a space between them.
    css : str, optional
        Its class.
    """
    kind = f' class="{css}"' if css else ""
    return Html(f"<p{kind}>{''.join(part_html(p) for p in parts)}</p>")


def bullet_list(items: Iterable[Part | Sequence[Part]], *, css: str = "") -> Html:
    """Return a bulleted list; nothing where there is no item.

    Parameters
    ----------
    items : iterable of parts
        An item may be several parts in a row.
    css : str, optional
        The list's class.
    """
    kind = f' class="{css}"' if css else ""
    rows = "".join(f"<li>{_joined(item)}</li>" for item in items)
    return Html(f"<ul{kind}>{rows}</ul>" if rows else "")


def heading(text: str, *, level: Literal[2, 3, 4]) -> Html:
    """Return a heading.

    Parameters
    ----------
    text : str
    level : {2, 3, 4}
        A heading of level 2 opens a part of the page.
    """
    return Html(f"<h{level}>{text_html(text)}</h{level}>")


def joined(*pieces: Html) -> Html:
    """Return pieces one after another."""
    return Html("".join(piece.markup for piece in pieces))


def page_head(title: str, *, byline: str, date: str) -> Html:
    """Return the head of the page: its title, who wrote it and when.

    Parameters
    ----------
    title, byline : str
    date : str
        An ISO date.
    """
    return Html(
        f'<hgroup class="page-head" lang="en"><h1>{text_html(title)}</h1>'
        f'<p class="byline">{text_html(byline)}, '
        f'<time datetime="{html.escape(date)}">{text_html(date)}</time></p></hgroup>'
    )


def _joined(item: Part | Sequence[Part]) -> str:
    if isinstance(item, str | Html | Claim):
        return part_html(item)
    return "".join(part_html(part) for part in item)


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table.

    Attributes
    ----------
    head : str
    unit : str
        Stands in the head, and is then left out of every cell.
    number : bool
        Whether it holds figures: their decimal marks stand in line.
    outcomes : bool
        Whether sign and word of a claim's outcome stand behind its interval.
    """

    head: str
    unit: str = ""
    number: bool = False
    outcomes: bool = False


def html_table(
    caption: str,
    columns: Sequence[Column],
    rows: Sequence[Sequence[Part | None]],
    *,
    note: Part = "",
    row_heads: int = 1,
    mark_words: Mapping[str, str] | None = None,
    locale: str = "en",
    frame: Any = None,
) -> Html:
    """Return a table in a labelled box that scrolls sideways where it must.

    Parameters
    ----------
    caption : str
        States the result, not the topic. Unique in the page: it also labels the box.
    columns : sequence of Column
    rows : sequence of rows, each with a part (text, HTML, claim) or None per column
        A claim in a number column is shown with its interval, and with a letter for each of its
        marks; the letters are explained under the table. None is an empty cell.
    note : str, Html or Claim, optional
        Stands under the table.
    row_heads : int
        How many cells at the start of a row are its heading.
    mark_words : mapping of str to str, optional
        What a mark means, for the explanation; a mark not in it is shown as it is.
    locale : str
        Which decimal mark figures are printed with.
    frame : DataFrame or function that makes it, optional
        What `Html.to_frame` gives.

    Raises
    ------
    ValueError
        If a row is longer or shorter than `columns`.
    """
    for row in rows:
        if len(row) != len(columns):
            raise ValueError(f"{caption!r}: a row of {len(row)} cells, {len(columns)} columns")
    letters: dict[str, str] = {}
    parts = [[row[i] for row in rows] for i in range(len(columns))]
    kinds = [_number_class(*pair) for pair in zip(columns, parts, strict=True)]
    heads = list(zip(columns, kinds, strict=True))
    # Where every cell but the row's head is a plain number, the table says so once.
    plain = set(kinds[row_heads:]) == {"n"}
    if plain:
        kinds[row_heads:] = [""] * len(kinds[row_heads:])
    decimal = words_of(locale).decimal
    cells = [
        _column_cells(column, found, letters, decimal)
        for column, found in zip(columns, parts, strict=True)
    ]
    given = {"caption": caption, "heads": heads, "kinds": kinds, "plain": plain,
             "rows": [map(Markup, row) for row in zip(*cells, strict=True)], "row_heads": row_heads,
             "note": Markup(part_html(note)), "letters": letters,
             "mark_words": mark_words or {}}  # fmt: skip
    return Html(render("table", **given).markup, frame)


def _number_class(column: Column, parts: Sequence[Part | None]) -> str:
    """Return the class of a number column: from the right, or from the left with intervals."""
    if not column.number:
        return ""
    return "n m" if any(isinstance(part, Claim) and part.interval for part in parts) else "n"


def _column_cells(
    column: Column, parts: Sequence[Part | None], letters: dict[str, str], decimal: str
) -> list[str]:
    """Return the cells of one column, numbers padded so that decimal marks stand in line."""
    if not column.number:
        return ["" if p is None else _text_cell(p, column, letters) for p in parts]
    texts = [_figure_text(p, column.unit) for p in parts]
    places = [_decimals(text, decimal) for text in texts]
    most = max((n for n in places if n is not None), default=0)
    before = [
        len(text) - (place + 1 if place else 0)
        for text, place in zip(texts, places, strict=True)
        if place is not None
    ]
    widest = max((len(p.interval) for p in parts if isinstance(p, Claim)), default=0)
    cells = []
    for part, text, place in zip(parts, texts, places, strict=True):
        if part is None:
            cells.append("")
            continue
        missing = 0 if place is None else most - place
        pad = FIGURE_SPACE * missing + (POINT_SPACE if missing and place == 0 else "")
        if not isinstance(part, Claim):
            shown = part_html(part)
            words = place is None and isinstance(part, str)
            cells.append(f'<span class="words">{shown}</span>' if words else shown + pad)
            continue
        cell = figure_link(part, unit=column.unit) + pad
        if widest:  # set from the left, so the figure itself is padded there too
            lead = 0 if place is None else max(before) - len(text) + (place + 1 if place else 0)
            cell = FIGURE_SPACE * lead + cell
            cell += f'<span class="iv iv{_width_class(widest)}">{text_html(part.interval)}</span>'
        if column.outcomes and part.outcome:
            cell += f" {outcome_html(part.outcome)}"
        cells.append(cell + _mark_letters(part, letters))
    return cells


def _text_cell(part: Part, column: Column, letters: dict[str, str]) -> str:
    if isinstance(part, Claim):
        interval = f' <span class="iv">{text_html(part.interval)}</span>' if part.interval else ""
        return figure_link(part, unit=column.unit) + interval + _mark_letters(part, letters)
    return part_html(part)


def _figure_text(part: Part | None, unit: str) -> str:
    """Return the text of a cell's figure without the unit its head gives."""
    if part is None or isinstance(part, Html):
        return ""
    text = part.text if isinstance(part, Claim) else part
    return text.removesuffix(NBSP + unit).removeprefix(unit + NBSP)


def _decimals(text: str, decimal: str) -> int | None:
    """Return how many decimals a figure is printed with; None where it is no figure.

    >>> _decimals("+1,234.50", "."), _decimals("867", "."), _decimals("not measured", ".")
    (2, 0, None)
    """
    found = re.fullmatch(rf"[^\d]?[\d\W]*?\d(?:{re.escape(decimal)}(\d+))?", text)
    return None if found is None else len(found.group(1) or "")


def _width_class(characters: int) -> int:
    """Return the step of `page.css` (classes iv6 to iv26) that holds so many characters."""
    return min(26, max(6, characters + characters % 2))


def _mark_letters(claim: Claim, letters: dict[str, str]) -> str:
    for mark in claim.marks:
        if mark not in letters:
            number = len(letters)
            letters[mark] = MARK_LETTERS[number % 26] * (1 + number // 26)
    found = ",".join(letters[mark] for mark in claim.marks)
    return f"<sup>{found}</sup>" if found else ""


def image_figure(
    data: bytes,
    *,
    mime: Literal["image/png", "image/svg+xml"],
    caption: str,
    alt: str,
    note: str = "",
    table: Html | None = None,
) -> Html:
    """Return a picture with its caption, the picture in words, a note, and its numbers in a table.

    Parameters
    ----------
    data : bytes
        The picture; it becomes part of the page, which loads nothing.
    mime : {"image/png", "image/svg+xml"}
    caption : str
        States the result, not the topic.
    alt : str
        What the picture shows, for a reader who cannot see it.
    note : str, optional
        Stands under it.
    table : Html, optional
        Its numbers, closed until they are asked for.

    Raises
    ------
    ValueError
        If `alt` is empty: a picture without words is lost on a reader who cannot see it.
    """
    if not alt.strip():
        raise ValueError(f"the picture {caption!r} has no text to stand for it")
    source = f"data:{mime};base64,{base64.b64encode(data).decode()}"
    shown = None if table is None else Markup(table.markup)
    return render("figure", caption=caption, source=source, alt=alt, note=note, table=shown)


# --- templates ---


def render(template: str, **given: Any) -> Html:
    """Return a template filled with what is given, as a piece of the page.

    Parameters
    ----------
    template : str
        Its name in `kit/page/templates`, without the ending.
    given : any
        What it names; a name it does not find is an error.
    """
    return Html(_environment().get_template(f"{template}.html.j2").render(given).strip())


@lru_cache(maxsize=1)
def _environment() -> Any:
    """Return the templates' environment: everything escaped, nothing undefined."""
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(PACKAGE / "page" / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters |= {
        "fig": lambda claim: _printed_link(claim, claim.text),
        "money": lambda claim, locale: _printed_link(claim, with_currency_sign(claim, locale)),
        "size": lambda claim: _printed_link(claim, size_text(claim)),
        # Without its unit, which the column's head gives, and without a link.
        "plain": lambda claim: Markup(data_html(claim, unit=claim.unit) if claim else ""),
        # A margin, its percent sign given by the head. Figures of panels that may be hidden have a
        # class of their own: a link back does not lead there.
        "bare": lambda claim, css: _linked(claim, data_html(claim, unit="%"), css),
        "data": lambda claim, unit="": Markup(data_html(claim, unit=unit)),
        "parts": _sentence,
        "sign": lambda outcome: OUTCOME_SIGNS.get(outcome, OUTCOME_SIGNS["unresolved"]),
        "shown": lambda text: Markup(text_html(text)),
        # A short number stays on the line of the word before it: "Fennock 9".
        "heading": lambda text: Markup(text_html(re.sub(r" (?=\d{1,2}(?![\w.,]*\d))", NBSP, text))),
    }
    return environment


def _sentence(parts: Iterable[str | Printed]) -> Markup:
    """Return a sentence, its figures as links to their traces."""
    return Markup(
        "".join(
            _printed_link(part.claim, part.text) if isinstance(part, Printed) else text_html(part)
            for part in parts
        )
    )


# --- bound text ---


def show_text(text: BoundText | None) -> Html:
    """Return a bound text as HTML, each figure and each bound word a link to its trace.

    Parameters
    ----------
    text : BoundText or None
        Markdown whose references are bound to claims; None gives an empty piece. Markup in it is
        shown as text. Headings start at level 2: the text is a part of the page.
    """
    if text is None:
        return Html("")
    from markdown_it import MarkdownIt

    links: list[Markup] = []

    def hold_place(reference: Reference) -> str:
        claim = reference.claim
        if reference.judged is None:
            links.append(_printed_link(claim, reference.text))
        elif claim.is_figure:
            said = text_html(reference.text)
            links.append(Markup(f'<a class="said" href="#{claim.anchor}">{said}</a>'))
        else:  # a statement has no trace of its own
            links.append(Markup(text_html(reference.text)))
        return f"\ue000{len(links) - 1}\ue001"

    source = text.render(hold_place)
    source = write_marks(source, text.language)
    # No raw HTML and no pictures: the page loads nothing, and prose cannot add to it.
    reader = MarkdownIt("commonmark", {"html": False}).enable("table").disable("image")
    markup = str(reader.render(source))
    markup = re.sub(r"<(/?)h([1-6])>", lambda m: f"<{m[1]}h{min(6, int(m[2]) + 1)}>", markup)
    return Html(re.sub("\ue000(\\d+)\ue001", lambda m: links[int(m[1])], markup))
