"""The project as a whole: import order, tidy folders, templates, schemas, README."""

import ast
import inspect
import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from kit.claims.claim import SCHEMA_NAMES, schema_text
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


def test_the_import_contract_is_the_table_and_is_kept():
    """import-linter also finds chains through modules in no wing (https://import-linter.readthedocs.io)."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    layers = settings["tool"]["importlinter"]["contracts"][0]["layers"]
    assert tuple(reversed(layers[2:17])) == WINGS
    assert {*layers[:2], *layers[17:]} == {
        "__main__",
        "cli",
        "methods : rounding : trace : package",
        "errors",
    }
    run = "from importlinter.cli import lint_imports; raise SystemExit(lint_imports(no_cache=True))"
    done = subprocess.run(
        [sys.executable, "-c", run], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0 and "2 kept, 0 broken" in done.stdout, done.stdout + done.stderr


class TestFace:
    """`import kit` names what an analyst types, and nothing else."""

    def test_each_name_is_loaded_and_listed(self):
        import kit

        assert set(kit.__all__) == set(kit._PLACES) == set(dir(kit)) and len(kit.__all__) >= 20
        for name in kit.__all__:
            module, _, attribute = kit._PLACES[name].partition(":")
            assert getattr(kit, name) is getattr(sys.modules[module], attribute), name
            assert inspect.getdoc(getattr(kit, name)), name

    def test_the_types_are_those_of_the_places(self):
        tree = ast.parse((KIT / "__init__.py").read_text(encoding="utf-8"))
        typed = {
            alias.asname or alias.name: f"{node.module}:{alias.name}"
            for node in ast.walk(tree)
            if (isinstance(node, ast.ImportFrom) and (node.module or "").count(".") > 1)
            or (isinstance(node, ast.ImportFrom) and node.module == "kit.errors")
            for alias in node.names
            if alias.name != "did_you_mean"
        }
        import kit

        assert typed == kit._PLACES

    def test_no_name_is_also_a_wings_or_a_modules(self):
        import kit

        assert not {*kit.__all__} & {*WINGS, *TOP}

    def test_no_module_of_the_kit_uses_the_face(self):
        import kit

        for name, path in module_paths().items():
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Import):
                    assert "kit" not in [alias.name for alias in node.names], name
                elif isinstance(node, ast.ImportFrom) and node.module == "kit":
                    assert not {alias.name for alias in node.names} & {*kit.__all__}, name

    def test_a_wrong_name_is_refused_with_the_nearest(self):
        import kit

        with pytest.raises(
            AttributeError, match='kit has no "avrage_fps"; did you mean "average_fps"'
        ):
            kit.avrage_fps  # noqa: B018

    def test_importing_it_loads_nothing(self):
        run = "import sys, kit; print(sorted({'numpy', 'pandas', 'pydantic', 'typer'} & set(sys.modules)))"
        done = subprocess.run(
            [sys.executable, "-c", run], capture_output=True, text=True, check=True
        )
        assert done.stdout.strip() == "[]"

    def test_a_run_starts_its_kernel_before_scipy_is_loaded(self):
        code = "import sys, kit.cli, kit.report.season, kit.report.report; print('scipy' in sys.modules)"
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True
        )
        assert done.stdout.strip() == "False"

    @pytest.mark.slow
    def test_a_strict_type_checker_sees_signatures_and_refuses_a_wrong_name(self, tmp_path):
        source = tmp_path / "uses.py"
        source.write_text(
            "import kit\nreveal_type(kit.welch_interval)\nkit.wrong\nkit.look()\n", encoding="utf-8"
        )
        done = subprocess.run(
            [sys.executable, "-m", "mypy", "--strict", "--cache-dir", str(tmp_path / "cache"),
             "--follow-imports=silent", "--no-site-packages", str(source)],
            cwd=ROOT, capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert 'note: Revealed type is "def (product: ' in done.stdout, done.stdout + done.stderr
        assert 'Module has no attribute "wrong"' in done.stdout
        assert 'Missing positional argument "params"' in done.stdout


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


def test_the_page_of_every_key_is_the_models():
    sys.path.insert(0, str(ROOT / "tests" / "write"))
    from write_schemas import keys_markdown

    page = (KIT / "keys.md").read_text(encoding="utf-8")
    assert page == keys_markdown(), "run python tests/write/write_schemas.py"
    shown = set(re.findall(r"^\| `(\w+)` \|", page, re.M))
    assert {"products", "far_run_alpha", "heading"} <= shown and len(shown) > 130


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
            assert source.count("\n") < 4, cell["id"]
            tree = ast.parse(source)
            assert not [n for n in ast.walk(tree) if isinstance(n, forbidden)], cell["id"]
            found = [n for n in ast.walk(tree) if isinstance(n, ast.Import | ast.ImportFrom)]
            imports += len(found)
            assert not found or cell["id"] == "imports"
        # The tour draws plots of its own; it makes no page, so it has no out_dir to close.
        assert imports == (2 if path.stem == "explore" else 1)

    def test_holds_no_figures_in_prose(self, path):
        for cell in self.cells(path):
            if cell["cell_type"] == "markdown":
                assert not re.search(r"\d", "".join(cell["source"])), cell["id"]


class TestReadme:
    """README is true, and so is the reference it leads to."""

    text = (ROOT / "README.md").read_text(encoding="utf-8")
    reference = (KIT / "reference.md").read_text(encoding="utf-8")

    def test_is_read_in_five_minutes(self):
        assert self.text.count("\n") <= 150

    def test_shows_what_the_laboratory_says(self):
        assert written("laboratory_markdown") in self.text, "run python tests/write/write_help.py"

    def test_begins_with_the_job_in_one_paragraph(self):
        assert "raw logs to a" in self.text.split("\n\n")[1]

    def test_has_exactly_two_setup_commands(self):
        commands = re.findall(r"```sh\n(.*?)```", self.text, re.DOTALL)
        assert len(commands) == 2
        assert "marginbook run params/demo.yaml" in commands[0]
        assert "-m pytest" in commands[1]
        assert all("-c kit/lock.txt" in command for command in commands)

    def test_quotes_the_help_of_every_command(self):
        quoted = self.reference.split("<!-- help:")[1].split("<!-- help end -->")[0]
        assert written("help_markdown") in quoted

    def test_every_link_leads_somewhere(self):
        for folder, text in ((ROOT, self.text), (KIT, self.reference)):
            for target, place in re.findall(r"\]\(([^)#\s]*)(?:#([^)]*))?\)", text):
                assert (folder / target).exists(), target
                if place:
                    heads = re.findall(r"^##+ (.*)$", (folder / target).read_text(), re.MULTILINE)
                    names = {re.sub(r"[^a-z0-9 -]", "", h.lower()).replace(" ", "-") for h in heads}
                    assert place in names, place


def written(what: str) -> str:
    """Return what `tests/write/write_help.py` writes: the help of every command, or the laboratory."""
    sys.path.insert(0, str(ROOT / "tests" / "write"))
    import write_help

    return getattr(write_help, what)()
