"""The commands: parse, call one function, print what it returns."""

from __future__ import annotations

import inspect
import json
import os
import re
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass, fields, is_dataclass, replace
from functools import wraps
from pathlib import Path
from typing import IO, TYPE_CHECKING, Annotated, Any, NoReturn, get_origin, get_type_hints

import typer

from kit.errors import BenchError, Fault, FaultsError, KitError, ParamsError, UsageError, folded

if TYPE_CHECKING:
    import datetime as dt
    from logging import LogRecord

    from kit.bench.journal import By


def _commands(about: str, *, completion: bool = False) -> typer.Typer:
    """Return an empty group of commands with its help."""
    return typer.Typer(
        add_completion=completion,
        no_args_is_help=True,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"]},
        help=about,
    )


app = _commands(
    "Reproducible reviews of graphics hardware: raw frame-time logs in, a frozen report out.",
    completion=True,
)
_bench = _commands("Keep a bench: compare it with its journal, and change it lawfully.")
_new = _commands("Start a bench, a params file, or the layout of a log.")


def _say_version(wanted: bool) -> None:
    if wanted:
        from kit.package import kit_version

        typer.echo(f"marginbook {kit_version()}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool,
        typer.Option(
            "--version", help="Say the version and exit.", callback=_say_version, is_eager=True
        ),
    ] = False,
) -> None:
    """Take the options that come before a command."""


app.add_typer(_bench, name="bench")
app.add_typer(_new, name="new")

# Arguments and options: an argument's word in capitals, or an option with the word for its value,
# and what it means. Those of one command have its name before theirs.
_WORDS: Mapping[str, tuple[str, str]] = {
    "params": ("PARAMS", "A params file."),
    "full": ("--full", "Hash and measure every log, not only those that seem changed."),
    "as_json": ("--json", "Print the answer as JSON."),
    "folder": ("DIR", "The folder of a finished review."),
    "reason": ("--reason WHY", "Why; it stays in the journal."),
    "bench": ("BENCH", "A bench folder."),
    "run.resume": ("--resume", "Leave out finished reviews whose inputs did not change."),
    "run.watch": ("--watch", "Run again whenever an input changes, until Ctrl-C."),
    "run.foreign_template": (
        "--foreign-template",
        "Allow a template outside the project: it runs with your rights.",
    ),
    "run.fresh": ("--fresh", "Work everything out anew: use no stored results."),
    "run.cluster": ("--cluster ADDRESS", "Send work to tcp://HOST:PORT, or local:N."),
    "run.logs_at": ("--logs-at URL", "Read the logs from here, not the bench folder."),
    "run.against": ("--against PRODUCT", "The baseline of the league of several reviews."),
    "run.ahead": ("--ahead/--no-ahead", "Let a second process work beside a single review."),
    "run.params": ("PARAMS", "Params files."),
    "run.out": ("--out", "Where the reviews' folders go."),
    "trace.claim": ("CLAIM", "A claim's id, or a reference: 'margin a over b in t'."),
    "open_report.folder": ("DIR", "A finished review, or the folder of a season."),
    "guide.folder": ("DIR", "A folder of finished reviews."),
    "guide.machine_class": ("--class", "Class of machine; that of most reviews, if not given."),
    "guide.baseline": ("--baseline PRODUCT", "What all are set against."),
    "guide.day": ("--day YYYY-MM-DD", "Prices up to this day; today."),
    "text.source": ("TEXT", "A bound text (Markdown)."),
    "text.sheet": ("--sheet", "Print the figure sheet instead."),
    "text.suggest": ("--suggest", "Print the text with bindings proposed instead."),
    "text.cues": ("--cues DIR", "Write script, cue list and chapters there."),
    "slides.only": ("--only SLIDE", "A kind of slide, or one by name; in this order."),
    "slides.size": ("--size", "1920x1080, 3840x2160 or 1080x1920 (upright)."),
    "slides.ground": ("--ground", "paper, dark, or see-through: clear-dark-ink, clear-light-ink."),
    "slides.to": ("--to DIR", "Where they go; beside DIR, DIR-slides, if not given."),
    "page.to": ("PAGE", "The HTML file to write."),
    "page.source": ("--text TEXT", "The review's text (Markdown)."),
    "seal.to": ("--to BAG", "The bag: a new folder, or a .zip."),
    "seal.key": ("--key FILE", "An Ed25519 private key to sign with."),
    "seal.params": ("--params PARAMS", "The params file, if it was moved."),
    "verify.bags": (
        "BAG",
        "A sealed review, folder or .zip; after it any whose figures its text takes.",
    ),
    "verify.signer": ("--signer FILE", "The public key that must have signed it."),
    "verify.authority": ("--tsa FILE", "Certificates of who must have stamped its time."),
    "verify.require": ("--require WORDS", "Exit with 0 or 1, as in reproduced,signed,timed."),
    "verify.attest": ("--attest KEY", "Sign a statement of the answer, beside the bag."),
    "verify.other": ("--with PYTHON", "Ask the version this Python has installed."),
    "verify.no_limits": ("--no-limits", "Read a bag you trust without limits of time."),
    "revise.old": ("OLD", "The earlier sealed review."),
    "revise.new": ("NEW", "The later one."),
    "revise.page": ("--page DIR", "Also make the correction note, a page, in DIR."),
    "plan.order": ("--order", "Print the order of the runs."),
    "plan.checklist": ("--checklist", "Print the controls to go through."),
    "plan.sheet": ("--sheet FILE", "Write the runs to tick off: .csv or .xlsx."),
    "add.layout": ("--layout", "The layout, where several would fit."),
    "add.product": ("--product", "The product of every log."),
    "add.title": ("--title", "The title of every log."),
    "add.session": ("--session", "The session of every log."),
    "add.began": ("--began", "When the runs began, ISO 8601."),
    "add.pattern": ("--pattern", "Fields in the file names: '{product}_{title}_{session}.csv'."),
    "add.index": (
        "--index",
        "A CSV or .xlsx with a column `file` and columns of the run sheet; with --guess, you are "
        "asked about logs it does not name.",
    ),
    "add.table": ("--table", "A table of figures, CSV or xlsx: titles down, products across."),
    "add.column": ("--column", "A column of the index by another name: title=scene."),
    "add.map_": ("--map", "What a text stands for: product:8=threads-8."),
    "add.condition": ("--condition", "A recorded condition: driver=52.3."),
    "add.dry_run": ("--dry-run", "Say what would be added; write nothing."),
    "add.undo": ("--undo", "Take back the last take-in."),
    "add.guess": ("--guess", "Look at a folder, or at names of a --table; show, ask."),
    "add.yes": ("--yes", "With --guess: do not ask."),
    "add.crashed": ("--crashed", "A run of this product and title that left no log."),
    "add.logs": ("LOG", "Logs, or folders of logs."),
    "bench_check.against": ("--against BAG", "A sealed review whose journal this must go on from."),
    "bench_move_run.run": ("RUN", "The run's id."),
    "bench_move_run.product": ("--product", "The product it is of."),
    "bench_move_run.title": ("--title", "The title it is of."),
    "bench_retire.runs": ("RUN", "Ids of runs."),
    "bench_rename.what": ("WHAT", "product or title."),
    "bench_rename.old": ("OLD", "Its id."),
    "bench_rename.new": ("NEW", "The id it gets."),
    "bench_merge.other": ("OTHER", "The bench to take in."),
    "bench_export.to": ("XLSX", "The spreadsheet to write."),
    "bench_import.book": ("XLSX", "A spreadsheet as exported."),
    "bench_undo.entry": ("ENTRY", "Its number in the journal."),
    "new_bench.folder": ("DIR", "The folder to make."),
    "new_review.params": ("PARAMS", "The params file to make."),
    "new_layout.log": ("LOG", "A log to look at."),
    "new_layout.write": ("--write BENCH", "Enter it into this bench's bench.yaml."),
    "upgrade.files": ("FILE", "A params file, bench.yaml, or a bench."),
    "schema.what": ("WHAT", "params, bench or claims."),
}


