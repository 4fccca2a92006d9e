"""The page as a reader meets it: in Chromium, at several widths, by keyboard, dark, printed."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import time
from pathlib import Path

import pytest
from browsing import NODE_MODULES, chromium, need, need_node_package
from tiny_project import copy_project

from kit.claims.claim import anchor_of
from kit.report.report import run_review

ROOT = Path(__file__).parents[2]
pytestmark = [
    pytest.mark.browser,
    # Playwright's event loop leaves sockets to the garbage collector.
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]


def wait_until(page, holds):
    """Ask until it holds: the page's own policy stops `wait_for_function` after its first look."""
    until = time.monotonic() + 20
    while not page.evaluate(holds) and time.monotonic() < until:
        page.wait_for_timeout(20)
    assert page.evaluate(holds), holds


@pytest.fixture(scope="module")
def tiny(tmp_path_factory):
    params = copy_project(tmp_path_factory.mktemp("browser") / "project")
    return run_review(params, out_dir=params.parent.parent / "out", timeout_s=60).report


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    out = tmp_path_factory.mktemp("demo")
    return run_review(ROOT / "params" / "demo.yaml", out_dir=out, timeout_s=300).report


@pytest.fixture(scope="module", params=["tiny", pytest.param("demo", marks=pytest.mark.slow)])
def report(request):
    return request.getfixturevalue(request.param)


@pytest.fixture(scope="module")
def browser():
    with chromium() as running:
        yield running


@pytest.fixture
def open_page(browser):
    """Give a function that opens a page in a window of its own."""
    contexts = []

    def opened(path, *, width=1280, height=900, **options):
        context = browser.new_context(viewport={"width": width, "height": height}, **options)
        contexts.append(context)
        page = context.new_page()
        page.seen = []
        page.on("request", lambda request: page.seen.append(request.url))
        page.on("console", lambda message: page.seen.append(f"console: {message.text}"))
        page.on("pageerror", lambda error: page.seen.append(f"error: {error}"))
        page.goto(path.as_uri())
        return page

    yield opened
    for context in contexts:
        context.close()


# --- nothing from outside ---


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_page_asks_for_nothing_and_complains_of_nothing(open_page, report, scheme):
    page = open_page(report, color_scheme=scheme)
    page.evaluate("window.scrollTo(0, document.body.scrollHeight)")
    page.wait_for_timeout(200)
    # Pictures within the page are addresses of their own to the browser; none leaves it.
    outside = [url for url in page.seen if not url.startswith("data:")]
    assert outside == [report.as_uri()]


def test_every_picture_is_shown(open_page, report):
    page = open_page(report)
    widths = page.evaluate("[...document.images].map(i => i.complete ? i.naturalWidth : -1)")
    assert widths and min(widths) > 0


def test_the_policy_stops_a_script_a_style_and_a_load(open_page, tiny):
    page = open_page(tiny)
    blocked = page.evaluate(
        """async () => {
            const seen = [];
            const note = event => seen.push(event.effectiveDirective);
            document.addEventListener('securitypolicyviolation', note);
            const script = document.createElement('script'); script.textContent = 'window.ran = 1';
            const style = document.createElement('style'); style.textContent = 'p { color: red }';
            const image = document.createElement('img'); image.src = 'https://a.invalid/i.png';
            document.body.append(script, style, image);
            await new Promise(done => setTimeout(done, 300));
            return [seen.sort(), window.ran === undefined];
        }"""
    )
    assert blocked == [["img-src", "script-src-elem", "style-src-elem"], True]


def test_the_page_is_whole_without_javascript(open_page, tiny):
    page = open_page(tiny, java_script_enabled=False)
    page.locator("summary").first.click()
    assert page.locator("details pre").first.is_visible()


# --- width ---


@pytest.mark.parametrize("width", [320, 400, 1280])
def test_only_labelled_boxes_scroll_sideways(open_page, report, width):
    page = open_page(report, width=width)
    page.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    loose = page.evaluate(
        """() => [...document.querySelectorAll('main *, footer *')]
            .filter(e => e.scrollWidth > e.clientWidth + 1
                && ['auto', 'scroll'].includes(getComputedStyle(e).overflowX))
            .filter(e => !(e.tabIndex === 0 && e.ariaLabel))
            .map(e => e.outerHTML.slice(0, 80))"""
    )
    assert loose == []


def test_a_wide_table_scrolls_within_its_box_by_keyboard(open_page, tiny):
    page = open_page(tiny, width=320)
    # Which table is the first wide one depends on the fonts at hand; in a closed fold none takes focus.
    page.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")
    wide = page.evaluate(
        "[...document.querySelectorAll('section.table-box')]"
        ".findIndex(box => box.scrollWidth > box.clientWidth)"
    )
    assert wide >= 0
    box = page.locator("section.table-box").nth(wide)
    box.focus()
    page.keyboard.press("ArrowRight")
    wait_until(page, "document.activeElement.scrollLeft > 0")


