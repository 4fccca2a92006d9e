"""The project as a whole: import order, tidy folders, templates, schemas, README."""

import ast
import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from kit.claims.schema import SCHEMA_NAMES, schema_text
from kit.package import module_paths

ROOT = Path(__file__).parents[2]
KIT = ROOT / "kit"
# The wings in the order of the data's path; `cli` and `__main__` import all and nobody imports them.
WINGS = (
    "stats", "settings", "logs", "bench", "metrics", "screening", "margins", "value", "review",
    "planning", "claims", "charts", "page", "report", "archive",
)  # fmt: skip
TOP = {"__init__", "__main__", "cli", "errors", "methods", "package", "rounding", "trace"}
TEMPLATES = sorted((ROOT / "notebooks").glob("*.ipynb"))


def imports() -> dict[str, set[str]]:
    """Return the kit's modules that each module imports, anywhere in it, by dotted names."""
    names = set(module_paths())
    found: dict[str, set[str]] = {}
    for name, path in module_paths().items():
        named = set()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom):
                base = node.module or ""
                named |= {base, *(f"{base}.{alias.name}" for alias in node.names)}
            elif isinstance(node, ast.Import):
                named |= {alias.name for alias in node.names}
        below = {n.removeprefix("kit.") for n in named if n.startswith("kit.")}
        found[name] = {n for n in below if n in names} - {name}
    return found


def wing(name: str) -> str:
    return name.split(".")[0] if "." in name else ""


def test_the_wings_are_those_of_the_table_in_its_order():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| \d+ \| `(\w+)/` \|", text.split("<!-- wings -->")[1], re.MULTILINE)
    assert tuple(rows) == WINGS
    assert {wing(name) for name in module_paths()} - {""} == set(WINGS)
    assert {name for name in module_paths() if not wing(name)} == TOP


def test_no_wing_imports_one_below_it():
    up = [
        f"{name} imports {other}"
        for name, others in imports().items()
        if wing(name)
        for other in others
        if other in {"cli", "__main__"}
        or (wing(other) and WINGS.index(wing(other)) > WINGS.index(wing(name)))
    ]
    assert up == []


def test_the_top_and_the_statistics_lean_on_nothing_above_them():
    known = imports()
    allowed = {"errors": set(), "trace": set(), "package": set(), "rounding": {"errors"}}
    for name, others in known.items():
        if name in allowed:
            assert others <= allowed[name], name
        if wing(name) == "stats":
            assert {o for o in others if wing(o) != "stats"} <= {"errors"}, name


def test_no_circles_inside_a_wing():
    left = {
        name: {o for o in others if wing(o) == wing(name)}
        for name, others in imports().items()
        if wing(name)
    }
    while left:
        leaves = [name for name, others in left.items() if not others & set(left)]
        assert leaves, f"these import each other in a circle: {sorted(left)}"
        left = {name: others for name, others in left.items() if name not in leaves}


def test_a_wings_init_holds_words_and_re_exports_nothing():
    for name in WINGS:
        tree = ast.parse((KIT / name / "__init__.py").read_text(encoding="utf-8"))
        assert len(tree.body) == 1 and len(ast.get_docstring(tree).splitlines()) >= 3, name


def test_no_assert_and_no_unfinished_work_in_the_kit():
    for path in KIT.rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        tree = ast.parse(text)
        assert not [n for n in ast.walk(tree) if isinstance(n, ast.Assert)], path.name
        for word in ("TO" + "DO", "FIX" + "ME", "NotImplemented" + "Error"):
            assert word not in text, path.name


def test_only_the_given_entries_are_tracked_at_the_top():
    done = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if done.returncode:
        pytest.skip("not a git checkout")
    tops = {line.split("/")[0] for line in done.stdout.splitlines() if not line.startswith(".")}
    assert tops <= {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "notebooks",
        "kit",
        "params",
        "tests",
        "example_runs",
    }


