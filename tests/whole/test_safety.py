"""What is made is inert and names no machine, whatever names people and logs bring along.

Every free text of a bench and its params is given markup, quotation marks, template braces,
formulas and signs that turn text round. The page is parsed with lxml (an HTML parser other than
ours): it has the elements the same bench with plain names has, and no other.
"""

from __future__ import annotations

import csv
import getpass
import json
import re
import socket
import subprocess
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest
from lxml import etree, html
from small_bench import small_bench, write_bench

from kit.cli import _printable
from kit.rounding import csv_cell, table_csv

ROOT = Path(__file__).parents[2]
MARKUP = "<script>alert(1)</script><img src=x onerror=alert(2)>"
HOSTILE = {
    "product": f"P {MARKUP}",
    "rival": "\"'><svg onload=alert(3)>&lt;b&gt; {{ 7*7 }} {% raw %} ${x} `id` $(id)",
    "other": '=HYPERLINK("http://x.example/?"&A1,"click")',
    "title0": "</td></tr></table><iframe src=//x.example></iframe>",
    "title1": "+1-2 @SUM(A1) \u202egnp.exe\u2066 \u200b" + "long " * 60,
    "review": "Review </title><style>*{display:none}</style> [a](javascript:alert(4))",
    "byline": "-2+3 <a href='javascript:alert(5)'>by</a>",
    "reason": "@cmd|' /C calc'!A0 <b>covered</b>",
    "source": "=1+1 <i>shop</i> &amp; sons",
    "condition": "<u>warm</u> {{x}}",
    "session": "-2+3+cmd|' /C calc'!A0",
    "other_session": "+1-2 @SUM(A1)",  # one that begins with = or @ is refused by the run sheet
}
PLAIN = {key: f"Plain {key}" for key in HOSTILE}


def named(texts):
    """Return a small bench that bears these texts wherever people write freely."""
    made = small_bench(products=3, titles=2, runs=3)
    made = replace(
        made,
        products={
            "p0": {
                "name": texts["product"],
                "class": "desk",
                "maker": texts["rival"],
                "note": texts["title0"],
                "specification": {"other": {"fan": texts["other"]}, "units": 64},
                "configuration": {"processor": texts["condition"]},
            },
            "p1": {
                "name": texts["rival"],
                "class": "desk",
                "configuration": {"processor": texts["title0"]},
            },
            "p2": {
                "name": texts["other"],
                "class": "desk",
                "configuration": {"processor": texts["condition"]},
            },
        },
        titles={
            "t0": {"name": texts["title0"], "note": texts["other"], "workload": texts["source"]},
            "t1": {"name": texts["title1"], "tags": {"age": texts["product"]}},
        },
        prices=tuple((*row[:5], f"{texts['source']} {i}") for i, row in enumerate(made.prices)),
    )
    aside = replace(made.runs[0], run="aside", status="set_aside", reason=texts["reason"])
    failed = replace(
        made.runs[3], run="failed", frame_ns=(), status="crashed", reason=texts["rival"]
    )
    sessions = {"s0": texts["session"], "s1": texts["other_session"], "s2": "s2"}
    runs = [replace(run, session=sessions[run.session]) for run in (*made.runs, aside, failed)]
    made = replace(made, runs=tuple(runs))
    return made.with_params(
        title=texts["review"],
        byline=texts["byline"],
        controls=["processor"],
        waivers=[{"control": "processor", "products": ["p1"], "reason": texts["reason"]}],
        suites={"by-age": {"name": texts["title0"], "tags": {"age": texts["product"]}}},
        text="words.md",
    )


WORDS = (
    "# A heading\n\nIt is {{margin p0 over p1 in t0}} and [a link](javascript:alert(1)).\n\n"
    "<script>alert(9)</script> <img src=x onerror=alert(9)>\n\n"
    "![pic](http://x.example/p.png) <iframe src='//x.example'></iframe>\n"
)


