"""The ten steps of README done literally: every command as printed there, and in that order.

The bench is invented and lies in a path with spaces and umlauts. Frame times are drawn so that the
new part is 10 % faster; the report must find that.
"""

from __future__ import annotations

import gzip
import json
import re
import shlex
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from kit.cli import app

README = Path(__file__).parents[2] / "README.md"
TRUE_RATIO = 1.10


def printed() -> list[str]:
    """Return every command the ten steps print, in order."""
    steps = README.read_text(encoding="utf-8").split("## Review your own product in ten steps")[1]
    steps = re.sub(r"\n +", " ", steps.split("\n## ")[0])
    return re.findall(r"`marginbook ([^`]+)`", steps)


def do(command: str) -> str:
    done = CliRunner().invoke(app, shlex.split(command), input="y\n")
    assert done.exit_code == 0, f"{command}\n{done.output}"
    return done.output


def record(folder: Path) -> None:
    """Write a day's logs, as a recorder nobody has declared would."""
    rng = np.random.default_rng(10)
    folder.mkdir()
    for product, ratio in (("new-part", TRUE_RATIO), ("old-part", 1.0)):
        for n in range(1, 6):
            level = 16.0 / ratio * np.exp(rng.normal(0, 0.004))
            us = (1000 * level * rng.gamma(400, 1 / 400, 4000)).round().astype(int)
            text = "no;took_us;board_w\n" + "".join(f"{i};{v};90,5\n" for i, v in enumerate(us))
            (folder / f"{product}_my-scene_{n}.csv.gz").write_bytes(gzip.compress(text.encode()))
    (folder / "notes.pdf").write_bytes(b"%PDF-1.7")


def edit(path: Path, **changes: str) -> None:
    """Replace keys, switched on or off, by what an analyst writes."""
    text = path.read_text(encoding="utf-8")
    for key, value in changes.items():
        text, found = re.subn(rf"(?m)^#?{key}:.*$", f"{key}: {value}", text, count=1)
        assert found, key
    path.write_text(text, encoding="utf-8")


def test_all_ten_as_printed(tmp_path, monkeypatch):
    here = tmp_path / "Prüfstand für März" / "zwei Wörter"
    here.mkdir(parents=True)
    monkeypatch.chdir(here)
    commands = printed()
    assert len(commands) >= 12
    said: dict[str, str] = {}
    record(here / "logs-of-today")
    (here / "some-log.csv").write_bytes(
        gzip.decompress((here / "logs-of-today" / "new-part_my-scene_1.csv.gz").read_bytes())
    )
    margin = "margin/average_fps/my-scene/new-part-over-old-part"
    for command in commands:
        if command.startswith("verify") or command == "revise OLD NEW":
            continue  # of a sealed review: below
        if command.startswith("run "):  # steps 8 and 9: the text is written before
            for text in (here / "params" / "mine.md", here / "mine.md"):
                text.write_text(
                    "## Result\n\nIt is {{margin new-part over old-part in my-scene}}.\n",
                    encoding="utf-8",
                )
            edit(here / "params" / "mine.yaml", text="mine.md", title="Neu gegen alt", byline="Wir")
        said[command] = do(command.replace("CLAIM", margin).replace("DIR", "cues"))
        if command == "new bench mybench":
            edit(here / "mybench" / "bench.yaml", name="Unser Prüfstand")
        if command == "new review params/mine.yaml":
            with (here / "params" / "mine.yaml").open("a", encoding="utf-8") as params:
                params.write("plan:\n  margin: 0.03\n  seed: 1\n")
        if command == "add mybench --undo":
            again = next(c for c in commands if "--guess" in c)
            assert "10 added, 0 not" in said[again] and "notes.pdf: passed over, " in said[again]
            assert said[command].count("taken back: ") == 10
            do(again)
    assert "out/mine/report.html" in " ".join(README.read_text(encoding="utf-8").split())
    claims = json.loads((here / "out/mine/claims.json").read_text(encoding="utf-8"))["claims"]
    (found,) = (c for c in claims if c["id"] == margin)
    assert found["outcome"] == "ahead" and found["value"] == pytest.approx(TRUE_RATIO, abs=0.01)
    assert "logs/new-part_my-scene_1.csv.gz" in said["trace out/mine CLAIM"]
    bag = next(here.rglob("bagit.txt")).parent
    assert CliRunner().invoke(app, ["verify", str(bag)]).exit_code in {0, 10}
    assert CliRunner().invoke(app, ["revise", str(bag), str(bag)]).exit_code == 0
