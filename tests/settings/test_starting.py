"""Starting texts hold every key, explained, and load; schemas describe every key."""

import re
from copy import deepcopy
from dataclasses import replace
from itertools import pairwise

import pytest

from kit.bench.intake import add_logs
from kit.bench.runs import RunSheet
from kit.claims.claim import _schema_of
from kit.errors import BenchError, ParamsError, UsageError
from kit.settings import starting
from kit.settings.bench_file import BenchFile, read_bench
from kit.settings.params import ReviewParams, load_params
from kit.settings.starting import start_bench, start_params, upgrade_file
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
    assert RunSheet(loaded.bench).rows == ()
    log = tmp_path / "pass-1.csv"
    log.write_text("frame_time_ms\n" + "16.7\n" * 300)
    add_logs(bench, [log], fields={"product": "new-part", "title": "my-scene"})
    assert len(RunSheet(read_bench(bench)).rows) == 1


class TestUpgrade:
    """A made-up format /0, whose params gave the confidence in percent and called the suite's rivals
    `others`, shows the way a change of format goes; today's formats are the first."""

    @pytest.fixture
    def old(self, tmp_path, monkeypatch):
        def renamed(tree, old, new, value):
            """Give a key another name in its place, with its comment."""
            place = list(tree).index(old)
            del tree[old]
            tree.insert(place, new, value)
            if old in tree.ca.items:
                tree.ca.items[new] = tree.ca.items.pop(old)

        def from_0(tree):
            margins = tree["margins"]
            renamed(margins, "confidence_pct", "confidence", margins["confidence_pct"] / 100)
            renamed(tree, "others", "rivals", tree["others"])
            return "margins.confidence is a share: 0.95 for 95; others are rivals"

        steps = {"marginbook-params": {0: from_0}, "marginbook-bench": {}}
        monkeypatch.setattr(starting, "_UPGRADES", steps)
        path = start_params(tmp_path / "mine.yaml")
        text = path.read_text(encoding="utf-8")
        text = text.replace("marginbook-params/1", "marginbook-params/0")
        text = text.replace("confidence: 0.95", "confidence_pct: 95").replace("rivals:", "others:")
        path.write_text(text + "# a remark of mine\n", encoding="utf-8")
        return path

    def test_brings_a_file_to_todays_format_and_keeps_its_comments(self, old):
        before = old.read_bytes()
        with pytest.raises(
            ParamsError, match="`marginbook upgrade FILE` brings an older one to it"
        ):
            read_yaml(old, file=old.name, error=ParamsError).as_model(ReviewParams, ParamsError)
        said = upgrade_file(old)
        assert "0.95 for 95" in said[0] and "mine.format-0.yaml is what it was" in said[1]
        new = read_yaml(old, file=old.name, error=ParamsError).as_model(ReviewParams, ParamsError)
        fresh = start_params(old.with_name("fresh") / "mine.yaml")
        text = fresh.read_text(encoding="utf-8")
        assert new == read_yaml(fresh, file="x", error=ParamsError).as_model(
            ReviewParams, ParamsError
        )
        notes = [re.findall(r"## .*", t) for t in (text, old.read_text(encoding="utf-8"))]
        assert notes[0] == notes[1] and len(notes[0]) > 100
        assert old.read_text(encoding="utf-8").endswith("# a remark of mine\n")
        assert old.with_name("mine.format-0.yaml").read_bytes() == before
        assert "nothing was changed" in upgrade_file(old)[0]

    @pytest.mark.parametrize(
        ("was", "now", "error", "match"),
        [
            ("params/0", "params/2", UsageError, "later marginbook: install that"),
            ("params/0", "bench/0", UsageError, "to marginbook-bench/1: no way is known"),
            (
                "format: marginbook-params/0",
                "format: 7",
                ParamsError,
                "line 7, format: is no format",
            ),
            ("review: mine", "review: [", ParamsError, "not closed"),
            ("review: mine", "reviev: mine", ParamsError, 'unknown key "reviev"; did you mean'),
        ],
    )
    def test_refuses_and_writes_nothing(self, old, was, now, error, match):
        text = old.read_text(encoding="utf-8")
        assert was in text
        old.write_text(text.replace(was, now), encoding="utf-8")
        before = {p.name: p.read_bytes() for p in old.parent.iterdir()}
        with pytest.raises(error, match=match):
            upgrade_file(old)
        assert before == {p.name: p.read_bytes() for p in old.parent.iterdir()}

    def test_what_an_earlier_upgrade_kept_is_not_written_over(self, old):
        old.with_name("mine.format-0.yaml").write_text("mine")
        before = old.read_bytes()
        with pytest.raises(UsageError, match=r"cannot keep mine\.format-0\.yaml: File exists"):
            upgrade_file(old)
        assert old.read_bytes() == before and not old.with_name("mine.new.yaml").exists()

    def test_a_bench_is_named_by_its_folder_and_is_of_today(self, tmp_path):
        start_bench(tmp_path / "my bench")
        assert upgrade_file(tmp_path / "my bench") == (
            "bench.yaml is marginbook-bench/1, as today's are; nothing was changed",
        )
