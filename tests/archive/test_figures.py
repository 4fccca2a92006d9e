"""Figures of a page read back: whatever is not its claim's is found; what may harm too."""

from __future__ import annotations

import pytest
from sealmaker import sealed_review

from kit.archive.figures import check_page, compare_entries, compare_text, plain_words
from kit.claims.claim import load_claims
from kit.page.html import figure_link, outcome_html
from kit.page.traces import trace_section


@pytest.fixture(scope="module")
def book():
    return load_claims(sealed_review() / "data")


@pytest.fixture(scope="module")
def page():
    return (sealed_review() / "data" / "report.html").read_bytes()


@pytest.fixture
def margin(book):
    return next(c for c in book.claims if c.kind == "margin" and c.outcome)


def around(body: str) -> bytes:
    policy = "default-src 'none'; img-src data:"
    return (
        f'<!doctype html><html><head><meta http-equiv="Content-Security-Policy" content="{policy}">'
        f"<title>t</title></head><body><main>{body}</main></body></html>"
    ).encode()


def test_a_page_of_the_kit_has_no_findings(book, page):
    assert check_page(page, book) == []
    assert compare_entries(page, trace_section(book).markup) == []


def test_a_figure_as_written_passes(book, margin):
    body = figure_link(margin) + f'<span class="iv">{margin.interval}</span>'
    body += outcome_html(margin.outcome)
    assert check_page(around(body), book) == []


@pytest.mark.parametrize("what", ["value", "text", "interval", "outcome", "anchor"])
def test_each_part_of_a_figure_counts(book, margin, what):
    body = figure_link(margin) + f'<span class="iv">{margin.interval}</span>'
    body += outcome_html(margin.outcome)
    old, new, place = {
        "value": (f'value="{margin.value!r}"', 'value="1.5"', f"{margin.id}, value"),
        "text": (f">{margin.text}<", ">+99.9\u00a0%<", f"{margin.id}, text"),
        "interval": (f">{margin.interval}<", ">+1.0 to +2.0<", f"{margin.id}, interval"),
        "outcome": (f">{margin.outcome}<", ">level<", f"{margin.id}, outcome"),
        "anchor": (f"#{margin.anchor}", "#trace-none", "#trace-none"),
    }[what]
    assert old in body
    found = check_page(around(body.replace(old, new)), book)
    assert [f.path for f in found] == [f"data/report.html # {place}"]
    assert found[0].stage == "page"


def test_a_figure_without_its_machine_value_is_found(book, margin):
    body = figure_link(margin).replace(f'<data value="{margin.value!r}">', "<b>")
    found = check_page(around(body.replace("</data>", "</b>")), book)
    assert [f.path for f in found] == [f"data/report.html # {margin.id}, value"]


def test_an_outcome_by_its_class_alone_counts(book, margin):
    body = figure_link(margin) + outcome_html(margin.outcome).replace(
        f"outcome {margin.outcome}", "outcome level"
    )
    assert [f.path for f in check_page(around(body), book)] == [
        f"data/report.html # {margin.id}, outcome"
    ]


def test_every_way_to_write_a_figure_in_text_passes(book, margin):
    from kit.claims.bound_text import printed_forms

    for form in printed_forms(margin, book):
        body = figure_link(margin).replace(margin.text, form)
        assert check_page(around(body), book) == [], form


def test_a_page_without_figures_is_found(book):
    found = check_page(around("<p>All is well.</p>"), book)
    assert [f.expected for f in found] == ["figures that link to claims"]


def test_an_entry_that_reads_otherwise_is_found(book, page, margin):
    markup = trace_section(book).markup
    place = markup.index(f'id="{margin.anchor}"')
    run = margin.runs[0] if margin.runs else None
    assert run is None or run in markup[place:]
    text = page.decode()
    start = text.index(f'<li id="{margin.anchor}"')
    wrong = text[:start] + text[start:].replace("(", "(of old ", 1)
    found = compare_entries(wrong.encode(), markup)
    assert [f.path for f in found] == [f"data/report.html # {margin.anchor}"]
    entry = f'<li id="{margin.anchor}'
    added = text.replace(entry, f'<li id="trace-none">x</li>{entry}', 1)
    found = compare_entries(added.encode(), markup)
    assert [f.path for f in found] == ["data/report.html # trace-none"]


def test_a_changed_hash_of_a_run_is_found(book, page):
    digest = next(r.sha256 for r in book.runs if r.frames)
    wrong = page.replace(digest.encode(), (digest[:-1] + "x").encode())
    assert compare_entries(wrong, trace_section(book).markup)


@pytest.mark.parametrize(
    "body",
    [
        "<script>x()</script>", '<img src="https://x.invalid/a.png" alt="a">',
        '<img src="data:text/html;base64,AAAA" alt="a">', '<a href="javascript:x()">a</a>',
        '<p onclick="x()">a</p>', '<p style="background:url(https://x.invalid)">a</p>',
        '<iframe src="a"></iframe>', "<object></object>", "<form></form>", '<svg onload="x()"></svg>',
        '<svg><use href="#a"/></svg>', '<svg><image href="https://x.invalid/a.png"/></svg>',
        "<svg><foreignObject></foreignObject></svg>", '<input type="image" name="a">',
        '<link rel="stylesheet" href="https://x.invalid/a.css">', '<base href="https://x.invalid">',
        "<style>p{background:url(//x.invalid)}</style>", '<video src="a"></video>',
    ],
)  # fmt: skip
def test_what_may_harm_is_found(book, margin, body):
    found = check_page(around(figure_link(margin) + body), book)
    assert found and all("line" in f.path for f in found)


def test_a_missing_content_policy_is_found(book, margin):
    data = f"<!doctype html><title>t</title>{figure_link(margin)}".encode()
    assert [f.path for f in check_page(data, book)] == ["data/report.html # head"]


@pytest.mark.parametrize("data", [b"", b"\x00\x01", b"<", b"\xff\xfe<p>", b"<p>" * 50_000])
def test_broken_pages_give_findings_not_errors(book, data):
    assert check_page(data, book)


def test_words_leave_white_space_inside_figures_alone():
    assert plain_words("<p>a \n b</p><p>c</p>") == "a b c"
    assert plain_words("<b>4\u00a0%</b>") == "4\u00a0%"
    assert plain_words('x<a class="back" href="#y">back</a> z') == "x z"


def test_the_first_difference_is_shown():
    found = compare_text("data/x", "here", "a" * 100 + "1" + "b" * 200, "a" * 100 + "2" + "b" * 200)
    assert len(found) == 1 and found[0].path == "data/x # here"
    assert found[0].expected.startswith("...") and "1bbb" in found[0].expected
    assert "2bbb" in found[0].found and len(found[0].found) < 120
    assert compare_text("data/x", "here", "same", "same") == []
