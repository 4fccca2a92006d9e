"""The commands: parse, call one function, print what it returns."""

from __future__ import annotations

import json
import os
import re
import sys
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Annotated, Any, ParamSpec

import typer

from kit.errors import FaultsError, KitError, UsageError

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
            typer.echo("interrupted; nothing half-made was left under a final name", err=True)
            raise typer.Exit(130) from None

    return run


def printable(text: str) -> str:
    """Return text without control characters, which a terminal could obey; any space is plain."""
    spaced = re.sub("[\xa0\u2007-\u2009\u202f]", " ", text)
    return "".join(c if c.isprintable() or c in "\t" else repr(c)[1:-1] for c in spaced)


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


def named_pairs(options: list[str], name: str) -> dict[str, str]:
    """Return options written `a=b` as a mapping.

    Raises
    ------
    UsageError
        If one of them has no equals sign.
    """
    pairs = {}
    for option in options:
        key, sign, value = option.partition("=")
        if not sign or not key.strip():
            raise UsageError(f"{name} {option!r}: write it as NAME=TEXT")
        pairs[key.strip()] = value.strip()
    return pairs


def named_texts(options: list[str]) -> dict[str, dict[str, str]]:
    """Return options written `field:text=meaning` as a mapping by field.

    Raises
    ------
    UsageError
        If one of them is not in this form.
    """
    maps: dict[str, dict[str, str]] = {}
    for key, meaning in named_pairs(options, "--map").items():
        field, colon, text = key.partition(":")
        if not colon:
            raise UsageError(f"--map {key}={meaning}: write it as FIELD:TEXT=MEANING")
        maps.setdefault(field, {})[text] = meaning
    return maps


@app.command()
@guarded
def check(params: Params, as_json: Json = False) -> None:
    """Read params, bench and logs and report every fault. Writes nothing."""
    from kit.report.check import check_review

    report = check_review(params)
    say_json(report.to_dict()) if as_json else say(report.to_lines())


