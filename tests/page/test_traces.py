"""Traces, runs and methods: every claim has its place, every link leads to one."""

from __future__ import annotations

from dataclasses import replace

import pytest
from lxml import html as lxml_html
from tiny_project import tiny_claims

from kit.claims.claim import ClaimBook, anchor_of
from kit.methods import METHODS
from kit.page.traces import trace_section


@pytest.fixture(scope="module")
def book():
    return tiny_claims().make_book()


@pytest.fixture(scope="module")
def root(book):
    return parse(trace_section(book))


def parse(piece):
    return lxml_html.fragment_fromstring(piece.markup, create_parent="div")


def by_id(root, name):
    found = root.xpath(f"//*[@id={name!r}]")
    assert len(found) == 1, name
    return found[0]


def links(element, prefix):
    return [
        a.get("href")[len(prefix) :] for a in element.iter("a") if a.get("href").startswith(prefix)
    ]


def with_claims(book, claims):
    return ClaimBook(
        **{
            name: getattr(book, name)
            for name in (
                "review",
                "title",
                "byline",
                "date",
                "product",
                "kit_version",
                "params_file",
                "params_sha256",
                "settings",
                "layouts",
                "runs",
            )
        },
        claims=tuple(claims),
    )


def test_every_claim_has_one_entry_with_its_figure(book, root):
    for claim in book.claims:
        entry = by_id(root, claim.anchor)
        held = entry.getparent() if entry.tag == "div" else entry
        data = next(held.iter("data"))
        assert data.text_content() == claim.text
        assert float(data.get("value")) == claim.value


def test_every_id_stands_once_and_every_link_leads_to_one(root):
    ids = root.xpath("//@id")
    assert len(ids) == len(set(ids))
    for href in root.xpath("//a/@href"):
        if not href.startswith("#shown-"):  # where a figure is shown: the page fills it in
            assert href[1:] in ids, href


def test_every_run_has_a_row_with_file_hash_frames_and_conditions(book, root):
    for run in book.runs:
        row = by_id(root, f"run-{run.id}")
        text = row.text_content()
        assert run.file in text and run.sha256 in text and str(run.frames) in text
        (label,) = links(row, "#c-")
        assert by_id(root, f"c-{label}").getnext().text == "driver 1.10; ambient (°C) 22"
        figure = book.by_id[f"run/average_fps/{run.id}"]
        assert by_id(row, figure.anchor).find("data").get("value") == repr(figure.value)


def test_a_run_set_aside_gives_its_reason(root):
    row = by_id(root, "run-r0019").text_content()
    assert "not used: warm-up run: slower than the others" in row


def test_a_margin_leads_to_its_cells_its_runs_and_those_set_aside(book, root):
    claim = book.by_id["margin/average_fps/dunes-1080/lanternfish-14-over-gannet-14"]
    entry = by_id(root, claim.anchor)
    assert links(entry, "#t-") == [
        book.by_id[name].anchor.removeprefix("t-") for name in claim.inputs
    ]
    assert links(entry, "#run-") == [*claim.runs, *claim.set_aside]
    facts = {dt.text: dt.getnext().text_content() for dt in entry.iter("dt")}
    assert facts["Set aside"] == "r0019" and facts["Marks"] == "waived: memory"
    details = entry.getparent()
    assert details.tag == "details" and details.get("open") is None
    summary = details[0].text_content()
    assert "lanternfish-14 over gannet-14" in summary and "−7.1 to −4.2 · behind" in summary
    assert claim.id in entry.text_content()


def test_a_suite_margin_leads_to_its_margins(book, root):
    claim = book.of_kind("suite")[0]
    entry = by_id(root, claim.anchor)
    assert links(entry, "#t-") == [
        book.by_id[name].anchor.removeprefix("t-") for name in claim.inputs
    ]


def test_many_runs_are_named_by_what_the_figure_was_made_from():
    book = tiny_claims().make_book(runs_per_cell=6)
    claim = book.of_kind("suite")[0]
    entry = by_id(parse(trace_section(book)), claim.anchor)
    assert f"Runs{len(claim.runs)}, under what it was made from" in entry.text_content()
    assert links(entry, "#run-") == []
    named = {run for name in claim.inputs for run in book.by_id[name].runs}
    assert named == set(claim.runs)