_LISTED = (["--help"], ["-h"])  # asks for the commands alone: no option of theirs is made
_EITHER = inspect.Parameter.POSITIONAL_OR_KEYWORD
_ROWS_SHOWN = 8
_LOOK_S = 0.5  # between two looks of `run --watch`
_GOOD, _BAD = ("no faults", "verified", "passed."), ("NOT verified", "failed.", "altered")


def _command(
    name: str, group: typer.Typer = app, *, busy: str = ""
) -> Callable[[Callable[..., Any]], None]:
    """Return a decorator that makes a function the command `name` of a group.

    What it returns is printed (see `_answer`), as JSON where `--json` asks for it: a command that
    returns something has that option. A slow one says what it is `busy` with. A parameter that is a
    dataclass stands for its fields, an option each; what they are called and mean stands in
    `_WORDS`. A KitError becomes lines on standard error and its exit status; any other exception
    is a bug and keeps its traceback.
    """

    def register(command: Callable[..., Any]) -> None:
        if sys.argv[1:] in _LISTED:
            group.command(name, help=command.__doc__)(lambda: None)
            return
        plain = inspect.signature(command, eval_str=True)
        options: dict[str, type[Any]] = {
            p.name: p.annotation
            for p in plain.parameters.values()
            if isinstance(p.annotation, type) and is_dataclass(p.annotation)
        }

        answers = plain.return_annotation is not None and "as_json" not in plain.parameters
        if answers:
            asked = inspect.Parameter("as_json", _EITHER, default=False, annotation=bool)
            plain = plain.replace(parameters=[*plain.parameters.values(), asked])

        @wraps(command)
        def run(**given: Any) -> None:
            as_json = bool(given.pop("as_json", False) if answers else given.get("as_json"))
            for key, kind in options.items():
                given[key] = kind(**{field.name: given.pop(field.name) for field in fields(kind)})
            try:
                with _progress(busy) if busy else nullcontext():
                    result = command(**given)
                if result is not None:
                    _answer(result, as_json)
            except KitError as error:
                _fail(error, as_json=as_json)
            except PermissionError as error:
                named = str(error.filename or "a file")
                said = "may not be read or written by this user; change its permissions"
                _fail(BenchError.at(named, said), as_json=as_json)
            except KeyboardInterrupt:
                typer.echo("interrupted; nothing half-made was left under a final name", err=True)
                raise typer.Exit(130) from None

        run.__signature__ = _spread(command.__name__.strip("_"), plain, options)  # type: ignore[attr-defined]
        group.command(name)(run)

    return register


