"""YAML as people write it: read where the meaning is certain, else a fault with its line."""

from pathlib import Path

import pytest
from pydantic import ValidationError

from kit.errors import ParamsError, did_you_mean
from kit.metrics.store import Store
from kit.settings.yaml import (
    Section,
    Text,
    _dotted,
    _expected_words,
    read_yaml,
    written_text,
    yaml_text,
)


class Inner(Section):
    wide_s: float
    names: tuple[Text, ...] = ()


class Outer(Section):
    driver: Text = ""
    inner: Inner
    many: dict[str, Inner] = {}  # noqa: RUF012  # pydantic copies it


def written(data):
    """Return plain data with each scalar's type and the text it was written with."""
    if isinstance(data, dict):
        return {key: written(value) for key, value in data.items()}
    if isinstance(data, list):
        return [written(value) for value in data]
    return type(data), written_text(data)


def read(tmp_path: Path, text: str | bytes) -> Outer:
    path = tmp_path / "some.yaml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    document = read_yaml(path, file="some.yaml", error=ParamsError)
    store = Store(tmp_path / "store")  # read once to be kept, once as kept: the same to a line
    for _ in range(2):
        kept = read_yaml(path, file="some.yaml", error=ParamsError, kept=store)
        assert (kept, repr(written(kept.data))) == (document, repr(written(document.data)))
    assert sum(found.is_file() for found in store.folder.rglob("*")) >= 1
    return document.as_model(Outer, ParamsError)


# YAML 1.2 core schema (yaml.org, section 10.3.2): `no`, `on` and `12:30` are plain strings.
@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("1.10", "1.10"),
        ("NO", "NO"),
        ("on", "on"),
        ("12:30", "12:30"),
        ("2026-05-01", "2026-05-01"),
        ("true", "true"),
        ("0x10", "0x10"),
        ("'1e3'", "1e3"),
        ("016", "016"),
    ],
)
def test_labels_stay_as_written(tmp_path, written, meant):
    assert read(tmp_path, f"driver: {written}\ninner: {{wide_s: 1}}\n").driver == meant


def test_a_byte_order_mark_is_passed_over(tmp_path):
    assert read(tmp_path, b"\xef\xbb\xbfinner: {wide_s: 2.5}\n").inner.wide_s == 2.5


def test_every_fault_is_told_at_once(tmp_path):
    with pytest.raises(ParamsError) as caught:
        read(tmp_path, "inner: {wide: 1, names: 5}\ndriverr: x\n")
    assert len(caught.value.faults) == 3  # wide (for wide_s), names of the wrong type, driverr


def test_an_alias_bomb_is_refused_before_it_grows(tmp_path):
    rows = ["a0: &a0 [x, x, x, x, x, x, x, x, x]"]
    rows += [f"a{i}: &a{i} [{', '.join([f'*a{i - 1}'] * 9)}]" for i in range(1, 12)]
    with pytest.raises(ParamsError, match="anchors and aliases"):
        read(tmp_path, "\n".join(rows))


def test_nesting_without_end_is_refused(tmp_path):
    with pytest.raises(ParamsError):
        read(tmp_path, "driver: " + "[" * 500 + "]" * 500)


def test_a_missing_file_names_its_neighbour(tmp_path):
    (tmp_path / "demo.yaml").write_text("x: 1")
    with pytest.raises(ParamsError, match=r'no such file; did you mean "demo.yaml"'):
        read_yaml(tmp_path / "dmo.yaml", file="dmo.yaml", error=ParamsError)
    with pytest.raises(ParamsError, match=r"is a folder; name the file in it$"):
        read_yaml(tmp_path, file="demo", error=ParamsError)


