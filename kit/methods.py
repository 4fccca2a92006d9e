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
    Method(
        "median",
        1,
        "1000 divided by the median frame time (ms), by Hyndman-Fan type 7: the rate that half of "
        "the frames reach.",
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
        2,
        "Geometric mean of the used runs; interval with the run-to-run variance shared across "
        "titles, products and cells.",
    ),
    Method(
        "cell-frames",
        1,
        "The figure of a lone run; interval from its own frames, by circular blocks. What differs "
        "from run to run is not in it, and no margin rests on it.",
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
        2,
        "Ratio of the two geometric means over runs, turned so that above 1 is better; interval "
        "on the log scale with the run-to-run variance shared across titles, products and cells, "
        "widened where a side scatters more than others lead one to expect.",
    ),
    Method(
        "margin-paired",
        1,
        "Geometric mean, over the sessions both sides were run in, of the ratio within each "
        "session, weighted by its runs and turned so that above 1 is better; interval from the "
        "spread of the session ratios on the log scale.",
    ),
    Method(
        "margin-paired_shared",
        2,
        "As margin-paired; the variance of the session ratios is shared across titles and pairs "
        "of products.",
    ),
    Method(
        "margin-own-runs",
        1,
        "The same margin with the interval of the runs of its two sides alone, nothing shared.",
    ),
    Method(
        "margin-none",
        1,
        "Ratio of the two geometric means over runs, turned so that above 1 is better; nothing "
        "gives an interval.",
    ),
    Method(
        "difference",
        2,
        "Product minus baseline, in the unit measured (levels in dB), of the means over runs; "
        "interval as of a margin, on the levels themselves.",
    ),
    Method(
        "margin-all-runs",
        1,
        "The same margin with the runs that were set aside put back, for comparison.",
    ),
    Method(
        "suite-these-titles",
        2,
        "Weighted geometric mean of the titles' margins; interval from the exact sum of their "
        "errors and of what a session does to one product in all titles: it holds for these "
        "titles.",
    ),
    Method(
        "suite-titles-like-these",
        1,
        "The same geometric mean; interval from Student's t over the titles' margins: it holds "
        "for titles like these.",
    ),
    Method("suite-range", 1, "The smallest or largest margin among the suite's titles."),
    Method(
        "suite-count",
        2,
        "Number of the suite's titles with this outcome.",
    ),
    Method(
        "false-outcomes",
        1,
        "How many of the suite's titles ahead or behind are expected to have a false sign.",
    ),
    Method(
        "product-day",
        1,
        "Standard deviation of what a session does to one product in all titles alike, learnt from "
        "titles run in the same sessions.",
    ),
    Method(
        "break-even-day",
        1,
        "How large a product's day would have to be, where it cannot be known, to leave the suite "
        "unresolved.",
    ),
    Method("suite-influence", 1, "The suite margin with one title left out."),
    Method(
        "name-gap",
        2,
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
    Method("stated", 1, "Said in words; no figure."),
    Method(
        "energy-per-frame",
        1,
        "Mean power logged times time, divided by frames; geometric mean over runs, interval from "
        "Student's t on the logarithms.",
    ),
    Method(
        "energy-metered",
        1,
        "Mean power of a title that meters it in the same scene, divided by the average; the "
        "interval takes lowest power with highest average and the other way round.",
    ),
    Method("fps-per-watt", 1, "1 divided by the energy per frame."),
    Method(
        "run-over-mean",
        1,
        "A run's figure divided by the geometric mean over the used runs of its product and title.",
    ),
    Method(
        "run-spread", 1, "Run-to-run standard deviation of the logarithm of the metric, as a share."
    ),
    Method(
        "repeatability",
        1,
        "Ratio that two runs of one product in one session stay within in 19 of 20 cases: "
        "exp(2.8 times the standard deviation of ln values within sessions), after ISO 5725-2.",
    ),
    Method(
        "reproducibility",
        1,
        "The same for two runs of one product in different sessions: within and between sessions "
        "together.",
    ),
    Method(
        "drift",
        2,
        "Runs made again over the runs of before, one product in one title, turned so that above "
        "1 is better now; interval as of a margin.",
    ),
    Method(
        "drift-anchor",
        2,
        "Geometric mean of one product's drift over the titles that every product run again ran "
        "on both sides; run-to-run errors combined.",
    ),
    Method(
        "drift-of-these",
        2,
        "Geometric mean of the drift over the products run again; run-to-run errors combined: it "
        "holds for these products.",
    ),
    Method(
        "drift-of-others",
        1,
        "The same geometric mean; interval from Student's t over the products: it holds for "
        "products like these, which were not run again. Nothing with fewer than two.",
    ),
    Method(
        "budget-in-run",
        1,
        "Share of one run's time spent in frames longer than the budget by more than half the "
        "step that its log can express.",
    ),
    Method(
        "hitches-in-run",
        1,
        "Frames of one run that last longer than the median of the 31 frames around them, both "
        "by the factor and by the time in force.",
    ),
    Method(
        "within-run-error",
        1,
        "Standard deviation of ln(metric) that one run's frames alone give, from circular blocks "
        "of frames. A diagnostic: no interval but that of a lone run rests on it.",
    ),
    Method(
        "share-within",
        1,
        "Mean square of the within-run errors over the variance of ln(metric) between runs, at "
        "most 1.",
    ),
    Method(
        "share-within-product",
        1,
        "The same over all titles in which a product has two runs or more: mean square of the "
        "within-run errors over the pooled variance of ln(metric) between runs, at most 1.",
    ),
    Method(
        "effective-frames-product",
        1,
        "Median over a product's used runs of the independent frames each is worth.",
    ),
    Method(
        "effective-frames",
        1,
        "Independent frames that would give the average the same error as the run's own frames, "
        "which depend on each other.",
    ),
    Method(
        "planned-runs",
        2,
        "Runs that resolve the margin asked for with the power asked for, by the noncentral t, "
        "less those there are.",
    ),
    Method(
        "bench-components",
        1,
        "Standard deviation of ln values by where it comes from: nested analysis of variance of "
        "runs in sessions, two-way analysis of titles and products on the cells' means.",
    ),
    Method("asked", 1, "Asked for in the params file."),
    Method("planned-time", 1, "Lengths of the runs to make and of their launches, added up."),
    Method(
        "smallest-resolved",
        2,
        "The smallest margin that the runs planned resolve with the power asked for.",
    ),
    Method(
        "run-gain",
        1,
        "A title's share of the variance of ln suite margin so far, and the part of the whole that "
        "one more run of it on every product takes away.",
    ),
    Method(
        "pilot",
        1,
        "Power, and runs needed, of the plan with the spread seen in the runs so far; with "
        "caution, with a spread that the true one lies below with confidence 0.8.",
    ),
    Method(
        "sensor-ends",
        1,
        "Mean of a sensor's readings with the frames of the first or the last fifth of a run.",
    ),
)

METHODS = {method.name: method for method in _ALL}