def _fail(error: KitError, *, as_json: bool) -> NoReturn:
    """Print an error and leave with the exit status of its family."""
    if as_json:
        said = {"error": type(error).__name__, "faults": _faults_of(error)}
        _told({"ok": False, **said}, (), True)
    _say_fault(error)
    raise typer.Exit(error.exit_status) from None


def _say_fault(error: KitError) -> None:
    """Print an error on standard error, alike lines once."""
    for line in folded(str(error).splitlines()):
        typer.echo(_coloured(_printable(line), "red", sys.stderr), err=True)


def _spread(
    command: str, plain: inspect.Signature, groups: Mapping[str, type[Any]]
) -> inspect.Signature:
    """Return a command's signature, a group of options as its fields, each with its words."""
    parameters: list[inspect.Parameter] = []
    for parameter in plain.parameters.values():
        if (group := groups.get(parameter.name)) is not None:
            hints = get_type_hints(group, include_extras=True)
            parameters += [
                parameter.replace(name=f.name, default=f.default, annotation=hints[f.name])
                for f in fields(group)
            ]
        else:
            parameters.append(parameter)
    return plain.replace(parameters=[_with_words(command, p) for p in parameters])


def _with_words(command: str, parameter: inspect.Parameter) -> inspect.Parameter:
    """Return a parameter as an argument or an option, unless it says itself what it is."""
    if get_origin(parameter.annotation) is Annotated:
        return parameter
    own = f"{command}.{parameter.name}"
    word, meaning = _WORDS[own if own in _WORDS else parameter.name]
    flag, _, value = word.partition(" ")
    said: Any = typer.Argument(metavar=word, help=meaning)
    if flag.startswith("--"):
        said = typer.Option(flag, metavar=value or None, help=meaning)
    return parameter.replace(annotation=Annotated[parameter.annotation, said])


def _coloured(text: str, colour: str, stream: IO[str]) -> str:
    """Return text in a colour where a terminal shows it and NO_COLOR is not set."""
    # https://no-color.org: any value that is not empty switches colour off.
    plain = bool(os.environ.get("NO_COLOR")) or not stream.isatty()
    return text if plain else typer.style(text, fg=colour)


def _printable(text: str) -> str:
    """Return text without control characters, which a terminal could obey; any space is plain."""
    spaced = re.sub("[\xa0\u2007-\u2009\u202f]", " ", text)
    return "".join(c if c.isprintable() or c in "\t" else repr(c)[1:-1] for c in spaced)


@contextmanager
def _progress(what: str) -> Iterator[None]:
    """Show on standard error how far a slow step has come: a bar, or a line now and then.

    Steps tell it by logging to "marginbook.progress". MARGINBOOK_QUIET keeps it silent.
    """
    import logging

    if os.environ.get("MARGINBOOK_QUIET"):
        yield
        return
    log, stream = logging.getLogger("marginbook.progress"), sys.stderr
    live = stream.isatty() and os.environ.get("TERM") != "dumb"
    handler = logging.Handler()
    with _bar(what, stream) if live else _plain_lines(what, stream) as tell:
        handler.emit = tell  # type: ignore[assignment,method-assign]
        log.addHandler(handler)
        log.setLevel(logging.INFO)
        try:
            yield
        finally:
            log.removeHandler(handler)
            log.setLevel(logging.NOTSET)


@contextmanager
def _bar(what: str, stream: IO[str]) -> Iterator[Callable[[LogRecord], None]]:
    """Give what shows a message as a bar of its own: how many of how many, rate, time left."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    bars = Progress(
        TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn(),
        TextColumn("{task.fields[count]}"), console=Console(file=stream), transient=True,
        redirect_stdout=sys.stdout.isatty(),
    )  # fmt: skip

    def tell(record: LogRecord) -> None:
        name, done, of = _told_of(record)
        task = bars.tasks[-1]
        another = task.total != (of or None) or not of
        if another:  # with a clock of its own
            bars.remove_task(task.id)
            bars.add_task(name, total=of or None, completed=done, count="")
            task = bars.tasks[-1]
        speed = f", {task.speed:,.0f} a second" if task.speed and task.speed > 1 else ""
        left = f", {task.time_remaining:.0f} s left" if task.time_remaining else ""
        count = f"{done:,} of {of:,}{speed}{left}" if of else ""
        # Repainted ten times a second; a step that takes less is shown all the same.
        bars.update(task.id, description=name, completed=done, count=count, refresh=another)

    with bars:
        bars.add_task(what, total=None, count="")
        yield tell


@contextmanager
def _plain_lines(what: str, stream: IO[str]) -> Iterator[Callable[[LogRecord], None]]:
    """Give what notes a message; after 2 s, 4 s, 8 s and so on a line says the last one."""
    import threading
    import time

    last, done, begun = [what], threading.Event(), time.monotonic()

    def tell(record: LogRecord) -> None:
        last[0] = record.getMessage()

    def say() -> None:
        wait = 2.0
        while not done.wait(wait):
            wait = min(time.monotonic() - begun, 60.0)
            stream.write(f"... {last[0]} ({wait:.0f} s)\n")
            stream.flush()

    speaker = threading.Thread(target=say, daemon=True)
    speaker.start()
    try:
        yield tell
    finally:
        done.set()
        speaker.join()


def _told_of(record: LogRecord) -> tuple[str, int, int]:
    """Return what a message of progress says: its name, how many are done, and of how many."""
    if isinstance(record.args, tuple) and len(record.args) == 2:
        done, of = record.args
        return str(record.msg).partition(":")[0], int(str(done)), int(str(of))
    return record.getMessage(), 0, 0


def _faults_of(error: KitError) -> list[dict[str, Any]]:
    """Return an error's faults as plain data."""
    faults = error.faults if isinstance(error, FaultsError) else (Fault("", str(error)),)
    return [{key: getattr(f, key) for key in ("file", "line", "key", "message")} for f in faults]


