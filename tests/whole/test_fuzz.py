"""Good files damaged at random, and random ones: an answer or our own error, never another one.

What counts as an answer stands in `fuzzed`: frames are compared with the standard library's
reading, claims with themselves written again. `python tests/evidence/print_counts.py` counts the examples.
"""

from __future__ import annotations

import json
import time

import pytest
from fuzzed import LOGS, TARGETS, try_claims, try_log, try_text
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kit.rounding import Rounded

MANY = settings(max_examples=150, deadline=5000, suppress_health_check=list(HealthCheck))


@st.composite
def damaged(draw, good: bytes, pieces: tuple[bytes, ...]):
    """Draw a good file with a few places replaced, removed, doubled or filled anew."""
    data = bytearray(good)
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(data)))
        to = min(len(data), at + draw(st.integers(0, 12)))
        how = draw(st.sampled_from(("cut", "double", "piece", "bytes")))
        if how == "cut":
            del data[at:to]
        elif how == "double":
            data[at:at] = data[at:to]
        elif how == "piece":
            data[at:to] = draw(st.sampled_from(pieces))
        else:
            data[at:to] = draw(st.binary(max_size=6))
    return bytes(data)


PIECES = {
    "log": (b",", b"\n", b"\r", b'"', b";", b".", b"-", b"e9", b"1e309", b"nan", b" ", b"\xff"),
    "params": (b": ", b"\n  ", b"[", b"}", b"true", b".nan", b"-1", b"1e400", b"~", b"&a ", b"*a"),
    "bench": (b": ", b"\n  ", b"{", b"]", b"0", b"true", b"1e99", b"!x ", b"? ", b"- ", b"\t"),
    "sheet": (b",", b";", b'"', b"\n", b"\r", b"=", b"#N/A", b"../", b"\xff", b"1e999", b"\0"),
    "prices": (b",", b";", b'"', b"\n", b"9" * 400, b"1.234", b"-0", b"31.12.", b"sep=;", b"\t"),
    "text": (b"{{", b"}}", b"|", b"{{suite", b" over ", b" not ", b"faster", b"12 %", b"[source:",
             b"\xff", b"reversed", b" at ", b"\n\n"),
    "claims": (b"null", b"NaN", b"-1", b'"', b"{", b"]", b",", b"1e999", b"[[[[", b"\xff", b"true"),
    "manifest": (b"  ", b"\n", b"../", b"%", b"%0", b"data/", b"/", b"\0", b"\xff", b"a.txt"),
}  # fmt: skip


@pytest.mark.parametrize("name", TARGETS)
@MANY
@given(data=st.data())
def test_a_damaged_file_gives_an_answer_or_our_own_error(name, data):
    target, good = TARGETS[name]
    target(data.draw(damaged(good, PIECES[name])))


@pytest.mark.parametrize("name", TARGETS)
def test_the_good_file_is_read(name):
    target, good = TARGETS[name]
    assert target(good) == "read"
    assert target(b"") in ("read", "refused")


@MANY
@given(data=st.data())
def test_a_damaged_log_with_decimal_commas_is_read_right_or_refused(data):
    pieces = (b";", b",", b"\n", b"#", b'"', b".", b"1,5", b"1.5", b"e1", b"\r\n", b" ")
    try_log(data.draw(damaged(LOGS["comma"], pieces)), "comma")


NUMBERS = st.one_of(
    st.floats(0.001, 100_000).map(repr),
    st.decimals(min_value="0.001", max_value="100000", places=6).map(str),
    st.sampled_from(["0.001", "100000", "1e-3", "1E5", "+16.5", "016.50", ".5", "5."]),
)


@MANY
@given(cells=st.lists(NUMBERS, min_size=1, max_size=30), crlf=st.booleans(), mark=st.booleans())
def test_numbers_however_written_are_read_as_the_standard_library_reads_them(cells, crlf, mark):
    text = "n,ms\n" + "".join(f"{i},{cell}\n" for i, cell in enumerate(cells))
    data = text.replace("\n", "\r\n" if crlf else "\n").encode("utf-8-sig" if mark else "utf-8")
    assert try_log(data) in ("read", "refused")
    if all("e" not in c.lower() and c[0] not in "+." and c[-1] != "." for c in cells):
        assert try_log(data) == "read"


VALUES = st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=9))


@MANY
@given(data=st.data())
def test_claims_with_other_values_in_them_are_read_whole_or_refused(data):
    document = json.loads(TARGETS["claims"][1])
    place, key = document, None
    for _ in range(6):
        if isinstance(place, dict) and place:
            key = data.draw(st.sampled_from(sorted(place)))
        elif isinstance(place, list) and place:
            key = data.draw(st.integers(0, len(place) - 1))
        else:
            break
        if not isinstance(place[key], dict | list) or data.draw(st.booleans()):
            break
        place = place[key]
    if key is not None and isinstance(place, dict | list) and place:
        key = key if isinstance(place, list) or key in place else next(iter(place))
        if isinstance(place, dict) or (isinstance(key, int) and key < len(place)):
            place[key] = data.draw(VALUES)
    try_claims(json.dumps(document).encode())


LONG = 200_000
ENDLESS = {
    "digits": "1" * LONG,
    "digits and commas": "1," * LONG,
    "digits and points": "1.1" * LONG,
    "open braces": "{" * LONG,
    "braces without end": "{{a " * (LONG // 4),
    "sources without end": "[source: " * (LONG // 9),
    "a source of commas": "[source: " + "," * LONG,
    "currencies": "EUR " * (LONG // 4),
    "one sentence": "faster and faster " * (LONG // 18),
    "blank lines": "\n \n" * (LONG // 3),
    "spaces": " " * LONG,
    "percent": "% " * LONG,
    "full stops": "." * LONG,
    "references": "{{margin ash over birch in dell}} faster " * 2000,
    "products by name": "Ash 1 and Birch 2: " + "slower " * (LONG // 7),
    "dashes": "-" * LONG,
    "carriage returns": "\r" * LONG,
    "numbers and spaces": "1 " * (LONG // 2),
    "brackets": "[" * LONG,
}


@pytest.mark.parametrize("what", ENDLESS)
def test_a_text_without_end_is_judged_in_time(what):
    began = time.process_time()
    try_text(ENDLESS[what].encode())
    assert time.process_time() - began < 5.0


FIGURES = st.floats(1e-6, 1e6)


@settings(max_examples=300, deadline=None)
@given(value=FIGURES, share=st.floats(1e-6, 0.9), locale=st.sampled_from(["en", "de", "fr"]))
def test_a_printed_figure_is_within_half_of_its_last_digit(value, share, locale):
    """Read back by plain rules: digits, one decimal mark, a minus sign."""
    low, high = value * (1 - share), value * (1 + share)
    marks = {"en": ".", "de": ",", "fr": ","}
    for text, true in (
        (Rounded.figure(value, low, high, locale=locale).text, value),
        (Rounded.money(value, "EUR", low, high, locale=locale).text.removeprefix("EUR"), value),
        (Rounded.share(min(value, 1.0), locale=locale).text, 100 * min(value, 1.0)),
        (Rounded.ratio(value, low, high, locale=locale).text, 100 * (value - 1)),
    ):
        digits = "".join(c for c in text if c.isdigit() or c in marks[locale] + "−-")
        plain = digits.replace(marks[locale], ".").replace("−", "-")
        decimals = len(plain.partition(".")[2])
        assert float(plain) == pytest.approx(true, abs=0.5000001 * 10.0**-decimals), text
