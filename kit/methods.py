"""Every method a claim can name: its version, its formula in words, what it does not do.

A claim names its method and the version it was made with. A method whose result changes for the
same inputs gets a new version, and the list of changes in DEVELOPERS.md says by how much.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Method:
    """One method: name, version, formula in words."""

    name: str
    version: int
    words: str


_ALL = (
    Method(
        "average", 1, "Number of frames divided by the sum of their times: frames over seconds."
    ),
    Method(
        "low-percentile",
        1,
        "1000 divided by the quantile of the frame times (ms) that the slowest 1 % (or 0.1 %) "
        "of frames exceed, by the Hyndman-Fan type in force.",
    ),
    Method(
        "low-slowest-share",
        1,
        "Frame rate over the slowest 1 % (or 0.1 %) of frames: their number, rounded up, "
        "divided by the sum of their times.",
    ),
    Method(
        "low-time-share",
        1,
        "1000 divided by the frame time (ms) at which the slowest frames, longest first, add "
        "up to 1 % (or 0.1 %) of the run's time.",
    ),
    Method("typed-in", 1, "Typed into the run sheet before logs were kept; no log stands behind."),
    Method("recorded", 1, "The result recorded in the run sheet, as typed."),
    Method(
        "cell-welch",
        1,
        "Geometric mean of the used runs; interval from Student's t on the logarithms of the "
        "runs, with runs - 1 degrees of freedom.",
    ),
    Method(
        "cell-shared",
        1,
        "Geometric mean of the used runs; interval with the run-to-run variance shared across "
        "cells (two-level empirical Bayes).",
    ),
    Method("cell-none", 1, "Geometric mean of the used runs; nothing gives an interval."),
    Method(
        "margin-welch",
        1,
        "Ratio of the two geometric means over runs, turned so that above 1 is better; "
        "Welch's interval on the logarithms of the runs.",
    ),
    Method(
        "margin-shared",
        1,
        "Ratio of the two geometric means over runs, turned so that above 1 is better; "
        "interval on the log scale with run-to-run variance shared across cells (two-level "
        "empirical Bayes).",
    ),
    Method(
        "margin-paired",
        1,
        "Geometric mean, over the sessions both sides were run in, of the ratio within each "
        "session, turned so that above 1 is better; interval from the spread of the session "
        "ratios on the log scale.",
    ),
    Method(
        "margin-paired_shared",
        1,
        "As margin-paired; the variance of the session ratios is shared across titles and pairs "
        "of products (two-level empirical Bayes).",
    ),
    Method(
        "margin-none",
        1,
        "Ratio of the two geometric means over runs, turned so that above 1 is better; nothing "
        "gives an interval.",
    ),
    Method("difference", 1, "Product minus baseline, in the unit measured (levels in dB)."),
    Method(
        "margin-all-runs",
        1,
        "The same margin with the runs that were set aside put back, for comparison.",
    ),
    Method(
        "suite-these-titles",
        1,
        "Weighted geometric mean of the titles' margins; interval from their run-to-run errors "
        "combined: it holds for these titles.",
    ),
    Method(
        "suite-titles-like-these",
        1,
        "The same geometric mean; interval from Student's t over the titles' margins: it holds "
        "for titles like these.",
    ),
    Method("suite-range", 1, "The smallest or largest margin among the suite's titles."),
    Method("suite-count", 1, "Number of the suite's titles with this outcome."),
    Method("suite-influence", 1, "The suite margin with one title left out."),
    Method(
        "name-gap",
        1,
        "Suite margin of the newer over the older name in one class of machine, divided by the "
        "same in the other class, over the titles all four share.",
    ),
    Method(
        "closure",
        1,
        "A over B times B over C, beside A over C; equal over the titles all three share.",
    ),
    Method("price", 1, "Median of the prices observed in the window; span lowest to highest."),
    Method("scenario-price", 1, "A price supposed in the params file."),
    Method("suite-fps", 1, "Geometric mean of the averages over the titles named."),
    Method("cost-per-fps", 1, "Price divided by the suite's frames per second."),
    Method("premium", 1, "Price divided by the rival's price."),
    Method(
        "equal-value-price",
        1,
        "The rival's price times the suite margin: at this price both cost the same per frame "
        "per second.",
    ),
    Method(
        "cut-needed",
        1,
        "How much of the price would have to go to reach the price of equal value; 0 where none.",
    ),
    Method("given", 1, "Given by the maker, as recorded in bench.yaml."),
    Method("derived", 1, "Worked out from figures given by the maker: see the column's formula."),
    Method("count", 1, "Counted."),
    Method(
        "share-over-budget",
        1,
        "Share of the time spent in frames longer than the budget; mean over runs.",
    ),
    Method("hitches", 1, "Hitches per minute; mean over runs."),
    Method("energy-per-frame", 1, "Mean power times time, divided by frames; mean over runs."),
    Method(
        "run-spread", 1, "Run-to-run standard deviation of the logarithm of the metric, as a share."
    ),
)

METHODS = {method.name: method for method in _ALL}


def method_words(name: str) -> str:
    """Return a method's formula in words.

    Raises
    ------
    ValueError
        If no method has this name.
    """
    try:
        return METHODS[name].words
    except KeyError:
        raise ValueError(f"no method {name!r}") from None
