"""The one reader of the kit's YAML files: YAML 1.2, a line number for every key, all faults.

Scalars keep the text they were written with, so that a driver version written ``1.10`` is
not read as the number 1.1. Anchors and aliases are refused: a short file could otherwise stand
for gigabytes. A fault says in plain words what was expected and how to write it.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import io
import json
import re
import types
import typing
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, lru_cache
from importlib.metadata import version
from pathlib import Path
from typing import Annotated, Any, Protocol, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError
from pydantic.fields import FieldInfo
from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.composer import Composer
from ruamel.yaml.constructor import SafeConstructor
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.events import AliasEvent
from ruamel.yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from kit.errors import Fault, FaultsError, did_you_mean

# YAML 1.2.2, production c-printable: what may not stand in a file, not even in quotation marks;
# and what turns the order in which text is shown (Unicode Standard Annex 9), so that it misleads.
TURNING = "\u202a-\u202e\u2066-\u2069"
_FORBIDDEN = re.compile(f"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\x80-\x84\x86-\x9f\ufffe\uffff{TURNING}]")
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


def _syntax_fault(file: str, text: str, fault: MarkedYAMLError) -> Fault:
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
    lines = text.splitlines()
    quoted = lines[mark.line] if mark is not None and mark.line < len(lines) else ""
    if "\t" in quoted[: len(quoted) - len(quoted.lstrip())]:
        said = "a tab indents this line; YAML is indented with spaces"
    elif "cannot start any token" in problem:
        start = quoted[mark.column : mark.column + 1] if mark is not None else ""
        said = f"a text that begins with {start!r} is put in quotation marks"
        said = "a tab stands here; write spaces" if start == "\t" else said
    shown = f": {quoted.strip()[:80]!r}" if quoted.strip() else ""
    return Fault(file, said + shown, line=None if mark is None else mark.line + 1)


def _expected_words(detail: Mapping[str, Any], found: object) -> str:
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
        (family, version), (ours, today) = _family_of(plain), _family_of(known[-1])
        if family == ours and version >= 0:
            older = "`marginbook upgrade FILE` brings an older one to it"
            newer = "this one is of a later marginbook: install that"
            return f"expected {words}; {older if version < today else newer}"
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
    return expected + (_number_hint(found) if kind.endswith("_parsing") else "")


def _family_of(written: str) -> tuple[str, int]:
    """Return family and version of a format such as marginbook-bench/1; -1 if it has none."""
    family, _, version = written.rpartition("/")
    return (family, int(version)) if family and version.isdecimal() else (written, -1)


def _number_hint(found: object) -> str:
    """Return how to write what was meant as a number, or nothing where that is not certain.

    >>> _number_hint("0,95"), _number_hint("95 %"), _number_hint("90 s"), _number_hint("much")
    ('; write 0.95', '; write 0.95, a fraction', '; write 90, without its unit', '')
    """
    match = _NUMBER.fullmatch(found.strip()) if isinstance(found, str) else None
    if match is None:
        return ""
    number = match[1].replace(",", ".")
    if match[2] == "%":
        return f"; write {float(number) / 100:.12g}, a fraction"
    return f"; write {number}" + (", without its unit" if match[2] else "")


_MAX_BYTES = 8_000_000
MAX_DEPTH = 30


class WrittenInt(int):
    """A whole number that remembers how it was written."""

    text: str = ""


class WrittenFloat(float):
    """A number that remembers how it was written."""

    text: str = ""


def written_text(value: object) -> object:
    """Return a scalar as the text it was written with; anything else unchanged.

    Parameters
    ----------
    value : object
        A value of a `YamlDocument`. Numbers of other origin are written as Python does.

    Examples
    --------
    >>> written_text(True)
    'true'
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, WrittenInt | WrittenFloat):
        return value.text
    if isinstance(value, int | float) or hasattr(value, "isoformat"):
        return str(value)
    return value


# A label people write: `16`, `1.10`, `true` and `2026-05-01` all stay as written.
Text = Annotated[str, BeforeValidator(written_text)]


