"""What a cell shows, as HTML that can neither run nor load anything."""

from __future__ import annotations

import base64

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import html as lxml_html

from kit.errors import ExecutionError
from kit.page.assemble import ATTRIBUTES, CLOSED_MIME, TAGS, _markdown_html, _output_html
from kit.page.assemble import _clean as clean
from kit.page.html import Html, paragraph

PNG = base64.b64encode(b"\x89PNG\r\n\x1a\n").decode()


def shown(data, metadata=None):
    output = {"output_type": "display_data", "data": data, "metadata": metadata or {}}
    return _output_html(output, "cell x")


def ours(markup):
    return shown({"text/html": Html(markup)._repr_html_(), "text/plain": "Html(9 characters)"})


def parsed(markup):
    return lxml_html.fragment_fromstring(markup, create_parent="div")


# Ways in which markup runs or loads something, by kind. Common practice, no source.
HOSTILE = [
    "<script>alert(1)</script>",
    "<SCRIPT SRC=//evil.example/x.js></SCRIPT>",
    "<img src=x onerror=alert(1) alt=x>",
    "<svg onload=alert(1)><script>alert(1)</script></svg>",
    "<math><mtext><table><mglyph><style><img src=x onerror=alert(1)>",
    '<a href="javascript:alert(1)">x</a>',
    '<a href=" \tjava&#10;script:alert(1)">x</a>',
    '<a href="data:text/html,<script>alert(1)</script>">x</a>',
    '<iframe src="https://evil.example"></iframe>',
    '<object data="x.swf"></object><embed src="x.swf">',
    "<style>@import url(https://evil.example/x.css)</style>",
    '<link rel="stylesheet" href="https://evil.example/x.css">',
    '<meta http-equiv="refresh" content="0;url=https://evil.example">',
    '<base href="https://evil.example">',
    '<form action="https://evil.example"><input name=a><button>go</button></form>',
    '<video src="https://evil.example/v"><source src="x"></video><audio src="y"></audio>',
    '<p style="background:url(https://evil.example/i)">x</p>',
    '<img src="https://evil.example/i.png" srcset="https://evil.example/j 2x" alt="x">',
    '<img src="data:text/html;base64,PHNjcmlwdD4=" alt="x">',
    '<td background="https://evil.example/i">x</td>',
    "<!--[if IE]><script>alert(1)</script><![endif]-->",
    "<template><script>alert(1)</script></template>",
    '<details ontoggle=alert(1) open="">x</details>',
    '<svg><use href="https://evil.example/x.svg#a"></use><image href="https://evil.example/i"/></svg>',
    "<svg><foreignObject><p onclick=alert(1)>x</p></foreignObject></svg>",
    "<svg><style>@import url(https://evil.example/x.css)</style><a href='javascript:alert(1)'>x</a></svg>",
    "<svg></p><style><a id='</style><img src=x onerror=alert(1)>'>",
    '<svg><animate onbegin=alert(1) attributeName=x dur=1s></animate><set to="x"></set></svg>',
    '<input type="image" src="https://evil.example/i"><input type=submit formaction="//evil.example">',
]


@pytest.mark.parametrize("markup", HOSTILE)
def test_nothing_that_runs_or_loads_passes(markup):
    assert_inert(clean(markup))


def assert_inert(markup):
    root = parsed(markup)
    for element in root.iterdescendants():
        assert element.tag in TAGS, element.tag
        for name, value in element.attrib.items():
            known = ATTRIBUTES["*"] | ATTRIBUTES.get(element.tag, set())
            assert name in known or name.startswith("aria-"), name
            if name == "href":
                assert value.startswith(("#", "http://", "https://"))
            if name == "src":
                assert value.startswith("data:image/")
    assert "evil" not in "".join(root.xpath("//@src | //@srcset | //@style | //@background"))


@given(st.lists(st.sampled_from([*HOSTILE, "<b>", "</b>", '"', "'", ">", "<table>", "&", "x"])))
def test_nothing_that_runs_or_loads_passes_in_any_order(pieces):
    assert_inert(clean("".join(pieces)))


def test_what_the_kit_writes_passes_unchanged():
    for markup in (
        '<section class="table-box" aria-label="C" tabindex="0"><table><caption>C</caption><thead>'
        '<tr><th scope="col">a</th></tr></thead><tbody><tr><th scope="row">b</th></tr></tbody>'
        "</table></section>",
        '<a class="fig" href="#trace-a.b"><data value="1.25">+25.0<i>&nbsp;%</i></data></a>',
        '<hgroup class="page-head" lang="en"><h1>T</h1><p class="byline">B, '
        '<time datetime="2026-05-04">2026-05-04</time></p></hgroup>',
        '<bdi dir="auto">حاسوب</bdi>',
        f'<figure class="chart"><figcaption>C</figcaption><img src="data:image/png;base64,{PNG}"'
        ' alt="A"><details><summary>S</summary>d</details></figure>',
        '<ol><li id="trace-a"><b>a</b> <a class="back" href="#shown-trace-a">back</a></li></ol>',
    ):
        assert clean(markup) == markup


