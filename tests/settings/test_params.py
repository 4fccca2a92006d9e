"""Params: unknown keys, products and titles are refused with line and a guess."""

import json
from pathlib import Path

import pytest
from pydantic import ValidationError
from screening_case import params
from wrong_files import DEMO

from kit.errors import BenchError, ParamsError
from kit.settings.bench_file import BenchFile, Title
from kit.settings.params import Axis, ReviewParams, _contrast, load_params

ROOT = Path(__file__).parents[2]


def load(tmp_path, text):
    path = tmp_path / "some.yaml"
    path.write_text(text.replace("../example_runs", str(ROOT / "example_runs")), encoding="utf-8")
    return load_params(path)


def test_the_demo_loads():
    loaded = load_params(ROOT / "params" / "demo.yaml")
    assert loaded.params.product in loaded.bench.products
    assert set(loaded.params.products) <= set(loaded.bench.products)


def test_every_fault_is_told_at_once(tmp_path):
    text = DEMO.replace("confidence: 0.95", "confidence: 95").replace(
        "low: slowest_share", "low: x"
    )
    with pytest.raises(ParamsError) as caught:
        load(tmp_path, text)
    assert len(caught.value.faults) == 2


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("  - tarnquill-sedge-travel #", "  - tarnquill-sege-travel #",
         'no product "tarnquill-sege-travel" in bench.yaml; did you mean "tarnquill-sedge-travel"'),
        ("titles: all", "titles: [lampwifry]",
         'no title "lampwifry" in bench.yaml; did you mean "lampwifery"'),
    ],
)  # fmt: skip
def test_a_name_the_bench_does_not_know_is_refused_with_the_nearest(tmp_path, old, new, said):
    assert old in DEMO
    with pytest.raises(ParamsError, match=said):
        load(tmp_path, DEMO.replace(old, new))


def test_a_specification_that_contradicts_itself_is_a_fault(tmp_path):
    # Common practice, no source: bus width in bits / 8 x rate per pin in Gbit/s = GB/s.
    (tmp_path / "bench").mkdir()
    (tmp_path / "bench" / "bench.yaml").write_text(
        "format: marginbook-bench/1\nname: b\ntitles: {}\nproducts:\n  a:\n    name: A\n"
        "    class: desk\n    specification:\n      bus_width_bit: 256\n"
        "      memory_rate_gbps: 14\n      bandwidth_gb_s: 512\n"
    )
    with pytest.raises(BenchError, match="256 bit x 14 Gbit/s / 8 = 448 GB/s"):
        load(tmp_path, DEMO.replace("../example_runs", "bench"))


def test_a_bench_beside_the_one_named_is_offered(tmp_path):
    (tmp_path / "my bench").mkdir()
    (tmp_path / "my bench" / "bench.yaml").write_text("")
    with pytest.raises(ParamsError, match='in that folder; did you mean "my bench"'):
        load(tmp_path, DEMO.replace("../example_runs", "my bnch"))
    with pytest.raises(ParamsError, match=r"in that folder; known: my bench$"):
        load(tmp_path, DEMO.replace("../example_runs", "elsewhere"))


HOUSE = ROOT / "params" / "house"


def housed(tmp_path, change=lambda text: text, *, logo=None, style="house"):
    """Load the demo's params with the example's house style, changed."""
    (tmp_path / "demo.md").write_text("Words.\n")
    folder = tmp_path / "house"
    folder.mkdir()
    (folder / "style.yaml").write_text(change((HOUSE / "style.yaml").read_text()))
    (folder / "logo.png").write_bytes((HOUSE / "logo.png").read_bytes() if logo is None else logo)
    return load(tmp_path, DEMO.replace("locale: en\n", f"locale: en\nstyle: {style}\n"))


def test_a_house_style_is_read_whole(tmp_path):
    loaded = housed(tmp_path)
    assert loaded.house["name"] == "Lamp & Ledger" and loaded.house["light/accent"] == "#2d3f8c"
    assert loaded.house["logo"].startswith("data:image/png;base64,iVBOR")
    assert loaded.house_files == ("house/style.yaml", "house/logo.png")


LARGE = (HOUSE / "logo.png").read_bytes()[:16] + (40_000).to_bytes(4, "big") * 2