def _told(plain: Any, lines: Iterable[str], as_json: bool) -> None:
    """Print plain data as JSON, or lines, outcomes in colour on a terminal."""
    if as_json:
        typer.echo(json.dumps(plain, ensure_ascii=False, indent=1, default=str))
        return
    for line in lines:
        bad = any(word in line for word in _BAD)
        colour = "red" if bad else "green" if line.endswith(_GOOD) else ""
        shown = _printable(line)
        typer.echo(_coloured(shown, colour, sys.stdout) if colour else shown)


def _answer(result: Any, as_json: bool) -> None:
    """Print a result, its `to_dict` as JSON or its `to_lines`; or plain data and lines as given.

    Plain data that say they are not `ok` leave with exit status 1.
    """
    plain, lines = result if isinstance(result, tuple) else (result.to_dict(), result.to_lines())
    _told(plain, lines, as_json)
    if isinstance(plain, dict) and not plain.get("ok", True):
        raise typer.Exit(1)


def _by(reason: str = "") -> By:
    """Return who works here, now, and why: MARGINBOOK_WHO, else the user's name."""
    import datetime as dt
    import getpass

    from kit.bench.journal import By

    try:
        who = os.environ.get("MARGINBOOK_WHO", "").strip() or getpass.getuser()
    except (KeyError, OSError):  # a user without a name
        who = "not stated"
    now = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
    return By(_printable(who), now, reason.strip())


def _named_pairs(options: list[str], name: str) -> dict[str, str]:
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


def _named_texts(options: list[str]) -> dict[str, dict[str, str]]:
    """Return options written `field:text=meaning` as a mapping by field.

    Raises
    ------
    UsageError
        If one of them is not in this form.
    """
    maps: dict[str, dict[str, str]] = {}
    for key, meaning in _named_pairs(options, "--map").items():
        name, colon, text = key.partition(":")
        if not colon:
            raise UsageError(f"--map {key}={meaning}: write it as FIELD:TEXT=MEANING")
        maps.setdefault(name, {})[text] = meaning
    return maps


@_command("check", busy="starting")
def _check(params: Path, full: bool = False) -> Any:
    """Read params, bench and logs and report every fault. Writes nothing.

    Exit status 1 if another log of the bench was altered or is gone.
    """
    from kit.metrics.measuring import PLAIN, Reading
    from kit.metrics.store import Store
    from kit.report.check import check_review

    store = Store.of_user(os.environ, Path.home())
    jobs = min(2, os.cpu_count() or 1)
    reading = PLAIN if full else Reading(jobs=jobs, threads=2, store=store)
    return check_review(params, full=full, reading=reading)


@dataclass(frozen=True, slots=True)
class _RunOptions:
    """Options of `run`."""

    jobs: Annotated[
        int, typer.Option(min=1, help="Reviews run, or logs of one review read, at the same time.")
    ] = 1
    timeout: Annotated[int, typer.Option(min=1, help="Seconds one review may take.")] = 1800
    resume: bool = False
    watch: bool = False
    foreign_template: bool = False
    fresh: bool = False
    cluster: str = ""
    logs_at: str = ""
    against: str = ""
    ahead: bool = True


@_command("run")
def _run(
    params: list[Path],
    out: Path = Path("out"),
    given: _RunOptions = _RunOptions(),  # frozen
    as_json: bool = False,
) -> None:
    """Execute each review's template and write its report, claims, tables and charts.

    Several reviews get an index page with a league table: index.html, season.csv, season.parquet.
    """
    if not given.watch:
        if status := _run_once(params, out, given, as_json):
            raise typer.Exit(status)
        return
    import time

    from kit.report.files import watch_inputs

    try:
        for _ in watch_inputs(params, wait=lambda: time.sleep(_LOOK_S)):
            try:
                _run_once(params, out, replace(given, resume=True), as_json)
            except KitError as error:
                _say_fault(error)
            typer.echo("watching for changes; Ctrl-C ends", err=True)
    except KeyboardInterrupt:
        typer.echo("no longer watching; nothing half-made was left", err=True)


