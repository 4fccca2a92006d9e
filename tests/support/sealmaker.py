"""A small invented review, run by the real template and sealed: made once for all tests of bags.

Products and titles are invented. Logs come in three layouts; one run is set aside, one crashed.
"""

from __future__ import annotations

import atexit
import gzip
import shutil
import subprocess
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np

from kit.archive.bag import TAG_MANIFEST
from kit.archive.sealing import seal
from kit.report.report import run_review
from kit.trace import file_sha256

PROJECT = Path(__file__).resolve().parents[2]

BENCH = """\
format: marginbook-bench/1
name: A small bench
layouts:
  plain:
    files: "*.csv"
    frames: {column: took_ms, holds: frame_time, unit: ms}
  comma:
    files: "*.txt"
    delimiter: ";"
    decimal: ","
    comment: "#"
    frames: {column: at_s, holds: frame_end, unit: s}
  packed:
    files: "*.tsv.gz"
    delimiter: tab
    header: false
    frames: {column: 1, holds: frame_time, unit: us}
products:
  quill: {name: Quill, class: travel, configuration: {memory_gb: 16}}
  # Not shown to anyone yet: must not leave the bench.
  secret: {name: Unshown, class: travel, configuration: {memory_gb: 64}}
  wren: {name: Wren, class: travel, configuration: {memory_gb: 16}}
  finch: {name: Finch, class: travel, configuration: {memory_gb: 8}}
titles:
  kettle: {name: Kettle Run, planned_s: 3, settings: {driver: 1.10}}
  harbour: {name: Harbour Lights, planned_s: 3}
  attic: {name: The Attic, planned_s: 3}
  elsewhere: {name: Another Place, planned_s: 3}
controls:
  memory_gb: Main memory, in GB
"""

PARAMS = """\
format: marginbook-params/1
review: quill
title: Quill beside Wren and Finch
byline: The small desk
date: 2026-04-01
bench: ../bench
product: quill
rivals: [wren, finch]
controls: [memory_gb]
waivers:
  - {control: memory_gb, products: [finch], reason: Sold with 8 GB only.}
metrics: {low: slowest_share}
screen:
  set_aside:
    - {run: quill-kettle-2, reason: A backup ran during this pass.}
margins: {method: auto, confidence: 0.95, level_band: 0.02, family: holm, seed: 1}
value: {currency: EUR, kinds: [launch]}
text: ../text/quill.md
plan:
  margin: 0.03
  seed: 1
  registered:
    on: 2026-03-01
    runs:
      quill: {kettle: 2, harbour: 3, attic: 3}
      wren: {kettle: 3, harbour: 3, attic: 3}
      finch: {kettle: 3, harbour: 3, attic: 3}
"""

TEXT = """\
### In short

{{suite quill over wren | sentence}} In Harbour Lights it is {{margin quill over wren in harbour}}.
"""

ELSEWHERE = """
It was {{suite wren over quill @ first | joined}} it, {{margin quill over wren in harbour @ first |
number interval}} in Harbour Lights, at {{price wren at launch @ first}}.
"""

PRICES = """\
product,price,currency,kind,date,source,note
quill,1499,EUR,launch,2026-03-01,the maker,
wren,1299.50,EUR,launch,2025-06-01,the maker,
finch,999,EUR,launch,2024-06-01,the maker,
secret,4999,EUR,launch,2026-06-01,a whisper,
"""

RATES = {"quill": 100.0, "wren": 90.0, "finch": 70.0}
SCENES = {"kettle": 1.0, "harbour": 0.8, "attic": 1.3}


def frames_ms(seed: int, rate: float) -> np.ndarray:
    """Return about 3.3 s of frame times around a rate, with a slow run-to-run difference."""
    draw = np.random.default_rng(seed)
    level = 1000 / rate * np.exp(draw.normal(0, 0.004))
    return level * np.exp(draw.normal(0, 0.06, int(3.3 * rate)))


def log_bytes(layout: str, frame_ms: np.ndarray) -> tuple[str, bytes]:
    """Return a log's file ending and bytes in a layout."""
    if layout == "plain":
        rows = "".join(f"{n},{ms:.4f}\n" for n, ms in enumerate(frame_ms, 1))
        return ".csv", f"frame,took_ms\n{rows}".encode()
    if layout == "comma":
        stamps = np.concatenate([[0.0], np.cumsum(frame_ms)]) / 1000
        rows = "".join(f"{n};{s:.7f}\n".replace(".", ",") for n, s in enumerate(stamps))
        return ".txt", f"\ufeff# made for a test\n\nframe;at_s\n{rows}".encode()
    return ".tsv.gz", gzip.compress(
        "".join(f"{round(ms * 1000)}\n" for ms in frame_ms).encode(), mtime=0
    )