def test_many_runs_that_no_input_names_are_given_by_first_and_last(book):
    runs = tuple(run.id for run in book.runs if run.id not in {"r0005", "r0006"})
    count = replace(book.of_kind("value")[0], id="count/runs", kind="count", inputs=(), runs=runs)
    entry = by_id(parse(trace_section(with_claims(book, [*book.claims, count]))), count.anchor)
    assert "Runs25: r0001 to r0004, r0007 to r0027" in entry.text_content()


@pytest.mark.parametrize("count", [12, 13])
def test_twelve_runs_are_named_one_by_one(book, count):
    runs = tuple(run.id for run in book.runs[:count])
    claim = replace(book.of_kind("value")[0], id="count/runs", kind="count", inputs=(), runs=runs)
    entry = by_id(parse(trace_section(with_claims(book, [*book.claims, claim]))), claim.anchor)
    said = entry.xpath("string(.//dt[.='Runs']/following-sibling::dd[1])")
    assert said == (" ".join(runs) if count == 12 else "13: r0001 to r0013")


@pytest.mark.parametrize("count", [5, 6])
def test_more_than_five_claims_a_figure_is_made_from_are_listed_once(book, count):
    inputs = tuple(claim.id for claim in book.of_kind("cell")[:count])
    assert len(inputs) == count
    bare = {"kind": "count", "runs": (), "set_aside": ()}
    one, other = (
        replace(book.of_kind("value")[0], id=f"count/{name}", inputs=inputs, **bare)
        for name in ("one", "other")
    )
    root = parse(trace_section(with_claims(book, [*book.claims, one, other])))
    assert len(links(by_id(root, one.anchor), "#t-")) == count
    again = by_id(root, other.anchor)
    assert ("all that one is made from" in again.text_content()) is (count == 6)
    assert len(links(again, "#t-")) == (1 if count == 6 else 5)


@pytest.mark.parametrize("count", [2, 3])
def test_a_suite_stands_for_its_margins_where_they_are_three_or_more(book, count):
    suite = book.of_kind("suite")[0]
    assert len(suite.inputs) >= 3
    suite = replace(suite, inputs=suite.inputs[:count])
    made = replace(suite, id="count/x", kind="count", runs=(), inputs=(*suite.inputs, "run/none"))
    rest = [claim for claim in book.claims if claim.kind not in {"suite", "suite_like", "value"}]
    entry = by_id(parse(trace_section(with_claims(book, [*rest, suite, made]))), made.anchor)
    assert ("all that suite" in entry.text_content()) is (count == 3)


def test_a_long_list_of_runs_is_given_once(book):
    runs = tuple(run.id for run in book.runs if run.id not in {"r0005", "r0006"})
    count = replace(book.of_kind("value")[0], id="count/runs", kind="count", inputs=(), runs=runs)
    again = replace(count, id="count/again")
    root = parse(trace_section(with_claims(book, [*book.claims, count, again])))
    assert links(by_id(root, count.anchor), "#run-") == ["r0001", "r0004", "r0007", "r0027"]
    entry = by_id(root, again.anchor)
    assert links(entry, "#run-") == [] and f"#{count.anchor}" in entry.xpath(".//dd/a/@href")
    assert "Runs25, those of runs" in entry.text_content()


def test_runs_of_one_name_are_told_apart_by_their_numbers_alone(book):
    names = ("a-dunes-1", "a-dunes-2", "b-dunes-1")
    runs = tuple(replace(run, id=name) for run, name in zip(book.runs, names, strict=False))
    claim = replace(book.of_kind("cell")[0], inputs=(), runs=names)
    small = replace(with_claims(book, [claim]), runs=runs)
    entry = by_id(parse(trace_section(small)), claim.anchor)
    assert "Runsa-dunes-1 2 b-dunes-1" in entry.text_content()
    assert links(entry, "#run-") == list(names)


def test_a_figure_made_from_another_alone_stands_under_it(book):
    suite = book.of_kind("suite")[0]
    like = replace(
        suite,
        id=suite.id.replace("suite", "suite_like", 1),
        kind="suite_like",
        inputs=(suite.id,),
        runs=(),
        method="suite-titles-like-these",
    )
    root = parse(trace_section(with_claims(book, [*book.claims, like])))
    entry = by_id(root, like.anchor)
    assert by_id(root, suite.anchor) in list(entry.iterancestors("div"))
    assert entry.text_content().startswith("suite_like +10.4")
    line = next(p for p in root.iter("p") if "Under them" in p.text_content())
    assert links(line, "#method-") == [
        "suite-these-titles",
        "equal-value-price",
        "suite-titles-like-these",
    ]