def _run_once(params: list[Path], out: Path, given: _RunOptions, as_json: bool) -> int:
    """Run reviews and print how each ended; return the exit status."""
    from kit.report.ahead import WaitingKernel

    alone = len(params) == 1
    # Its imports take as long as those of this process.
    with WaitingKernel.ahead(alone and not given.resume), _progress("starting"):
        from kit.metrics.measuring import Reading
        from kit.metrics.store import Store
        from kit.report.season import Outcome, RunOptions, run_reviews

        def told(outcome: Outcome) -> None:
            if as_json:
                typer.echo(json.dumps(outcome.to_dict(), ensure_ascii=False))
            elif not alone:
                _told(None, [outcome.to_line()], False)

        season = run_reviews(
            params,
            out_dir=out,
            options=RunOptions(
                jobs=given.jobs,
                timeout_s=given.timeout,
                resume=given.resume,
                foreign_template=given.foreign_template,
                reading=Reading(
                    jobs=given.jobs if alone else 1,
                    store=None if given.fresh else Store.of_user(os.environ, Path.home()),
                    cluster=given.cluster,
                    logs_at=given.logs_at,
                ),
                ahead=given.ahead and alone and (os.cpu_count() or 1) > 1,
            ),
            against=given.against or None,
            told=told,
        )
    if not as_json:
        _told(None, season.to_lines() if alone else season.closing_lines(), False)
        if not given.logs_at:
            _warn_of_benches(params)
    return season.exit_status


def _warn_of_benches(params: list[Path]) -> None:
    """Say on standard error what in the benches of reviews is not as their journals have it."""
    from kit.bench.evidence import check_evidence
    from kit.settings.params import ReviewParams
    from kit.settings.yaml import read_yaml

    folders = []
    for path in params:
        with suppress(KitError):  # told when it was run
            document = read_yaml(path, file=path.name, error=ParamsError)
            folder = (path.parent / document.as_model(ReviewParams, ParamsError).bench).resolve()
            folders += [folder] if (folder / "bench.yaml").is_file() else []
    for folder in dict.fromkeys(folders):
        evidence = check_evidence(folder, depth="names")
        if evidence.differences:
            for line in evidence.to_lines():
                typer.echo(_printable(line), err=True)


@_command("trace")
def _trace(folder: Path, claim: str) -> Any:
    """Print a claim's trace: method, inputs, runs, files and hashes."""
    from kit.claims.claim import load_claims

    book = load_claims(folder)
    if book.get(claim) is None:  # words: only they need the registry of metrics, and so numpy
        from kit.claims.bound_text import find_claim

        claim = find_claim(claim, book)
    return book.trace_tree(claim), book.trace_lines(claim)


@_command("open")
def _open_report(folder: Path) -> None:
    """Open a review's report, or a season's index, in the browser."""
    import webbrowser

    pages = [folder / name for name in ("report.html", "index.html")]
    page = next((path.resolve() for path in pages if path.is_file()), None)
    if page is None:
        raise UsageError(f"{folder.name}: there is neither report.html nor index.html in it")
    opened = webbrowser.open(page.as_uri())
    typer.echo(_printable(str(page) if opened else f"{page} (no browser could be started)"))


@_command("guide")
def _guide(
    folder: Path, machine_class: str = "", baseline: str | None = None, day: str = ""
) -> Any:
    """Write a page of all products of a class: league, prices of today, alerts.

    An alert is a sentence of a finished review that prices and runs of today no
    longer bear out. Nothing published is changed. The page is DIR/guide.html; it
    is evidence on the days stated, not advice to buy.
    """
    import datetime as dt

    from kit.report.season import write_guide
    from kit.screening.flags import few

    try:
        today = dt.date.fromisoformat(day) if day else dt.datetime.now(dt.UTC).date()
    except ValueError:
        raise UsageError(f"--day {day!r} is not a day; write it as 2026-11-25") from None
    page, alerts, unknown = write_guide(
        folder, today=today, machine_class=machine_class, baseline=baseline
    )
    lines = [
        *(f"{a['review']}, {a['where']}: {a['published'] or 'nothing'} -> "
          f"{a['today'] or 'nothing'}" for a in alerts),
        *(f"{review}: could not be made again, so nobody knows" for review in unknown),
        f"{few(len(alerts), 'sentence')} no longer borne out", str(page),
    ]  # fmt: skip
    told = {"ok": True, "page": str(page), "alerts": alerts, "not_made_again": unknown}
    return told, lines


