"""What stands in a new bench and a new params file, and what each key of the models means."""

from __future__ import annotations

import datetime as dt
from typing import Any

from kit.settings.bench_file import BENCH_FORMAT
from kit.settings.params import PARAMS_FORMAT

# What is switched on in a new file. Everything else is shown, switched off.
NEW_BENCH: dict[str, Any] = {
    "format": BENCH_FORMAT,
    "name": "My bench",
    "layouts": {
        "my-recorder": {
            "files": "*.csv",
            "frames": {"column": "frame_time_ms", "holds": "frame_time", "unit": "ms"},
        }
    },
    "products": {
        "new-part": {
            "name": "The part under review",
            "class": "desk",
            "configuration": {"processor": "its name", "memory_gb": "32"},
        },
        "old-part": {
            "name": "The part it is set against",
            "class": "desk",
            "configuration": {"processor": "its name", "memory_gb": "32"},
        },
    },
    "titles": {"my-scene": {"name": "A fixed scene", "planned_s": 60.0}},
    "controls": {
        "processor": "The processor of the machine",
        "memory_gb": "Main memory, in GB",
        "driver": "Version of the graphics driver",
    },
}
NEW_PARAMS: dict[str, Any] = {
    "format": PARAMS_FORMAT,
    "review": "my-review",
    "title": "The new part, beside the old one",
    "byline": "Who measured",
    "date": dt.date(2026, 11, 25),
    "bench": "../my-bench",
    "product": "new-part",
    "rivals": ["old-part"],
    "controls": ["processor", "memory_gb"],
    "metrics": {"low": "slowest_share"},
    "margins": {"method": "auto", "confidence": 0.95, "level_band": 0.02, "seed": 20261125},
}

# Shown where the model has no usual value.
EXAMPLES: dict[str, Any] = {
    "BenchFile.about": "One room at 21 degrees, machines run in turn",
    "Product.maker": "Its maker",
    "Product.note": "Lent by the maker for a week",
    "Title.note": "Starts at the bridge, ends at the gate",
    "Layout.comment": "#",
    "Layout.sensors": {"power_w": "board_power", "temperature_c": 7},
    "Specification.bus_width_bit": 256,
    "Specification.memory_rate_gbps": 16.0,
    "Specification.bandwidth_gb_s": 512.0,
    "Specification.memory_gb": 16.0,
    "Specification.units": 4096,
    "Specification.base_clock_mhz": 1500.0,
    "Specification.boost_clock_mhz": 2400.0,
    "Specification.power_limit_w": 220.0,
    "Specification.other": {"outputs": "four"},
    "Product.refresh_hz": 120.0,
    "Product.part": "The part's name",
    "Title.workload": "A fixed scene",
    "Title.unit": "fps",
    "Title.settings": {"resolution": "1440 lines", "preset": "high"},
    "Title.tags": {"resolution": "1440p"},
    "ReviewParams.predecessor": "old-part",
    "ReviewParams.same_name": [{"here": "new-part", "there": "old-part"}],
    "ReviewParams.waivers": [
        {"control": "memory_gb", "products": ["old-part"], "reason": "Why it may differ here."}
    ],
    "ReviewParams.suites": {
        "high-lines": {
            "name": "At 1440 lines",
            "titles": ["my-scene"],
            "tags": {"resolution": "1440p"},
            "weights": {"my-scene": 1.0},
        }
    },
    "ReviewParams.text": "my-review.md",
    "ReviewParams.replaces": "../sealed/my-review-1",
    "ScreenParams.set_aside": [{"run": "my-run-3", "reason": "What went wrong in this run."}],
    "ValueParams.currency": "EUR",
    "ValueParams.scenarios": [{"name": "After a cut", "product": "new-part", "price": 399.0}],
    "LookParams.product": "new-part",
    "LookParams.title": "my-scene",
    "RetestParams.condition": "driver",
    "RetestParams.old": ["51.2"],
    "RetestParams.new": ["52.3"],
    "RetestParams.since": dt.date(2026, 11, 1),
    "PlanParams.margin": 0.03,
    "PlanParams.seed": 20261125,
    "PlanParams.budget_minutes": 480.0,
}