@app.command()
@guarded
def run(
    params: Annotated[list[Path], typer.Argument(metavar="PARAMS", help="Params files.")],
    out: Annotated[Path, typer.Option(help="Where the reviews' folders go.")] = Path("out"),
    jobs: Annotated[
        int, typer.Option(min=1, help="Reviews run, or logs of one review read, at the same time.")
    ] = 1,
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
    fresh: Annotated[
        bool, typer.Option("--fresh", help="Work everything out anew: use no stored results.")
    ] = False,
    cluster: Annotated[
        str, typer.Option(metavar="ADDRESS", help="Send work to tcp://HOST:PORT, or local:N.")
    ] = "",
    logs_at: Annotated[
        str, typer.Option(metavar="URL", help="Read the logs from here, not the bench folder.")
    ] = "",
    against: Annotated[
        str,
        typer.Option(metavar="PRODUCT", help="The baseline of the league of several reviews."),
    ] = "",
    ahead: Annotated[
        bool, typer.Option(help="Let a second process work beside a single review.")
    ] = True,
    as_json: Json = False,
) -> None:
    """Execute each review's template and write its report, claims, tables and charts.

    Several reviews get an index page with a league table: index.html, season.csv, season.parquet.
    """
    from kit.metrics.measuring import Reading
    from kit.metrics.store import Store, cache_folder
    from kit.report.season import run_reviews

    season = run_reviews(
        params,
        out_dir=out,
        jobs=jobs,
        timeout_s=timeout,
        resume=resume,
        foreign_template=foreign_template,
        json_lines=as_json,
        reading=Reading(
            jobs=jobs if len(params) == 1 else 1,
            store=None if fresh else Store(cache_folder(os.environ, Path.home()) / "store"),
            cluster=cluster,
            logs_at=logs_at,
        ),
        ahead=ahead and len(params) == 1 and (os.cpu_count() or 1) > 1,
        against=against or None,
        told=None if as_json else lambda outcome: say([outcome.to_line()]),
    )
    if not as_json:
        say(season.to_lines() if len(params) == 1 else season.closing_lines())
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
    from kit.claims.claim import load_claims, trace_lines, trace_tree

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
    from kit.claims.bound_text import bind_file

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
def seal(
    folder: ReviewDir,
    to: Annotated[
        Path | None, typer.Option(metavar="BAG", help="The bag: a new folder, or a .zip.")
    ] = None,
    key: Annotated[
        Path | None, typer.Option(metavar="FILE", help="An Ed25519 private key to sign with.")
    ] = None,
    params: Annotated[
        Path | None, typer.Option(metavar="PARAMS", help="The params file, if it was moved.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Make the sealed review: report, claims, raw runs and all that is needed to verify it."""
    from kit.archive.sealing import date_of_epoch
    from kit.archive.sealing import seal as seal_review

    epoch = os.environ.get("SOURCE_DATE_EPOCH")
    date = date_of_epoch(epoch) if epoch else None
    sealed = seal_review(folder, to=to, key=key, params=params, date=date)
    say_json(sealed.to_dict()) if as_json else say(sealed.to_lines())


@app.command()
@guarded
def verify(
    bag: Annotated[Path, typer.Argument(metavar="BAG", help="A sealed review, folder or .zip.")],
    signer: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The public key that must have signed it.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Check a sealed review: bytes, completeness, signature, then every claim recomputed."""
    from kit.archive.verifying import verify_bag

    verification = verify_bag(bag, signer=signer)
    say_json(verification.to_dict()) if as_json else say(verification.to_lines())
    if not verification.ok:
        raise typer.Exit(1)


@app.command()
@guarded
def revise(
    old: Annotated[Path, typer.Argument(metavar="OLD", help="The earlier sealed review.")],
    new: Annotated[Path, typer.Argument(metavar="NEW", help="The later one.")],
    page: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Also make the correction note, a page, in DIR."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Compare two sealed reviews claim by claim, and say why claims moved."""
    from kit.archive.revising import compare_reviews

    revision = compare_reviews(old, new)
    say_json(revision.to_dict()) if as_json else say(revision.to_lines())
    if page is not None:
        from kit.archive.correction import run_correction

        done = run_correction(old, new, out_dir=page, timeout_s=600)
        typer.echo(str(done.report), err=as_json)
    if revision.moved:
        raise typer.Exit(1)


@app.command()
@guarded
def plan(
    params: Params,
    order: Annotated[bool, typer.Option("--order", help="Print the order of the runs.")] = False,
    checklist: Annotated[
        bool, typer.Option("--checklist", help="Print the controls to go through.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Say how many runs resolve the margin stated in params, and where they are best spent."""
    from kit.planning.of_review import plan_from_params

    planned = plan_from_params(params)
    if as_json:
        say_json(planned.to_dict())
    else:
        say(planned.to_lines(order=order, checklist=checklist))


@app.command()
@guarded
def add(
    bench: Annotated[Path, typer.Argument(metavar="BENCH", help="A bench folder.")],
    logs: Annotated[
        list[Path] | None, typer.Argument(metavar="LOG", help="Logs, or folders of logs.")
    ] = None,
    layout: Annotated[str, typer.Option(help="The layout, where several would fit.")] = "",
    product: Annotated[str, typer.Option(help="The product of every log.")] = "",
    title: Annotated[str, typer.Option(help="The title of every log.")] = "",
    session: Annotated[str, typer.Option(help="The session of every log.")] = "",
    began: Annotated[str, typer.Option(help="When the runs began, ISO 8601.")] = "",
    pattern: Annotated[
        str, typer.Option(help="Fields in the file names: '{product}_{title}_{session}.csv'.")
    ] = "",
    index: Annotated[
        Path | None, typer.Option(help="A CSV with a column `file` and columns of the run sheet.")
    ] = None,
    column: Annotated[
        list[str] | None, typer.Option(help="A column of the index by another name: title=scene.")
    ] = None,
    map_: Annotated[
        list[str] | None,
        typer.Option("--map", help="What a text stands for: product:8=threads-8."),
    ] = None,
    condition: Annotated[
        list[str] | None, typer.Option(help="A recorded condition: driver=52.3.")
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what would be added; write nothing.")
    ] = False,
    undo: Annotated[bool, typer.Option("--undo", help="Take back the last take-in.")] = False,
    as_json: Json = False,
) -> None:
    """Take recorded logs into a bench: copied unchanged, hashed, a row each in the run sheet."""
    from kit.bench.intake import add_logs
    from kit.bench.transaction import undo_last

    if undo:
        runs = undo_last(bench)
        say_json({"ok": True, "taken_back": list(runs)}) if as_json else say(
            [f"taken back: {run}" for run in runs]
        )
        return
    intake = add_logs(
        bench,
        logs or [],
        fields={
            **{"layout": layout, "product": product, "title": title},
            **{"session": session, "began": began},
            **named_pairs(condition or [], "--condition"),
        },
        pattern=pattern,
        index=index,
        columns=named_pairs(column or [], "--column"),
        maps=named_texts(map_ or []),
        dry_run=dry_run,
    )
    say_json(intake.to_dict()) if as_json else say(intake.to_lines())


@new_app.command("bench")
@guarded
def new_bench(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The folder to make.")],
) -> None:
    """Make a bench folder with a commented bench.yaml, an empty run sheet and price list."""
    from kit.settings.starting import start_bench

    say([f"{path}" for path in start_bench(folder)])


@new_app.command("review")
@guarded
def new_review(
    params: Annotated[Path, typer.Argument(metavar="PARAMS", help="The params file to make.")],
) -> None:
    """Make a params file in which every key is commented."""
    from kit.settings.starting import start_params

    say([f"{start_params(params)}"])


@new_app.command("layout")
@guarded
def new_layout(
    log: Annotated[Path, typer.Argument(metavar="LOG", help="A log to look at.")],
    as_json: Json = False,
) -> None:
    """Propose the layout of a log, with the reasons, to check and put into bench.yaml."""
    from kit.logs.propose import propose_layout

    proposal = propose_layout(log)
    say_json(proposal.to_dict()) if as_json else say(proposal.to_lines())


@app.command()
@guarded
def schema(
    what: Annotated[str, typer.Argument(metavar="WHAT", help="params, bench or claims.")],
) -> None:
    """Print the JSON Schema of params, bench or claims."""
    from kit.claims.schema import schema_text

    typer.echo(schema_text(what), nl=False)


def main() -> None:
    """Run the command line."""
    sys.exit(app(prog_name="marginbook"))
