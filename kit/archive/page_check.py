"""The page, the notebook behind it and the tables, compared with the claims and those made again.

Nothing of the bag is run. Equal bytes prove all at once (`remake`); where they differ, what is here
says what and where.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, Any, Literal

from pydantic import BaseModel, Field, ValidationError

from kit.archive.remake import CLAIMS_PATH, Fresh, first_apart, same_figure
from kit.archive.unbag import Bag
from kit.claims.bound_text import printed_forms
from kit.claims.claim import CLAIMS_FORMAT, TRACE, Claim, ClaimBook
from kit.errors import Finding, KitError, SealError
from kit.package import kit_version
from kit.page.assemble import ATTRIBUTES, IMAGE_SOURCE, TAGS, build_page
from kit.page.html import WRAPPER
from kit.page.outputs import result_frames
from kit.page.words import words_in
from kit.report.report import closing_of
from kit.rounding import table_csv

NOTEBOOK_PATH = "data/executed.ipynb"
PAGE_PATH = "data/report.html"
_FRAME = {"html", "head", "meta", "title", "style", "body", "header", "main", "footer"}
_POLICY = "default-src 'none'"
_PADDING = "\u2007\u2008"
_BACK = re.compile(r"#s\d+")  # what links back lead to, in a page as it was put together
_BLOCKS = {"td", "th", "li", "br", "p", "tr", "dt", "dd", "caption", "section", "h2", "h3", "h4"}
MAX_CELLS = 2000  # of a notebook; the largest template has about forty


class _Output(BaseModel):
    """What a cell shows."""

    output_type: str
    data: dict[str, Any] = {}


class _Cell(BaseModel):
    """A cell, in the form 4.5 of nbformat (which a core install has not)."""

    id: str
    source: str | list[str]


class _CodeCell(_Cell):
    """A cell that ran, or would have."""

    cell_type: Literal["code"]
    execution_count: int | None
    outputs: list[_Output]


class _WordsCell(_Cell):
    """A cell of words."""

    cell_type: Literal["markdown", "raw"]


class _Notebook(BaseModel):
    """An executed notebook, as far as anything here reads it."""

    cells: list[Annotated[_CodeCell | _WordsCell, Field(discriminator="cell_type")]] = Field(
        max_length=MAX_CELLS
    )
    metadata: dict[str, Any]


def check_report(
    bag: Bag, book: ClaimBook, fresh: Fresh | None, made: Mapping[str, Any] | None = None
) -> tuple[list[Finding], str]:
    """Compare page, notebook and tables of a bag.

    Parameters
    ----------
    bag : Bag
    book : ClaimBook
        The claims as stated in the bag.
    fresh : Fresh or None
        The review made afresh; None where that was not possible.
    made : mapping, optional
        The notebook made again, where it was.

    Returns
    -------
    list of Finding, and what was compared, in words

    Notes
    -----
    Pages and notebooks of other versions are not built again: their figures and tables are
    compared with the claims that stand beside them, and those with the logs.
    """
    findings: list[Finding] = []
    said = ["figures of the page"]
    same_kit = (book.kit_version, book.file_format) == (kit_version(), CLAIMS_FORMAT)
    page = _bytes_of(bag, PAGE_PATH, findings)
    notebook = read_notebook(bag, findings)
    if page is not None:
        findings += _check_page(page, book)
    if notebook is not None:
        findings += _closed(bag, book, notebook)
    if same_kit and page is not None and notebook is not None:
        findings += _rebuilt(page, notebook)
        said.append("the page against its notebook")
    if made is not None and notebook is not None:
        findings += _compare_cells(notebook, made)
        said.append(f"{len(made['cells'])} cells")
    if fresh is not None:
        findings += _compare_tables(bag, fresh.book if same_kit else book, same_kit=same_kit)
        said.append("tables")
    words = ", ".join(said) + " compared"
    if not same_kit:
        words += f"; made by version {book.kit_version}, so the page was not built again"
    return findings, words


def _bytes_of(bag: Bag, path: str, findings: list[Finding]) -> bytes | None:
    """Return the bytes of a file of the bag, or None; what is wrong becomes a finding."""
    if path not in bag.files:
        findings.append(Finding(path, "this file in the bag", "it is missing"))
        return None
    try:
        return bag.read(path)
    except SealError as error:
        findings.append(Finding(path, "a file that can be read", str(error)))
        return None


def read_notebook(bag: Bag, findings: list[Finding]) -> dict[str, Any] | None:
    """Return the executed notebook of a bag as plain data; what is wrong becomes a finding.

    Parameters
    ----------
    bag : Bag
    findings : list of Finding
        Gets what is wrong with it.

    Returns
    -------
    dict or None
        None where it is missing or no notebook.
    """
    if NOTEBOOK_PATH not in bag.files:
        findings.append(Finding(NOTEBOOK_PATH, "this file in the bag", "it is missing"))
        return None
    try:
        notebook: dict[str, Any] = bag.read_json(NOTEBOOK_PATH)
        _Notebook.model_validate(notebook, strict=True)
    except (SealError, ValidationError) as error:
        told = error.errors()[0] if isinstance(error, ValidationError) else None
        why = str(error) if told is None else f"{'.'.join(map(str, told['loc']))}: {told['msg']}"
        found = f"not one: {why:.200}"
        findings.append(Finding(NOTEBOOK_PATH, "an executed notebook", found))
        return None
    return notebook


def closing_said(notebook: Mapping[str, Any]) -> tuple[str, str] | None:
    """Return review and claims hash that an executed notebook closed with; None if it did not.

    A cell that failed or did not run counts as not closed.

    Raises
    ------
    KeyError, TypeError
        If it has not the form of an executed notebook.
    """
    for cell in notebook["cells"]:
        if cell["cell_type"] == "code" and (
            cell["execution_count"] is None
            or any(output["output_type"] == "error" for output in cell["outputs"])
        ):
            return None
    said = closing_of(notebook)
    return None if said is None else (str(said["review"]), str(said["claims_sha256"]))


def _closed(bag: Bag, book: ClaimBook, notebook: Mapping[str, Any]) -> Iterator[Finding]:
    """Yield a finding if the notebook did not end with the claims that are in the bag."""
    place = f"{NOTEBOOK_PATH} # closing"
    try:
        said = closing_said(notebook)
    except (KeyError, TypeError, AttributeError):
        said = None
    digest = bag.digest(CLAIMS_PATH)
    if said is None:
        yield Finding(place, "a notebook that ran to its end", "one that did not")
    elif said != (book.review, digest):
        yield Finding(place, f"{book.review}, claims.json with SHA-256 {digest}",
                      f"{said[0]}, SHA-256 {said[1]}")  # fmt: skip


def _rebuilt(page: bytes, notebook: Mapping[str, Any]) -> list[Finding]:
    """Return a finding where the page is not what this version makes of its notebook.

    One finding for the first place where they differ is enough: what follows may only be shifted.
    """
    try:
        built = build_page(notebook)
    except (KitError, KeyError, TypeError, AttributeError, ValueError) as error:
        found = f"none: {error}"[:200]
        return [Finding(NOTEBOOK_PATH, "a notebook that a page can be made of", found)]
    if built.encode() == page:
        return []
    place, expected, found = first_apart(built, page.decode("utf-8", "replace"))
    return [_finding(place, expected, found)]


def _compare_cells(notebook: Mapping[str, Any], made: Mapping[str, Any]) -> Iterator[Finding]:
    """Yield a finding for each cell that is not as in the notebook made again, by its id: its
    code, the words it shows, then how they are written."""
    left = {cell["id"]: cell for cell in made["cells"]}
    for cell in notebook["cells"]:
        source = "".join(cell["source"])
        place = f"cell {cell['id'] or source[:40]}"
        own = left.pop(cell["id"], None)
        if own is None:
            expected = "only cells of this version's own template"
            yield Finding(f"{NOTEBOOK_PATH} # {place}", expected, source[:160] or "no code")
            continue
        made_here, shown = (
            "".join(map(_markup_of, side.get("outputs", ()))) for side in (own, cell)
        )
        pairs = (
            ("".join(own["source"]), source), (_plain_words(made_here), _plain_words(shown)),
            (made_here, shown),
        )  # fmt: skip
        for one, other in pairs:
            if one != other:
                yield from _compare_text(NOTEBOOK_PATH, place, one, other)
                break
    for name in left:
        yield Finding(f"{NOTEBOOK_PATH} # cell {name}", "this cell of the template", "none")


def _markup_of(output: Mapping[str, Any]) -> str:
    """Return an output's own HTML, without the wrapper and its style."""
    data = output.get("data", {})
    markup = "".join(data.get("text/html", "")) if isinstance(data, Mapping) else ""
    if markup.startswith(WRAPPER):
        inside = markup.removeprefix(WRAPPER).removesuffix("</div>")
        return inside.partition("</style>")[2] if inside.startswith("<style>") else inside
    return markup


