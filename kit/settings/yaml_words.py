"""Plain words for what YAML could not be read, with the line to mend and how to write it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from ruamel.yaml.error import MarkedYAMLError

from kit.errors import Fault, did_you_mean

# YAML 1.2.2, production c-printable: what may not stand in a file, not even in quotation marks.
_FORBIDDEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\x80-\x84\x86-\x9f\ufffe\uffff]")
_COLON = "a key is followed by a colon and a space: `key: value`"
_PLACE = (
    "nothing fits here; look at the indentation of this line and of those above it, and put a "
    "text that holds ': ' or quotation marks in quotation marks"
)
_BRACKET = "the bracket opened here is not closed, or a comma is missing in it"
DATE = "expected a date written 2026-11-25"
_MICRO = str.maketrans("µμ", "uu")
_BOUNDS = {
    "less_than": "below",
    "less_than_equal": "up to",
    "greater_than": "above",
    "greater_than_equal": "from",
}
_TYPES = {
    "float": "expected a number",
    "int": "expected a whole number",
    "int_from_float": "expected a whole number",
    "string": "expected text",
    "bool": "expected true or false",
    "list": "expected a list, such as [one, other]",
    "tuple": "expected a list, such as [one, other]",
    "dict": "expected keys with values",
    "model": "expected keys with values",
    "date": DATE,
    "date_from_datetime": DATE,
    "finite_number": "expected a number that is finite",
}
_NUMBER = re.compile(r"([+-]?\d+(?:[.,]\d+)?)\s*(%|[a-zA-Z]{1,4})?")


def forbidden_character(file: str, text: str) -> Fault | None:
    """Return a fault for the first character YAML has no place for, or None."""
    found = _FORBIDDEN.search(text)
    if found is None:
        return None
    line = text.count("\n", 0, found.start()) + 1
    code = f"U+{ord(found[0]):04X}"
    return Fault(file, f"holds the control character {code}; delete it or type it anew", line=line)


def syntax_fault(file: str, text: str, fault: MarkedYAMLError) -> Fault:
    """Return where YAML could not be read, quoting the line to look at."""
    problem, context = str(fault.problem or ""), str(fault.context or "")
    mark = fault.problem_mark or fault.context_mark
    said = problem.replace("\n", " ") or "not YAML"
    if problem.startswith("could not find expected ':'"):
        said, mark = _COLON, fault.context_mark or mark
    elif "unexpected end of stream" in problem and "quoted scalar" in context:
        said, mark = "the quotation mark opened here is not closed", fault.context_mark or mark
    elif context.startswith("while parsing a flow"):
        said, mark = _BRACKET, fault.context_mark or mark
    elif "another document" in problem:
        said = "a second document begins here; a file holds one"
    elif problem.startswith(("mapping values are not allowed", "expected <block end>")):
        said = _PLACE
    line = mark.line + 1 if mark is not None else None
    lines = text.splitlines()
    quoted = lines[line - 1] if line is not None and line <= len(lines) else ""
    if "\t" in quoted[: len(quoted) - len(quoted.lstrip())]:
        said = "a tab indents this line; YAML is indented with spaces"
    elif "cannot start any token" in problem:
        start = quoted[mark.column : mark.column + 1] if mark is not None else ""
        said = (
            "a tab stands here; write spaces"
            if start == "\t"
            else f"a text that begins with {start!r} is put in quotation marks"
        )
    shown = f": {quoted.strip()[:80]!r}" if quoted.strip() else ""
    return Fault(file, said + shown, line=line)


def expected_words(detail: Mapping[str, Any], found: object) -> str:
    """Return what was expected in the place of one pydantic fault, in plain words.

    Parameters
    ----------
    detail : mapping
        The fault, as `ValidationError.errors()` gives it.
    found : object
        What stands there, a scalar as it was written.
    """
    kind, said = str(detail["type"]), str(detail["msg"])
    if kind == "literal_error":
        words = str(detail["ctx"]["expected"])
        plain = str(found).lower().translate(_MICRO)  # else µs would be guessed to mean s
        known = [word.strip("' ") for word in words.replace(" or ", ", ").split(", ")]
        return f"expected {words}{did_you_mean(plain, known)}"
    if kind == "value_error":
        return said.removeprefix("Value error, ")
    if kind == "string_pattern_mismatch":
        if "A-Z" in str(detail["ctx"]["pattern"]):
            return "expected three capitals, such as EUR"
        return "expected small letters, digits, '.', '-' and '_', starting with a letter or digit"
    if kind in _BOUNDS:
        return f"expected a number {_BOUNDS[kind]} {next(iter(detail['ctx'].values())):g}"
    if kind.startswith("date_"):
        return DATE
    if kind == "string_type" and isinstance(detail.get("input"), bool | int | float):
        return f"{_TYPES['string']}; put it in quotation marks: '{found}'"
    expected = _TYPES.get(kind.removesuffix("_type").removesuffix("_parsing"), said)
    return expected + (number_hint(found) if kind.endswith("_parsing") else "")


def number_hint(found: object) -> str:
    """Return how to write what was meant as a number, or nothing where that is not certain.

    >>> number_hint("0,95"), number_hint("95 %"), number_hint("90 s"), number_hint("much")
    ('; write 0.95', '; write 0.95, a fraction', '; write 90, without its unit', '')
    """
    match = _NUMBER.fullmatch(found.strip()) if isinstance(found, str) else None
    if match is None:
        return ""
    number = match[1].replace(",", ".")
    if match[2] == "%":
        return f"; write {float(number) / 100:.12g}, a fraction"
    return f"; write {number}" + (", without its unit" if match[2] else "")