class Section(BaseModel):
    """Base of every section: unknown keys are faults, loaded values stay as loaded."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        populate_by_name=True,
        str_strip_whitespace=True,
        allow_inf_nan=False,
    )

    def __deepcopy__(self, memo: dict[int, Any] | None = None) -> typing.Self:
        """Return the section itself, which stays as it is: pydantic copies defaults otherwise."""
        return self


def means(words: str, default: Any = ..., **more: Any) -> Any:
    """Return a key of a section: what it means to people, and its default; else it must be given.

    Parameters
    ----------
    words : str
        For who writes the file: it stands in schemas, in commented starting files and in faults.
    default : object
        What holds where the key is left out.
    **more
        Bounds, examples and whatever else pydantic's `Field` takes.
    """
    return Field(default, description=words, **more)


SectionT = TypeVar("SectionT", bound=Section)
Path_ = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class YamlDocument:
    """What a YAML file said, and on which line each key stands.

    Attributes
    ----------
    file : str
        The name faults give it.
    data : dict
        Plain keys and values; numbers remember how they were written.
    lines : dict of tuple to int
        By path of keys and places in lists, the line of the file, counted from 1.
    """

    file: str
    data: Any
    lines: dict[Path_, int]

    @property
    def format(self) -> tuple[str, int]:
        """Family and version of its format; the version is -1 where it states none."""
        return _family_of(str(written_text(self.data.get("format"))))

    def line_of(self, path: Iterable[str | int]) -> int | None:
        """Return the line of the deepest part of `path` that stands in the file."""
        parts = tuple(path)
        ends = range(len(parts), -1, -1)
        return next((self.lines[parts[:end]] for end in ends if parts[:end] in self.lines), None)

    def fault(self, message: str, *path: str | int) -> Fault:
        """Return a fault at the key `path` leads to."""
        return Fault(self.file, message, line=self.line_of(path), key=_dotted(path))

    def as_model(self, model: type[SectionT], error: type[FaultsError]) -> SectionT:
        """Return the document as a model.

        Parameters
        ----------
        model : type of Section
            The pydantic model the document must fit.
        error : type of FaultsError
            Which error to raise: `ParamsError` for params, `BenchError` for a bench.

        Raises
        ------
        FaultsError
            `error` with every fault of the document: place, what was found, what was expected.
        """
        try:
            loaded = model.model_validate(self.data)
        except ValidationError as found:
            details = _without_mistyped(found.errors())
            raise error([_model_fault(self, model, detail) for detail in details]) from None
        misread = [self.fault(said, *path) for path, said in _misread(self.data, loaded, ())]
        error.raise_if(misread)
        return loaded


@dataclass(slots=True)
class _Walk:
    """One pass over the nodes of a document."""

    file: str
    constructor: SafeConstructor
    lines: dict[Path_, int] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)

    def fault(self, node: Node, path: Path_, message: str) -> None:
        self.faults.append(
            Fault(self.file, message, line=node.start_mark.line + 1, key=_dotted(path))
        )

    def value(self, node: Node, path: Path_) -> Any:
        """Return the plain value of `node`, noting lines and faults on the way."""
        self.lines.setdefault(path, node.start_mark.line + 1)
        if len(path) > MAX_DEPTH:
            self.fault(node, path[:3], f"nested more than {MAX_DEPTH} levels deep")
            return None
        if isinstance(node, MappingNode):
            return self.mapping(node, path)
        if isinstance(node, SequenceNode):
            return [self.value(item, (*path, i)) for i, item in enumerate(node.value)]
        return self.scalar(node, path)

    def mapping(self, node: MappingNode, path: Path_) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for key_node, value_node in node.value:
            if not isinstance(key_node, ScalarNode):
                self.fault(key_node, path, "a key must be a plain word")
                continue
            key = str(key_node.value)
            here = (*path, key)
            if key in found:
                first = self.lines[here]
                self.fault(
                    key_node, here, f"the key stands twice, first on line {first}; keep one of them"
                )
                continue
            self.lines[here] = key_node.start_mark.line + 1
            found[key] = self.value(value_node, here)
        return found

    def scalar(self, node: Node, path: Path_) -> Any:
        tag = str(node.tag)
        text = str(node.value)
        if tag == "tag:yaml.org,2002:str" and isinstance(node, ScalarNode):
            return text
        try:
            value = self.constructor.construct_object(node, deep=True)
        except (YAMLError, ValueError) as error:
            said = f"{text!r} cannot be read: {_first_line(error)}"
            if "could not determine a constructor" in said:
                short = tag.removeprefix("tag:yaml.org,2002:")
                said = f"the tag {short!r} is not used; a text with '!' is put in quotation marks"
            self.fault(node, path, said)
            return None
        if tag.endswith(":int"):
            whole = WrittenInt(value)
            whole.text = text
            return whole
        if tag.endswith(":float"):
            real = WrittenFloat(value)
            real.text = text
            return real
        if value is None or isinstance(value, str | bool) or hasattr(value, "isoformat"):
            return value
        self.fault(node, path, f"{text!r} is marked {tag}, which is not used here")
        return None


def _dotted(path: Iterable[str | int]) -> str | None:
    """Return a key path as people write it.

    >>> _dotted(("rivals", 1))
    'rivals[1]'
    """
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else (f".{part}" if text else str(part))
    return text or None


class Kept(Protocol):
    """Where what depends on content alone is kept by its key: the results store."""

    def load(self, key: str, /) -> bytes | None:
        """Return what is kept under a key, if anything."""

    def keep(self, key: str, contents: bytes, /) -> None:
        """Keep contents under a key."""


def read_yaml(
    path: Path, *, file: str, error: type[FaultsError], kept: Kept | None = None
) -> YamlDocument:
    """Read a YAML 1.2 file.

    Parameters
    ----------
    path : Path
        The file.
    file : str
        The name faults should give it.
    error : type of FaultsError
        What to raise.
    kept : Kept, optional
        Where what a text read before without fault held is found again.

    Raises
    ------
    FaultsError
        Of the given type, with every fault found: not there, not UTF-8, not YAML (line and
        what to do), a key twice, an anchor or alias.
    """
    if not path.is_file():
        lacking = "is a folder; name the file in it" if path.is_dir() else "no such file"
        raise error.at(file, lacking + _neighbours(path))
    raw = path.read_bytes()
    if len(raw) > _MAX_BYTES:
        raise error.at(file, f"holds {len(raw)} bytes; a file of settings has at most {_MAX_BYTES}")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        line = raw[: fault.start].count(b"\n") + 1
        raise error.at(file, "not UTF-8 text; save the file as UTF-8", line=line) from None
    if (found := _FORBIDDEN.search(text)) is not None:
        code, line = f"U+{ord(found[0]):04X}", text.count("\n", 0, found.start()) + 1
        said = f"holds the control character {code}; delete it or type it anew"
        raise error.at(file, said, line=line)
    key = hashlib.sha256(f"{_KEPT} {version('ruamel.yaml')}\n{text}".encode()).hexdigest()
    if kept is not None and (packed := kept.load(key)) is not None:
        data, lines = json.loads(packed, object_hook=_unpacked)
        return YamlDocument(file, data, dict(zip(_paths(data), lines, strict=True)))
    node = _nodes_of(text, file=file, error=error)
    walk = _Walk(file, YAML(typ="safe", pure=True).constructor)
    data = walk.value(node, ())
    error.raise_if(walk.faults)
    if not isinstance(data, dict):
        raise error.at(file, "expected keys with values, such as `review: my-review`", line=1)
    if kept is not None:
        kept.keep(key, json.dumps([_packed(data), [*walk.lines.values()]]).encode())
    return YamlDocument(file, data, walk.lines)


class _AnchorError(MarkedYAMLError):
    """An anchor or alias stands in a text."""


class _Composer(Composer):
    """What makes nodes of a text, and stops at the first anchor or alias: nothing is expanded.

    It stops, too, where the text nests deeper than it may: going on would take minutes.
    """

    nested = 0

    def compose_node(self, parent: Any, index: Any) -> Any:
        """Return the next node."""
        event = self.parser.peek_event()
        if self.nested > 2 * MAX_DEPTH:
            raise ValueError(f"nested more than {MAX_DEPTH} levels deep")
        if event.anchor is not None:
            token = f"{'*' if isinstance(event, AliasEvent) else '&'}{event.anchor}"
            raise _AnchorError(problem=token, problem_mark=event.start_mark)
        self.nested += 1
        node = super().compose_node(parent, index)
        self.nested -= 1
        return node


@lru_cache(maxsize=8)
def _composed(text: str) -> Node | None:
    """Return the nodes of a text, which nobody changes."""
    reader = YAML(typ="safe", pure=True)
    reader.Composer = _Composer
    node: Node | None = reader.compose(text)
    return node


def _nodes_of(text: str, *, file: str, error: type[FaultsError]) -> Node:
    """Return the nodes of a text; faults as `read_yaml`."""
    try:
        node = _composed(text)
    except _AnchorError as fault:
        said = f"anchors and aliases ({fault.problem}) are not used here"
        said += "; write the value out in each place"
        raise error.at(file, said, line=fault.problem_mark.line + 1) from None
    except MarkedYAMLError as fault:
        raise error([_syntax_fault(file, text, fault)]) from None
    except (YAMLError, ValueError, RecursionError) as fault:
        raise error.at(file, f"not YAML: {_first_line(fault)}") from None
    if node is None:
        raise error.at(file, "the file is empty")
    return node


_KEPT = "marginbook document of YAML/2"
# What a scalar that is no text is made of again, by the name of its type.
_KINDS: Mapping[str, Callable[[Any], Any]] = types.MappingProxyType({
    "WrittenInt": WrittenInt, "WrittenFloat": WrittenFloat,
    "date": dt.date.fromisoformat, "datetime": dt.datetime.fromisoformat,
})  # fmt: skip


def _packed(value: Any) -> Any:
    """Return a value as JSON holds it: scalars that are no text under a key no file can have."""
    if isinstance(value, dict):
        return {key: _packed(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_packed(item) for item in value]
    if value is None or isinstance(value, str | bool):
        return value
    plain = value.isoformat() if hasattr(value, "isoformat") else value
    return {"\0": [type(value).__name__, plain, getattr(value, "text", "")]}


def _unpacked(found: dict[str, Any]) -> Any:
    """Return keys and values as they are, or the scalar they stand for."""
    if "\0" not in found:
        return found
    kind, plain, text = found["\0"]
    value = _KINDS[kind](plain)
    if text:
        value.text = text
    return value


def _paths(value: Any, path: Path_ = ()) -> Iterable[Path_]:
    """Yield the path of everything in a value, in the order in which `_Walk` comes to it."""
    yield path
    inner = enumerate(value) if isinstance(value, list) else ()
    for key, item in value.items() if isinstance(value, dict) else inner:
        here = (*path, key)
        yield from _paths(item, here) if isinstance(item, dict | list) else (here,)


def yaml_text(tree: Any) -> str:
    """Return keys and values as YAML 1.2, a line for each key, however long the line.

    Parameters
    ----------
    tree : mapping
        Plain data, or what ruamel loaded with its comments, which stay.

    Examples
    --------
    >>> print(yaml_text({"a": {"b": "1.10", "c": 1.5}}), end="")
    a:
      b: '1.10'
      c: 1.5
    """
    out = io.StringIO()
    _writer().dump(tree, out)
    return out.getvalue()


def _writer() -> YAML:
    writer = YAML()
    writer.indent(mapping=2, sequence=4, offset=2)
    writer.width = _MAX_BYTES
    writer.preserve_quotes = True
    return writer


def change_yaml(text: str, change: Callable[[Any], object]) -> str:
    """Return the text of a YAML file with something changed in it; comments stay.

    Parameters
    ----------
    text : str
        The file as it is.
    change : callable
        Given the mappings and lists the text holds, to be changed in place.

    Examples
    --------
    >>> print(change_yaml("a: 1  # why\\nb: 2\\n", lambda tree: tree.update(b=3)), end="")
    a: 1  # why
    b: 3
    """
    tree = _writer().load(text)
    change(tree)
    return yaml_text(tree)


def one_line(value: Any) -> Any:
    """Return a list or mapping so that it is written on its key's line; anything else as it is."""
    if not isinstance(value, dict | list):
        return value
    made = CommentedMap(value) if isinstance(value, dict) else CommentedSeq(value)
    made.fa.set_flow_style()
    return made


