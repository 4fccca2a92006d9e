"""The specification table: what makers state of the parts, and what follows from it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from kit.settings.bench_file import Bench


@dataclass(frozen=True, slots=True)
class _SpecificationRow:
    """One figure of every product: given by the maker, or derived from figures that are.

    Attributes
    ----------
    field, label, unit : str
        Its name, what tables call it, and its unit.
    values : mapping of str to float
        By product; None where it is neither given nor can be derived.
    derived : frozenset of str
        The products whose figure is derived.
    made_from : tuple of str
        The fields it is derived from, where it is.
    formula : str
        How, in words.
    """

    field: str
    label: str
    unit: str
    values: Mapping[str, float | None]
    derived: frozenset[str]
    made_from: tuple[str, ...] = ()
    formula: str = ""


_LABELS = {
    "units": ("Shader units", ""),
    "base_clock_mhz": ("Base clock", "MHz"),
    "boost_clock_mhz": ("Boost clock", "MHz"),
    "memory_gb": ("Memory", "GB"),
    "bus_width_bit": ("Memory bus", "bit"),
    "memory_rate_gbps": ("Memory rate per pin", "Gbit/s"),
    "bandwidth_gb_s": ("Memory bandwidth", "GB/s"),
    "power_limit_w": ("Power limit", "W"),
    "unit_rate_ghz": ("Shader units x boost clock", "GHz"),
    "bandwidth_per_unit_mb_s": ("Bandwidth per shader unit", "MB/s"),
    "bandwidth_per_unit_rate": ("Bandwidth per unit and GHz of boost", "MB/s per GHz"),
    "power_per_unit_mw": ("Power limit per shader unit", "mW"),
    "clock_headroom": ("Boost clock / base clock", ""),
}


# Given fields: label and unit, in the table's order.
# Common practice, no source: bits / 8 x Gbit/s per pin = GB/s. The three memory figures are
# filled in from whichever two are given; bench.py refuses three that contradict each other.
_DERIVATIONS: Mapping[str, tuple[tuple[str, ...], str, Callable[..., float]]] = {
    "bandwidth_gb_s": (
        ("bus_width_bit", "memory_rate_gbps"),
        "bus width / 8 x rate per pin",
        lambda width, rate: width / 8 * rate,
    ),
    "memory_rate_gbps": (
        ("bandwidth_gb_s", "bus_width_bit"),
        "bandwidth x 8 / bus width",
        lambda bandwidth, width: bandwidth * 8 / width,
    ),
    "bus_width_bit": (
        ("bandwidth_gb_s", "memory_rate_gbps"),
        "bandwidth x 8 / rate per pin",
        lambda bandwidth, rate: bandwidth * 8 / rate,
    ),
    "unit_rate_ghz": (
        ("units", "boost_clock_mhz"),
        "shader units x boost clock / 1000",
        lambda units, boost: units * boost / 1000,
    ),
    "bandwidth_per_unit_mb_s": (
        ("bandwidth_gb_s", "units"),
        "bandwidth x 1000 / shader units",
        lambda bandwidth, units: bandwidth * 1000 / units,
    ),
    "bandwidth_per_unit_rate": (
        ("bandwidth_gb_s", "units", "boost_clock_mhz"),
        "bandwidth x 1000 / (shader units x boost clock / 1000)",
        lambda bandwidth, units, boost: bandwidth * 1000 / (units * boost / 1000),
    ),
    "power_per_unit_mw": (
        ("power_limit_w", "units"),
        "power limit x 1000 / shader units",
        lambda power, units: power * 1000 / units,
    ),
    "clock_headroom": (
        ("boost_clock_mhz", "base_clock_mhz"),
        "boost clock / base clock",
        lambda boost, base: boost / base,
    ),
}


def compare_specifications(bench: Bench, products: Sequence[str]) -> list[_SpecificationRow]:
    """Return the specifications of `products` side by side, with the figures that follow.

    Parameters
    ----------
    bench : Bench
        Its products' specifications. They do not contradict themselves: `read_bench` refuses that.
    products : sequence of str
        Ids, in the order of the table's columns.

    Returns
    -------
    list of _SpecificationRow
        A row for each figure that is given or follows for at least one product.

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
    figures: dict[str, dict[str, float]] = {}
    derived: dict[str, set[str]] = {}
    for product in products:
        stated = bench.products[product].specification.model_dump(exclude={"other"})
        values = {name: float(value) for name, value in stated.items() if value is not None}
        for field, (made_from, _, work_out) in _DERIVATIONS.items():
            if field not in values and all(name in values for name in made_from):
                values[field] = work_out(*(values[name] for name in made_from))
                derived.setdefault(field, set()).add(product)
        figures[product] = values
    return [
        _SpecificationRow(
            field,
            label,
            unit,
            {product: values.get(field) for product, values in figures.items()},
            frozenset(derived.get(field, ())),
            *(_DERIVATIONS[field][:2] if field in derived else ()),
        )
        for field, (label, unit) in _LABELS.items()
        if any(field in values for values in figures.values())
    ]