def _compare_tables(bag: Bag, book: ClaimBook, *, same_kit: bool) -> list[Finding]:
    """Return a finding for each cell of the result tables that is not what the claims say.

    Tables of other versions are passed over where they are not there or not by the claims' ids.
    """
    findings: list[Finding] = []
    for name, frame in result_frames(book).items():
        path = f"data/tables/{name}.csv"
        if path in bag.files or same_kit:
            data = _bytes_of(bag, path, findings)
            if data is not None and (same_kit or data.startswith(b"id,")):
                findings += _compare_csv(path, table_csv(frame), data, strict=same_kit)
    return findings


def _compare_csv(path: str, expected: str, data: bytes, *, strict: bool) -> list[Finding]:
    """Return a finding for each cell of a table that differs by more than its last bits.

    Unless `strict`, columns only one of the two has are passed over, and reasons in words, which
    another version may word otherwise: their rows, rules and figures still have to be the same.
    """
    if data == expected.encode():
        return []
    try:
        found = list(csv.reader(io.StringIO(data.decode("utf-8"), newline=""), strict=True))
    except (UnicodeDecodeError, csv.Error) as error:
        return [Finding(path, "a table", f"not one: {error}")]
    wanted = list(csv.reader(io.StringIO(expected, newline="")))
    return list(_cells_apart(path, wanted, found, strict))