@pytest.mark.parametrize("what", SCHEMA_NAMES)
def test_the_published_schema_is_the_models(what):
    stored = (KIT / "schemas" / f"{what}.schema.json").read_text(encoding="utf-8")
    assert stored == schema_text(what), "run python tests/write/write_schemas.py"


def test_shipped_yaml_names_its_schema_first():
    files = [
        *ROOT.glob("params/*.yaml"),
        *ROOT.glob("example_runs/bench.yaml"),
        *ROOT.glob("tests/data/real_runs/*.yaml"),
    ]
    assert len(files) >= 4
    for path in files:
        first = path.read_text(encoding="utf-8").splitlines()[0]
        match = re.fullmatch(r"# yaml-language-server: \$schema=(\S+)", first)
        assert match, path
        assert (path.parent / match[1]).resolve().is_file(), path


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda p: p.stem)
class TestTemplates:
    """Each template loads, calls the steps in their order, shows; nothing else."""

    def cells(self, path):
        return json.loads(path.read_text(encoding="utf-8"))["cells"]

    def test_has_one_parameters_cell_of_paths_only(self, path):
        tagged = [c for c in self.cells(path) if "parameters" in c["metadata"].get("tags", [])]
        assert len(tagged) == 1
        for node in ast.parse("".join(tagged[0]["source"])).body:
            assert isinstance(node, ast.Assign)
            assert isinstance(node.value, ast.Constant) and isinstance(node.value.value, str)

    def test_stores_no_outputs_and_readable_ids(self, path):
        ids = [cell["id"] for cell in self.cells(path)]
        assert len(set(ids)) == len(ids)
        assert all(re.fullmatch(r"[a-z][a-z0-9-]*", name) for name in ids)
        for cell in self.cells(path):
            assert not cell.get("outputs") and not cell.get("execution_count")

    def test_holds_no_logic(self, path):
        forbidden = (
            ast.FunctionDef,
            ast.ClassDef,
            ast.Lambda,
            ast.For,
            ast.While,
            ast.If,
            ast.BinOp,
            ast.ListComp,
            ast.DictComp,
            ast.SetComp,
            ast.GeneratorExp,
            ast.Compare,
            ast.Try,
            ast.With,
            ast.AugAssign,
        )
        imports = 0
        for cell in self.cells(path):
            if cell["cell_type"] != "code":
                continue
            source = "".join(cell["source"])
            assert source.count("\n") < 12, cell["id"]
            tree = ast.parse(source)
            assert not [n for n in ast.walk(tree) if isinstance(n, forbidden)], cell["id"]
            found = [n for n in ast.walk(tree) if isinstance(n, ast.Import | ast.ImportFrom)]
            imports += bool(found)
            assert not found or cell["id"] == "imports"
        assert imports == 1

    def test_holds_no_figures_in_prose(self, path):
        for cell in self.cells(path):
            if cell["cell_type"] == "markdown":
                assert not re.search(r"\d", "".join(cell["source"])), cell["id"]


class TestReadme:
    """README is true."""

    text = (ROOT / "README.md").read_text(encoding="utf-8")

    def test_begins_with_the_job_in_one_paragraph(self):
        assert "raw logs to a" in self.text.split("\n\n")[1]

    def test_has_exactly_two_setup_commands(self):
        commands = re.findall(r"```sh\n(.*?)```", self.text, re.DOTALL)
        assert len(commands) == 2
        assert "marginbook run params/demo.yaml" in commands[0]
        assert "-m pytest" in commands[1]
        assert all("-c kit/lock.txt" in command for command in commands)

    def test_quotes_the_help_of_every_command(self):
        quoted = self.text.split("<!-- help:")[1].split("<!-- help end -->")[0]
        assert help_texts() in quoted

    def test_every_link_leads_somewhere(self):
        for target in re.findall(r"\]\(([^)#]+)\)", self.text):
            assert (ROOT / target).exists(), target


def help_texts() -> str:
    """Return the help of every command as README quotes it."""
    sys.path.insert(0, str(ROOT / "tests" / "write"))
    from write_help import help_markdown

    return help_markdown()
