"""A sealed review made again whole, and compared with the bag: every file, and claim by claim.

Params, bench, logs and text determine every other byte of a bag. They are read from the bag; what
makes the rest is this version's own code and its own template. Nothing of the bag is run.
"""

from __future__ import annotations

import datetime as dt
import math
import re
import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, fields
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path, PurePosixPath
from typing import Any, Literal

from kit.archive.bag import BAGIT_TXT, MANIFEST, TAG_MANIFEST, Item, info_bytes, manifest_bytes
from kit.archive.contents import (
    COMPONENTS,
    INSTALLED,
    JOURNAL_PART,
    SEALED_BEFORE,
    Scope,
    describe_items,
    tag_items,
    text_path,
)
from kit.archive.unbag import SIGNATURE_FOLDER, Bag, Listing
from kit.bench.journal import read_excerpt
from kit.claims.claim import CLAIMS_FORMAT, NEW_IN_FORMAT_2, OLD_FORMAT, Claim, ClaimBook, RunRecord
from kit.claims.of_pages import make_claims
from kit.errors import Fault, FaultsError, Finding, KitError, ParamsError, SealError
from kit.methods import METHODS
from kit.metrics.measuring import PLAIN, Reading
from kit.package import kit_version, stated_versions
from kit.report.laboratory import OpenReview
from kit.report.report import write_here
from kit.report.template import TemplateError, own_template
from kit.review.walk import Results, Review, load_review, work_out
from kit.rounding import grouped, words_of
from kit.settings.params import bench_read_from

CLAIMS_PATH = "data/claims.json"
State = Literal["same bytes", "same after", "differs", "not rebuilt"]
# What nobody can derive from params, bench, logs and text.
STATED = (
    "the day of bagging (bag-info.txt)",
    "what the bench's journal says of other reviews (its chain is checked)",
    "which review of the bench was sealed before it (bag-info.txt)",
    "names and versions of the packages installed, and their licences (environment/)",
)
# Another version of one of these may draw or sum otherwise.
DRAWING = ("matplotlib", "seaborn", "pillow", "fonttools", "contourpy", "kiwisolver")
SHOWN = 96  # characters of a file shown from shortly before its first difference
_PICTURE = re.compile(r"data:image/(?:svg\+xml|png);base64,[A-Za-z0-9+/=]+")
_NUMBER = re.compile(r"[0-9]+(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?")
# Sums in another order, on another machine, differ by about 1e-13; fitted variances by more.
REL_TOLERANCE = 1e-8
_PRINTED = {"text", "interval", "rounding"}
_FIGURES = {"value", "low", "high", "confidence", "duration_s"}


@dataclass(frozen=True, slots=True, eq=False)
class Fresh:
    """A review read, measured and worked out anew."""

    review: Review
    results: Results
    book: ClaimBook


@dataclass(frozen=True, slots=True)
class Part:
    """One file of a bag beside the one made again.

    `after` names what was set aside before the two were equal; `why` says why there is none to
    compare with, or where the two differ, with what was made in `expected`.
    """

    path: str
    state: State
    after: tuple[str, ...] = ()
    why: str = ""
    expected: str = ""
    found: str = ""


@dataclass(slots=True)
class Remade:
    """A bag made again: every file compared, and what it was made from.

    `why` says why nothing could be made, in words; `findings` are the faults of the inputs;
    `notebook` is the one made.
    """

    parts: tuple[Part, ...] = ()
    why: str = ""
    findings: tuple[Finding, ...] = ()
    fresh: Fresh | None = None
    notebook: bytes = b""

    def of_state(self, *states: State) -> tuple[Part, ...]:
        """Return the files in one of these states."""
        return tuple(part for part in self.parts if part.state in states)


@dataclass(slots=True)
class _Made:
    """What was made of a bag's inputs: each file by its path, its bytes or where they lie."""

    reading: Reading
    items: dict[str, Item] = field(default_factory=dict)
    fresh: Fresh | None = None