@pytest.mark.parametrize(
    ("change", "more", "said"),
    [
        # 4.54 to 1, the darkest grey that is commonly named as just enough on white (WebAIM,
        # "Contrast and Color Accessibility", #767676); on this card it is less.
        (lambda t: t.replace("'#5d676a'", "'#767676'"), {},
         r"house/style.yaml, line 6, light.faint: faint #767676 on paper #fdf8ee.* 4.2\d to 1"),
        (lambda t: t.replace("'#14161f'", "'#808080'"), {}, "dark.paper: ink #ecebe5 on paper"),
        (lambda t: t.replace("'#2d3f8c'", "darkblue"), {}, "light.accent: expected a colour"),
        (lambda t: t.replace("accent", "acent"), {}, 'did you mean "accent"'),
        (lambda t: t.replace("Noto Sans", "a;} body{"), {}, "sans: expected names of fonts"),
        (lambda t: t.replace("logo.png", "../demo.md"), {}, "logo: .* no file of the style's own"),
        (lambda t: t, {"logo": b"GIF89a"}, 'logo: "logo.png" is no PNG'),
        (lambda t: t, {"logo": LARGE}, "larger than 100 kB or 2000 pixels"),
        (lambda t: t, {"style": "other"}, 'style: "other" is no house style: no style.yaml'),
        (lambda t: t, {"style": "../../away"}, 'style: "../../away" lies outside the project'),
    ],
)  # fmt: skip
def test_a_house_style_that_cannot_be_used_is_refused_in_words(tmp_path, change, more, said):
    with pytest.raises(ParamsError, match=said):
        housed(tmp_path, change, **more)


@pytest.mark.parametrize(
    ("one", "other", "contrast"),
    # WebAIM, "Contrast and Color Accessibility": #777777 on white misses 4.5 (4.47), #767676 has
    # 4.54; black on white is 21 (WCAG 2.2, "contrast ratio").
    [("#000000", "#ffffff", 21.0), ("#ffffff", "#777777", 4.478), ("#767676", "#ffffff", 4.542)],
)
def test_contrast_is_that_of_the_guidelines(one, other, contrast):
    assert _contrast(one, other) == pytest.approx(contrast, abs=0.005)


@pytest.mark.parametrize("locale", ["de", "en"])
def test_only_a_language_that_is_complete_is_taken(tmp_path, locale):
    (tmp_path / "demo.md").write_text("Words.\n")
    text = DEMO.replace("locale: en\n", f"locale: {locale}\nlanguage: en\n")
    assert load(tmp_path, text).params.language == "en"
    assert load(tmp_path, text.replace("language: en", "language: de")).params.language == "de"
    with pytest.raises(ParamsError, match="complete in en, de, not in 'fr'"):
        load(tmp_path, text.replace("language: en", "language: fr"))


@pytest.mark.parametrize(("model", "what"), [(ReviewParams, "params"), (BenchFile, "bench")])
def test_limits_and_defaults_are_those_of_the_schema_kept(model, what):
    kept = json.loads((ROOT / f"kit/schemas/{what}.schema.json").read_text(encoding="utf-8"))
    kept.pop("$schema")
    assert json.loads(json.dumps(model.model_json_schema(by_alias=True))) == kept


def changed(**sections):
    """Return the params of a made review with some sections otherwise."""
    data = params().model_dump(mode="json", by_alias=True, exclude_unset=True)
    return ReviewParams.model_validate(data | sections)


LIMIT = {"setting": "limit", "name": "Limit"}
LOOKS = {"on": "2026-11-01", "runs": {"heron": {"dunes": 3}}}


@pytest.mark.parametrize(
    ("sections", "said"),
    [
        ({"rivals": ["ibis", "ibis"]}, "rivals: a product stands twice"),
        ({"rivals": ["heron"]}, 'rivals: "heron" is the product itself'),
        ({"headline": "al"}, 'headline: no suite "al" in suites'),
        (
            {"headline": "all", "suites": {"all": {"name": "All", "titles": ["dunes"]}}},
            'with it, "all" means that suite',
        ),
        ({"pairs": [{"product": "ibis", "over": "ibis"}]}, '"ibis" over "ibis" is set against'),
        ({"pairs": [{"product": "ibis", "over": "crane"}] * 2}, '"ibis" over "crane" stands twice'),
        ({"machines": {"heron": ["ibis", "ibis"]}}, 'machines: one of "heron" stands twice'),
        ({"machines": {"heron": ["heron"]}}, 'machines: one of "heron" stands twice'),
        ({"axes": [LIMIT | {"steps": {"a": "heron"}}]}, "needs two steps or more"),
        (
            {"axes": [LIMIT | {"steps": {"a": "heron", "b": "ibis"}, "over": "c"}]},
            "limit has no such step",
        ),
        ({"axes": [LIMIT | {"steps": {"a": "crane", "b": "ibis"}}]}, "no step is the product"),
        ({"axes": [LIMIT, LIMIT]}, "a setting of one product stands twice"),
        (
            {"metrics": {"low": "percentile", "compared": ["low_1pct_fps"]}},
            "average_fps is missing",
        ),
        (
            {"metrics": {"low": "percentile", "compared": ["average_fps"] * 2}},
            "metric stands twice",
        ),
        ({"metrics": {"low": "percentile", "compared": ["averge_fps"]}}, 'mean "average_fps"'),
        ({"locale": "xx-nowhere"}, "no locale 'xx-nowhere' is known"),
        *(
            ({"plan": {"margin": 0.03, "seed": 1, "registered": LOOKS | {"looks": looks}}}, "rise")
            for looks in ([0.5], [0.0, 1.0], [0.5, 0.5, 1.0], [1.0, 0.5])
        ),
    ],
)
def test_params_that_contradict_themselves_are_refused(sections, said):
    with pytest.raises(ValidationError, match=said):
        changed(**sections)


