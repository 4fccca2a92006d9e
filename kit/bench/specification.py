"""The specification table: what makers state of the parts, and what follows from it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from kit.settings.bench_file import Bench, Product, Specification

if TYPE_CHECKING:
    import pandas as pd

Figures = Mapping[str, float]


@dataclass(frozen=True, slots=True)
class _SpecificationRow:
    """One figure of every product: given by the maker, or derived from figures that are.

    `values` maps each product to its figure, None where it is neither given nor can be derived.
    `derived` names the products whose figure is derived, by `formula` from the rows `made_from`.
    """

    field: str
    label: str
    unit: str
    values: Mapping[str, float | None]
    derived: frozenset[str] = frozenset()
    made_from: tuple[str, ...] = ()
    formula: str = ""


@dataclass(frozen=True, slots=True)
class _FactRow:
    """One fact of every product that is no figure; "" where it is not stated."""

    field: str
    label: str
    values: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class _SpecificationTable:
    """Products side by side: facts first, then figures. Rows nobody states are not there."""

    products: tuple[str, ...]
    facts: tuple[_FactRow, ...]
    rows: tuple[_SpecificationRow, ...]

    def to_frame(self) -> pd.DataFrame:
        """Return one row per figure and product: field, label, unit, product, value, origin."""
        import pandas as pd

        return pd.DataFrame(
            [
                (
                    row.field,
                    row.label,
                    row.unit,
                    product,
                    value,
                    "derived" if product in row.derived else "given",
                )
                for row in self.rows
                for product, value in row.values.items()
                if value is not None
            ],
            columns=["field", "label", "unit", "product", "value", "origin"],
        )


@dataclass(frozen=True, slots=True)
class _Derivation:
    """One figure as it follows from others."""

    field: str
    made_from: tuple[str, ...]
    formula: str
    work_out: Callable[[Figures], float]


# Given fields: label and unit, in the table's order.
_GIVEN = {
    "units": ("Shader units", ""),
    "base_clock_mhz": ("Base clock", "MHz"),
    "boost_clock_mhz": ("Boost clock", "MHz"),
    "memory_gb": ("Memory", "GB"),
    "bus_width_bit": ("Memory bus", "bit"),
    "memory_rate_gbps": ("Memory rate per pin", "Gbit/s"),
    "bandwidth_gb_s": ("Memory bandwidth", "GB/s"),
    "power_limit_w": ("Power limit", "W"),
}
_DERIVED = {
    "unit_rate_ghz": ("Shader units x boost clock", "GHz"),
    "bandwidth_per_unit_mb_s": ("Bandwidth per shader unit", "MB/s"),
    "bandwidth_per_unit_rate": ("Bandwidth per unit and GHz of boost", "MB/s per GHz"),
    "power_per_unit_mw": ("Power limit per shader unit", "mW"),
    "clock_headroom": ("Boost clock / base clock", ""),
}
# Common practice, no source: bits / 8 x Gbit/s per pin = GB/s. The three memory figures are
# filled in from whichever two are given; bench.py refuses three that contradict each other.
_DERIVATIONS = (
    _Derivation(
        "bandwidth_gb_s",
        ("bus_width_bit", "memory_rate_gbps"),
        "bus width / 8 x rate per pin",
        lambda f: f["bus_width_bit"] / 8 * f["memory_rate_gbps"],
    ),
    _Derivation(
        "memory_rate_gbps",
        ("bandwidth_gb_s", "bus_width_bit"),
        "bandwidth x 8 / bus width",
        lambda f: f["bandwidth_gb_s"] * 8 / f["bus_width_bit"],
    ),
    _Derivation(
        "bus_width_bit",
        ("bandwidth_gb_s", "memory_rate_gbps"),
        "bandwidth x 8 / rate per pin",
        lambda f: f["bandwidth_gb_s"] * 8 / f["memory_rate_gbps"],
    ),
    _Derivation(
        "unit_rate_ghz",
        ("units", "boost_clock_mhz"),
        "shader units x boost clock / 1000",
        lambda f: f["units"] * f["boost_clock_mhz"] / 1000,
    ),
    _Derivation(
        "bandwidth_per_unit_mb_s",
        ("bandwidth_gb_s", "units"),
        "bandwidth x 1000 / shader units",
        lambda f: f["bandwidth_gb_s"] * 1000 / f["units"],
    ),
    _Derivation(
        "bandwidth_per_unit_rate",
        ("bandwidth_gb_s", "units", "boost_clock_mhz"),
        "bandwidth x 1000 / (shader units x boost clock / 1000)",
        lambda f: f["bandwidth_gb_s"] * 1000 / (f["units"] * f["boost_clock_mhz"] / 1000),
    ),
    _Derivation(
        "power_per_unit_mw",
        ("power_limit_w", "units"),
        "power limit x 1000 / shader units",
        lambda f: f["power_limit_w"] * 1000 / f["units"],
    ),
    _Derivation(
        "clock_headroom",
        ("boost_clock_mhz", "base_clock_mhz"),
        "boost clock / base clock",
        lambda f: f["boost_clock_mhz"] / f["base_clock_mhz"],
    ),
)


def compare_specifications(bench: Bench, products: Sequence[str]) -> _SpecificationTable:
    """Return the specifications of `products` side by side, with the figures that follow.

    Parameters
    ----------
    bench : Bench
        Its products' specifications. They do not contradict themselves: `read_bench` refuses that.
    products : sequence of str
        Ids, in the order of the table's columns.

    Returns
    -------
    _SpecificationTable

    Raises
    ------
    ValueError
        If the bench does not know a product.

    Notes
    -----
    A figure that is given is never replaced by a derived one. What depends on the design of a part
    (operations per unit and clock, cache) is not derived: products of different makers would be
    set side by side on a figure that does not mean the same for both.
    """
    unknown = [product for product in products if product not in bench.products]
    if unknown:
        raise ValueError(f"not in the bench: {', '.join(unknown)}")
    known = {product: bench.products[product] for product in products}
    figures = {p: _given_figures(entry.specification) for p, entry in known.items()}
    made_by: dict[tuple[str, str], _Derivation] = {}
    for product, values in figures.items():
        for derivation in _DERIVATIONS:
            if derivation.field not in values and all(n in values for n in derivation.made_from):
                values[derivation.field] = derivation.work_out(values)
                made_by[product, derivation.field] = derivation
    rows = []
    for field, (label, unit) in (_GIVEN | _DERIVED).items():
        if not any(field in values for values in figures.values()):
            continue
        derived = frozenset(p for p in known if (p, field) in made_by)
        how = next((made_by[p, field] for p in known if p in derived), None)
        rows.append(
            _SpecificationRow(
                field=field,
                label=label,
                unit=unit,
                values={p: figures[p].get(field) for p in known},
                derived=derived,
                made_from=how.made_from if how else (),
                formula=how.formula if how else "",
            )
        )
    return _SpecificationTable(tuple(products), _facts(known), tuple(rows))


def _given_figures(specification: Specification) -> dict[str, float]:
    """Return the figures a maker states, by field."""
    stated = {name: getattr(specification, name) for name in _GIVEN}
    return {name: float(value) for name, value in stated.items() if value is not None}


def _facts(products: Mapping[str, Product]) -> tuple[_FactRow, ...]:
    """Return what is known of the products and is no figure."""
    found: dict[str, tuple[str, dict[str, str]]] = {}
    for product, entry in products.items():
        released = entry.released.isoformat() if entry.released else ""
        refresh = f"{entry.refresh_hz:g} Hz" if entry.refresh_hz else ""
        stated = {
            "maker": ("Maker", entry.maker or ""),
            "class": ("Class", entry.machine_class),
            "part": ("Part", entry.part or ""),
            "released": ("Released", released),
            "refresh": ("Own display", refresh),
            # A prefix: what a maker states freely must not hide a field of the table.
            **{f"other.{k}": (k, v) for k, v in entry.specification.other.items()},
        }
        for field, (label, text) in stated.items():
            found.setdefault(field, (label, {}))[1][product] = text
    return tuple(
        _FactRow(field, label, {p: values.get(p, "") for p in products})
        for field, (label, values) in found.items()
        if any(values.values())
    )
