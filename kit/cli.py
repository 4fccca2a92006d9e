"""The commands: parse, call one function, print what it returns."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Annotated, Any, ParamSpec

import typer

from kit.errors import FaultsError, KitError

P = ParamSpec("P")

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Reproducible reviews of graphics hardware: raw frame-time logs in, a frozen report out.",
)
new_app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Start a bench, a params file, or the layout of a log.",
)
app.add_typer(new_app, name="new")

Json = Annotated[bool, typer.Option("--json", help="Print the answer as JSON.")]
Params = Annotated[Path, typer.Argument(metavar="PARAMS", help="A params file.")]
ReviewDir = Annotated[Path, typer.Argument(metavar="DIR", help="The folder of a finished review.")]


def guarded(command: Callable[P, None]) -> Callable[P, None]:
    """Return `command` with a KitError turned into lines on standard error and its exit status."""

    @wraps(command)
    def run(*args: P.args, **kwargs: P.kwargs) -> None:
        try:
            command(*args, **kwargs)
        except KitError as error:
            if kwargs.get("as_json"):
                say_json({"ok": False, "error": type(error).__name__, "faults": fault_list(error)})
            for line in str(error).splitlines():
                typer.echo(printable(line), err=True)
            raise typer.Exit(error.exit_status) from None
        except KeyboardInterrupt:
            typer.echo("interrupted; nothing was left under a final name", err=True)
            raise typer.Exit(130) from None

    return run


def printable(text: str) -> str:
    """Return text without control characters, which a terminal could obey."""
    return "".join(c if c.isprintable() or c in "\t" else repr(c)[1:-1] for c in text)


def fault_list(error: KitError) -> list[dict[str, Any]]:
    """Return an error's faults as plain data."""
    if isinstance(error, FaultsError):
        return [
            {"file": f.file, "line": f.line, "key": f.key, "message": f.message}
            for f in error.faults
        ]
    return [{"file": "", "line": None, "key": None, "message": str(error)}]


def say_json(answer: Any) -> None:
    """Print an answer as JSON on standard output."""
    typer.echo(json.dumps(answer, ensure_ascii=False, indent=1, default=str))


def say(lines: list[str]) -> None:
    """Print lines on standard output."""
    for line in lines:
        typer.echo(printable(line))


@app.command()
@guarded
def check(params: Params, as_json: Json = False) -> None:
    """Read params, bench and logs and report every fault. Writes nothing."""
    from kit.checking import check_review

    report = check_review(params)
    say_json(report.to_dict()) if as_json else say(report.to_lines())


@app.command()
@guarded
def run(
    params: Annotated[list[Path], typer.Argument(metavar="PARAMS", help="Params files.")],
    out: Annotated[Path, typer.Option(help="Where the reviews' folders go.")] = Path("out"),
    jobs: Annotated[int, typer.Option(min=1, help="Reviews run at the same time.")] = 1,
    timeout: Annotated[int, typer.Option(min=1, help="Seconds one review may take.")] = 1800,
    resume: Annotated[
        bool, typer.Option("--resume", help="Leave out reviews already finished.")
    ] = False,
    foreign_template: Annotated[
        bool,
        typer.Option(
            "--foreign-template",
            help="Allow a template outside the project: it runs with your rights.",
        ),
    ] = False,
    as_json: Json = False,
) -> None:
    """Execute each review's template and write its report, claims, tables and charts."""
    from kit.season import run_reviews

    season = run_reviews(
        params,
        out_dir=out,
        jobs=jobs,
        timeout_s=timeout,
        resume=resume,
        foreign_template=foreign_template,
        json_lines=as_json,
    )
    if not as_json:
        say(season.to_lines())
    if season.exit_status:
        raise typer.Exit(season.exit_status)


@app.command()
@guarded
def trace(
    folder: ReviewDir,
    claim: Annotated[str, typer.Argument(metavar="CLAIM", help="A claim's id.")],
    as_json: Json = False,
) -> None:
    """Print a claim's trace: method, inputs, runs, files and hashes."""
    from kit.claims import load_claims, trace_lines, trace_tree

    book = load_claims(folder)
    say_json(trace_tree(book, claim)) if as_json else say(trace_lines(book, claim))


@app.command()
@guarded
def text(
    folder: ReviewDir,
    source: Annotated[Path, typer.Argument(metavar="TEXT", help="A bound text (Markdown).")],
    sheet: Annotated[bool, typer.Option("--sheet", help="Print the figure sheet instead.")] = False,
    as_json: Json = False,
) -> None:
    """Write a bound text out as plain Markdown, or list the figures it uses."""
    from kit.bound import bind_file

    bound = bind_file(source, folder)
    rows = bound.to_rows()
    if as_json:
        say_json({"ok": True, "text": bound.to_markdown(), "figures": rows})
    elif sheet:
        say(
            [f"line {r['line']}: {r['text']}  {r['claim']}  {{{{{r['reference']}}}}}" for r in rows]
        )
    else:
        typer.echo(bound.to_markdown(), nl=False)


@app.command()
@guarded
def schema(
    what: Annotated[str, typer.Argument(metavar="WHAT", help="params, bench or claims.")],
) -> None:
    """Print the JSON Schema of params, bench or claims."""
    from kit.schema import schema_text

    typer.echo(schema_text(what), nl=False)


def main() -> None:
    """Run the command line."""
    sys.exit(app(prog_name="marginbook"))


if __name__ == "__main__":
    main()