def low(claim):
    return replace(
        claim,
        id=claim.id.replace("average_fps", "low_1pct_fps"),
        metric="low_1pct_fps",
        inputs=tuple(i.replace("average_fps", "low_1pct_fps") for i in claim.inputs),
    )


def test_another_metric_of_the_same_runs_stands_under_the_first(book):
    lows = [low(claim) for claim in book.claims]
    root = parse(trace_section(with_claims(book, [*book.claims, *lows])))
    claim = low(book.of_kind("margin")[0])
    entry = by_id(root, claim.anchor)
    parent = next(entry.iterancestors("div"))
    assert parent.get("id") == book.of_kind("margin")[0].anchor
    assert set(links(parent, "#run-")) == set(claim.runs)
    # By the same method from what stands under the cells above: that goes without saying.
    assert "from" not in entry.text_content()


def test_another_metric_by_another_method_says_so(book):
    lows = [
        replace(low(claim), method="margin-shared") if claim.kind == "margin" else low(claim)
        for claim in book.claims
    ]
    root = parse(trace_section(with_claims(book, [*book.claims, *lows])))
    entry = by_id(root, lows[[c.kind for c in lows].index("margin")].anchor)
    assert "by margin-shared from cell" in entry.text_content()


def test_another_metric_of_other_runs_stands_on_its_own(book):
    claim = book.of_kind("cell")[0]
    other = replace(low(claim), runs=claim.runs[:2])
    root = parse(trace_section(with_claims(book, [*book.claims, other])))
    assert by_id(root, other.anchor).tag == "div"


def test_only_some_claims_bring_all_they_were_made_from(book):
    suite = book.of_kind("suite")[0]
    root = parse(trace_section(book, only=[suite.id]))
    ids = set(root.xpath("//@id"))
    below = {suite.id}
    for _ in range(3):
        below |= {i for name in below for i in book.by_id[name].inputs if i in book.by_id}
    assert {book.by_id[name].anchor for name in below} == {i for i in ids if i.startswith("t-")}
    assert {f"run-{run}" for run in suite.runs} == {i for i in ids if i.startswith("run-")}
    assert "run-r0019" not in ids


def test_confidence_is_said_once_or_with_each_interval(book):
    assert "Intervals are at 95\xa0%." in parse(trace_section(book)).text_content()
    claims = [replace(c, confidence=0.9) if c.kind == "suite" else c for c in book.claims]
    text = parse(trace_section(with_claims(book, claims))).text_content()
    assert "Intervals are at" not in text
    assert "+9.3 to +11.5 at 90\xa0%" in text


def test_every_method_named_is_explained(book, root):
    for name in {claim.method for claim in book.claims}:
        assert by_id(root, f"method-{name}").getnext().text == METHODS[name].words


def test_markup_in_names_is_shown_as_text(book):
    runs = tuple(replace(run, product="<b>x</b>", conditions={"a<b": "<i>"}) for run in book.runs)
    root = parse(trace_section(replace(book, runs=runs)))
    assert "<b>x</b>" in root.text_content() and "a<b <i>" in root.text_content()


def test_a_unit_stands_in_the_head_only_where_it_is_one_and_the_same(book):
    figure = by_id(parse(trace_section(book)), anchor_of("run/average_fps/r0002")).find("data")
    assert figure.find("i").text == "\xa0fps"  # which the style hides
    claims = [
        replace(c, unit="s", text=c.text.replace("fps", "s")) if c.id.endswith("r0001") else c
        for c in book.claims
    ]
    root = parse(trace_section(with_claims(book, claims)))
    figure = by_id(root, anchor_of("run/average_fps/r0002")).find("data")
    assert figure.text_content().endswith("fps") and figure.find("i") is None


def test_a_book_without_claims_gives_an_empty_trace(book):
    root = parse(trace_section(with_claims(book, [])))
    assert root.xpath("//li | //details//details") == []
