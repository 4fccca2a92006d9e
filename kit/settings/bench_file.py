"""The models of `bench.yaml`: products, titles, log layouts, controls recorded."""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from kit.errors import BenchError
from kit.settings.yaml import Kept, Section, Text, YamlDocument, means, read_yaml, written_text

BENCH_FORMAT = "marginbook-bench/1"

Id = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9._-]*$", max_length=64)]


def bare_letters(text: str) -> str:
    """Return text with its letters bare of accents and umlauts, for an id.

    >>> bare_letters("Menü Größe")
    'Menu Grosse'
    """
    return unicodedata.normalize("NFKD", text.replace("ß", "ss")).encode("ascii", "ignore").decode()


# Columns of a new run sheet.
NEW_SHEET = ("run", "product", "title", "layout", "log", "began", "session", "status", "reason")


def _column_reference(value: object) -> object:
    """Return a column's name or place; `true`, 1.5 and 0 are neither."""
    if isinstance(value, str) or (
        isinstance(value, int) and not isinstance(value, bool) and value > 0
    ):
        return value
    raise ValueError(
        f"found {written_text(value)!r}; expected a column's name, in quotation marks where it is "
        "a number, or its place counted from 1"
    )


_ColumnRef = Annotated[
    str | int,
    BeforeValidator(_column_reference),
    means("A column's header name, or its place counted from 1."),
]


Name = Annotated[Text, means("What reports call it.")]
_Note = Annotated[Text | None, means("Anything a reader should know.")]


class _FrameColumn(Section):
    """Which column holds the frames, as what, in which unit."""

    column: _ColumnRef
    holds: Literal["frame_time", "frame_end", "frame_rate"] = means(
        "frame_time: each row is one frame's time. frame_end: each row is the moment a frame "
        "ended; frames are the differences between rows. frame_rate: each row is one frame and "
        "holds 1 / its time."
    )
    unit: Literal["s", "ms", "us", "ns", "fps", "iso", "clock"] = means(
        "Unit of the frame column: s, ms, us or ns; fps for frame_rate; for frame_end also iso "
        "(2026-11-25T08:36:00.123456) or clock (08:36:00.123, or 36:00.123)."
    )
    starts: Literal["first_row", "zero"] = means(
        "For frame_end only. first_row: the first stamp opens the first frame. zero: the first "
        "stamp ends a frame that began at 0.",
        "first_row",
    )

    @model_validator(mode="after")
    def _check(self) -> _FrameColumn:
        if (self.holds == "frame_rate") != (self.unit == "fps"):
            raise ValueError("holds: frame_rate and unit: fps go together")
        if self.unit in {"iso", "clock"} and (self.holds, self.starts) != (
            "frame_end",
            "first_row",
        ):
            raise ValueError(f"unit {self.unit} is for holds: frame_end, starts: first_row")
        return self


class Parts(Section):
    """How one file falls into runs, of which a row names one in its column `part`."""

    column: _ColumnRef | None = means(
        "The column that marks scenes or passes: rows with one mark, without a break, are a "
        "part, named by the mark, and numbered where it comes again.",
        None,
        examples=["scene"],
    )
    keep: tuple[Text, ...] = means(
        "Marks of the rows that count; empty: every mark.", (), examples=[["scene"]]
    )
    holds_on: bool = means("Whether a mark stands until the next one.", False)
    heading: Text | None = means(
        "A regular expression of the lines above each section; what its first group holds is the "
        "part's name.",
        None,
        examples=["^== (.+) =="],
    )
    members: tuple[Text, ...] | None = means(
        "Names of the logs in a zip, or of the sheets, that count.", None, examples=[["*.csv"]]
    )

    @model_validator(mode="after")
    def _check(self) -> Parts:
        if sum(key is not None for key in (self.column, self.heading, self.members)) != 1:
            raise ValueError("say one of column, heading and members")
        if self.column is None and (self.keep or self.holds_on):
            raise ValueError("keep and holds_on go with column")
        try:
            re.compile(self.heading or "")
        except re.error as error:
            raise ValueError(f"heading is no regular expression: {error}") from None
        return self