def remake_bag(
    bag: Bag, listing: Listing, stated: ClaimBook, params_path: Path, *, reading: Reading = PLAIN
) -> Remade:
    """Make a bag again from its params, bench, logs and text, and compare every file.

    Parameters
    ----------
    bag : Bag
    listing : Listing
        What the bag says of itself.
    stated : ClaimBook
        Its claims as stated.
    params_path : Path
        Its params file, sure to lie in it.
    reading : Reading
        How logs are read. With a store, many bags nearly alike are made again at less cost.

    Returns
    -------
    Remade
        Every file of the bag, or made again, with how the two compare. No parts where nothing could
        be made: another version, a template of someone else's, no drawing library, faulty inputs.

    Notes
    -----
    What was installed, the licences, the day of bagging and the journal are taken from the bag as
    stated (`STATED`). Pictures are set aside only where the bag names other versions of `DRAWING`.
    """
    if (stated.kit_version, stated.file_format) != (kit_version(), CLAIMS_FORMAT):
        why = f"made by version {stated.kit_version}; this is {kit_version()}"
        return Remade(why=f"{why}. Verify it with that version (--with PYTHON)")
    installed, why = _stated_packages(bag)
    if why:
        part = Part(INSTALLED, "differs", expected="a line name==version for each", found=why)
        return Remade(parts=(part,), why=f"{INSTALLED}: {why}")
    bench = bag.folder / "data" / "bench"
    with (
        tempfile.TemporaryDirectory(prefix="marginbook-") as temporary,
        bench_read_from(bench),
        stated_versions(installed),
    ):
        made = _Made(reading)
        try:
            _make(made, bag, listing, params_path, Path(temporary), installed)
        except TemplateError as error:
            return Remade(why=f"made by a template of someone else's: {error}")
        except KitError as error:
            faults = tuple(_input_findings(error))
            return Remade(why=str(error), findings=faults, fresh=made.fresh)
        except ModuleNotFoundError as error:
            if error.name is None or error.name.partition(".")[0] not in {"matplotlib", "seaborn"}:
                raise
            return Remade(why=f"{error.name} is not installed here, so no chart can be drawn")
        parts = _compare(made, bag, listing, installed)
        notebook = (Path(temporary) / "executed.ipynb").read_bytes()
    return Remade(parts=parts, fresh=made.fresh, notebook=notebook)


def _stated_packages(bag: Bag) -> tuple[dict[str, str], str]:
    """Return the packages a bag says were installed, or why that cannot be taken as stated.

    Returns
    -------
    dict of str to str, str
        Version by name; why not, empty where it can. What is taken from a bag as stated must have
        the form of a package and a version, since it is written into files again.
    """
    if INSTALLED not in bag.files:
        return {}, "it is missing"
    try:
        text = bag.read(INSTALLED, limit=1 << 20).decode("ascii")
    except (SealError, UnicodeDecodeError):
        return {}, "not a list of packages"
    found: dict[str, str] = {}
    for number, line in enumerate(text.removesuffix("\n").split("\n"), 1):
        match = re.fullmatch(r"([a-z0-9-]{1,80})==([A-Za-z0-9.+!_-]{1,60})", line)
        if match is None or match[1] in found:
            return {}, f"line {number} is not one: {line[:60]!r}"
        found[match[1]] = match[2]
    return found, ""


def _make(
    made: _Made,
    bag: Bag,
    listing: Listing,
    params_path: Path,
    folder: Path,
    installed: Mapping[str, str],
) -> None:
    """Make every file of the payload; `made` keeps what there is when a step fails.

    Parameters
    ----------
    made : _Made
        Gets the files, and the review made afresh.
    bag : Bag
        Gives what is taken as stated: licences and journal.
    listing : Listing
        What it says of itself: its day, the review sealed before it.
    params_path : Path
        Its params file.
    folder : Path
        An empty one, for what the run writes.
    installed : mapping of str to str
        Packages as stated.

    Raises
    ------
    KitError
        If the inputs are at fault, or the template is not the kit's own.
    """
    scope = Scope.read(params_path)
    if scope.loaded.params.text is not None:
        text_path(scope.loaded.params.text)  # refuses one outside, before anything reads it
    if missing := [n for n in scope.loaded.house_files if text_path(n) not in bag.files]:
        raise ParamsError([Fault(params_path.name, f"style: {missing[0]} is not in the bag")])
    name = PurePosixPath(scope.loaded.params.template.replace("\\", "/")).name
    closed, variables = write_here(
        own_template(name), params_path, folder=folder, reading=made.reading
    )
    made.fresh = _fresh_of(variables)
    book = made.fresh.book
    items = scope.payload_items(
        book,
        [Item(f"data/{name}", folder / name) for name in closed.files],
        installed=installed,
        licences=_stated_licences(bag, installed),
    )
    journal = None
    if JOURNAL_PART in bag.files:  # stated: it comes from all of the bench; its chain is checked
        items.append(Item(JOURNAL_PART, bag.folder / JOURNAL_PART))
        part = read_excerpt(bag.read(JOURNAL_PART), file=JOURNAL_PART)
        journal = part.head, part.length
    made.items = {item.path: item for item in items}
    as_there = [
        Item(i.path, bag.folder / i.path) if i.path in bag.files else i for i in made.items.values()
    ]
    members = describe_items(as_there, book)
    sizes = [member.size_bytes for member in members]
    before = "".join(listing.info.get(SEALED_BEFORE, ()))
    before = before if re.fullmatch("[0-9a-f]{64}", before) else ""
    said = scope.bag_info(book, journal=journal, before=before)
    info = info_bytes(_stated_day(listing), sizes, said)
    tags = [Item("bagit.txt", BAGIT_TXT), Item("bag-info.txt", info), *tag_items(book, members)]
    made.items |= {item.path: item for item in tags}


