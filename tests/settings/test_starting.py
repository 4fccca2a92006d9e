"""Starting texts hold every key, explained, and load; schemas describe every key."""

import re
from copy import deepcopy
from dataclasses import replace
from itertools import pairwise

import pytest

from kit.bench.intake import add_logs
from kit.bench.runs import read_run_sheet
from kit.claims.claim import _schema_of
from kit.errors import BenchError, ParamsError
from kit.settings.bench_file import BenchFile, read_bench
from kit.settings.params import ReviewParams, load_params
from kit.settings.starting import start_bench, start_params
from kit.settings.yaml import read_yaml


def keys_of(what: str) -> dict[tuple[str, str], dict]:
    """Every key of a schema: (model, key) to what the schema says of it."""
    schema = _schema_of(what)
    models = {"": schema, **schema["$defs"]}
    return {
        (model, key): said
        for model, written in models.items()
        for key, said in written["properties"].items()
    }


@pytest.mark.parametrize(("what", "count"), [("params", 105), ("bench", 47), ("claims", 53)])
def test_every_key_of_a_schema_is_described(what, count):
    keys = keys_of(what)
    assert len(keys) >= count
    assert [place for place, said in keys.items() if not said.get("description")] == []


def all_on(text: str) -> str:
    """A starting text with every key switched on: a single # before a key is taken away."""
    first, *lines = text.splitlines()
    return "\n".join([first, *(re.sub(r"^#(?= *(?:- )?[\w-]+:)", "", line) for line in lines)])


@pytest.mark.parametrize(
    ("what", "model", "error"),
    [("bench", BenchFile, BenchError), ("params", ReviewParams, ParamsError)],
    ids=["bench", "params"],
)
def test_starting_texts_hold_every_key_and_load_with_all_of_them_on(tmp_path, what, model, error):
    new = start_bench(tmp_path / "new")[0] if what == "bench" else start_params(tmp_path / "r.yaml")
    text = new.read_text()
    path = tmp_path / "x.yaml"
    path.write_text(all_on(text))
    document = read_yaml(path, file="x.yaml", error=error)
    # Of a re-test, `since` stands in place of a condition, and of a layout's parts the column in
    # place of a heading or members: with both, there is a fault.
    alone = replace(document, data=deepcopy(document.data))
    alone.data.get("retest", {}).pop("since", None)
    for layout in alone.data.get("layouts", {}).values():
        for other in ("heading", "members"):
            del layout["parts"][other]
    alone.as_model(model, error)
    written = {str(path[-1]) for path in document.lines if path}
    keys = keys_of(what)
    assert len(keys) > 40
    missing = {f"{owner}.{key}" for owner, key in keys if key not in written}
    assert missing == set()
    # Each key is followed by its comment, or stands below it; ids are people's own.
    lines = text.splitlines()
    ids = {"my-recorder", "new-part", "old-part", "my-scene", "high-lines"}
    bare = [
        line
        for above, line in pairwise(lines)
        if (key := re.match(r"#? *(?:- )?([\w-]+):", line))
        and key.group(1) not in ids
        and "  ## " not in line
        and not above.lstrip().startswith("## ")
    ]
    assert bare == []


def test_starting_texts_load_as_they_are_and_take_logs_in(tmp_path):
    bench = tmp_path / "mybench"
    start_bench(bench)
    start_params(tmp_path / "params" / "r.yaml")
    loaded = load_params(tmp_path / "params" / "r.yaml")
    assert loaded.params.review == "r"
    assert read_run_sheet(loaded.bench) == ()
    log = tmp_path / "pass-1.csv"
    log.write_text("frame_time_ms\n" + "16.7\n" * 300)
    add_logs(bench, [log], fields={"product": "new-part", "title": "my-scene"})
    assert len(read_run_sheet(read_bench(bench))) == 1
