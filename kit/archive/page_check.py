"""The page, the notebook behind it and the tables, compared with the claims and the raw logs.

Nothing of the bag is run: cells are recognised by their text, and what they show is made again by
this version's own functions.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from kit.archive.figures import (
    PAGE_PATH,
    check_page,
    compare_entries,
    compare_text,
    count_figures,
    plain_words,
)
from kit.archive.rebuild import CLAIMS_PATH, Fresh, same_figure
from kit.archive.unbag import Bag, read_json
from kit.claims.claim import CLAIMS_FORMAT, ClaimBook, trace_faults
from kit.claims.of_pages import kit_version, page_name
from kit.errors import Finding, KitError, SealError
from kit.page.assemble import build_page
from kit.page.cell_html import CLOSED_MIME
from kit.page.html import WRAPPER, Html
from kit.page.outputs import result_frames
from kit.page.redraw import review_pieces
from kit.page.traces import trace_section
from kit.planning.of_review import order_frame, plan_of_review
from kit.report.template import own_sources
from kit.review.health import measure_health
from kit.review.look_into import look_into
from kit.review.walk import Results, Review
from kit.rounding import table_csv

if TYPE_CHECKING:
    from kit.charts.style import Chart

    Charts = Mapping[str, Sequence[Chart]]

NOTEBOOK_PATH = "data/executed.ipynb"
SLIDES_PATH = "data/slides/slides.csv"
STATED = {'review.show("environment")'}  # what was installed: stated, not made from logs
INJECTED = "injected-parameters"


def check_report(bag: Bag, book: ClaimBook, fresh: Fresh | None) -> tuple[list[Finding], str]:
    """Compare page, notebook and tables of a bag.

    Parameters
    ----------
    bag : Bag
    book : ClaimBook
        The claims as stated in the bag.
    fresh : Fresh or None
        The review made afresh; None where that was not possible.

    Returns
    -------
    list of Finding, and what was compared, in words
    """
    findings: list[Finding] = []
    charts: Charts | None = None
    said = ["figures of the page"]
    same_kit = (book.kit_version, book.file_format) == (kit_version(), CLAIMS_FORMAT)
    page = _bytes_of(bag, PAGE_PATH, findings)
    notebook = read_notebook(bag, findings)
    if page is not None:
        findings += check_page(page, book)
        if same_kit and not trace_faults(book):
            findings += compare_entries(page, trace_section(book).markup)
            said.append("its traces")
        if same_kit:
            findings += _rebuilt(page, notebook) if notebook is not None else []
            said.append("the page against its notebook")
    if notebook is not None:
        findings += _closed(bag, book, notebook)
    if fresh is not None:
        charts = _fresh_charts(fresh) if same_kit else None
        if same_kit and notebook is not None:
            compared = compare_cells(notebook, fresh, charts)
            findings += compared.findings
            said.append(compared.said())
        findings += compare_tables(bag, fresh, same_kit=same_kit)
        said.append("tables")
        if charts is not None:
            findings += _compare_charts(bag, charts)
            said.append("numbers of the charts")
            if SLIDES_PATH in bag.files:
                findings += _compare_slides(bag, fresh)
                said.append("figures of the slides")
    words = ", ".join(said) + " compared"
    if fresh is not None and same_kit and charts is None:
        words += "; those of the charts not, because matplotlib is not installed"
    if not same_kit:
        words += f"; made by version {book.kit_version}, so the page was not built again"
    return findings, words


def _bytes_of(bag: Bag, path: str, findings: list[Finding]) -> bytes | None:
    if path not in bag.files:
        findings.append(Finding("page", path, "this file in the bag", "it is missing"))
        return None
    try:
        return bag.read(path)
    except SealError as error:
        findings.append(Finding("page", path, "a file that can be read", str(error)))
        return None


def read_notebook(bag: Bag, findings: list[Finding]) -> dict[str, Any] | None:
    """Return the executed notebook of a bag as plain data; what is wrong becomes a finding."""
    if NOTEBOOK_PATH not in bag.files:
        findings.append(Finding("page", NOTEBOOK_PATH, "this file in the bag", "it is missing"))
        return None
    try:
        notebook: dict[str, Any] = read_json(bag, NOTEBOOK_PATH)
        for cell in notebook["cells"]:
            if cell["cell_type"] == "code":
                _ = [output["output_type"] for output in cell["outputs"]]
            _ = "".join(cell["source"])
    except (SealError, KeyError, TypeError) as error:
        found = f"not one: {error if isinstance(error, SealError) else type(error).__name__}"
        findings.append(Finding("page", NOTEBOOK_PATH, "an executed notebook", found))
        return None
    return notebook


def closing_said(notebook: Mapping[str, Any]) -> tuple[str, str] | None:
    """Return review and claims hash that an executed notebook closed with; None if it did not."""
    said = None
    for cell in notebook["cells"]:
        if cell["cell_type"] != "code":
            continue
        outputs = cell["outputs"]
        if cell["execution_count"] is None or any(o["output_type"] == "error" for o in outputs):
            return None
        said = None
        for output in outputs:
            closed = output.get("data", {}).get(CLOSED_MIME)
            if closed is not None:
                said = str(closed["review"]), str(closed["claims_sha256"])
    return said


def _closed(bag: Bag, book: ClaimBook, notebook: Mapping[str, Any]) -> Iterator[Finding]:
    """Yield a finding if the notebook did not end with the claims that are in the bag."""
    place = f"{NOTEBOOK_PATH} # closing"
    try:
        said = closing_said(notebook)
    except (KeyError, TypeError, AttributeError):
        said = None
    digest = bag.digest(CLAIMS_PATH)
    if said is None:
        yield Finding("page", place, "a notebook that ran to its end", "one that did not")
    elif said != (book.review, digest):
        yield Finding("page", place, f"{book.review}, claims.json with SHA-256 {digest}",
                      f"{said[0]}, SHA-256 {said[1]}")  # fmt: skip


def _rebuilt(page: bytes, notebook: Mapping[str, Any]) -> list[Finding]:
    """Return a finding where the page is not what this version makes of its notebook."""
    text = page.decode("utf-8", "replace")
    try:
        built = build_page(notebook)
    except (KitError, KeyError, TypeError, AttributeError, ValueError) as error:
        found = f"none: {error}"[:200]
        return [Finding("page", NOTEBOOK_PATH, "a notebook that a page can be made of", found)]
    if built.encode() == page:
        return []
    length = min(len(built), len(text))
    start = next((n for n in range(length) if built[n] != text[n]), length)
    return compare_text(PAGE_PATH, f"after {_last_id(text[:start])}", built, text)


def _last_id(markup: str) -> str:
    """Return the last id that stands in a piece of markup: where in the page it ends."""
    start = markup.rfind(' id="')
    return markup[start + 5 :].split('"')[0] if start >= 0 else "the start"


@dataclass(frozen=True, slots=True)
class _Compared:
    """What was compared of a notebook, out of how much, and what differs.

    `cells` of `of_cells` code cells were compared with what the logs give (a cell that shows
    nothing, with this version's own template); `figures` of `of_figures` printed figures stand
    in them. `stated` names the cells whose output is stated, not made from logs.
    """

    cells: int
    of_cells: int
    figures: int
    of_figures: int
    stated: tuple[str, ...]
    findings: tuple[Finding, ...]

    def said(self) -> str:
        """Return the counts in words."""
        words = (
            f"{self.cells} of {self.of_cells} code cells and {self.figures} of "
            f"{self.of_figures} figures in them"
        )
        return words + (f" (stated only: {', '.join(self.stated)})" if self.stated else "")


def page_pieces(fresh: Fresh, charts: Charts | None = None) -> dict[str, Callable[[], Html]]:
    """Return how each piece of a standard page is made, by the line of code that shows it.

    The lines are spelled from this version's own functions; a bag only picks among them.
    `charts` are the charts made afresh, None where they cannot be made.
    """
    return review_pieces(fresh.review, fresh.book, charts)


def compare_cells(
    notebook: Mapping[str, Any], fresh: Fresh, charts: Charts | None = None
) -> _Compared:
    """Compare each code cell of a notebook with what the logs give.

    A cell is recognised by its last line. What is not recognised is a finding: its output could
    say anything. A cell of this version's own template that shows no result must read as there.
    """
    pieces = page_pieces(fresh, charts)
    own = own_sources(page_name(fresh.review.params))
    drawn = {line for line in own.values() if line.startswith("review.show_charts(")}
    findings: list[Finding] = []
    stated: list[str] = []
    cells = compared = figures = of_figures = 0
    for cell in notebook["cells"]:
        if cell["cell_type"] != "code":
            continue
        cells += 1
        name, source = cell.get("id", ""), "".join(cell["source"]).strip()
        last = source.rpartition("\n")[2]
        place = f"cell {name or last}"
        shown = "".join(_markup_of(output) for output in cell["outputs"])
        of_figures += count_figures(shown)
        if last in pieces:
            compared += 1
            figures += count_figures(shown)
            try:
                expected = plain_words(pieces[last]().markup)
            except KitError as error:
                found = f"{NOTEBOOK_PATH} # {place}"
                findings.append(Finding("page", found, "a text", str(error)))
                continue
            findings += compare_text(NOTEBOOK_PATH, place, expected, plain_words(shown))
        elif last in STATED or name == INJECTED or (charts is None and last in drawn):
            stated.append(name)
        elif name in own and source == own[name].strip():
            compared += 1
            if shown:
                findings.append(
                    Finding("page", f"{NOTEBOOK_PATH} # {place}", "no output", plain_words(shown))
                )
        else:
            findings.append(
                Finding("page", f"{NOTEBOOK_PATH} # {place}",
                        "a cell of this version's own template", source[:160] or "an empty cell")
            )  # fmt: skip
    seen = {cell.get("id") for cell in notebook["cells"]}
    findings += [
        Finding("page", f"{NOTEBOOK_PATH} # cell {name}", "this cell of the template", "none")
        for name in own
        if name not in seen
    ]
    return _Compared(compared, cells, figures, of_figures, tuple(stated), tuple(findings))


def _markup_of(output: Mapping[str, Any]) -> str:
    """Return an output's own HTML, without the wrapper and its style."""
    data = output.get("data", {})
    markup = "".join(data.get("text/html", "")) if isinstance(data, Mapping) else ""
    if markup.startswith(WRAPPER):
        return markup.removeprefix(WRAPPER).partition("</style>")[2].removesuffix("</div>")
    return markup


def compare_tables(bag: Bag, fresh: Fresh, *, same_kit: bool) -> list[Finding]:
    """Return a finding for each cell of the result tables that is not what the logs give."""
    findings: list[Finding] = []
    for name, frame in result_frames(fresh.book).items():
        path = f"data/tables/{name}.csv"
        if path in bag.files or same_kit:
            data = _bytes_of(bag, path, findings)
            if data is not None:
                if not same_kit and name in FRAMES and not data.startswith(b"id,"):
                    frame = FRAMES[name](fresh.review, fresh.results)
                findings += compare_csv(path, table_csv(frame), data, strict=same_kit)
    return findings


# Tables as earlier versions wrote them, of results; every later one holds claims, by id.
FRAMES: Mapping[str, Callable[[Review, Results], Any]] = {
    "screening": lambda review, _: review.screened.to_frame(),
    "value": lambda _, results: results.value and results.value.to_frame(),
    "weighings": lambda _, results: results.value and results.value.weighings_frame(),
    "look": lambda review, _: look_into(review).to_frame(),
    "hitches": lambda review, _: look_into(review).hitches_frame(),
    "repeatability": lambda *made: measure_health(*made).to_frame(),
    "stale": lambda *made: measure_health(*made).stale_frame(),
    "gaps": lambda *made: measure_health(*made).gaps_frame(),
    "tasks": lambda *made: measure_health(*made).tasks_frame(),
    "plan": lambda review, _: plan_of_review(review).plan.to_frame(),
    "order": lambda review, _: order_frame(plan_of_review(review).order),
}


def _fresh_charts(fresh: Fresh) -> Charts | None:
    """Return the charts made afresh; None where matplotlib is not installed."""
    try:
        from kit.page.pictures import make_charts
    except ModuleNotFoundError as error:
        if error.name != "matplotlib":
            raise
        return None
    return make_charts(fresh.review, fresh.book)


def _compare_charts(bag: Bag, charts: Charts) -> list[Finding]:
    """Return what is wrong with the numbers of the charts."""
    findings: list[Finding] = []
    for made in charts.values():
        for chart in made:
            path = f"data/charts/{chart.name}.csv"
            if path in bag.files:
                data = _bytes_of(bag, path, findings)
                if data is not None:
                    findings += compare_csv(path, table_csv(chart.table), data, strict=True)
    return findings


def _compare_slides(bag: Bag, fresh: Fresh) -> list[Finding]:
    """Return what is wrong with the figures said to stand on the slides."""
    from kit.page.slides import make_slides, slides_csv

    findings: list[Finding] = []
    data = _bytes_of(bag, SLIDES_PATH, findings)
    if data is None:
        return findings
    rows = csv.DictReader(io.StringIO(data.decode("utf-8", errors="replace"), newline=""))
    names = tuple(dict.fromkeys(str(row.get("slide")) for row in rows))
    try:
        expected = slides_csv(make_slides(fresh.book, names))
    except KitError as error:
        return [Finding("page", SLIDES_PATH, "slides of this review", str(error))]
    return compare_csv(SLIDES_PATH, expected, data, strict=True)


def compare_csv(path: str, expected: str, data: bytes, *, strict: bool) -> list[Finding]:
    """Return a finding for each cell of a table that differs by more than its last bits.

    Unless `strict`, columns only one of the two has are passed over, and reasons in words, which
    another version may word otherwise: their rows, rules and figures still have to be the same.
    """
    if data == expected.encode():
        return []
    try:
        found = list(csv.reader(io.StringIO(data.decode("utf-8"), newline=""), strict=True))
    except (UnicodeDecodeError, csv.Error) as error:
        return [Finding("page", path, "a table", f"not one: {error}")]
    wanted = list(csv.reader(io.StringIO(expected, newline="")))
    return list(_cells_apart(path, wanted, found, strict))


def _cells_apart(
    path: str, wanted: Sequence[Sequence[str]], found: Sequence[Sequence[str]], strict: bool
) -> Iterator[Finding]:
    if not found or (strict and list(found[0]) != list(wanted[0])):
        columns = ", ".join(found[0]) if found else "nothing"
        yield Finding("page", f"{path} # row 1", ", ".join(wanted[0]), columns)
        return
    if len(found) != len(wanted):
        yield Finding("page", path, f"{len(wanted) - 1} rows", f"{len(found) - 1} rows")
        return
    shared = [name for name in wanted[0] if name in found[0] and (strict or name != "reason")]
    places = [(name, found[0].index(name)) for name in shared]
    for number, (row, other) in enumerate(zip(wanted[1:], found[1:], strict=True), start=2):
        if len(other) != len(found[0]):
            yield Finding("page", f"{path} # row {number}", f"{len(found[0])} cells",
                          f"{len(other)}")  # fmt: skip
            continue
        for place, name in enumerate(wanted[0]):
            at = dict(places).get(name)
            if at is not None and not _same_cell(row[place], other[at]):
                where = f"{path} # row {number} ({row[0]}), {name}"
                yield Finding("page", where, row[place] or "nothing", other[at] or "nothing")


def _same_cell(one: str, other: str) -> bool:
    if one == other:
        return True
    try:
        return same_figure(float(one), float(other))
    except ValueError:
        return False
