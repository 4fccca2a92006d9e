"""Every method a claim can name: its version, its formula in words, what it does not do.

A claim names its method and the version it was made with. A method whose result changes for the
same inputs gets a new version, and the list of changes in DEVELOPERS.md says by how much. The
whole formula of each stands under its name in `kit/methods.md`, whose last table is written from
here (`tests/write/write_methods.py`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class _Method:
    """One method.

    Attributes
    ----------
    name : str
        As claims, tables and the method page have it.
    version : int
        From 1; raised where results change for the same inputs.
    words : str
        Its formula in words, and what it does not do.
    """

    name: str
    version: int
    words: str


# What is not named here is still in its first version.
_VERSIONS = {
    "cell-shared": 3,
    "margin-shared": 3,
    "margin-paired_shared": 3,
    "margin-all-runs": 2,
    "difference": 3,
    "suite-these-titles": 3,
    "suite-count": 2,
    "suite-otherwise": 2,
    "break-even-day": 2,
    "part-margin": 2,
    "name-gap": 3,
    "drift": 3,
    "drift-anchor": 3,
    "drift-of-these": 3,
    "planned-runs": 3,
    "planned-time": 2,
    "smallest-resolved": 3,
    "energy-per-frame": 2,
}

_WORDS = {
    "average": "Number of frames divided by the sum of their times: frames over seconds.",
    "low-percentile": "1000 divided by the quantile of the frame times (ms) that the slowest 1 % "
    "(or 0.1 %) of frames exceed, by the Hyndman-Fan type in force.",
    "low-slowest-share": "Frame rate over the slowest 1 % (or 0.1 %) of frames: their number, "
    "rounded up, divided by the sum of their times.",
    "low-time-share": "1000 divided by the frame time (ms) at which the slowest frames, longest "
    "first, add up to 1 % (or 0.1 %) of the run's time.",
    "median": "1000 divided by the median frame time (ms), by Hyndman-Fan type 7: the rate that "
    "half of the frames reach.",
    "over-common-stretch": "The same figure over the stretch from the beginning that all used "
    "runs of the title have, where they are of unlike length.",
    "common-stretch": "How long the shortest used run of a title is, in seconds, or in frames "
    "where its runs are of as many frames.",
    "typed-in": "Typed into the run sheet before logs were kept; no log stands behind.",
    "recorded": "The result recorded in the run sheet, as typed.",
    "cell-welch": "Geometric mean of the used runs; interval from Student's t on the logarithms "
    "of the runs, with runs - 1 degrees of freedom.",
    "cell-shared": "Geometric mean of the used runs; interval with the run-to-run variance shared "
    "across titles, products and cells.",
    "cell-borrowed": "Geometric mean of the used runs; interval with the run-to-run variance of "
    "the titles that params name.",
    "cell-frames": "The figure of a lone run; interval from its own frames, by circular blocks. "
    "What differs from run to run is not in it, and no margin rests on it.",
    "cell-none": "Geometric mean of the used runs; nothing gives an interval.",
    "margin-welch": "Ratio of the two geometric means over runs, turned so that above 1 is "
    "better; Welch's interval on the logarithms of the runs.",
    "margin-shared": "Ratio of the two geometric means over runs, turned so that above 1 is "
    "better; interval on the log scale with the run-to-run variance shared across titles, "
    "products and cells, widened where a side scatters more than others lead one to expect.",
    "margin-borrowed": "Ratio of the two geometric means over runs, turned so that above 1 is "
    "better; Welch's interval, with the run-to-run variance of the titles that params name where a "
    "side has none of its own.",
    "margin-paired": "Geometric mean, over the sessions both sides were run in, of the ratio "
    "within each session, weighted by its runs and turned so that above 1 is better; interval "
    "from the spread of the session ratios on the log scale.",
    "margin-paired_shared": "As margin-paired; the variance of the session ratios is shared "
    "across titles and pairs of products.",
    "margin-own-runs": "The same margin with the interval of the runs of its two sides alone, "
    "nothing shared.",
    "margin-none": "Ratio of the two geometric means over runs, turned so that above 1 is better; "
    "nothing gives an interval.",
    "margin-unstruck": "The same margin of averages less what screening strikes inside runs: a "
    "stretch on another level is left out of all runs of its title, a drifting run whole.",
    "margin-robust": "Ratio by Huber's mean of ln values, with the spread that other cells lead "
    "one to expect; stated where it parts from the margin by more than their joint error.",
    "difference": "Product minus baseline, in the unit measured (levels in dB), of the means over "
    "runs; interval as of a margin, on the levels themselves.",
    "margin-all-runs": "The same margin with the runs that were set aside put back, for "
    "comparison.",
    "suite-these-titles": "Weighted geometric mean of the titles' margins; interval from the "
    "exact sum of their errors and of what a session does to one product in all titles: it holds "
    "for these titles.",
    "suite-titles-like-these": "The same geometric mean; interval from Student's t over the "
    "titles' margins: it holds for titles like these.",
    "suite-range": "The smallest or largest margin among the suite's titles.",
    "suite-count": "Number of the suite's titles with this outcome.",
    "suite-side": "Number of the suite's titles whose figure is the better one (above), the worse "
    "one (below) or the same (open), whatever can be told of their errors: where how far runs "
    "scatter was not measured.",
    "sign-test": "Two-sided p-value of the exact sign test over the suite's titles: how likely "
    "chance alone, as likely either way, splits them so unevenly. It holds for titles like these.",
    "false-outcomes": "How many of the suite's titles ahead or behind are expected to have a "
    "false sign.",
    "product-day": "Standard deviation of what a session does to one product in all titles alike, "
    "learnt from titles run in the same sessions.",
    "break-even-day": "How large a product's day would have to be, where it cannot be known, to "
    "leave the suite unresolved.",
    "suite-influence": "The suite margin with one title left out.",
    "suite-otherwise": "The suite margin with one thing chosen otherwise: its runs, its method, "
    "the number of outcomes it must hold with, the definition of a low, or a title or group left "
    "out.",
    "part-margin": "Ratio of the geometric means, over the machines that hold either part, of "
    "their performance over the titles all ran; interval from Student's t with the variance from "
    "machine to machine, pooled over parts.",
    "machine-spread": "Standard deviation of ln performance from machine to machine of one part, "
    "pooled over the parts with several machines; run-to-run error is in it.",
    "name-gap": "Suite margin of the newer over the older name in one class of machine, divided "
    "by the same in the other class, over the titles all four share.",
    "closure": "A over B times B over C, beside A over C; equal over the titles all three share.",
    "price": "Median of the prices observed in the window; span lowest to highest.",
    "price-seen": "One price as observed, converted as the price in force is.",
    "scenario-price": "A price supposed in the params file.",
    "suite-fps": "Geometric mean of the averages over the titles named.",
    "cost-per-fps": "Price divided by the suite's frames per second.",
    "price-difference": "Price minus the rival's price, in the review's currency.",
    "premium": "Price divided by the rival's price.",
    "equal-value-price": "The rival's price times the suite margin: at this price both cost the "
    "same per frame per second.",
    "cut-needed": "How much of the price would have to go to reach the price of equal value; 0 "
    "where none.",
    "elsewhere": "As another review states it, named with its date and, where it is sealed, the "
    "identity of its bag: taken over, not worked out here.",
    "given": "Given by the maker, as recorded in bench.yaml.",
    "derived": "Worked out from figures given by the maker: see the column's formula.",
    "count": "Counted.",
    "stated": "Said in words; no figure.",
    "energy-per-frame": "Mean power logged times time, divided by frames, over settled time where "
    "the lag of the readings is judged; geometric mean over runs, interval from Student's t on the "
    "logarithms, with the lag's.",
    "energy-metered": "Mean power of a title that meters it in the same scene, divided by the "
    "average; the interval takes lowest power with highest average and the other way round.",
    "energy-margin": "The baseline's energy per frame divided by the product's; interval after "
    "Welch from run to run, with the lags' errors: above 1 the product needs less.",
    "energy-unsettled": "Energy per frame from readings taken as they stand, divided by that over "
    "settled time.",
    "sensor-lag": "The lag at which a sensor's readings follow the rate of frames best, over all "
    "runs of a product; not judged where they follow it at none.",
    "sensor-under-load": "Mean of a sensor's readings over the second half of a run's time, "
    "weighted by time (of noise the equivalent continuous level); over runs, and over titles that "
    "weigh alike, geometric, of temperatures and levels arithmetic. Interval from Student's t over "
    "the runs.",
    "sensor-spread": "Standard deviation of the same over single runs, in the sensor's unit, "
    "pooled over titles.",
    "sensor-apart": "One product's mean under load divided by the other's, of temperatures and "
    "levels their difference; Welch's interval over the runs.",
    "fps-per-watt": "1 divided by the energy per frame.",
    "run-over-mean": "A run's figure divided by the geometric mean over the used runs of its "
    "product and title.",
    "run-spread": "Run-to-run standard deviation of the logarithm of the metric, as a share.",
    "repeatability": "Ratio that two runs of one product in one session stay within in 19 of 20 "
    "cases: exp(2.8 times the standard deviation of ln values within sessions), after ISO 5725-2.",
    "reproducibility": "The same for two runs of one product in different sessions: within and "
    "between sessions together.",
    "drift": "Re-runs over the runs before them, one product in one title, turned so that above 1 "
    "is better now; interval as of a margin.",
    "drift-anchor": "Geometric mean of one product's drift over the titles that every re-run "
    "product ran on both sides; run-to-run errors combined.",
    "drift-of-these": "Geometric mean of the drift over the re-run products; run-to-run errors "
    "combined: it holds for these products.",
    "drift-of-others": "The same geometric mean; interval from Student's t over the products: it "
    "holds for products like these that had no re-runs. Nothing with fewer than two.",
    "budget-in-run": "Share of one run's time spent in frames longer than the budget by more than "
    "half the step that its log can express.",
    "hitches-in-run": "Frames of one run that last longer than the median of the 31 frames around "
    "them, both by the factor and by the time in force.",
    "within-run-error": "Standard deviation of ln(metric) that one run's frames alone give, from "
    "circular blocks of frames. A diagnostic: no interval but that of a lone run rests on it.",
    "share-within": "Mean square of the within-run errors over the variance of ln(metric) between "
    "runs, at most 1.",
    "share-within-product": "The same over all titles in which a product has two runs or more: "
    "mean square of the within-run errors over the pooled variance of ln(metric) between runs, at "
    "most 1.",
    "effective-frames-product": "Median of the effective number of frames over a product's used "
    "runs.",
    "effective-frames": "Independent frames that would give the average the same error as the "
    "run's own frames, which depend on each other.",
    "planned-runs": "Runs that resolve the margin asked for with the power asked for, by the "
    "noncentral t, less those there are.",
    "bench-components": "Standard deviation of ln values by where it comes from: nested analysis "
    "of variance of runs in sessions, two-way analysis of titles and products on the cells' means.",
    "asked": "Asked for in the params file.",
    "planned-time": "Lengths of the runs to make and of their launches, added up.",
    "smallest-resolved": "The smallest margin that the runs planned resolve with the power asked "
    "for.",
    "planned-suite-error": "Standard error of a suite margin from what sessions do to products in "
    "all titles and from runs: as it is, with two more sessions, with as many runs in those there "
    "are.",
    "look-level": "Share of level margins that the intervals of this look leave out, so that over "
    "all looks registered no more are than the confidence asked for allows: alpha spending (Lan "
    "and DeMets), integrated over Brownian motion.",
    "run-gain": "A title's share of the variance of ln suite margin so far, and the part of the "
    "whole that one more run of it on every product takes away.",
    "pilot": "Power, and runs needed, of the plan with the spread seen in the runs so far; with "
    "caution, with a spread that the true one lies below with confidence 0.8.",
    "sensor-ends": "Mean of a sensor's readings with the frames of the first or the last fifth of "
    "a run.",
}

METHODS: Mapping[str, _Method] = MappingProxyType(
    {name: _Method(name, _VERSIONS.get(name, 1), words) for name, words in _WORDS.items()}
)