def write_project(folder: Path, *, slower: float = 1.0, runs: int = 3) -> Path:
    """Write bench, params and text; return the params file. `slower` scales one run's frames."""
    (folder / "bench" / "logs").mkdir(parents=True)
    (folder / "params").mkdir()
    (folder / "text").mkdir()
    (folder / "bench" / "bench.yaml").write_text(BENCH)
    (folder / "bench" / "prices.csv").write_text(PRICES)
    (folder / "params" / "quill.yaml").write_text(PARAMS)
    (folder / "text" / "quill.md").write_text(TEXT)
    rows = ["run,product,title,layout,log,began,session,status,reason,driver"]
    layouts = {"quill": "plain", "wren": "comma", "finch": "packed"}
    seed = 0
    for title, factor in SCENES.items():
        for number in range(1, runs + 1):
            for product, rate in RATES.items():
                seed += 1
                run = f"{product}-{title}-{number}"
                scale = slower if run == "quill-harbour-3" else 1.0
                ending, data = log_bytes(layouts[product], scale * frames_ms(seed, rate * factor))
                (folder / "bench" / "logs" / f"{run}{ending}").write_bytes(data)
                rows.append(
                    f"{run},{product},{title},{layouts[product]},logs/{run}{ending},"
                    f"2026-03-{10 + number}T1{number}:00:00+00:00,,ran,,51.2"
                )
    rows.append("finch-attic-9,finch,attic,,,,,crashed,The machine switched itself off,51.2")
    rows.append("wren-elsewhere-1,wren,elsewhere,plain,logs/gone.csv,,,ran,,51.2")
    rows.append("secret-kettle-1,secret,kettle,plain,logs/gone2.csv,,,ran,,51.2")
    (folder / "bench" / "runs.csv").write_text("\n".join(rows) + "\n")
    return folder / "params" / "quill.yaml"


def run_project(folder: Path, params: Path) -> Path:
    """Run the review by the real template; return its folder."""
    template = PROJECT / "notebooks" / "review.ipynb"
    done = run_review(
        params, out_dir=folder / "out", template=template, timeout_s=240,
        allow_foreign_template=True,
    )  # fmt: skip
    return done.folder


@cache
def finished_review() -> Path:
    """Return the folder of the small review, run once in this process; not to be changed."""
    folder = Path(tempfile.mkdtemp(prefix="sealmaker-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return run_project(folder, write_project(folder))


@cache
def sealed_review() -> Path:
    """Return the sealed small review, made once in this process; not to be changed."""
    review = finished_review()
    return seal(review, to=review.parent / "quill-sealed").path


def copy_bag(to: Path) -> Path:
    """Copy the sealed small review to be broken."""
    shutil.copytree(sealed_review(), to)
    return to


@cache
def full_review() -> Path:
    """Return a sealed review with all that one can carry: in German, with slides, the journal of
    its bench, and the review of that bench sealed before it."""
    from kit.bench.acts import adopt
    from kit.bench.journal import Anchor, By, Journal

    folder = Path(tempfile.mkdtemp(prefix="sealmaker-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    params = write_project(folder)
    params.write_text(params.read_text() + "locale: de\nlanguage: de\nslides: [suite, prices]\n")
    adopt(folder / "bench", by=By("a tester", "2026-04-01T08:00:00+00:00"))
    journal = Journal.read(folder / "bench")
    Anchor("earlier", "ab" * 32, journal.head, len(journal.entries)).note(folder / "bench")
    return seal(run_project(folder, params), to=folder / "out" / "quill-full").path


TSA_CONFIG = """\
[ tsa ]
serial = serial
default_policy = 1.2.3.4.1
digests = sha256, sha512
signer_digest = sha256
accuracy = secs:1
"""


def time_authority(folder: Path) -> tuple[Path, Callable[[Path, Path], None]]:
    """Return the certificate of a time-stamping authority made with openssl in an empty folder,
    and how it answers a query."""
    (folder / "tsa.cnf").write_text(TSA_CONFIG)
    (folder / "serial").write_text("01\n")
    made = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=A clock",
            "-days", "30", "-keyout", "key.pem", "-out", "cert.pem", "-addext",
            "extendedKeyUsage=critical,timeStamping"]  # fmt: skip
    subprocess.run(made, cwd=folder, check=True, capture_output=True)

    def answer(query: Path, to: Path) -> None:
        to.parent.mkdir(exist_ok=True)
        reply = ["openssl", "ts", "-reply", "-config", "tsa.cnf", "-section", "tsa", "-queryfile",
                 query.absolute(), "-inkey", "key.pem", "-signer", "cert.pem", "-out", to]  # fmt: skip
        subprocess.run(reply, cwd=folder, check=True, capture_output=True)

    return folder / "cert.pem", answer


@cache
def corrected_review() -> Path:
    """Return the sealed review made again: one log recorded anew, a price put right, a run set
    aside, the bag it replaces named, and figures of that bag taken into its text."""
    folder = Path(tempfile.mkdtemp(prefix="sealmaker-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    params = write_project(folder, slower=1.15)
    prices = folder / "bench" / "prices.csv"
    prices.write_text(prices.read_text().replace("1299.50", "1199.50"))
    old = file_sha256(sealed_review() / TAG_MANIFEST)
    text = params.read_text().replace(
        "  set_aside:\n",
        "  set_aside:\n    - {run: wren-attic-1, reason: The window was open.}\n",
    )
    shutil.copytree(sealed_review(), folder / "sealed" / "quill-1")
    params.write_text(text + f"replaces: {old}\nreviews: {{first: ../sealed/quill-1}}\n")
    with (folder / "text" / "quill.md").open("a") as stream:
        stream.write(ELSEWHERE)
    return seal(run_project(folder, params), to=folder / "out" / "quill-again").path