@_command("text")
def _text(
    folder: Path,
    source: Path,
    sheet: bool = False,
    suggest: bool = False,
    cues: Path | None = None,
    as_json: bool = False,
) -> Any:
    """Write a bound text out as plain Markdown, or list what it rests on.

    --suggest takes a draft in plain prose: it proposes a binding for each word that claims
    something, and names the words it could not bind. Read each proposal before you keep it.
    --cues takes the text as a script, whose paragraphs name their slides: [slide: title dell].
    """
    from kit.claims.bound_text import bind_file, read_text, suggest_bindings
    from kit.claims.claim import load_claims

    if suggest:
        found = suggest_bindings(read_text(source), load_claims(folder))
        if as_json:
            return {"ok": True, "text": found.text, "bound": found.bound, "left": found.left}, ()
        for line, word, why in found.left:
            said = f'{source.name}, line {line}: "{word}" not bound: {why}'
            typer.echo(_printable(said), err=True)
        typer.echo(found.text, nl=False)
        return None
    bound = bind_file(source, folder)
    if cues is not None:
        from kit.page.cues import make_script
        from kit.page.slides import make_slides

        book = load_claims(folder)
        script = make_script(bound, make_slides(book, book.settings.get("slides") or ()))
        lines = [*map(str, script.write(cues)), *script.to_lines()]
        return {"ok": True, "lines": lines}, lines
    if not (as_json or sheet):
        typer.echo(bound.to_markdown(), nl=False)
        return None
    rows = bound.to_rows()
    lines = [
        f"line {row['line']}, {row['kind']}: {row['text']}"
        + (f"  {row['claim']}  {{{{{row['reference']}}}}}" if row["claim"] else "")
        for row in rows
    ]
    return {"ok": True, "text": bound.to_markdown(), "figures": rows}, lines


@_command("slides", busy="drawing slides")
def _slides(
    folder: Path,
    only: list[str] | None = None,
    size: str = "1920x1080",
    ground: str = "paper",
    to: Path | None = None,
) -> Any:
    """Draw a finished review's slides from its claims: SVG, PNG, and slides.csv.

    They go beside the review, which stays as sealed. Slides named in params (`slides:`) are part of
    the review: `run` draws them, and `verify` draws them again.
    """
    from kit.claims.claim import load_claims
    from kit.page.slides import SlideSet, write_slides

    to = to or folder.with_name(f"{folder.resolve().name}-slides")
    if to.resolve().is_relative_to(folder.resolve()):
        raise UsageError(f"{to} lies in the review's own folder; write the slides elsewhere")
    wanted = SlideSet(tuple(only or ()), size, ground)
    files = [str(path) for path in write_slides(load_claims(folder), to, wanted)]
    return {"ok": True, "files": files}, files


@_command("page", busy="drawing the page")
def _page(folder: Path, to: Path, source: Path | None = None) -> Any:
    """Make a finished review's page again from its claims and text alone."""
    from kit.report.report import redraw_report

    lacking = redraw_report(folder, to=to, text=source)
    said = [str(to), *(f"not made again, since claims do not give it: {name}" for name in lacking)]
    return {"ok": True, "page": str(to), "lacking": lacking}, said


def _date_of_epoch(seconds: str) -> dt.date:
    """Return the day, in UTC, that SOURCE_DATE_EPOCH names: seconds since 1970.

    Raises
    ------
    UsageError
        If it is not a whole number of seconds of a day there can be.
    """
    import datetime as dt

    try:
        return dt.datetime.fromtimestamp(int(seconds), dt.UTC).date()
    except (ValueError, OverflowError, OSError):
        raise UsageError(
            f"SOURCE_DATE_EPOCH is {seconds[:40]!r}; it must be whole seconds since 1970"
        ) from None


@_command("seal", busy="sealing")
def _seal(
    folder: Path, to: Path | None = None, key: Path | None = None, params: Path | None = None
) -> Any:
    """Make the sealed review: report, claims, raw runs and all that is needed to verify it."""
    from kit.archive.sealing import seal as seal_review

    epoch = os.environ.get("SOURCE_DATE_EPOCH")
    date = _date_of_epoch(epoch) if epoch else None
    return seal_review(folder, to=to, key=key, params=params, date=date)


@_command("verify")
def _verify(
    bags: list[Path],
    signer: Path | None = None,
    authority: Path | None = None,
    require: str = "",
    attest: Path | None = None,
    other: Path | None = None,
    no_limits: bool = False,
    as_json: bool = False,
) -> None:
    """Check a sealed review: its signature, then every byte made again from its raw logs."""
    bag, *reviews = bags
    if other is not None or not no_limits:
        from kit.archive.unbag import verify_with

        if other is not None and attest is not None:
            raise UsageError("--attest states what this version found: leave --with out, or it")
        asked = ["--signer", str(signer.absolute())] if signer else []
        asked += ["--tsa", str(authority.absolute())] if authority else []
        asked += [str(path.absolute()) for path in reviews]
        asked += ["--require", require] if require else []
        asked += ["--attest", str(attest)] if attest else []
        asked += ["--no-limits"] * (other is None) + ["--json"] * as_json
        status, said = verify_with(other, bag, arguments=asked)
        for line in said:
            typer.echo(_coloured(line, "red", sys.stderr), err=True)
        raise typer.Exit(status)
    from kit.archive.verifying import verify_bag, write_attestation

    with _progress("verifying"):
        verification = verify_bag(bag, signer=signer, authority=authority, others=reviews)
    if attest is not None:
        typer.echo(_printable(str(write_attestation(bag, verification, key=attest))), err=True)
    words = [word.strip() for word in require.split(",")] if require else None
    status = verification.exit_status if words is None else int(not verification.meets(words))
    _answer(verification, as_json)
    raise typer.Exit(status)