COMMENTS: dict[str, str] = {
    "BenchFile.format": "Which version of this file it is.",
    "BenchFile.name": "What reports call the bench.",
    "BenchFile.about": "Where, how and with what it is measured.",
    "BenchFile.layouts": "How raw logs are to be read. `marginbook new layout LOG` proposes one.",
    "BenchFile.products": "Tested configurations: a part and the machine around it. Small letters, "
    "digits, - and _ make an id.",
    "BenchFile.titles": "Workloads: a scene with its settings. One scene at two resolutions is two "
    "titles.",
    "Layout.container": "text (also packed with gzip or zstd) or parquet.",
    "Layout.decimal": "The decimal mark.",
    "Layout.header": "Whether a line of column names stands above the rows.",
    "Layout.encoding": "utf-8, utf-16 or latin-1.",
    "Layout.frames": "The column that holds the frames.",
    "FrameColumn.unit": "s, ms, us or ns.",
    "Product.name": "What reports call it.",
    "Product.maker": "Who makes the part.",
    "Product.released": "Day it went on sale.",
    "Product.specification": "What the maker says. Figures that contradict each other are refused.",
    "Product.note": "Anything a reader should know.",
    "Specification.bus_width_bit": "Width of the memory bus.",
    "Specification.bandwidth_gb_s": "Bus width / 8 x rate per pin; checked where all three stand.",
    "Specification.base_clock_mhz": "Lowest clock the maker states.",
    "Specification.boost_clock_mhz": "Highest clock the maker states.",
    "Specification.memory_gb": "Of the part's own memory.",
    "Specification.power_limit_w": "Of the board or the package.",
    "Specification.other": "Anything else, shown as written.",
    "Title.name": "What reports call it.",
    "Title.measures": "frames, score, duration, power, noise or battery_life. For all but frames, "
    "results are typed into the run sheet.",
    "Title.settings": "Shown in the report; controls among them are compared.",
    "Title.tags": "Suites and groups are formed by them.",
    "Title.note": "Anything a reader should know.",
    "ReviewParams.format": "Which version of this file it is.",
    "ReviewParams.review": "The id of the review, and of its folder.",
    "ReviewParams.title": "Title of the report.",
    "ReviewParams.byline": "Who stands for it.",
    "ReviewParams.date": "The day of the review. Prices and runs are aged from it.",
    "ReviewParams.locale": "How numbers are written: en, de, fr, ...",
    "ReviewParams.product": "The reviewed product, by its id in bench.yaml.",
    "ReviewParams.rivals": "What it is set against.",
    "ReviewParams.predecessor": "The product it follows.",
    "ReviewParams.same_name": "Parts of one name in two classes of machine.",
    "ReviewParams.titles": "all that both sides share, or a list of ids.",
    "ReviewParams.controls": "What must be alike on both sides. A mismatch without a waiver stops "
    "the margin.",
    "ReviewParams.waivers": "Exceptions, each with its reason. They mark every figure they touch.",
    "ReviewParams.metrics": "How frame times become figures.",
    "ReviewParams.screen": "Rules of screening with their thresholds.",
    "ReviewParams.margins": "How products are compared.",
    "ReviewParams.suites": "Groups of titles that get a margin of their own.",
    "ReviewParams.value": "Prices, from prices.csv of the bench.",
    "ReviewParams.plan": "For `marginbook plan` and plan.ipynb.",
    "ReviewParams.look": "For frame_times.ipynb.",
    "ReviewParams.retest": "Where part of the bench was run again: what tells new runs from old.",
    "ReviewParams.template": "A notebook of the project's folder `notebooks`: review, frame_times, "
    "bench_health or plan.",
    "NamePair.here": "In the class of the review.",
    "NamePair.there": "In the other class.",
    "Waiver.control": "Which control.",
    "Waiver.products": "On which products.",
    "Waiver.reason": "Why, for the reader.",
    "SuiteParams.name": "What reports call it.",
    "SetAside.run": "By its id in runs.csv.",
    "SetAside.reason": "Why, for the reader.",
    "ScreenParams.set_aside": "Runs you leave out. They stay in the report, with the reason.",
    "ScreenParams.set_aside_rules": "Rules that leave runs out; all others only flag.",
    "ScreenParams.drift_p": "... and so unlikely by chance.",
    "ScreenParams.caps_hz": "Frame-rate caps looked for, besides the display's own.",
    "ScreenParams.cap_width": "A share.",
    "ScreenParams.processor_load_pct": "... or where the processor is loaded so far.",
    "ScreenParams.min_runs": "Fewer runs of a product in a title are flagged.",
    "MarginParams.method": "auto, welch (runs of both sides alone), shared (spread shared across "
    "titles) or paired (by session).",
    "ValueParams.currency": "Three letters. No rate is fetched.",
    "ValueParams.kinds": "Which kinds of price count.",
    "ValueParams.until": "... up to this day.",
    "ValueParams.scenarios": "What if a product cost this.",
    "PriceScenario.name": "What reports call it.",
    "PriceScenario.product": "By its id in bench.yaml.",
    "PriceScenario.price": "In the currency above.",
}
