"""Write what is quoted of the program: each command's help into kit/reference.md, lines of the
laboratory with their output into README. Run: python tests/write/write_help.py."""

import contextlib
import io
import os
from pathlib import Path

ROOT = Path(__file__).parents[2]
README, REFERENCE = ROOT / "README.md", ROOT / "kit" / "reference.md"
LABORATORY = """\
import kit
review = kit.open_review("params/demo.yaml")
review.suites(group="all", over="peshler-12-travel")
review.chart("influence", over="peshler-12-travel")
other = review.what_if(without_titles="lampwifery")
other.suites(group="all", over="peshler-12-travel")
review.text("It is {{suite fennock-9-travel over peshler-12-travel | interval}}.")
"""


def help_markdown() -> str:
    """Return the help of every command, as the reference quotes it."""
    import typer
    from typer.testing import CliRunner

    from kit.cli import app

    group = typer.main.get_command(app)
    names: list[list[str]] = []
    for name, command in group.commands.items():
        inner = getattr(command, "commands", None)
        names += [[name, sub] for sub in inner] if inner else [[name]]
    runner = CliRunner(env={"COLUMNS": "96", "TERMINAL_WIDTH": "96"})
    parts = []
    for words in names:
        said = runner.invoke(app, [*words, "--help"], prog_name="marginbook")
        if said.exit_code:
            raise SystemExit(f"{words}: {said.output}")
        text = "\n".join(line.rstrip() for line in said.output.strip().splitlines())
        parts.append(f"```\n{text}\n```")
    return "\n\n".join(parts)


def laboratory_markdown() -> str:
    """Return the lines of the laboratory, each with what it shows, as README has them."""
    names: dict[str, object] = {}
    lines = []
    there = Path.cwd()
    os.chdir(ROOT)
    try:
        for line in LABORATORY.splitlines():
            lines.append(f">>> {line}")
            shown = io.StringIO()
            with contextlib.redirect_stdout(shown):
                exec(compile(line, "README.md", "single"), names)
            lines += shown.getvalue().replace("\xa0", " ").splitlines()
    finally:
        os.chdir(there)
    return "```python\n" + "\n".join(lines) + "\n```"


def main() -> None:
    text = README.read_text(encoding="utf-8")
    before, _, rest = text.partition("<!-- laboratory -->\n")
    after = rest.partition("\n```\n")[2]
    shown = laboratory_markdown()
    README.write_text(f"{before}<!-- laboratory -->\n{shown}\n{after}", encoding="utf-8")
    text = REFERENCE.read_text(encoding="utf-8")
    start = text.index("<!-- help:")
    start = text.index("\n", start) + 1
    end = text.index("<!-- help end -->")
    REFERENCE.write_text(f"{text[:start]}\n{help_markdown()}\n\n{text[end:]}", encoding="utf-8")


if __name__ == "__main__":
    main()