def _fresh_of(variables: Mapping[str, Any]) -> Fresh:
    """Return the review a template opened, whatever its variable is called.

    Raises
    ------
    TemplateError
        If it opened none.
    """
    for value in variables.values():
        if isinstance(value, OpenReview):
            return Fresh(value.review, value.results, value.book)
    raise TemplateError([Fault("template", "opens no review")])


def _stated_day(listing: Listing) -> dt.date:
    """Return the day of bagging as stated; the epoch where it is none, which then differs."""
    try:
        return dt.date.fromisoformat("".join(listing.info.get("Bagging-Date", ())))
    except ValueError:
        return dt.date(1970, 1, 1)


def _stated_licences(bag: Bag, installed: Mapping[str, str]) -> dict[str, str]:
    """Return the licences stated of the packages, where they have the form of one."""
    try:
        components = bag.read_json(COMPONENTS)["components"]
        said = {
            str(c["name"]): str(c["licenses"][0]["expression"])
            for c in components
            if "licenses" in c
        }
    except (SealError, KeyError, IndexError, TypeError, ValueError):
        return {}
    form = re.compile(r"[A-Za-z0-9.+() -]{1,200}")
    return {n: words for n, words in said.items() if n in installed and form.fullmatch(words)}


def _compare(
    made: _Made, bag: Bag, listing: Listing, installed: Mapping[str, str]
) -> tuple[Part, ...]:
    """Return every file of the bag, or made again, with how the two compare.

    Inputs are their own source and not compared; signatures have a stage of their own.
    """
    parts = []
    ways = _ways(made, bag, installed)
    for path in sorted({*bag.files, *made.items}):
        item = made.items.get(path)
        if path in {MANIFEST, TAG_MANIFEST}:
            hashes = listing.payload if path == MANIFEST else listing.tags
            parts.append(_compare_file(path, manifest_bytes(hashes), bag, ways))
        elif path.startswith(SIGNATURE_FOLDER):
            continue
        elif item is None:
            parts.append(Part(path, "differs", expected="no such file", found="a file"))
        elif path not in bag.files:
            parts.append(Part(path, "differs", expected="this file", found="it is missing"))
        elif item.source == bag.folder / path:
            parts.append(Part(path, "same bytes"))  # an input: it is its own source
        elif item.measure() == (bag.files[path], bag.digest(path)):
            parts.append(Part(path, "same bytes"))
        else:
            data = item.source if isinstance(item.source, bytes) else item.source.read_bytes()
            parts.append(_compare_file(path, data, bag, ways))
    return tuple(parts)


Way = Callable[[str, str, str], tuple[str, str]]


def _ways(made: _Made, bag: Bag, installed: Mapping[str, str]) -> dict[str, Way]:
    """Return what may be set aside before two files are compared, by its name."""
    ways: dict[str, Way] = {}
    here = {name: _version_here(name) for name in DRAWING}
    if any(installed.get(name, "") != here[name] for name in DRAWING):
        # Forged pictures cannot be told from another version's: said one by one, never in silence.
        ways["pictures drawn by other versions"] = _without_pictures
    claims = made.items[CLAIMS_PATH]
    if CLAIMS_PATH in bag.files:
        digests = (claims.measure()[1], bag.digest(CLAIMS_PATH))
        if digests[0] != digests[1]:
            ways["hash of claims.json"] = lambda path, one, other: (
                one.replace(digests[0], "claims"), other.replace(digests[1], "claims"),
            )  # fmt: skip
    ways["last bits of figures"] = _without_last_bits
    return ways


