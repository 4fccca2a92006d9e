"""The models of `bench.yaml`: products, titles, log layouts, controls recorded."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from kit.errors import BenchError
from kit.settings.yaml import Section, Text, YamlDocument, check_model, read_yaml, written_text

BENCH_FORMAT = "marginbook-bench/1"

Id = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9._-]*$", max_length=64)]
Unit = Literal["s", "ms", "us", "ns"]

# Columns of a new run sheet.
NEW_SHEET = ("run", "product", "title", "layout", "log", "began", "session", "status", "reason")


def column_reference(value: object) -> object:
    """Return a column's name or place; `true`, 1.5 and 0 are neither.

    Raises
    ------
    ValueError
        If it is none.
    """
    if isinstance(value, str) or (
        isinstance(value, int) and not isinstance(value, bool) and value > 0
    ):
        return value
    raise ValueError(
        f"found {written_text(value)!r}; expected a column's name, in quotation marks where it is "
        "a number, or its place counted from 1"
    )


ColumnRef = Annotated[
    str | int,
    BeforeValidator(column_reference),
    Field(description="A column's header name, or its place counted from 1."),
]


class FrameColumn(Section):
    """Which column holds the frames, as what, in which unit."""

    column: ColumnRef
    holds: Literal["frame_time", "frame_end"] = Field(
        description="frame_time: each row is one frame's time. frame_end: each row is the moment "
        "a frame ended; frames are the differences between rows."
    )
    unit: Unit
    starts: Literal["first_row", "zero"] = Field(
        default="first_row",
        description="For frame_end only. first_row: the first stamp opens the first frame. zero: "
        "the first stamp ends a frame that began at 0.",
    )


class Layout(Section):
    """How a raw log is to be read."""

    container: Literal["text", "parquet"] = "text"
    delimiter: str = Field(default=",", description='One character, "tab" or "space".')
    decimal: Literal[".", ","] = "."
    header: bool = True
    skip_lines: int = Field(default=0, ge=0, description="Preamble lines before the header.")
    comment: str | None = Field(default=None, description="Lines that begin so are passed over.")
    encoding: Literal["utf-8", "utf-16", "latin-1"] = "utf-8"
    files: str | None = Field(
        default=None, description="File names that may be in this layout, such as *.csv."
    )
    frames: FrameColumn
    sensors: dict[Id, ColumnRef] = Field(
        default_factory=dict,
        description="Sensor columns kept with the run, named with their unit: clock_mhz, power_w, "
        "temperature_c, processor_load_pct.",
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
        if not self.header and self.container == "text":
            named = [c for c in (self.frames.column, *self.sensors.values()) if isinstance(c, str)]
            if named:
                raise ValueError(
                    f"without a header, columns are given by place, counted from 1: {named[0]!r}"
                )
        return self


class Specification(Section):
    """What the maker says of the part; derived figures are checked against each other."""

    bus_width_bit: int | None = Field(default=None, gt=0)
    memory_rate_gbps: float | None = Field(default=None, gt=0, description="Gbit/s per pin.")
    bandwidth_gb_s: float | None = Field(default=None, gt=0)
    memory_gb: float | None = Field(default=None, gt=0)
    units: int | None = Field(default=None, gt=0, description="Shader units.")
    base_clock_mhz: float | None = Field(default=None, gt=0)
    boost_clock_mhz: float | None = Field(default=None, gt=0)
    power_limit_w: float | None = Field(default=None, gt=0)
    other: dict[str, Text] = Field(default_factory=dict)

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

    name: Text
    maker: Text | None = None
    machine_class: Id = Field(alias="class", description="portable, desk, ...")
    part: Text | None = Field(default=None, description="The part's name, shared across classes.")
    released: dt.date | None = None
    specification: Specification = Specification()
    configuration: dict[Id, Text] = Field(
        default_factory=dict, description="Controls that belong to the machine: processor, ..."
    )
    refresh_hz: float | None = Field(default=None, gt=0, description="The machine's own display.")
    note: Text | None = None


class Title(Section):
    """One workload: a scene with its settings."""

    name: Text
    workload: Text | None = Field(default=None, description="Common to one scene's variants.")
    measures: Literal["frames", "score", "duration", "power", "noise", "battery_life"] = "frames"
    unit: Text | None = Field(default=None, description="Of a result that is not frames.")
    settings: dict[Id, Text] = Field(default_factory=dict)
    tags: dict[Id, Text] = Field(default_factory=dict)
    planned_s: float | None = Field(default=None, gt=0, description="Planned length of a run.")
    note: Text | None = None

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

    format: Literal["marginbook-bench/1"]
    name: Text
    about: Text | None = None
    layouts: dict[Id, Layout] = Field(default_factory=dict)
    products: dict[Id, Product]
    titles: dict[Id, Title]
    controls: dict[Id, Text] = Field(
        default_factory=dict, description="What is recorded of the machines: name and meaning."
    )


@dataclass(frozen=True, slots=True)
class Bench:
    """A folder of evidence: what `bench.yaml` says, and where the folder is."""

    folder: Path
    name: str
    products: dict[str, Product]
    titles: dict[str, Title]
    layouts: dict[str, Layout]
    controls: dict[str, str]
    document: YamlDocument


def read_bench(folder: Path) -> Bench:
    """Read `bench.yaml` of a bench folder.

    Raises
    ------
    BenchError
        With every fault of the file: place, what was found, what was expected.
    """
    name = f"{folder.name}/bench.yaml"
    document = read_yaml(folder / "bench.yaml", file=name, error=BenchError)
    model = check_model(document, BenchFile, BenchError)
    return Bench(
        folder=folder,
        name=model.name,
        products=model.products,
        titles=model.titles,
        layouts=model.layouts,
        controls=dict(model.controls),
        document=document,
    )