@_command("revise")
def _revise(old: Path, new: Path, page: Path | None = None, as_json: bool = False) -> None:
    """Compare two sealed reviews claim by claim, and say why claims moved."""
    from kit.archive.revising import compare_reviews

    with _progress("comparing"):
        revision = compare_reviews(old, new)
    _told(revision.to_dict(), revision.to_lines(), as_json)
    if page is not None:
        from kit.archive.correction import run_correction

        with _progress("making the page"):
            done = run_correction(old, new, out_dir=page, timeout_s=600)
        typer.echo(str(done.report), err=as_json)
    if revision.moved:
        raise typer.Exit(1)


@_command("plan", busy="planning")
def _plan(
    params: Path,
    order: bool = False,
    checklist: bool = False,
    sheet: Path | None = None,
    looks: Annotated[
        int, typer.Option(min=0, help="Look at results so often, after equal shares of the runs.")
    ] = 0,
) -> Any:
    """Say how many runs resolve the margin stated in params, and where they are best spent."""
    from kit.planning.of_review import plan_from_params

    planned = plan_from_params(params, looks=looks)
    if sheet is not None:
        planned.to_sheet().write_new(sheet)
    return planned.to_dict(), planned.to_lines(order=order, checklist=checklist)


@dataclass(frozen=True, slots=True)
class _AddOptions:
    """Options of `add`."""

    layout: str = ""
    product: str = ""
    title: str = ""
    session: str = ""
    began: str = ""
    pattern: str = ""
    index: Path | None = None
    table: Path | None = None
    column: list[str] | None = None
    map_: list[str] | None = None
    condition: list[str] | None = None
    dry_run: bool = False
    undo: bool = False
    reason: str = ""
    guess: bool = False
    yes: bool = False
    crashed: bool = False


@_command("add")
def _add(
    bench: Path,
    logs: list[Path] | None = None,
    given: _AddOptions = _AddOptions(),  # frozen
    as_json: bool = False,
) -> Any:
    """Take recorded logs into a bench: copied unchanged, hashed, a row each in the run sheet."""
    from kit.bench.acts import add_crashed, undo
    from kit.bench.intake import Naming, add_logs, add_table

    if given.undo:
        done = undo(bench, by=_by())
        return {"taken_back": list(done.runs), **done.to_dict()}, done.to_lines()
    if given.guess and given.index is None and given.table is None:
        return _add_guessed(bench, logs or [], given, as_json)
    fields = {
        **{"product": given.product, "title": given.title, "session": given.session},
        **{"began": given.began, **_named_pairs(given.condition or [], "--condition")},
    }
    if given.crashed:
        return add_crashed(bench, fields, by=_by(given.reason))
    maps, columns = _named_texts(given.map_ or []), _named_pairs(given.column or [], "--column")
    if given.table:
        if logs or given.index:
            raise UsageError("--table takes figures in; take logs in by themselves")
        if given.guess:
            _enter_names_of(bench, given.table, maps, given, as_json)
        return add_table(
            bench, given.table, fields=fields, maps=maps, dry_run=given.dry_run,
            by=_by(given.reason),
        )  # fmt: skip
    ask = (_likely if given.yes else _ask_row) if given.guess else None
    with _progress("taking in") if ask is not _ask_row else nullcontext():
        return add_logs(
            bench,
            logs or [],
            fields={"layout": given.layout, **fields},
            naming=Naming(given.pattern, maps, columns),
            index=given.index,
            ask=ask,
            dry_run=given.dry_run,
            by=_by(given.reason),
        )


def _likely(log: str, rows: Mapping[int, str], likely: int) -> int:
    """Take the likely row of a log without asking."""
    return likely


def _ask_row(log: str, rows: Mapping[int, str], likely: int) -> int:
    """Ask which of the open rows of an index a log is of; 0 is none of them."""
    typer.echo(_printable(f"{log} is not named there. Open rows:"), err=True)
    for line in sorted(rows, key=lambda line: line != likely)[:_ROWS_SHOWN]:
        typer.echo(_printable(f"  line {line}: {rows[line]}"), err=True)
    if len(rows) > _ROWS_SHOWN:
        typer.echo(f"  and {len(rows) - _ROWS_SHOWN} more", err=True)
    while (line := int(typer.prompt("line (0: none)", default=likely, type=int, err=True))) != 0:
        if line in rows:
            return line
        typer.echo(f"line {line} is not open", err=True)
    return 0


def _enter_names_of(
    bench: Path, table: Path, maps: dict[str, dict[str, str]], given: _AddOptions, as_json: bool
) -> None:
    """Show which products and titles of a table `bench.yaml` lacks; enter them if agreed to."""
    from kit.bench.acts import enter_names
    from kit.bench.intake import names_of_table

    new = names_of_table(bench, table, maps=maps)
    for key, entries in new.items():
        typer.echo(_printable(f"new in bench.yaml, {key}: {', '.join(entries)}"), err=as_json)
    if new and given.dry_run:
        raise typer.Exit
    if new and not given.yes and not typer.confirm("Enter them?", err=as_json):
        raise UsageError("nothing was taken in; --map product:TEXT=ID says what a text stands for")
    if new:
        enter_names(bench, new, by=_by(given.reason))