def _version_here(name: str) -> str:
    """Return the version really installed of a package, whatever a bag states; "" for none."""
    try:
        return version(name)
    except PackageNotFoundError:
        return ""


def _without_pictures(path: str, one: str, other: str) -> tuple[str, str]:
    """Return both texts with their pictures reduced to the words in them."""
    if path.startswith("data/charts/") and path.endswith((".svg", ".png")):
        return _words_of_picture(one), _words_of_picture(other)
    return _PICTURE.sub("picture", one), _PICTURE.sub("picture", other)


def _words_of_picture(text: str) -> str:
    """Return what an exported SVG says in words: its label and its texts; of a PNG nothing."""
    if not text.startswith("<svg"):
        return "" if text.startswith("\udc89PNG") else text
    label = re.search(r'aria-label="([^"]*)"', text)
    return " ".join([label[1] if label else "", *re.findall(r"<text[^>]*>([^<]*)", text)])


def _without_last_bits(path: str, one: str, other: str) -> tuple[str, str]:
    """Return the second text with each number that is nearly the first's written as there.

    Texts with another count of numbers are left as they are, and so are whole numbers: an index, a
    count or a year that differs is no last bit.
    """
    if not path.endswith((".json", ".csv", ".ipynb", ".html")) or not path.startswith("data/"):
        return one, other
    first, second = _NUMBER.findall(one), _NUMBER.findall(other)
    if len(first) != len(second):
        return one, other
    numbers = iter(zip(first, second, strict=True))

    def write(_: re.Match[str]) -> str:
        mine, theirs = next(numbers)
        near = "." in mine and same_figure(float(mine), float(theirs))
        return str(mine) if near else str(theirs)

    return one, _NUMBER.sub(write, other)


def _compare_file(path: str, expected: bytes, bag: Bag, ways: Mapping[str, Way]) -> Part:
    """Compare one file with the one made again: as it is, then after each thing set aside.

    Parameters
    ----------
    path : str
        In the bag.
    expected : bytes
        As made again.
    bag : Bag
    ways : mapping of str to callable
        What may be set aside, by its name; each is given path and both texts, and returns both.
    """
    try:
        found = bag.read(path)
    except SealError as error:
        return Part(path, "differs", expected="a file that can be read", found=str(error))
    if found == expected:
        return Part(path, "same bytes")
    one, other = _text(expected), _text(found)
    lines = other.replace("\r\n", "\n").split("\n")
    if path in {MANIFEST, TAG_MANIFEST} and sorted(one.split("\n")) == sorted(lines):
        return Part(path, "same after", ("order and ends of lines",))
    after: list[str] = []
    for name, way in ways.items():
        before = (one, other)
        one, other = way(path, one, other)
        if (one, other) != before:
            after.append(name)
        if one == other:
            return Part(path, "same after", tuple(after))
    return Part(path, "differs", (), *first_apart(one, other))


def _text(data: bytes) -> str:
    """Return bytes as text, so that no byte is lost."""
    return data.decode("utf-8", "surrogateescape")


def first_apart(one: str, other: str) -> tuple[str, str, str]:
    """Return where two texts differ first, and both from shortly before it on.

    Returns
    -------
    (str, str, str)
        Line, with the id of the page's element before it; `SHOWN` characters of either text, what
        is not printable written out.
    """
    low, high = 0, min(len(one), len(other))
    while low < high:  # by halves: a character at a time takes seconds on a notebook
        middle = (low + high + 1) // 2
        if one[:middle] == other[:middle]:
            low = middle
        else:
            high = middle - 1
    start = max(0, low - 24)
    line = one.count("\n", 0, low) + 1
    anchor = one.rfind(' id="', 0, low)
    name = one[anchor + 5 : anchor + 85].partition('"')[0] if anchor >= 0 else ""
    place = f"line {line}" + (f", after {name}" if name else "")
    before = "..." if start else ""
    first, second = (f"{before}{text[start : start + SHOWN]!r}" for text in (one, other))
    return place, first, second