def run_made(made, folder, words=WORDS):
    pytest.importorskip("papermill")
    from kit.report.report import run_review

    params = write_bench(made, folder)
    (folder / "words.md").write_text(words, encoding="utf-8")
    return run_review(params, out_dir=folder / "out", timeout_s=120).folder


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    return run_made(named(HOSTILE), tmp_path_factory.mktemp("hostile"))


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    return run_made(named(PLAIN), tmp_path_factory.mktemp("plain"))


def elements(folder):
    page = html.fromstring((folder / "report.html").read_bytes())
    return [e for e in page.iter() if isinstance(e.tag, str)]


def test_hostile_names_add_no_element_to_the_page(hostile, plain):
    def counted(folder):
        # Charts are drawn: a long name takes more paths. Their elements are checked below.
        return Counter(
            e.tag
            for e in elements(folder)
            if not any(a.tag in {"svg", "figure"} for a in (e, *e.iterancestors()))
            and e.tag != "bdi"  # set around names that turn text round
        )

    assert counted(hostile) == counted(plain)


ACTIVE = {"script", "iframe", "object", "embed", "link", "base", "form", "foreignobject"}


def test_nothing_in_the_page_runs_or_loads(hostile):
    found = elements(hostile)
    assert len(found) > 300
    for element in found:
        assert element.tag.lower() not in ACTIVE, element.tag
        for name, value in element.attrib.items():
            assert not name.lower().startswith("on"), (element.tag, name)
            if name.lower() in {"href", "src", "srcset", "action", "xlink:href", "data"}:
                if element.tag == "a" and value.startswith("http://x.example/"):
                    continue  # the author's own link: nothing is loaded until a reader asks
                assert re.match(r"#|data:image/", value), (element.tag, name, value)
            assert "javascript:" not in value.lower() or name in {"alt", "title", "aria-label"}


def test_the_page_says_hostile_names_as_they_are(hostile):
    text = html.fromstring((hostile / "report.html").read_bytes()).text_content()
    for key in ("product", "rival", "other", "title0", "byline"):
        assert " ".join(HOSTILE[key].split()) in " ".join(text.split()), key


def test_charts_hold_no_active_element(hostile):
    drawn = list((hostile / "charts").glob("*.svg"))
    assert len(drawn) >= 4
    for path in drawn:
        root = etree.fromstring(path.read_bytes())
        for element in root.iter():
            if not isinstance(element.tag, str):
                continue
            name = etree.QName(element).localname.lower()
            assert name not in ACTIVE and name not in {"a", "animate", "set", "image"}, name
            assert not [a for a in element.attrib if a.lower().startswith("on")]


FORMULA = re.compile(r"^[=+\-@\t\r]")


def test_no_cell_of_an_exported_table_is_a_formula(hostile):
    tables = [*(hostile / "tables").glob("*.csv"), *(hostile / "charts").glob("*.csv")]
    assert len(tables) >= 6
    inert, texts = set(), ""
    for path in tables:
        with path.open(encoding="utf-8", newline="") as stream:
            rows = list(csv.reader(stream))
        assert len({len(row) for row in rows}) == 1, path.name
        for cell in (cell for row in rows for cell in row):
            if FORMULA.match(cell):
                float(cell)  # a number may have its sign
            inert |= {cell} if cell[:1] == "'" else set()
            texts += cell
    # The hostile texts are there: those that begin a cell made inert, the others after words.
    assert {f"'{HOSTILE['session']}", f"'{HOSTILE['other_session']}"} <= inert
    for key in ("source", "reason"):
        assert HOSTILE[key] in texts, key


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_formula_starts_are_made_text(start):
    # OWASP, "CSV Injection": the characters that begin a formula or hide one.
    import pandas as pd

    frame = pd.DataFrame({f"{start}name": [f"{start}1+1", "plain"], "n": [1.5, -2.5]})
    (header, first, *_) = list(csv.reader(table_csv(frame).splitlines()))
    assert not FORMULA.match(header[0]) and not FORMULA.match(first[0])
    assert csv_cell(f"{start}x") == f"'{start}x"
    assert csv_cell("plain-name") == "plain-name" and csv_cell(-2.5) == -2.5