class Layout(Section):
    """How a raw log is to be read."""

    container: Literal["text", "parquet", "jsonl", "xlsx"] = means(
        "text (also packed with gzip or zstd), parquet, jsonl (an object a line) or xlsx. Each "
        "may lie in a zip.",
        "text",
    )
    delimiter: str = means('One character, "tab" or "space".', ",")
    decimal: Literal[".", ","] = means("The decimal mark.", ".")
    header: bool = means("Whether a line of column names stands above the rows.", True)
    skip_lines: int = means("Preamble lines before the header.", 0, ge=0)
    comment: str | None = means("Lines that begin so are passed over.", None, examples=["#"])
    encoding: Literal["utf-8", "utf-16", "latin-1"] = means("utf-8, utf-16 or latin-1.", "utf-8")
    until: str | None = means(
        "The rows end above the first line that begins so; '' for an empty line.",
        None,
        examples=["Summary"],
    )
    units_in_cells: bool = means("Whether numbers have their unit with them: 16.7 ms.", False)
    parts: Parts | None = means("How one file holds several runs, or more than the run.", None)
    part: str = means("The part that is read, where the run sheet's column part says none.", "")
    files: str | None = means("File names that may be in this layout, such as *.csv.", None)
    frames: _FrameColumn = means("The column that holds the frames.")
    sensors: dict[Id, _ColumnRef] = means(
        "Sensor columns kept with the run, named with their unit: clock_mhz, power_w, "
        "temperature_c, noise_dba, processor_load_pct.",
        default_factory=dict,
        examples=[{"power_w": "board_power", "temperature_c": 7}],
    )

    @model_validator(mode="after")
    def _check(self) -> Layout:
        if self.delimiter not in {"tab", "space"} and len(self.delimiter) != 1:
            raise ValueError('delimiter must be one character, "tab" or "space"')
        if self.delimiter.isalnum() and len(self.delimiter) == 1:
            raise ValueError(f"delimiter {self.delimiter!r} would cut names and numbers in two")
        if not self.delimiter.isprintable() or self.delimiter == '"':
            raise ValueError(f"{self.delimiter!r} cannot part cells; name the delimiter of the log")
        if self.delimiter == self.decimal:
            raise ValueError(f"delimiter and decimal mark are both {self.decimal!r}")
        marked = self.parts is not None and self.parts.members is None
        if marked and (self.frames.starts == "zero" or self.container in {"parquet", "jsonl"}):
            raise ValueError(
                "parts by column or heading are of text or xlsx that starts: first_row"
            )
        if not self.header and self.container == "text":
            named = [c for c in (self.frames.column, *self.sensors.values()) if isinstance(c, str)]
            if named:
                raise ValueError(
                    f"without a header, columns are given by place, counted from 1: {named[0]!r}"
                )
        return self

    @property
    def is_plain(self) -> bool:
        """Whether rows stand in the file as they are read, all of one run."""
        return (
            self.container in {"text", "parquet"}
            and self.until is None
            and not self.units_in_cells
            and (self.container == "parquet" or self.frames.unit not in {"iso", "clock"})
            and not (self.parts and self.parts.members is None)
            and not self.part
        )


class Specification(Section):
    """What the maker says of the part; derived figures are checked against each other."""

    bus_width_bit: int | None = means("Width of the memory bus.", None, gt=0, examples=[256])
    memory_rate_gbps: float | None = means(
        "Memory rate per pin, in Gbit/s.", None, gt=0, examples=[16.0]
    )
    bandwidth_gb_s: float | None = means(
        "Bus width / 8 x rate per pin; checked where all three are given.",
        None,
        gt=0,
        examples=[512.0],
    )
    memory_gb: float | None = means("The part's own memory.", None, gt=0, examples=[16.0])
    units: int | None = means("Shader units.", None, gt=0, examples=[4096])
    base_clock_mhz: float | None = means(
        "Lowest clock the maker states.", None, gt=0, examples=[1500.0]
    )
    boost_clock_mhz: float | None = means(
        "Highest clock the maker states.", None, gt=0, examples=[2400.0]
    )
    power_limit_w: float | None = means(
        "Limit of the board or the package.", None, gt=0, examples=[220.0]
    )
    other: dict[str, Text] = means(
        "Anything else, shown as written.", default_factory=dict, examples=[{"outputs": "four"}]
    )

    @model_validator(mode="after")
    def _check(self) -> Specification:
        # Common practice, no source: bus width in bits / 8 x rate per pin in Gbit/s = GB/s.
        if self.bus_width_bit and self.memory_rate_gbps and self.bandwidth_gb_s:
            derived = self.bus_width_bit / 8 * self.memory_rate_gbps
            if abs(derived - self.bandwidth_gb_s) > 0.005 * derived:
                raise ValueError(
                    f"the specification contradicts itself: {self.bus_width_bit} bit x "
                    f"{self.memory_rate_gbps:g} Gbit/s / 8 = {derived:g} GB/s, but bandwidth_gb_s "
                    f"says {self.bandwidth_gb_s:g}; correct one of the three"
                )
        base, boost = self.base_clock_mhz, self.boost_clock_mhz
        if base and boost and base > boost:
            raise ValueError("base_clock_mhz is above boost_clock_mhz; correct one of them")
        return self