@pytest.mark.parametrize(
    ("section", "said"),
    [
        ({}, "give either a condition"),
        ({"condition": "driver", "since": "2026-03-01"}, "give either a condition"),
        ({"condition": "driver", "old": ["1"]}, "a condition needs both"),
        ({"condition": "driver", "new": ["1"]}, "a condition needs both"),
        ({"since": "2026-03-01", "old": ["1"]}, "old and new belong to a condition"),
        ({"since": "2026-03-01", "new": ["1"]}, "old and new belong to a condition"),
        ({"condition": "driver", "old": ["2", "1"], "new": ["1", "2"]}, "'1' stands under both"),
    ],
)
def test_what_tells_old_runs_from_new_is_said_in_one_way(section, said):
    with pytest.raises(ValidationError, match=said):
        changed(retest=section)


def test_params_at_their_limits_are_taken():
    assert changed(retest={"since": "2026-03-01"}).retest.band == 0.02
    assert changed(retest={"condition": "driver", "old": ["1"], "new": ["2"]}).retest.since is None
    plan = {"margin": 0.03, "seed": 1, "registered": LOOKS | {"looks": [0.01, 1.0]}}
    assert changed(plan=plan).plan.registered.looks == (0.01, 1.0)
    both_ways = [{"product": "ibis", "over": "crane"}, {"product": "crane", "over": "ibis"}]
    assert len(changed(pairs=both_ways).pairs) == 2
    two = [LIMIT | {"product": p, "steps": {"a": p, "b": "crane"}} for p in ("heron", "ibis")]
    assert [axis.product for axis in changed(axes=two).axes] == ["heron", "ibis"]


def test_products_of_a_review_stand_once_each_with_whose_sensors_are_read():
    pair = [{"here": "heron", "there": "desk-heron"}, {"here": "ibis", "there": "desk-ibis"}]
    whole = changed(predecessor="stork", rivals=["ibis"], same_name=pair)
    assert whole.compared == ("ibis", "stork", "desk-heron")
    assert whole.beside == (("ibis", "desk-ibis"),)
    assert whole.loaded == ("heron", "desk-heron")
    assert changed().loaded == ("heron", "ibis")
    pairs = [{"product": "heron", "over": p} for p in ("ibis", "kite")]
    assert changed(pairs=pairs).beside == (("heron", "kite"),)
    assert changed(pairs=pairs).products == ("heron", "ibis", "stork", "crane", "kite")


def test_titles_of_one_workload_that_differ_in_one_setting_are_its_steps():
    def title(workload, **settings):
        return Title(name="T", workload=workload, settings=settings)

    titles = {
        "a": title("dell", mode="off", lines="900"),
        "b": title("dell", mode="on", lines="900"),
        "c": title("dell", mode="on", lines="450"),  # differs in lines too: alone in its scene
        "d": title("fen", mode="on", lines="900"),
        "e": title("dell", lines="900"),  # does not say
        "f": Title(name="T", settings={"mode": "on"}),  # of no workload
        "g": Title(name="T", workload="dell", settings={"lines": "900"}, tags={"mode": "half"}),
    }
    axis = Axis(setting="mode", name="Mode")
    found = {
        ("heron", "a"): ("off", "a"),
        ("heron", "b"): ("on", "a"),
        ("heron", "g"): ("half", "a"),
    }
    assert axis.places("heron", titles) == found
    other = axis.model_copy(update={"product": "ibis"})
    assert other.places("heron", titles).keys() == {("ibis", t) for t in "abg"}
    steps = Axis(setting="mode", name="Mode", steps={"x": "heron", "y": "ibis"})
    assert steps.places("heron", {"a": titles["a"]}) == {
        ("heron", "a"): ("x", "a"),
        ("ibis", "a"): ("y", "a"),
    }


def test_another_review_that_is_not_there_is_refused_with_the_nearest(tmp_path):
    reviews = "\nreviews: {spring: %s/spring}\n"
    (tmp_path / "demo.md").write_text("")
    with pytest.raises(ParamsError, match=r"is no finished or sealed review$"):
        load(tmp_path, DEMO + reviews % "nowhere")
    (tmp_path / "out" / "sprig").mkdir(parents=True)
    with pytest.raises(ParamsError, match='review; did you mean "sprig"'):
        load(tmp_path, DEMO + reviews % "out")
    (tmp_path / "out" / "sprig" / "claims.json").write_text("{}")
    (tmp_path / "out" / "sprig").rename(tmp_path / "out" / "spring")
    loaded = load(tmp_path, DEMO + reviews % "out")
    assert loaded.reviews == {"spring": (tmp_path / "out" / "spring").resolve()}