def test_text_lines_keep_to_a_readable_measure(open_page, tiny):
    page = open_page(tiny, width=1900)
    widest = page.evaluate(
        """() => { const canvas = document.createElement('canvas').getContext('2d');
            const p = document.querySelector('.part p:not([class])');
            canvas.font = getComputedStyle(p).font;
            return parseFloat(getComputedStyle(p).maxWidth)
                / (canvas.measureText('the quick brown fox jumps over it').width / 33); }"""
    )
    # Robert Bringhurst, The Elements of Typographic Style, 2.1.2: 45 to 75 characters.
    assert 45 <= widest <= 80


# --- keyboard ---


def test_the_first_key_reaches_the_link_past_the_head(open_page, tiny):
    page = open_page(tiny)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    assert page.evaluate("document.activeElement.getBoundingClientRect().left") == 0
    page.keyboard.press("Enter")
    wait_until(page, "document.activeElement.id === 'content'")


def in_view(page, selector):
    return page.evaluate(
        """s => { const r = document.querySelector(s).getBoundingClientRect();
            return r.top >= -1 && r.top < innerHeight; }""",
        selector,
    )


def test_from_a_margin_to_its_raw_file_and_back_by_keyboard(open_page, report):
    page = open_page(report)
    claims = json.loads((report.parent / "claims.json").read_bytes())["claims"]
    kind_of = {anchor_of(c["id"]): c["kind"] for c in claims}
    figure = next(
        link
        for link in page.locator("table a.fig").all()
        if kind_of.get(link.get_attribute("href")[1:]) == "margin"
    )
    figure.focus()
    name = figure.get_attribute("id")
    page.keyboard.press("Enter")
    page.wait_for_selector("div:target")
    assert in_view(page, "details:has(> :target) > summary")
    margin = page.evaluate("document.querySelector(':target').id")
    page.locator("div:target dd a[href^='#t-']").first.focus()
    page.keyboard.press("Enter")
    wait_until(page, f"document.querySelector(':target').id != '{margin}'")
    assert kind_of[page.evaluate("document.querySelector(':target').id")] == "cell"
    page.locator("div:target a[href^='#run-']").first.focus()
    page.keyboard.press("Enter")
    row = page.wait_for_selector("tr:target")
    assert in_view(page, "tr:target")
    assert re.search(r"logs/\S+[0-9a-f]{64}", row.inner_text().replace("\n", ""))
    page.go_back()
    page.go_back()
    wait_until(page, f"document.querySelector(':target').id == '{margin}'")
    page.locator("div:target > a[href^='#s']").first.focus()
    page.keyboard.press("Enter")
    page.wait_for_selector(f"a.fig:target#{name}")
    assert in_view(page, ":target")


def test_a_deep_link_by_a_claims_id_opens_its_trace(browser, tiny):
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.goto(
        tiny.as_uri() + "#" + anchor_of("suite/average_fps/all/lanternfish-14-over-gannet-14")
    )
    assert in_view(page, "div:target")
    page.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_focus_is_seen(open_page, tiny, scheme):
    page = open_page(tiny, color_scheme=scheme)
    for selector in ("a.fig", "nav a", "summary", "section.table-box"):
        page.keyboard.press("Tab")  # so that focus counts as come by keyboard
        page.locator(selector).first.focus()
        style = page.evaluate(
            "(({outlineStyle, outlineWidth}) => [outlineStyle, outlineWidth])"
            "(getComputedStyle(document.activeElement))"
        )
        assert style == ["solid", "3px"], selector


# --- dark, styles off, names ---


def test_in_the_dark_the_page_is_dark_and_charts_keep_a_light_card(open_page, tiny):
    def luminance(page, selector):
        found = page.evaluate(
            "s => getComputedStyle(document.querySelector(s)).backgroundColor", selector
        )
        return sum(int(n) for n in re.findall(r"\d+", found)[:3]) / 3

    light, dark = open_page(tiny), open_page(tiny, color_scheme="dark")
    assert luminance(light, "body") > 240 and luminance(dark, "body") < 40
    assert luminance(dark, "figure img") == 255


def test_with_styles_off_the_words_stand_in_their_order_with_units_and_outcomes(open_page, tiny):
    page = open_page(tiny, bypass_csp=True)
    page.evaluate("document.querySelector('style').remove()")
    text = page.inner_text("body")
    assert text.index("Lanternfish 14 beside") < text.index("Summary") < text.index("Cautions")
    assert re.search(r"\+25\.0\s%\s*\+23\.2 to \+26\.9\s*ahead", text)