def _add_guessed(bench: Path, logs: list[Path], given: _AddOptions, as_json: bool) -> Any:
    """Show what a folder of logs seems to hold; take it in if that is agreed to."""
    from kit.bench.intake import guess_folder, take_guess

    if len(logs) != 1 or not logs[0].is_dir():
        raise UsageError("--guess looks at one folder: marginbook add BENCH FOLDER --guess")
    with _progress("looking at the logs"):
        guess = guess_folder(bench, logs[0])
    for line in guess.to_lines():
        typer.echo(_printable(line), err=as_json)
    if given.dry_run:
        return None
    if not given.yes and not typer.confirm("Take them in so?", err=as_json):
        raise UsageError("nothing was taken in; use --pattern or --index to say what is what")
    with _progress("taking in"):
        return take_guess(bench, guess, session=given.session, by=_by(given.reason))


@_command("check", _bench, busy="comparing with the journal")
def _bench_check(bench: Path, full: bool = False, against: list[Path] | None = None) -> Any:
    """Compare a bench with its journal: every log and row that is not as it was taken in.

    Exit status 1 if anything a review rests on was altered or is gone.
    """
    from kit.archive.verifying import read_anchor
    from kit.bench.evidence import check_evidence
    from kit.settings.bench_file import read_bench

    read_bench(bench)
    anchors = [read_anchor(bag) for bag in against or []]
    evidence = check_evidence(bench, depth="full" if full else "quick", against=anchors)
    return {"ok": not evidence.faults, **evidence.to_dict()}, evidence.to_lines()


@_command("journal", _bench)
def _bench_journal(bench: Path) -> Any:
    """Print the journal of a bench, an entry a line: who did what, when and why."""
    from kit.bench.journal import Journal

    entries = Journal.read(bench).entries
    return [e.to_dict() for e in entries], [e.to_line() for e in entries]


@_command("adopt", _bench, busy="adopting")
def _bench_adopt(bench: Path, reason: str = "") -> Any:
    """Enter into the journal what it does not have: an old bench, or what was edited by hand."""
    from kit.bench.acts import adopt

    return adopt(bench, by=_by(reason))


@_command("move-run", _bench)
def _bench_move_run(
    bench: Path, run: str, product: str = "", title: str = "", reason: str = ""
) -> Any:
    """Give a run the right product or title."""
    from kit.bench.acts import move_run

    return move_run(bench, run, by=_by(reason), product=product, title=title)


@_command("retire", _bench)
def _bench_retire(bench: Path, runs: list[str], reason: str = "") -> Any:
    """Set runs aside for good; rows and logs stay."""
    from kit.bench.acts import retire

    return retire(bench, runs, by=_by(reason))


@_command("rename", _bench)
def _bench_rename(bench: Path, what: str, old: str, new: str, reason: str = "") -> Any:
    """Give a product or title another id, in bench.yaml and in every row."""
    from kit.bench.acts import rename

    return rename(bench, what, old, new, by=_by(reason))


@_command("merge", _bench, busy="merging")
def _bench_merge(bench: Path, other: Path, reason: str = "") -> Any:
    """Take in every run of another bench with its logs, products and titles."""
    from kit.bench.acts import merge

    return merge(bench, other, by=_by(reason))


@_command("export", _bench, busy="writing the spreadsheet")
def _bench_export(bench: Path, to: Path) -> None:
    """Write run sheet, figures and prices into a spreadsheet, with real dates."""
    from kit.bench.acts import export_bench

    _told(None, export_bench(bench, to), False)


@_command("import", _bench, busy="reading the spreadsheet")
def _bench_import(bench: Path, book: Path, reason: str = "") -> Any:
    """Take over what was changed in an exported spreadsheet; `bench undo` takes it back."""
    from kit.bench.acts import import_bench

    return import_bench(bench, book, by=_by(reason))


@_command("undo", _bench)
def _bench_undo(bench: Path, entry: int | None = None, reason: str = "") -> Any:
    """Take back an entry of the journal, or the last take-in."""
    from kit.bench.acts import undo

    return undo(bench, entry, by=_by(reason))


@_command("bench", _new)
def _new_bench(folder: Path) -> None:
    """Make a bench folder with a commented bench.yaml, an empty run sheet and price list."""
    from kit.settings.starting import start_bench

    _told(None, [str(path) for path in start_bench(folder)], False)


@_command("review", _new)
def _new_review(params: Path) -> None:
    """Make a params file in which every key is commented."""
    from kit.settings.starting import start_params

    _told(None, [str(start_params(params))], False)


@_command("layout", _new)
def _new_layout(log: Path, write: Path | None = None) -> Any:
    """Propose the layout of a log, with the reasons, to check and put into bench.yaml."""
    from kit.logs.propose import propose_layout

    proposal = propose_layout(log)
    if write is not None:
        from kit.bench.acts import enter_names

        enter_names(write, {"layouts": {proposal.name: proposal.layout}}, by=_by())
    return proposal


@_command("upgrade")
def _upgrade(files: list[Path]) -> None:
    """Bring settings of an older version to today's format; what they were is kept beside them."""
    from kit.settings.starting import upgrade_file

    for file in files:
        _told(None, upgrade_file(file), False)


@_command("schema")
def _schema(what: str) -> None:
    """Print the JSON Schema of params, bench or claims."""
    from kit.claims.claim import schema_text

    typer.echo(schema_text(what), nl=False)