def _misread(written: Any, loaded: Any, path: Path_) -> Iterable[tuple[Path_, str]]:
    """Yield path and fault of each `true` taken for 1, and each number taken for a date."""
    if isinstance(written, bool) and isinstance(loaded, int | float):
        if not isinstance(loaded, bool):
            yield path, f"found {written_text(written)!r}; expected a number"
    elif isinstance(written, int | float) and isinstance(loaded, dt.date):
        yield path, f"found {written_text(written)!r}; {DATE}"
    elif isinstance(written, list) and isinstance(loaded, tuple | list):
        for i, (item, made) in enumerate(zip(written, loaded, strict=False)):
            yield from _misread(item, made, (*path, i))
    elif isinstance(written, dict):
        names = _field_names(type(loaded)) if isinstance(loaded, BaseModel) else {}
        for key, item in written.items():
            if isinstance(item, str):  # nothing takes a text for another thing
                continue
            made = (
                loaded.get(key)
                if isinstance(loaded, dict)
                else getattr(loaded, names.get(key, ""), None)
            )
            yield from _misread(item, made, (*path, key))


@cache
def _field_names(model: type[BaseModel]) -> dict[str, str]:
    """Return the names of a model's fields by their keys in a file."""
    return {info.alias or name: name for name, info in model.model_fields.items()}