def _cells_apart(
    path: str, wanted: Sequence[Sequence[str]], found: Sequence[Sequence[str]], strict: bool
) -> Iterator[Finding]:
    """Yield a finding for each cell of a table that differs, or where its form does.

    Parameters
    ----------
    path : str
        Of the table, in the bag.
    wanted, found : sequence of sequence of str
        Rows as made afresh and as there, the first the names of the columns.
    strict : bool
        Whether the columns must be the same.
    """
    if not found or (strict and list(found[0]) != list(wanted[0])):
        columns = ", ".join(found[0]) if found else "nothing"
        yield Finding(f"{path} # row 1", ", ".join(wanted[0]), columns)
        return
    if len(found) != len(wanted):
        yield Finding(path, f"{len(wanted) - 1} rows", f"{len(found) - 1} rows")
        return
    shared = [name for name in wanted[0] if name in found[0] and (strict or name != "reason")]
    places = [(name, found[0].index(name)) for name in shared]
    for number, (row, other) in enumerate(zip(wanted[1:], found[1:], strict=True), start=2):
        if len(other) != len(found[0]):
            yield Finding(f"{path} # row {number}", f"{len(found[0])} cells", f"{len(other)}")
            continue
        for place, name in enumerate(wanted[0]):
            at = dict(places).get(name)
            if at is not None and not _same_cell(row[place], other[at]):
                where = f"{path} # row {number} ({row[0]}), {name}"
                yield Finding(where, row[place] or "nothing", other[at] or "nothing")


def _same_cell(one: str, other: str) -> bool:
    """Return whether two cells are equal but for the last bits of a figure."""
    if one == other:
        return True
    try:
        return same_figure(float(one), float(other))
    except ValueError:
        return False


def _check_page(data: bytes, book: ClaimBook) -> list[Finding]:
    """Return a finding for each figure of a page that is not its claim's, and for what may harm.

    Parameters
    ----------
    data : bytes
        The page.
    book : ClaimBook
        The claims its figures link to.
    """
    root = _parse(data)
    if root is None:
        return [_finding("", "a page that can be parsed", "not one")]
    findings = list(_harmful(root))
    # Pages made earlier have the claim's whole id as its place.
    claims = {"trace-" + claim.id.replace("/", "."): claim for claim in book.figures}
    claims |= {claim.anchor: claim for claim in book.figures}
    shown = 0
    for link in root.iter("a"):
        if "fig" in link.get("class", "").split():
            shown += 1
            findings += _figure(link, claims, book)
    if not shown and book.figures:
        findings.append(_finding("", "figures that link to claims", "none"))
    for element in root.iter("div", "li", "td"):
        anchor = element.get("id", "")
        if anchor.startswith((TRACE, "trace-")):
            if anchor in claims:  # a div has its figure in the summary before it
                entry = element.getparent() if element.tag == "div" else element
                findings += _value(entry, claims[anchor], book)
            else:
                findings.append(_finding(anchor, "the entry of a claim", "no such claim"))
    return findings


def _compare_text(path: str, place: str, expected: str, found: str) -> list[Finding]:
    """Return a finding where two texts differ first, or nothing where they do not."""
    if expected == found:
        return []
    return [Finding(f"{path} # {place}", *first_apart(expected, found)[1:])]


def _plain_words(markup: str) -> str:
    """Return the words of a piece of HTML, white space and links back aside."""
    root = _parse(f"<body>{markup}</body>".encode())
    return "" if root is None else _text(root)


def _finding(place: str, expected: str, found: str) -> Finding:
    """Return a finding in the page."""
    return Finding(f"{PAGE_PATH} # {place}" if place else PAGE_PATH, expected, found)