def test_names_with_markup_and_right_to_left_text_are_shown_as_text(open_page, tiny):
    page = open_page(tiny)
    assert page.locator("th", has_text="Mudskipper 14 <b>& Sons</b>").count() >= 2
    name = page.locator("th bdi").filter(has_text=re.compile("^حاسوب")).first
    assert name.evaluate("e => getComputedStyle(e).direction") == "rtl"


# --- the article of the demo ---


BOXES = """() => {
    const seen = e => e.checkVisibility({opacityProperty: true, visibilityProperty: true})
        && !e.closest('.vh, .skip');
    const texts = [...document.querySelectorAll('svg text')].filter(seen).map(t => {
        const {left, top, right, bottom} = t.getBoundingClientRect();
        const svg = t.closest('svg.axis, svg.plot, svg.value').getBoundingClientRect();
        return {words: t.textContent, left, top, right, bottom,
                out: left < svg.left - 6 || right > svg.right + 6, of: t.closest('tr, figure')};
    });
    const found = [];
    for (const t of texts) if (t.out) found.push('outside: ' + t.words);
    texts.forEach((a, n) => texts.slice(n + 1).forEach(b => {
        if (a.of === b.of && Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1
            && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 3)
            found.push(`covered: ${a.words} and ${b.words}`);
    }));
    const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    while (walk.nextNode()) {
        const owner = walk.currentNode.parentElement;
        if (walk.currentNode.data.trim() && seen(owner)
            && parseFloat(getComputedStyle(owner).fontSize) < 11)
            found.push('small: ' + walk.currentNode.data.trim().slice(0, 40));
    }
    return [...new Set(found)];
}"""