# --- places, users, machines ---


def secrets(folder):
    found = {
        str(folder.parent.parent),
        str(ROOT),
        str(Path.home()) + "/",
        str(Path(sys.prefix)),
        socket.gethostname(),
        "ipykernel_",
        ".partial-",
    }
    if len(getpass.getuser()) > 4:
        found.add(getpass.getuser())
    return {s for s in found if len(s) > 5}


def test_no_file_made_names_a_place_a_user_or_a_machine(hostile):
    files = [p for p in hostile.rglob("*") if p.is_file()]
    assert {p.suffix for p in files} >= {".html", ".json", ".ipynb", ".csv", ".svg", ".png"}
    for path in files:
        data = path.read_bytes()
        for secret in secrets(hostile):
            assert secret.encode() not in data, f"{path.name} holds {secret}"
            assert secret.encode("utf-16-le") not in data
        if path.suffix == ".json":
            assert not re.search(rb'"(/|[A-Z]:\\\\)[a-z]', data), path.name


def test_pictures_hold_no_time_and_no_name_of_a_program(hostile):
    for path in (hostile / "charts").glob("*.png"):
        data = path.read_bytes()
        # PNG (Third Edition), 11.3.3 and 11.3.6: chunks that can hold texts and times.
        place, kinds = 8, []
        while place < len(data):
            size = int.from_bytes(data[place : place + 4], "big")
            kinds.append(data[place + 4 : place + 8])
            place += 12 + size
        assert kinds[-1] == b"IEND"
        assert not {b"tEXt", b"iTXt", b"zTXt", b"tIME", b"eXIf"} & set(kinds), path.name
    for path in (hostile / "charts").glob("*.svg"):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"<dc:date>|<dc:creator>|\b20\d\d-\d\d-\d\dT", text), path.name


def test_the_text_keeps_its_words_without_its_markup(hostile, plain):
    for folder in (hostile, plain):
        page = html.fromstring((folder / "report.html").read_bytes())
        assert "A heading" in page.text_content()
        assert not page.xpath("//img[not(starts-with(@src, 'data:image/'))]")


# --- the terminal ---


def marginbook(*words):
    return subprocess.run(
        [sys.executable, "-m", "kit", *map(str, words)],
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=False,
        encoding="utf-8",
    )


CONTROLS = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200b\u202a-\u202e\u2066-\u2069]")


def test_check_and_trace_print_no_sign_a_terminal_obeys(hostile):
    params = hostile.parent.parent / "made.yaml"
    done = marginbook("check", params)
    assert done.returncode == 0, done.stderr
    assert "@cmd|" in done.stdout
    claims = json.loads((hostile / "claims.json").read_text(encoding="utf-8"))["claims"]
    printed = done.stdout
    for claim in (claims[0], claims[-1], next(c for c in claims if c["kind"] == "suite")):
        done = marginbook("trace", hostile, claim["id"])
        assert done.returncode == 0, done.stderr
        printed += done.stdout
    assert not CONTROLS.search(printed)


def test_escapes_in_cells_and_names_of_logs_never_reach_the_terminal(tmp_path):
    params = write_bench(small_bench(products=2, titles=1, runs=2), tmp_path)
    sheet = tmp_path / "bench" / "runs.csv"
    text = sheet.read_text()
    evil = "\x1b]0;owned\x07\x1b[2J\u202e\x9b31m"
    for old, new in (
        ("p0,t0,", f"p0{evil},t0,"),
        ("logs/p0-t0-0.csv", f"logs/{evil}.csv"),
        ("p0-t0-0,", f"{evil},"),
    ):
        sheet.write_text(text.replace(old, new, 1), encoding="utf-8")
        for words in (["check", params], ["check", params, "--json"]):
            done = marginbook(*words)
            assert done.returncode == 3, done.stderr
            assert not CONTROLS.search(done.stderr), done.stderr
            assert "Traceback" not in done.stderr
    sheet.write_text(text)
    log = tmp_path / "bench" / "logs" / "p0-t0-0.csv"
    log.write_text("n,took\n1,\x1b[31m10.5\n")
    done = marginbook("check", params)
    assert done.returncode == 3 and not CONTROLS.search(done.stderr)
    assert _printable(evil) == r"\x1b]0;owned\x07\x1b[2J\u202e\x9b31m"