def _parse(data: bytes) -> Any:
    """Return the tree of a page, or None where it is none."""
    from lxml import etree

    # Limits on depth and text size stay in force (huge_tree is off); nothing is loaded.
    parser = etree.HTMLParser(encoding="utf-8", no_network=True, huge_tree=False)
    try:
        return etree.fromstring(data, parser)
    except (etree.XMLSyntaxError, ValueError):
        return None


def _text(element: Any) -> str:
    """Return an element's words: white space as one space, links back and folds of code aside."""
    from lxml import etree

    words: list[str] = []
    walk = etree.iterwalk(element, events=("start", "end", "comment", "pi"))
    for event, node in walk:
        if event == "start":
            if "back" in node.get("class", "").split() or _BACK.fullmatch(node.get("href", "")):
                walk.skip_subtree()
                continue
            words.append(" " if node.tag in _BLOCKS else "")
            words.append(node.text or "")
        elif node is not element:
            words.append(node.tail or "")
    # Only plain white space is folded: the space inside a figure is part of it.
    return re.sub("[ \t\r\n]+", " ", "".join(words)).strip()


def _figure(link: Any, claims: Mapping[str, Claim], book: ClaimBook) -> Iterator[Finding]:
    """Yield what is wrong with one figure: its claim, machine value, text, interval, outcome."""
    href = link.get("href", "")
    claim = claims.get(href.removeprefix("#"))
    if claim is None:
        yield _finding(href, "a link to the trace of a claim", f"{_text(link)!r} links to none")
        return
    yield from _value(link, claim, book)
    for after in link.itersiblings():
        kinds = after.get("class", "").split() if isinstance(after.tag, str) else []
        if "fig" in kinds:
            break
        interval = words_in(book.language).interval(claim)
        if "iv" in kinds and _text(after).strip(_PADDING) not in {claim.interval, interval}:
            yield _finding(f"{claim.id}, interval", claim.interval or "none", _text(after))
        if "outcome" in kinds and claim.outcome:
            said = [_text(after).split()[-1], *(k for k in kinds if k != "outcome")]
            if said != [claim.outcome, claim.outcome]:
                yield _finding(f"{claim.id}, outcome", claim.outcome, " ".join(said))


def _value(element: Any, claim: Claim, book: ClaimBook) -> Iterator[Finding]:
    """Yield what is wrong with the first figure inside an element."""
    shown = next(element.iter("data"), None)
    if claim.value is None:
        if shown is not None:
            yield _finding(f"{claim.id}, value", "no machine value", shown.get("value", ""))
        return
    if shown is None:
        yield _finding(f"{claim.id}, value", repr(claim.value), "no figure")
        return
    if shown.get("value") != repr(claim.value):
        yield _finding(f"{claim.id}, value", repr(claim.value), shown.get("value", "nothing"))
    text = _text(shown).strip(_PADDING)
    said = {claim.text, words_in(book.language).text(claim)}
    if text not in said and text not in printed_forms(claim, book):
        yield _finding(f"{claim.id}, text", claim.text, text)


def _harmful(root: Any) -> Iterator[Finding]:
    """Yield what a page of this kit never holds: scripts, handlers, anything loaded."""
    policy = False
    for element in root.iter():
        if not isinstance(element.tag, str):
            continue
        place = f"line {element.sourceline}"
        if element.tag not in TAGS | _FRAME:
            yield _finding(place, "only what a report may hold", f"<{element.tag}>")
            continue
        if element.tag == "style" and re.search(r"url\(|@import|expression", element.text or ""):
            yield _finding(place, "a style that loads nothing", "one that may load")
        if element.tag == "meta":
            policy |= element.get("content", "").startswith(_POLICY)
            if element.get("http-equiv", "").lower() == "refresh":
                yield _finding(place, "a page that stays", "a refresh")
        if element.tag not in _FRAME:
            yield from _attributes(element, place)
        elif any(name.startswith("on") or name in {"src", "href"} for name in element.attrib):
            yield _finding(place, "only what a report may hold", f"<{element.tag}> with a handler")
    if not policy:
        yield _finding("head", f"a content policy: {_POLICY}", "none")


def _attributes(element: Any, place: str) -> Iterator[Finding]:
    """Yield each attribute of an element that a page of this kit does not have."""
    known = ATTRIBUTES["*"] | ATTRIBUTES.get(element.tag, set())
    for name, value in element.attrib.items():
        bad = name not in known and not name.startswith("aria-")
        bad |= name == "href" and re.match(r"#|https?://", value) is None
        bad |= name == "src" and IMAGE_SOURCE.match(value) is None
        bad |= element.tag == "input" and name == "type" and value != "radio"
        if bad:
            yield _finding(
                place, "only what a report may hold", f"<{element.tag} {name}={value[:60]!r}>"
            )