def _recompute_review(params_path: Path, bench_folder: Path) -> Fresh:
    """Return a review made afresh from its raw logs, by library code alone.

    Raises
    ------
    KitError
        If params, bench or logs cannot be read.
    """
    review = load_review(params_path, bench_folder=bench_folder, reading=PLAIN)
    results = work_out(review)
    return Fresh(review, results, make_claims(review, results))


@dataclass(frozen=True, slots=True)
class _ClaimCheck:
    """The claims of a bag beside those made afresh: faults, what was done, and from what.

    `done` is false where some claims could not be made afresh, and nothing was found wrong. `fresh`
    is None where the review could not be made afresh from what lies in the bag.
    """

    findings: tuple[Finding, ...]
    said: str
    done: bool
    fresh: Fresh | None


def check_claims(bag: Bag, stated: ClaimBook, params_path: Path, *, remade: Remade) -> _ClaimCheck:
    """Compare every claim of a bag with the one made afresh from its raw logs.

    Parameters
    ----------
    bag : Bag
    stated : ClaimBook
        Its claims as stated.
    params_path : Path
        Its params file, sure to lie in it.
    remade : Remade
        The bag made again; where it was not, the claims alone are made here.
    """
    fresh, count = remade.fresh, len(stated.claims)
    said = f"{count} claims made afresh from the raw logs and compared."
    if any(p.path == CLAIMS_PATH and p.state == "same bytes" for p in remade.parts):
        return _ClaimCheck((), said, True, fresh)
    if fresh is None:
        try:
            fresh = _recompute_review(params_path, bag.folder / "data" / "bench")
        except KitError as error:
            said = "The review cannot be made afresh from what is in the bag."
            return _ClaimCheck(tuple(_input_findings(error)), said, True, None)
    findings = [*_compare_books(stated, fresh.book)]
    beyond = _beyond_this_version(stated)
    done = not beyond or stated.kit_version == fresh.book.kit_version
    if not done:
        said = (
            f"{count - len(beyond)} of {count} claims made afresh from the raw logs and compared. "
            f"The rest are not recomputed: version {stated.kit_version} made them, this is "
            f"{fresh.book.kit_version}, and {next(iter(beyond.values()))}. Verify it with that "
            "version (--with PYTHON)."
        )
    text = fresh.review.params.text
    try:
        why = (
            "" if text is None or text_path(text) in bag.files else f'"{text}", which is not in it'
        )
    except SealError as error:
        why = str(error)
    if why:
        place = f"data/params/{stated.params_file}, text"
        findings.append(Finding(place, "a text in the bag", why))
        fresh = None  # else the page would show what lies outside the bag
    return _ClaimCheck(tuple(findings), said, done, fresh)


def _input_findings(error: KitError) -> list[Finding]:
    """Return what a review's inputs were refused for, as findings."""
    if not isinstance(error, FaultsError):
        return [Finding("data", "inputs that can be read", str(error))]
    return [
        Finding(_place_of(fault), "inputs that a review can be made of", fault.message)
        for fault in error.faults
    ]


def _place_of(fault: Fault) -> str:
    """Return where in a bag a fault of params, bench or log stands."""
    if fault.file.startswith("bench/"):
        place = f"data/{fault.file}"
    elif fault.file.endswith((".yaml", ".yml", ".md")):
        place = f"data/params/{fault.file}"
    else:
        place = f"data/bench/{fault.file}"
    line = f" # line {fault.line}" if fault.line is not None else ""
    return place + line + (f", {fault.key}" if fault.key else "")


def _beyond_this_version(book: ClaimBook) -> dict[str, str]:
    """Return the claims this version cannot make, each with why.

    A claim is beyond this version if its method is unknown or has another version now, or if it
    rests on such a claim.
    """
    reasons: dict[str, str] = {}
    for claim in book.claims:
        method = METHODS.get(claim.method)
        if method is None:
            reasons[claim.id] = f"method {claim.method} is not known"
        elif method.version != claim.method_version:
            reasons[claim.id] = (
                f"method {claim.method} v{claim.method_version}, this version has v{method.version}"
            )
    above = grouped((name, claim.id) for claim in book.claims for name in claim.inputs)
    reached = list(reasons)
    for under in reached:  # grows as it goes: each claim is reached once
        for name in above.get(under, ()):
            if name not in reasons:
                reasons[name] = f"it rests on {under}"
                reached.append(name)
    return reasons