class Product(Section):
    """One tested configuration: the part under test and the machine around it."""

    name: Name
    maker: Text | None = means("Who makes the part.", None, examples=["Its maker"])
    machine_class: Id = means("Class of the machine, such as portable or desk.", alias="class")
    part: Text | None = means(
        "The part's name, shared across classes.", None, examples=["The part's name"]
    )
    released: dt.date | None = means("Day it went on sale.", None, examples=[dt.date(2026, 11, 25)])
    specification: Specification = means(
        "What the maker says. Figures that contradict each other are refused.", Specification()
    )
    configuration: dict[Id, Text] = means(
        "Controls that belong to the machine, such as the processor.", default_factory=dict
    )
    refresh_hz: float | None = means(
        "Refresh rate of the machine's own display.", None, gt=0, examples=[120.0]
    )
    note: _Note = Field(None, examples=["On loan from the maker for a week"])


class Title(Section):
    """One workload: a scene with its settings."""

    name: Name
    workload: Text | None = means(
        "The scene's name, common to its variants.", None, examples=["A fixed scene"]
    )
    measures: Literal["frames", "score", "duration", "power", "noise", "battery_life"] = means(
        "frames, score, duration, power, noise or battery_life. For all but frames, results are "
        "typed into the run sheet.",
        "frames",
    )
    unit: Text | None = means("Unit of a result that is not frames.", None, examples=["fps"])
    settings: dict[Id, Text] = means(
        "Shown in the report; controls among them are compared.",
        default_factory=dict,
        examples=[{"resolution": "1440 lines", "preset": "high"}],
    )
    tags: dict[Id, Text] = means(
        "Suites and groups are formed by them.",
        default_factory=dict,
        examples=[{"resolution": "1440p"}],
    )
    planned_s: float | None = means("Planned length of a run.", None, gt=0)
    note: _Note = Field(None, examples=["Starts at the bridge, ends at the gate"])

    @property
    def less_is_better(self) -> bool:
        """Whether a smaller figure is the better one."""
        return self.measures in {"duration", "power", "noise"}

    @property
    def value_unit(self) -> str:
        """The unit of a result that is not frames."""
        usual = {
            "score": "points",
            "duration": "s",
            "power": "W",
            "noise": "dB(A)",
            "battery_life": "h",
            "frames": "fps",
        }
        return self.unit or usual[self.measures]


class BenchFile(Section):
    """`bench.yaml`, whole."""

    format: Literal["marginbook-bench/1"] = means("Which version of this file it is.")
    name: Text = means("What reports call the bench.")
    about: Text | None = means(
        "Where, how and with what it is measured.",
        None,
        examples=["One room at 21 degrees, machines run in turn"],
    )
    layouts: dict[Id, Layout] = means(
        "How raw logs are to be read. `marginbook new layout LOG` proposes one.",
        default_factory=dict,
    )
    products: dict[Id, Product] = means(
        "Tested configurations: a part and the machine around it. Small letters, digits, - and _ "
        "make an id."
    )
    titles: dict[Id, Title] = means(
        "Workloads: a scene with its settings. One scene at two resolutions is two titles."
    )
    controls: dict[Id, Text] = means(
        "What is recorded of the machines: name and meaning.", default_factory=dict
    )


@dataclass(frozen=True, slots=True)
class Bench:
    """A folder of evidence: what `bench.yaml` says, and where the folder is.

    Attributes
    ----------
    folder : Path
        The bench.
    name : str
        What reports call it.
    products, titles, layouts : dict
        What it declares, by id.
    controls : dict of str to str
        What is recorded of the machines, and what it means.
    document : YamlDocument
        The file as written, with the line of each key.
    """

    folder: Path
    name: str
    products: dict[str, Product]
    titles: dict[str, Title]
    layouts: dict[str, Layout]
    controls: dict[str, str]
    document: YamlDocument


def read_bench(folder: Path, *, kept: Kept | None = None) -> Bench:
    """Read `bench.yaml` of a bench folder.

    Parameters
    ----------
    folder : Path
        The bench.
    kept : Kept, optional
        As for `read_yaml`.

    Raises
    ------
    BenchError
        With every fault of the file: place, what was found, what was expected.
    """
    name = f"{folder.name}/bench.yaml"
    document = read_yaml(folder / "bench.yaml", file=name, error=BenchError, kept=kept)
    model = document.as_model(BenchFile, BenchError)
    return Bench(
        folder=folder,
        name=model.name,
        products=model.products,
        titles=model.titles,
        layouts=model.layouts,
        controls=dict(model.controls),
        document=document,
    )
