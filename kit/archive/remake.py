"""A sealed review made again whole, and compared with the bag file by file.

Params, bench, logs and text determine every other byte of a bag. They are read from the bag; what
makes the rest is this version's own code and its own template. Nothing of the bag is run.
"""

from __future__ import annotations

import datetime as dt
import re
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any, Literal

from kit.archive.bag import (
    BAGIT_TXT,
    MANIFEST,
    TAG_MANIFEST,
    Item,
    info_bytes,
    manifest_bytes,
    measure_item,
)
from kit.archive.contents import (
    JOURNAL_PART,
    bag_info,
    data_package,
    describe_items,
    environment_items,
    input_items,
    review_scope,
    ro_crate,
    text_path,
)
from kit.archive.rebuild import CLAIMS_PATH, Fresh, same_figure
from kit.archive.unbag import SIGNATURE_FOLDER, Bag, Listing, read_json
from kit.bench.journal import read_excerpt
from kit.claims.claim import CLAIMS_FORMAT, ClaimBook
from kit.claims.of_pages import kit_version
from kit.errors import Fault, KitError, SealError
from kit.metrics.measuring import PLAIN, Reading
from kit.page.environment import stated_versions
from kit.report.laboratory import OpenReview
from kit.report.report import write_here
from kit.report.template import TemplateError, own_template
from kit.settings.params import bench_read_from

State = Literal["same bytes", "same after", "differs", "not rebuilt"]
INSTALLED = "data/environment/installed.txt"
COMPONENTS = "data/environment/cyclonedx.json"
# What nobody can derive from params, bench, logs and text.
STATED = (
    "the day of bagging (bag-info.txt)",
    "what the bench's journal says of other reviews (its chain is checked)",
    "names and versions of the packages installed, and their licences (environment/)",
)
# Another version of one of these may draw or sum otherwise.
DRAWING = ("matplotlib", "seaborn", "pillow", "fonttools", "contourpy", "kiwisolver")
SHOWN = 96  # characters of a file shown from shortly before its first difference
_PICTURE = re.compile(r"data:image/(?:svg\+xml|png);base64,[A-Za-z0-9+/=]+")
_NUMBER = re.compile(r"[0-9]+(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?")


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

    `why` says why nothing could be made, in words; `fault` is the fault of the inputs behind it.
    """

    parts: tuple[Part, ...] = ()
    why: str = ""
    fault: KitError | None = None
    fresh: Fresh | None = None

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
    bag: Bag,
    listing: Listing,
    stated: ClaimBook,
    params_path: Path,
    *,
    reading: Reading = PLAIN,
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
            _make(made, bag, params_path, Path(temporary), installed)
        except TemplateError as error:
            return Remade(why=f"made by a template of someone else's: {error}")
        except KitError as error:
            return Remade(why=str(error), fault=error, fresh=made.fresh)
        except ModuleNotFoundError as error:
            if error.name is None or error.name.partition(".")[0] not in {"matplotlib", "seaborn"}:
                raise
            return Remade(why=f"{error.name} is not installed here, so no chart can be drawn")
        parts = _compare(made, bag, listing, installed)
    return Remade(parts=parts, fresh=made.fresh)


def _stated_packages(bag: Bag) -> tuple[dict[str, str], str]:
    """Return the packages a bag says were installed, or why that cannot be taken as stated."""
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
    made: _Made, bag: Bag, params_path: Path, folder: Path, installed: Mapping[str, str]
) -> None:
    """Make every file of the payload; `made` keeps what there is when a step fails."""
    scope = review_scope(params_path)
    if scope.loaded.params.text is not None:
        text_path(scope.loaded.params.text)  # refuses one outside, before anything reads it
    name = PurePosixPath(scope.loaded.params.template.replace("\\", "/")).name
    closed, variables = write_here(
        own_template(name), params_path, folder=folder, reading=made.reading
    )
    made.fresh = _fresh_of(variables)
    book = made.fresh.book
    items = [Item(f"data/{name}", folder / name) for name in closed.files]
    items += input_items(scope, book)
    items += environment_items(book, installed, licences=_stated_licences(bag, installed))
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
    tags = {
        "bagit.txt": BAGIT_TXT,
        "bag-info.txt": info_bytes(
            _stated_day(bag),
            [member.size_bytes for member in members],
            bag_info(book, scope, journal=journal),
        ),
        "datapackage.json": data_package(book, members),
        "ro-crate-metadata.json": ro_crate(book, members),
    }
    made.items |= {path: Item(path, data) for path, data in tags.items()}


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


def _stated_day(bag: Bag) -> dt.date:
    """Return the day of bagging as stated; the epoch where it is none, which then differs."""
    if "bag-info.txt" not in bag.files:
        return dt.date(1970, 1, 1)
    head = bag.read("bag-info.txt").decode("utf-8", "replace").partition("\n")[0]
    try:
        return dt.date.fromisoformat(head.removeprefix("Bagging-Date: ").strip())
    except ValueError:
        return dt.date(1970, 1, 1)


def _stated_licences(bag: Bag, installed: Mapping[str, str]) -> dict[str, str]:
    """Return the licences stated of the packages, where they have the form of one."""
    try:
        components = read_json(bag, COMPONENTS)["components"]
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
    """Return every file of the bag, or made again, with how the two compare."""
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
        elif measure_item(item) == (bag.files[path], bag.digest(path)):
            parts.append(Part(path, "same bytes"))
        else:
            data = item.source if isinstance(item.source, bytes) else item.source.read_bytes()
            parts.append(_compare_file(path, data, bag, ways))
    return tuple(parts)


Way = Callable[[str, str, str], tuple[str, str]]


def _ways(made: _Made, bag: Bag, installed: Mapping[str, str]) -> dict[str, Way]:
    """Return what may be set aside before two files are compared, by its name."""
    ways: dict[str, Way] = {}
    here = installed_here(DRAWING)
    if any(installed.get(name, "") != here.get(name, "") for name in DRAWING):
        # Forged pictures cannot be told from another version's: said one by one, never in silence.
        ways["pictures drawn by other versions"] = _without_pictures
    claims = made.items[CLAIMS_PATH]
    if CLAIMS_PATH in bag.files:
        digests = (measure_item(claims)[1], bag.digest(CLAIMS_PATH))
        if digests[0] != digests[1]:
            ways["hash of claims.json"] = lambda path, one, other: (
                one.replace(digests[0], "claims"), other.replace(digests[1], "claims"),
            )  # fmt: skip
    ways["last bits of figures"] = _without_last_bits
    return ways


def installed_here(names: tuple[str, ...]) -> dict[str, str]:
    """Return the versions really installed of some packages, whatever a bag states."""
    from importlib.metadata import PackageNotFoundError, version

    found = {}
    for name in names:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found


def _without_pictures(path: str, one: str, other: str) -> tuple[str, str]:
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
    """Return the second text with each number that is nearly the first's written as there."""
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
    """Compare one file with the one made again: as it is, then after each thing set aside."""
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
    return Part(path, "differs", (), *_first_apart(one, other))


def _text(data: bytes) -> str:
    return data.decode("utf-8", "surrogateescape")


def _first_apart(one: str, other: str) -> tuple[str, str, str]:
    """Return where two texts differ first, and both from shortly before it on."""
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
    return place, repr(one[start : start + SHOWN]), repr(other[start : start + SHOWN])