def _compare_books(stated: ClaimBook, fresh: ClaimBook) -> Iterator[Finding]:
    """Yield a finding for each thing stated that is not what the raw logs give.

    Claims of another version, by methods that are not this version's, are compared with nothing
    made from the logs: only their texts must be their figures.
    """
    beyond = _beyond_this_version(stated)
    same_kit = _made_alike(stated, fresh)
    passed_over = set(NEW_IN_FORMAT_2) if stated.file_format == OLD_FORMAT else set()
    locale = str(stated.settings.get("locale", "en"))
    for name, why in beyond.items():
        claim = stated.by_id[name]
        if same_kit:
            found = f"not recomputable by this version: {why}"
            yield _finding(f"{name}, method", "a method this version can compute", found)
        elif not reads_as_stated(claim, locale):
            said = f"a figure that reads {claim.text}"
            yield _finding(f"{name}, value", said, _shown(claim.value))
    for fault in stated.trace_faults():
        yield _finding(str(fault.key), "inputs and runs that are in claims.json", fault.message)
    yield from _about(stated, fresh)
    yield from _runs(stated, fresh)
    seen: set[str] = set()
    for claim in stated.claims:
        if claim.id in seen:
            yield _finding(claim.id, "each claim once", "it stands twice")
        seen.add(claim.id)
        if claim.id in beyond:
            continue
        made = fresh.get(claim.id)
        if made is None:
            yield _finding(claim.id, "no such claim: the logs do not give it", "stated")
            continue
        for name, expected, found in _apart(claim, made):
            if name in passed_over:
                continue
            if name == "marks" and not same_kit and {*claim.marks} < {*made.marks}:
                continue  # a later version may mark more
            # Another version may round otherwise; the text must still be the figure stated.
            if same_kit or name not in _PRINTED or not reads_as_stated(claim, locale):
                yield _finding(f"{claim.id}, {name}", expected, found)
    kinds = {claim.kind for claim in stated.claims}
    for claim in fresh.claims:
        # A later version may have kinds of claims that an older one did not make.
        if claim.id not in seen and (same_kit or claim.kind in kinds):
            yield _finding(claim.id, f"this claim, {claim.text}", "it is missing")


def _made_alike(stated: ClaimBook, fresh: ClaimBook) -> bool:
    """Return whether two books come from one version and form: nothing may be new in either."""
    return (stated.kit_version, stated.file_format) == (fresh.kit_version, fresh.file_format)


def reads_as_stated(claim: Claim, locale: str) -> bool:
    """Return whether a claim's text and interval are its figures, rounded as its rule says.

    Of a statement that is all that can be said: another version may word it otherwise.
    """
    if not claim.is_figure:
        return True
    scale = {"ratio": (100.0, -100.0), "share": (100.0, 0.0)}.get(claim.unit, (1.0, 0.0))
    texts = [(claim.text, claim.value)]
    if claim.interval:
        first, _, last = claim.interval.partition(" to ")
        texts += [(first, claim.low), (last, claim.high)]
    found = re.search(r"(\d+) decimals", claim.rounding)
    for text, value in texts:
        printed = _number_in(text, locale)
        if printed is None or value is None:
            return False
        figure = value * scale[0] + scale[1] if claim.rounding.startswith("percent") else value
        if text.startswith("under "):  # less than the least that is printed
            if not 0 <= figure < printed:
                return False
            continue
        step = 10.0 ** -int(found[1]) if found else 10.0 ** -_decimals_in(text, locale)
        if abs(printed - figure) > 0.5 * step * (1 + 1e-6):
            return False
    return True


def _number_in(text: str, locale: str) -> float | None:
    """Return the number a printed figure shows, or None."""
    marks = words_of(locale)
    found = re.search(r"[+\u2212-]?\d[\d\s.,\u2019\u202f]*", text)
    if found is None:
        return None
    plain = re.sub(r"\s", "", found[0].replace(marks.group, "").replace("\u2212", "-"))
    try:
        return float(plain.replace(marks.decimal, "."))
    except ValueError:
        return None