@pytest.mark.parametrize(
    ("text", "line", "said"),
    # Lines counted by hand; what YAML 1.2 does not allow there (yaml.org) in words.
    [
        ("a: 1\nb 2\nc: 3\n", 2, "a key is followed by a colon and a space: `key: value`: 'b 2'"),
        ("a: 1\nb: 'open\nc: 3\n", 2, "the quotation mark opened here is not closed"),
        ('a: 1\nb: 1\nx: "abc', 3, "the quotation mark opened here is not closed"),
        ("a: 1\nb: [1, 2\nc: 3\n", 2, "the bracket opened here is not closed, or a comma"),
        ("a: 1\n---\nb: 2\n", 2, "a second document begins here; a file holds one: '---'"),
        ("a: 1\n  b: 2\n", 2, "nothing fits here; look at the indentation of this line"),
        ("a: 1\nb: 1\n c\n d: e\n", 4, "nothing fits here; look at the indentation"),
        ("a: 1\n]\n", 2, "nothing fits here; look at the indentation"),
        ("a:\n\tb: 1\n", 2, "a tab indents this line; YAML is indented with spaces: 'b: 1'"),
        ("a: 1\nb: @x\n", 2, "a text that begins with '@' is put in quotation marks: 'b: @x'"),
        ("a: 1\nb:\t%x\n", 2, "a tab stands here; write spaces"),
        ("a: 1\nb: \x07x\n", 2, "holds the control character U+0007; delete it"),
        (b"a: 1\nb: \xff\n", 2, "not UTF-8 text"),
        ("- a\n- b\n", 1, "expected keys with values, such as `review: my-review`"),
        ("", None, "the file is empty"),
        ("a: 1\nb: '" + "x" * 90 + "\n", 2, "closed: \"b: '" + "x" * 76 + '"'),
    ],
)
def test_what_is_no_yaml_is_told_in_words_with_its_line(tmp_path, text, line, said):
    path = tmp_path / "some.yaml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(ParamsError) as caught:
        read_yaml(path, file="some.yaml", error=ParamsError)
    (fault,) = caught.value.faults
    assert fault.line == line and said in fault.message


def test_space_around_a_text_is_no_part_of_it(tmp_path):
    assert read(tmp_path, "driver: '  52  '\ninner: {wide_s: 1}\n").driver == "52"


@pytest.mark.parametrize(
    ("found", "said"),
    [
        ("made-params/1", "; `marginbook upgrade FILE` brings an older one to it"),
        ("made-params/3", "; this one is of a later marginbook: install that"),
        ("made-parms/1", '; did you mean "made-params/2"?'),
        ("made-params", '; did you mean "made-params/2"?'),
        ("x", ""),
    ],
)
def test_a_file_of_another_version_is_told_from_one_of_another_kind(found, said):
    detail = {"type": "literal_error", "msg": "", "ctx": {"expected": "'made-params/2'"}}
    assert _expected_words(detail, found) == "expected 'made-params/2'" + said


@pytest.mark.parametrize(
    ("found", "said"),
    [
        ("12 s", "; write 12, without its unit"),
        ("12", "; write 12"),
        ("1,5 ms", "; write 1.5, without its unit"),
        ("95%", "; write 0.95, a fraction"),
        ("much", ""),
    ],
)
def test_what_was_meant_as_a_number_is_written_as_one(found, said):
    assert (
        _expected_words({"type": "float_parsing", "msg": ""}, found) == "expected a number" + said
    )


def test_a_list_is_written_below_its_key():
    # YAML 1.2.2, section 8.2.1: the dash, a space, and what follows in line with the first key.
    tree = {"a": [{"b": 1, "c": {"d": 2}}, 3]}
    assert yaml_text(tree) == "a:\n  - b: 1\n    c:\n      d: 2\n  - 3\n"


def test_settings_stay_as_they_were_read(tmp_path):
    outer = read(tmp_path, "inner: {wide_s: 1}\n")
    with pytest.raises(ValidationError, match="frozen"):
        outer.inner.wide_s = 2


def test_small_words():
    assert _dotted(("a", 0, "b")) == "a[0].b"
    assert did_you_mean("zzz", ["rivals"]) == ""
