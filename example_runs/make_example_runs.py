"""Make the logs and the run sheet of this bench from its scenario, the same bytes each time.

Usage: python example_runs/make_example_runs.py [FOLDER]

Writes `logs/`, `runs.csv` and `planted.json`; `bench.yaml` and `prices.csv` are written by hand.
The scenario (true speeds, spreads, planted faults) stands in `scenario.py`. Every run draws from
a stream of its own, seeded with its name, so that one run can be made again without the others.
"""

from __future__ import annotations

import csv
import functools
import gzip
import io
import json
import sys
import zlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from scipy.signal import lfilter
from scipy.stats import theilslopes

sys.path.insert(0, str(Path(__file__).parent))
import scenario as sc

COLUMNS = (
    "run", "product", "title", "layout", "log", "began", "session", "status", "reason",
    "driver", "driver_branch", "fan_mode", "power_mode", "ambient_c",
    "average_fps", "low_1pct_fps", "value", "unit",
)  # fmt: skip
SUFFIX = {"rig": ".csv.gz", "stamps": ".txt.zst", "probe": ".parquet", "list": ".tsv.gz"}
SENSOR_STEP_S = 0.5
AR_SHARE, AR_KEEP, NOISE_SHARE = 0.032, 0.85, 0.030  # of the log frame time, frame to frame
SPIKE_RATE, SPIKE_EXTRA = 0.0010, 0.9  # a spike lasts 1 + Exp(0.9) frames
LOADS, LOAD_EXTRA = 6, 1.1  # moments in each run at which the scene loads


@dataclass(frozen=True)
class Sample:
    """One recorded pass: whole microseconds per frame, and the sensors at each frame."""

    frame_us: np.ndarray  # shape (n_frames,), int
    clock_mhz: np.ndarray
    power_w: np.ndarray
    temperature_c: np.ndarray
    processor_load_pct: np.ndarray
    fresh: np.ndarray  # whether the sensors were read anew at this frame


def stream(*names: object) -> np.random.Generator:
    """Return the random stream that belongs to `names` and to nothing else."""
    return np.random.default_rng([sc.SEED, zlib.crc32("/".join(map(str, names)).encode())])


def session_effect(session: str, title: str) -> float:
    """Return what a session does to every product in a title, on the log scale."""
    spread = sc.TITLES[title].run_sd * sc.SESSION_SHARE
    return spread * float(stream("session", session, title).standard_normal())


@functools.cache
def scene_curve(title: str) -> tuple[np.ndarray, np.ndarray]:
    """Return how heavy the scene is at shares of the run, on the log scale, without a trend.

    The scene is the same in every run. A trend in it would look like a product that drifts.
    """
    draw = stream("scene", title)
    grid = np.linspace(0.0, 1.0, 401)
    weights = draw.normal(size=8)
    phases = draw.uniform(0, 2 * np.pi, 8)
    curve = sum(
        w * np.sin(2 * np.pi * k * grid + p)
        for k, w, p in zip(range(3, 11), weights, phases, strict=True)
    )
    curve *= sc.TITLES[title].ripple / curve.std()
    for _ in range(8):
        curve -= theilslopes(curve, grid)[0] * grid
    curve += np.log(np.mean(np.exp(-curve)))  # over time, rates average to the rate without it
    return grid, curve


def free_frames_s(run: sc.RunPlan, fps: float, length_s: float, draw) -> np.ndarray:
    """Return frame times, in seconds, of a run that nothing holds back; its true rate is `fps`."""
    planned_s = sc.TITLES[run.title].planned_s
    rough = sc.PRODUCTS[run.product].rough
    n = int(1.25 * fps * max(length_s, planned_s)) + 60
    slow = lfilter([np.sqrt(1 - AR_KEEP**2)], [1, -AR_KEEP], draw.standard_normal(n + 200))[200:]
    noise = AR_SHARE * slow + NOISE_SHARE * draw.standard_normal(n)
    spikes = np.flatnonzero(draw.random(n) < SPIKE_RATE * rough)
    longer = draw.exponential(SPIKE_EXTRA, spikes.size)
    loads_s = np.sort(stream("loads", run.title).random(LOADS)) * planned_s
    # What the noise and the spikes add to the mean frame time is taken off again.
    mean = np.exp((AR_SHARE**2 + NOISE_SHARE**2) / 2)
    mean *= 1 + SPIKE_RATE * rough * SPIKE_EXTRA + LOADS * LOAD_EXTRA * rough / (fps * planned_s)
    level = np.exp(noise) / (fps * mean)
    level[spikes] *= 1 + longer
    starts = np.arange(n) / fps
    for _ in range(5):  # the scene and the heat go by the clock, so the times settle in a few turns
        scene = np.interp(starts / planned_s, *scene_curve(run.title))
        frames = level * np.exp(scene)
        if run.hot:
            frames /= heat_rate(starts) / heat_rate(np.linspace(0, planned_s, 2001)).mean()
        frames[np.searchsorted(starts, loads_s)] *= 1 + LOAD_EXTRA * rough
        starts = np.cumsum(frames) - frames
    return frames