def _decimals_in(text: str, locale: str) -> int:
    """Return how many decimals a printed figure has."""
    after = re.search(re.escape(words_of(locale).decimal) + r"(\d+)", text)
    return len(after[1]) if after else 0


def _finding(place: str, expected: str, found: str) -> Finding:
    """Return a finding in the claims."""
    return Finding(f"{CLAIMS_PATH} # {place}", expected, found)


def _about(stated: ClaimBook, fresh: ClaimBook) -> Iterator[Finding]:
    """Yield what is wrong in what the claims say of the review as a whole."""
    for name in ("review", "title", "byline", "date", "product", "params_file", "params_sha256"):
        if getattr(stated, name) != getattr(fresh, name):
            yield _finding(name, _shown(getattr(fresh, name)), _shown(getattr(stated, name)))
    # A later version may have settings that an older one did not know.
    strict = _made_alike(stated, fresh)
    for name in ("settings", "layouts", "names"):
        apart = _tree_apart(getattr(stated, name), getattr(fresh, name), "", strict)
        for place, expected, found in apart:
            yield _finding(f"{name}{place}", _shown(expected), _shown(found))


def _tree_apart(
    stated: Any, fresh: Any, place: str, strict: bool
) -> Iterator[tuple[str, Any, Any]]:
    """Yield place, expected and found wherever two trees of plain data differ.

    Unless `strict`, keys that only `fresh` has are passed over.
    """
    if isinstance(stated, Mapping) and isinstance(fresh, Mapping):
        for key in dict.fromkeys([*(fresh if strict else ()), *stated]):
            yield from _tree_apart(stated.get(key), fresh.get(key), f"{place}.{key}", strict)
    elif isinstance(stated, list | tuple) and isinstance(fresh, list | tuple):
        if len(stated) != len(fresh):
            yield place, fresh, stated
            return
        for number, (one, other) in enumerate(zip(stated, fresh, strict=True)):
            yield from _tree_apart(one, other, f"{place}[{number}]", strict)
    elif not _same(stated, fresh):
        yield place, fresh, stated


def _runs(stated: ClaimBook, fresh: ClaimBook) -> Iterator[Finding]:
    """Yield what is wrong in the records of the runs."""
    seen: set[str] = set()
    for run in stated.runs:
        if run.id in seen:
            yield _finding(f"run {run.id}", "each run once", "it stands twice")
        seen.add(run.id)
        made = fresh.run_by_id.get(run.id)
        if made is None:
            yield _finding(f"run {run.id}", "no such run in runs.csv", "stated")
            continue
        for name, expected, found in _apart(run, made):
            yield _finding(f"run {run.id}, {name}", expected, found)
    for run in fresh.runs:
        if run.id not in seen:
            yield _finding(f"run {run.id}", "this run of runs.csv", "it is missing")


def _apart(stated: Claim | RunRecord, made: Claim | RunRecord) -> Iterator[tuple[str, str, str]]:
    """Yield name, expected and found of each field in which two claims or runs differ."""
    for column in fields(stated):
        one, other = getattr(stated, column.name), getattr(made, column.name)
        if isinstance(one, Mapping):
            one, other = dict(one), dict(other)
        same = _same(one, other) if column.name in _FIGURES else _plain(one) == _plain(other)
        if not same:
            yield column.name, _shown(other), _shown(one)


def _plain(value: Any) -> Any:
    """Return tuples as lists, as JSON has them."""
    return list(value) if isinstance(value, tuple) else value


def _same(one: Any, other: Any) -> bool:
    """Return whether two figures are equal but for the last bits."""
    if isinstance(one, float) and isinstance(other, float):
        return same_figure(one, other)
    return bool(_plain(one) == _plain(other))


def same_figure(one: float, other: float) -> bool:
    """Return whether two figures differ by no more than the order of their sums explains.

    Notes
    -----
    Relative, `REL_TOLERANCE`: the last bits of a sum in another order are about 1e-13 of it, those
    of a fitted variance more. Zero is only equal to zero.
    """
    return math.isclose(one, other, rel_tol=REL_TOLERANCE, abs_tol=1e-300)


def _shown(value: Any) -> str:
    """Return a value as a finding shows it, not too long."""
    text = value if isinstance(value, str) else repr(_plain(value))
    if not text:
        return "nothing"
    return text if len(text) <= 200 else f"{text[:200]}... ({len(text)} characters)"
