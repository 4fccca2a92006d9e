"""Count the kit's code: python tests/evidence/count_code.py [FOLDER].

A module is a .py file, the wings' `__init__` (words only) left out. A code line holds a token that is
neither comment nor docstring. A public name is a function or class at the top of a module that does
not begin with an underscore. A function's length counts its own code lines, those of
functions inside it too; its parameters leave out `self` and `cls`.
"""

from __future__ import annotations

import ast
import io
import sys
import tokenize
from dataclasses import dataclass
from pathlib import Path

KIT = Path(__file__).parents[2] / "kit"
_NO_CODE = {
    tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT,
    tokenize.ENCODING, tokenize.ENDMARKER,
}  # fmt: skip
Function = ast.FunctionDef | ast.AsyncFunctionDef


@dataclass(frozen=True)
class Counts:
    """What was counted; `longest` and `widest` are a number and where it is."""

    modules: int
    at_the_top: int
    code_lines: int
    docstring_share: float
    public_names: int
    longest: tuple[int, str]
    widest: tuple[int, str]

    def to_lines(self) -> list[str]:
        """Return the counts, a line each."""
        return [
            f"modules {self.modules}, at the top {self.at_the_top}",
            f"code lines {self.code_lines}",
            f"docstrings {self.docstring_share:.1%} of lines",
            f"public names {self.public_names}",
            f"longest function {self.longest[0]} lines: {self.longest[1]}",
            f"most parameters {self.widest[0]}: {self.widest[1]}",
        ]


def count_code(kit: Path = KIT) -> Counts:
    """Count a package."""
    modules = at_the_top = code = docs = lines = names = 0
    longest, widest = (0, ""), (0, "")
    for path in sorted(kit.rglob("*.py")):
        if "notebooks" in path.parts[len(kit.parts) :]:
            continue
        text = path.read_text(encoding="utf-8")
        tree = ast.parse(text)
        doc_lines, code_lines = _docstring_lines(tree), _code_lines(text)
        code_lines -= doc_lines
        lines += text.count("\n")
        docs, code = docs + len(doc_lines), code + len(code_lines)
        if path.name != "__init__.py" or path.parent == kit:
            modules += 1
            at_the_top += path.parent == kit
        names += len(_public_names(tree))
        where = path.relative_to(kit).as_posix()
        for function in (n for n in ast.walk(tree) if isinstance(n, Function)):
            span = range(function.lineno, (function.end_lineno or 0) + 1)
            longest = max(longest, (len(code_lines & set(span)), f"{where} {function.name}"))
            widest = max(widest, (_parameters(function), f"{where} {function.name}"))
    return Counts(modules, at_the_top, code, docs / lines, names, longest, widest)


def _docstring_lines(tree: ast.Module) -> set[int]:
    found: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, Function | ast.ClassDef | ast.Module) and ast.get_docstring(node):
            first = node.body[0]
            found |= set(range(first.lineno, (first.end_lineno or 0) + 1))
    return found


def _code_lines(text: str) -> set[int]:
    found: set[int] = set()
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type not in _NO_CODE:
            found |= set(range(token.start[0], token.end[0] + 1))
    return found


def _public_names(tree: ast.Module) -> list[str]:
    named = [node.name for node in tree.body if isinstance(node, Function | ast.ClassDef)]
    return [name for name in named if not name.startswith("_")]


def _parameters(function: Function) -> int:
    given = function.args
    every = [*given.posonlyargs, *given.args, *given.kwonlyargs]
    named = sum(argument.arg not in {"self", "cls"} for argument in every)
    return named + (given.vararg is not None) + (given.kwarg is not None)


if __name__ == "__main__":
    print(*count_code(Path(sys.argv[1]) if sys.argv[1:] else KIT).to_lines(), sep="\n")