def heat_rate(elapsed_s: np.ndarray) -> np.ndarray:
    """Return the share of its speed that a product too hot has left."""
    return 1 - sc.HEAT_LOSS * (1 - np.exp(-elapsed_s / sc.HEAT_TIME_S))


def held_frames_s(cap_hz: float, missed: float, length_s: float, draw) -> np.ndarray:
    """Return frame times, in seconds, of a run that waits for a display at `cap_hz`."""
    n = int(1.1 * cap_hz * length_s)
    edge = draw.normal(0, 0.00002, n + 1)  # the stamp's own jitter, so neighbours lean apart
    periods = 1 + (draw.random(n) < missed)
    return periods / cap_hz + np.diff(edge)


def run_level(run: sc.RunPlan) -> float:
    """Return a run's true average rate: the cell's, moved by its session and by chance."""
    spread = sc.TITLES[run.title].run_sd * sc.PRODUCTS[run.product].spread
    chance = spread * float(stream("run", run.name).standard_normal())
    log = session_effect(run.session, run.title) + chance
    return sc.true_rate(run.product, run.title) * float(np.exp(log)) * run.speed


def make_sample(run: sc.RunPlan) -> Sample:
    """Make one recorded pass."""
    draw = stream("frames", run.name)
    title, product = sc.TITLES[run.title], sc.PRODUCTS[run.product]
    length_s = run.length_s or title.planned_s + float(draw.uniform(0.2, 0.8))
    cap = sc.held_at(run.product, run.title)
    if cap is not None:
        frames = held_frames_s(cap, sc.MISSED[run.product], length_s, draw)
    else:
        frames = free_frames_s(run, run_level(run), length_s, draw)
    frames = frames[: int(np.searchsorted(np.cumsum(frames), length_s)) + 1]
    if run.freeze_s:
        frames[int(0.62 * frames.size)] = run.freeze_s
    step_us = run.step_us
    ends = np.round(np.concatenate([[0.0], np.cumsum(frames)]) * 1e6 / step_us).astype(np.int64)
    frame_us = np.diff(ends) * step_us

    at = np.cumsum(frames) - frames
    tick = (at / SENSOR_STEP_S).astype(int)
    fresh = np.diff(tick, prepend=-1) > 0
    ticks = np.arange(tick[-1] + 1)
    time = ticks * SENSOR_STEP_S
    warm = 1 - np.exp(-time / 11.0)
    load = title.load if product.machine == "travel" else 0.86 * title.load
    busy = 0.72 if title.load > 95 or cap is not None else 1.0
    clock = product.clock_mhz * np.ones(ticks.size)
    heat_c = product.heat_c + 4.0 * warm
    if run.hot:
        clock *= heat_rate(time) ** 1.1
        heat_c = product.heat_c + 13.0 * warm
    clock += draw.normal(0, 5.0, ticks.size)
    power = product.power_w * busy * (1 + draw.normal(0, 0.012, ticks.size))
    power *= clock / product.clock_mhz
    heat_c += draw.normal(0, 0.25, ticks.size) - 6.0 * (1 - busy)
    if title.load > 95:
        load = title.load
    loads = np.clip(load + draw.normal(0, 0.7 if load > 95 else 3.0, ticks.size), 3, 100)
    return Sample(
        frame_us, np.round(clock)[tick], np.round(power, 1)[tick], np.round(heat_c, 1)[tick],
        np.round(loads)[tick], fresh,
    )  # fmt: skip


