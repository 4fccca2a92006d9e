"""Write each command's help into README between its marks: python tests/write/write_help.py."""

from pathlib import Path

README = Path(__file__).parents[2] / "README.md"


def help_markdown() -> str:
    """Return the help of every command, as README quotes it."""
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


def main() -> None:
    text = README.read_text(encoding="utf-8")
    start = text.index("<!-- help:")
    start = text.index("\n", start) + 1
    end = text.index("<!-- help end -->")
    README.write_text(f"{text[:start]}\n{help_markdown()}\n\n{text[end:]}", encoding="utf-8")


if __name__ == "__main__":
    main()