def test_a_piece_of_ours_is_shown_without_its_jupyter_style():
    assert ours("<p>x</p>") == "<p>x</p>"


def test_a_piece_of_ours_is_cleaned_all_the_same():
    assert ours("<p onclick=alert(1)>x<script>y</script></p>") == "<p>x</p>"


def test_html_of_others_is_shown_as_its_text():
    data = {"text/html": "<table class=dataframe><td>1</td></table>", "text/plain": "   a\n0  <1>"}
    assert shown(data) == '<pre class="plain">   a\n0  &lt;1&gt;</pre>'


def test_html_of_others_that_merely_holds_our_wrapper_is_not_ours():
    piece = paragraph("x")._repr_html_()
    assert shown({"text/html": f"<b>{piece}", "text/plain": "t"}) == '<pre class="plain">t</pre>'


def test_printed_text_is_shown_even_if_it_went_to_standard_error():
    output = {"output_type": "stream", "name": "stderr", "text": ["a <b>\n", "c"]}
    assert _output_html(output, "cell x") == '<pre class="plain">a &lt;b&gt;\nc</pre>'


def test_memory_addresses_are_left_out():
    assert (
        shown({"text/plain": "<object at 0x7f00112233>"})
        == '<pre class="plain">&lt;object&gt;</pre>'
    )


def test_nothing_is_shown_of_an_empty_output_a_script_or_the_closing():
    assert shown({"text/plain": "\n"}) == ""
    assert shown({"application/javascript": "alert(1)"}) == ""
    assert shown({CLOSED_MIME: {"review": "r"}, "text/plain": "closed"}) == ""


def test_an_error_refuses_the_page():
    output = {"output_type": "error", "ename": "ValueError", "evalue": "no", "traceback": []}
    with pytest.raises(ExecutionError, match="cell x failed, so there is no page: ValueError: no"):
        _output_html(output, "cell x")


@pytest.mark.parametrize("mime", ["image/png", "image/jpeg", "image/svg+xml"])
def test_a_picture_needs_words(mime):
    data = {mime: "<svg/>" if mime == "image/svg+xml" else PNG, "text/plain": "<Figure>"}
    with pytest.raises(ExecutionError, match="cell x shows a picture without words"):
        shown(data)
    for metadata in ({"alt": "Two bars"}, {mime: {"alt": "Two bars"}}):
        image = parsed(shown(data, metadata)).find(".//img")
        assert image.get("alt") == "Two bars"
        assert image.get("src").startswith(f"data:{mime};base64,")


def test_a_picture_whose_bytes_are_markup_is_refused():
    with pytest.raises(ExecutionError, match="not part of the notebook"):
        shown({"image/png": '"><script>alert(1)</script>'}, {"alt": "x"})


@pytest.mark.parametrize(
    "markup",
    [
        f'<img src="data:image/png;base64,{PNG}">',
        f'<img alt="" src="data:image/png;base64,{PNG}">',
        f'<img alt=" " src="data:image/png;base64,{PNG}">',
    ],
    ids=["none", "empty", "blank"],
)
def test_a_picture_in_a_piece_of_ours_needs_words(markup):
    with pytest.raises(ExecutionError, match="without words"):
        ours(markup)


# --- prose ---


def test_prose_is_rendered_by_commonmark_with_tables():
    # CommonMark 0.31.2, 6.2 (emphasis and strong emphasis) and 6.3 (links).
    assert _markdown_html("**foo bar**", "c").strip() == "<p><strong>foo bar</strong></p>"
    assert 'href="https://a.example"' in _markdown_html("[x](https://a.example)", "c")
    assert "<th>a</th>" in _markdown_html("|a|\n|-|\n|b|", "c")


def test_markup_typed_into_prose_is_shown_as_text():
    found = _markdown_html("a <script>alert(1)</script> <b>b</b>", "c")
    assert parsed(found).text_content().strip() == "a <script>alert(1)</script> <b>b</b>"


def test_a_link_in_prose_cannot_run_anything():
    assert "href" not in _markdown_html("[x](javascript:alert(1))", "c")


def test_a_picture_in_prose_that_would_be_loaded_is_refused():
    with pytest.raises(ExecutionError, match="not part of the notebook"):
        _markdown_html("![words](https://a.example/i.png)", "c")
    with pytest.raises(ExecutionError, match="without words"):
        _markdown_html("![](https://a.example/i.png)", "c")