def _without_mistyped(details: Sequence[Any]) -> list[Any]:
    """Return the faults without "missing" ones that an unknown key close to it explains."""
    unknown = [detail["loc"] for detail in details if detail["type"] == "extra_forbidden"]
    return [
        detail
        for detail in details
        if detail["type"] != "missing"
        or not any(
            loc[:-1] == detail["loc"][:-1] and did_you_mean(str(loc[-1]), [str(detail["loc"][-1])])
            for loc in unknown
        )
    ]


def _model_fault(document: YamlDocument, model: type[BaseModel], detail: Any) -> Fault:
    """Say one pydantic fault in plain words."""
    path = tuple(part for part in detail["loc"] if part != "[key]")
    kind, last = str(detail["type"]), path[-1] if path else ""
    found = written_text(detail.get("input"))
    if kind == "extra_forbidden":
        known = list(_fields_at(model, path[:-1]))
        hint = did_you_mean(str(last), known) or f"; known here: {', '.join(sorted(known))}"
        said = f'unknown key "{last}"{hint}'
    elif kind == "missing":
        field = _fields_at(model, path[:-1]).get(str(last))
        meant = f" ({field.description.rstrip('.')})" if field and field.description else ""
        said = f'the key "{last}" is missing{meant}'
    elif kind == "too_short":
        said = "the list is empty; name at least one"
    else:
        said = _expected_words(detail, found)
        if kind != "value_error":
            plain = {dict: "keys with values", list: "a list", type(None): "nothing"}
            said = f"found {plain.get(type(found), repr(found))}; {said}"
    # The part of the location that the file's author would recognise.
    ends = [] if kind == "missing" else range(len(path), 0, -1)
    key = next((path[:end] for end in ends if path[:end] in document.lines), path)
    return Fault(document.file, said, line=document.line_of(path), key=_dotted(key))