def test_a_log_with_a_name_of_200_characters_is_taken_in(tmp_path):
    write_bench(small_bench(products=2, titles=1, runs=2), tmp_path)
    log = tmp_path / f"{'x' * 200}.csv"
    log.write_text("n,took\n" + "".join(f"{i},10.{i:03d}\n" for i in range(99)))
    done = marginbook("add", tmp_path / "bench", log, "--product", "p0", "--title", "t0")
    assert done.returncode == 0, done.stderr
    assert "x" * 100 in (tmp_path / "bench" / "runs.csv").read_text()


def test_a_log_named_like_markup_is_taken_in_and_inert(tmp_path):
    params = write_bench(small_bench(products=2, titles=1, runs=2), tmp_path)
    bench = tmp_path / "bench"
    log = tmp_path / "=cmd() <img src=x onerror=alert(1)> & \"q\" 'q' {{x}}.csv"
    log.write_bytes((bench / "logs" / "p0-t0-0.csv").read_bytes().replace(b"1,", b"1,1", 1))
    done = marginbook("add", bench, log, "--product", "p0", "--title", "t0")
    assert done.returncode == 0, done.stderr
    assert not CONTROLS.search(done.stdout)
    with (bench / "runs.csv").open(encoding="utf-8", newline="") as stream:
        last = list(csv.DictReader(stream))[-1]
    assert not FORMULA.match(last["log"]) and not FORMULA.match(last["run"])
    assert last["run"] == "cmd-img-src-x-onerror-alert-1-q-q-x"
    from small_bench import show_in_process

    for piece in show_in_process(params, tmp_path / "shown"):
        for element in html.fragment_fromstring(piece, create_parent="div").iter():
            assert "onerror" not in element.attrib


# --- templates ---


def test_a_template_from_elsewhere_is_refused_by_the_command_unless_asked(tmp_path):
    pytest.importorskip("papermill")
    project = tmp_path / "project"
    params = write_bench(small_bench(products=2, titles=1, runs=2), project)
    mark = tmp_path / "it-ran"
    cells = [
        {
            "cell_type": "code",
            "id": "parameters",
            "metadata": {"tags": ["parameters"]},
            "source": 'params_path = ""\nout_dir = ""',
            "outputs": [],
            "execution_count": None,
        },
        {
            "cell_type": "code",
            "id": "evil",
            "metadata": {},
            "source": f"open({str(mark)!r}, 'w').close()",
            "outputs": [],
            "execution_count": None,
        },
    ]
    template = tmp_path / "download" / "review.ipynb"
    template.parent.mkdir()
    template.write_text(
        json.dumps({"cells": cells, "metadata": {}, "nbformat": 4, "nbformat_minor": 5})
    )
    with params.open("a") as stream:
        stream.write(f"template: {json.dumps('../download/review.ipynb')}\n")
    done = marginbook("run", params, "--out", tmp_path / "out")
    assert done.returncode == 2
    assert not mark.exists()
    with params.open("a") as stream:
        stream.write("")
    text = params.read_text().replace("../download/review.ipynb", str(template))
    params.write_text(text)
    done = marginbook("run", params, "--out", tmp_path / "out")
    assert done.returncode == 2 and "lies outside the project" in done.stderr
    assert "runs with your rights" in done.stderr and not mark.exists()
    done = marginbook("run", params, "--out", tmp_path / "out", "--foreign-template")
    assert mark.exists()  # asked for: it ran (and did not count, for it closed nothing)
    assert done.returncode == 4