def written_log(run: sc.RunPlan, sample: Sample) -> bytes:
    """Return the log of a pass, as its product's recorder writes it."""
    sensors = (sample.clock_mhz, sample.power_w, sample.temperature_c, sample.processor_load_pct)
    if run.layout == "rig":
        rows = ["no,took_ms,core_mhz,part_w,part_c,processor_pct"]
        rows += [
            f"{i},{us / 1000:.3f},{c:.0f},{w:.1f},{t:.1f},{p:.0f}"
            for i, (us, c, w, t, p) in enumerate(zip(sample.frame_us, *sensors, strict=True), 1)
        ]
        return gzip.compress(("\n".join(rows) + "\n").encode(), 9, mtime=0)
    if run.layout == "stamps":
        decimals = 3 if run.step_us == 1000 else 6
        ends = np.concatenate([[0], np.cumsum(sample.frame_us)]) / 1e6
        rows = [
            "# Aufzeichnung, Prüfstand 2", f"# Durchgang: {run.name}", "# Werte alle 0,5 s",
            "Bild;Ende_s;Takt_MHz;Leistung_W;Temp_C;Last_Proz", f"0;{ends[0]:.{decimals}f};;;;",
        ]  # fmt: skip
        for i, (end, fresh, c, w, t, p) in enumerate(
            zip(ends[1:], sample.fresh, *sensors, strict=True), 1
        ):
            read = f"{c:.0f};{w:.1f};{t:.1f};{p:.0f}" if fresh else ";;;"
            rows.append(f"{i};{end:.{decimals}f};{read}")
        text = "\r\n".join(rows).replace(".", ",") + "\r\n"
        codec = pa.Codec("zstd", compression_level=19)
        return bytes(codec.compress(("\ufeff" + text).encode(), asbytes=True))
    if run.layout == "list":
        rows = [
            f"{us}\t{c:.0f}\t{t:.1f}"
            for us, c, t in zip(
                sample.frame_us, sample.clock_mhz, sample.temperature_c, strict=True
            )
        ]
        return gzip.compress(("\n".join(rows) + "\n").encode(), 9, mtime=0)
    table = pa.table(
        {
            "took_us": pa.array(sample.frame_us, pa.int32()),
            "core_mhz": pa.array(sample.clock_mhz, pa.int16()),
            "part_w": pa.array(sample.power_w, pa.float32()),
            "part_c": pa.array(sample.temperature_c, pa.float32()),
            "processor_pct": pa.array(sample.processor_load_pct, pa.int16()),
        }
    )
    sink = io.BytesIO()
    pq.write_table(
        table, sink, compression="zstd", compression_level=19, write_statistics=False,
        use_dictionary=["core_mhz", "part_w", "part_c", "processor_pct"], store_schema=False,
    )  # fmt: skip
    return sink.getvalue()


def make_log(run: sc.RunPlan) -> bytes:
    """Return the bytes of a run's log."""
    source = run if run.copy_of is None else sc.plan_of(run.copy_of)
    return written_log(source, make_sample(source))


def log_path(run: sc.RunPlan) -> str:
    """Return where a run's log stands, from the bench folder."""
    return f"logs/{run.product}/{run.title}-{run.number}{SUFFIX[run.layout]}"


def sheet_row(run: sc.RunPlan) -> dict[str, str]:
    """Return a run's row of the run sheet."""
    product = sc.PRODUCTS[run.product]
    row = dict.fromkeys(COLUMNS, "")
    row.update(
        run=run.name, product=run.product, title=run.title, session=run.session,
        began=run.began.isoformat(), status=run.status, reason=run.reason,
        driver=run.driver or product.driver, driver_branch=product.branch,
        fan_mode=product.fan_mode, power_mode=product.power_mode, ambient_c=run.ambient_c,
    )  # fmt: skip
    if not row["ambient_c"]:
        row["ambient_c"] = f"{22.5 + 0.4 * stream('room', run.session).standard_normal():.1f}"
    title = sc.TITLES[run.title]
    if run.status in ("crashed", "refused", "not_started"):
        return row
    if run.typed is not None:
        row.update(average_fps=f"{run.typed[0]:g}", low_1pct_fps=f"{run.typed[1]:g}")
        row["ambient_c"] = ""
    elif title.unit:
        level = run_level(run)
        value = 1000 * level if title.unit == "points" else 1000 / level
        row.update(value=f"{value:.0f}" if title.unit == "points" else f"{value:.1f}")
        row["unit"] = title.unit
    else:
        row.update(layout=run.layout, log=log_path(run))
    return row


def write_bench(folder: Path) -> None:
    """Write logs, run sheet and the list of planted facts."""
    rows = []
    for run in sc.plan_runs():
        row = sheet_row(run)
        rows.append(row)
        if row["log"]:
            path = folder / row["log"]
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(make_log(run))
    with (folder / "runs.csv").open("w", encoding="utf-8", newline="") as sheet:
        writer = csv.DictWriter(sheet, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    text = json.dumps(sc.planted_facts(), indent=1, ensure_ascii=False)
    (folder / "planted.json").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    write_bench(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