@pytest.mark.slow
@pytest.mark.parametrize("width", [390, 701, 768, 1000, 1187, 1280, 1920])
def test_no_lettering_is_covered_cut_or_small_at_any_width(open_page, demo, width):
    page = open_page(demo, width=width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate(BOXES) == []


@pytest.mark.slow
def test_the_boxes_see_a_planted_overlap_and_small_type(open_page, demo):
    page = open_page(demo, width=1280, bypass_csp=True)
    page.evaluate("""() => {
        const label = document.querySelector('svg.value text.halo');
        label.after(label.cloneNode(true));
        document.querySelector('.deck').style.fontSize = '8px';
        document.querySelector('.axis text').setAttribute('x', '-20%');
    }""")
    kinds = {found.partition(":")[0] for found in page.evaluate(BOXES)}
    assert kinds == {"covered", "small", "outside"}


@pytest.mark.slow
def test_the_first_screen_holds_the_finding_and_the_page_is_short(open_page, demo):
    page = open_page(demo, width=1280, height=800)

    def bottom(selector):
        return page.locator(selector).first.evaluate("e => e.getBoundingClientRect().bottom")

    assert bottom("h1") < bottom(".deck") < bottom("table.rivals") < bottom(".notes") <= 700
    assert page.locator(".deck").evaluate("e => e.getBoundingClientRect().height") <= 3 * 23 + 1
    assert page.locator("h2").first.evaluate("e => e.getBoundingClientRect().top") < 800
    assert page.evaluate("document.documentElement.scrollHeight") <= 20_000
    phone = open_page(demo, width=390, height=844)
    assert phone.evaluate("document.documentElement.scrollHeight") <= 45_000
    assert phone.locator("table.rivals tbody tr").nth(2).evaluate(
        "e => e.getBoundingClientRect().top") < 844  # fmt: skip


@pytest.mark.slow
def test_another_rival_is_chosen_by_keyboard_without_a_script(open_page, demo):
    page = open_page(demo, java_script_enabled=False)
    assert page.locator(".panel-1").is_visible() and not page.locator(".panel-2").is_visible()
    page.locator("#beside-1").focus()
    page.keyboard.press("ArrowRight")
    assert page.locator(".panel-2").is_visible() and not page.locator(".panel-1").is_visible()


@pytest.mark.slow
def test_a_link_from_a_figure_opens_the_closed_record(open_page, demo):
    page = open_page(demo)
    closed = page.locator("section.record > details")
    assert closed.count() > 5 and not page.locator("section.record > details[open]").count()
    page.locator("table.rivals td.margin a.fig").first.click()
    page.wait_for_selector("div:target")
    assert in_view(page, "details:has(> :target) > summary")
    assert page.locator("section.record > details[open]").count() == 1


@pytest.mark.slow
def test_one_file_prints_as_the_article_and_as_the_record(open_page, demo, tmp_path):
    need("pdftotext", found=shutil.which("pdftotext") is not None)

    def printed(page):
        path = tmp_path / "page.pdf"
        page.pdf(path=path, prefer_css_page_size=True)
        about = subprocess.run(["pdfinfo", path], capture_output=True, text=True, check=True).stdout
        done = subprocess.run(["pdftotext", path, "-"], capture_output=True, text=True, check=True)
        return int(re.search(r"Pages: +(\d+)", about).group(1)), done.stdout

    page = open_page(demo)
    pages, words = printed(page)
    assert pages <= 10 and "Settings in force" not in words and "Tarnquill Sedge" in words
    page.locator("#print-record").check(force=True)
    more, words = printed(page)
    assert more > 3 * pages and "Settings in force" in words and "Every run, used or not" in words


# --- print ---


def test_no_table_is_cut_on_a4(open_page, report):
    # 210 mm less margins of 16 mm each side, at 96 px an inch; the table of runs is landscape.
    page = open_page(report, width=int(178 / 25.4 * 96))
    page.emulate_media(media="print")
    cut = page.evaluate(
        """landscape => [...document.querySelectorAll('.table-box')]
            .filter(box => box.offsetParent && box.querySelector('table'))
            .map(box => [box.ariaLabel, box.querySelector('table').offsetWidth,
                box.matches('.runs-box') ? landscape : box.clientWidth])
            .filter(([, width, room]) => width > room)""",
        int(265 / 25.4 * 96),
    )
    assert cut == []


def test_the_printed_page_is_a4_with_page_numbers_and_targets(open_page, tiny, tmp_path):
    need("pdftotext", found=shutil.which("pdftotext") is not None)
    page = open_page(tiny)
    path = tmp_path / "report.pdf"
    page.pdf(path=path, prefer_css_page_size=True)
    about = subprocess.run(["pdfinfo", path], capture_output=True, text=True, check=True).stdout
    assert re.search(r"Page size: +59\d(\.\d+)? x 84\d.*A4", about)
    text = subprocess.run(
        ["pdftotext", "-layout", path, "-"], capture_output=True, text=True, check=True
    ).stdout
    pages = int(re.search(r"Pages: +(\d+)", about).group(1))
    sheets = text.split("\f")[:pages]
    for number, sheet in enumerate(sheets, start=1):
        assert re.search(rf"\b{number} ?/ ?{pages}\s*$", sheet)
    # Each entry names itself, and each link where it leads: on paper a trace can be followed.
    claims = json.loads((tiny.parent / "claims.json").read_bytes())["claims"]
    cell = anchor_of(next(c["id"] for c in claims if c["kind"] == "cell"))
    assert len(re.findall(f"#{cell}", text)) >= 2
    assert "How this was computed" not in text


# --- checkers of others ---


def axe(page):
    need_node_package("axe-core")
    page.add_script_tag(path=NODE_MODULES / "axe-core" / "axe.min.js")
    return page.evaluate("axe.run({resultTypes: ['violations', 'incomplete']})")


@pytest.mark.npm
@pytest.mark.parametrize(
    ("width", "scheme"), [(1280, "light"), (1280, "dark"), (400, "light")], ids=str
)
def test_axe_finds_nothing(open_page, report, width, scheme):
    page = open_page(report, width=width, color_scheme=scheme, bypass_csp=True)
    # axe cannot look through the gradients that hint at scrolling; inks stay as they are.
    page.add_style_tag(content=".table-box { background: none !important }")
    page.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")
    found = axe(page)
    assert [(v["id"], v["nodes"][0]["html"][:120]) for v in found["violations"]] == []


@pytest.mark.npm
def test_axe_sees_a_fault_when_there_is_one(open_page, tiny):
    page = open_page(tiny, bypass_csp=True)
    page.evaluate("document.images[0].removeAttribute('alt')")
    assert [v["id"] for v in axe(page)["violations"]] == ["image-alt"]


@pytest.mark.npm
def test_html_validate_finds_nothing(report):
    folder = need_node_package("html-validate")
    done = subprocess.run(
        [
            "node",
            folder / "bin" / "html-validate.mjs",
            "--formatter",
            "json",
            "--config",
            ROOT / "tests" / "node" / "htmlvalidate.json",
            report,
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    faults = [m for file in json.loads(done.stdout or "[]") for m in file["messages"]]
    assert [(m["ruleId"], m["message"]) for m in faults] == [], done.stderr
    assert done.returncode == 0, done.stderr


@pytest.mark.npm
def test_the_html_standards_own_checker_finds_no_error(report):
    folder = need_node_package("vnu-jar")
    if shutil.which("java") is None:
        pytest.skip("java is missing")  # not promised: html-validate checks the same page
    done = subprocess.run(
        ["java", "-jar", folder / "build" / "dist" / "vnu.jar", "--errors-only", report],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