def _fields_at(model: type[BaseModel], path: Path_) -> dict[str, FieldInfo]:
    """Return the keys the model knows at `path`, with what each holds."""
    current: Any = model
    for part in path:
        current = _step_into(current, part)
    models = models_in(current)
    fields = models[0].model_fields if models else {}
    return {info.alias or name: info for name, info in fields.items()}


def _step_into(annotation: Any, part: str | int) -> Any:
    """Return the annotation one key or place below another."""
    for candidate in models_in(annotation):
        for name, info in candidate.model_fields.items():
            if part in (name, info.alias):
                return info.annotation
    inner = (arg for arg in typing.get_args(annotation) if models_in(arg))
    return next(inner, annotation)


def models_in(annotation: Any) -> list[type[BaseModel]]:
    """Return the models an annotation can hold, outermost first."""
    if isinstance(annotation, type) and not isinstance(annotation, types.GenericAlias):
        return [annotation] if issubclass(annotation, BaseModel) else []
    return [m for argument in typing.get_args(annotation) for m in models_in(argument)]


def _neighbours(path: Path) -> str:
    if not path.parent.is_dir():
        return ", and no such folder"
    names = sorted(p.name for p in path.parent.iterdir() if p.suffix in {".yaml", ".yml", ".csv"})
    return did_you_mean(path.name, names)


def _first_line(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0]
