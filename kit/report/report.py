"""A review executed into its folder: report, claims, executed notebook, tables, charts.

What stands under a final name is always whole (see `kit.report.files`), and a run that fails leaves
the earlier report as it was. A zero exit status is not proof, since a cell can end the notebook
quietly: a run counts only if every code cell completed without an error and the closing cell, the
last one, said so.
"""

from __future__ import annotations

import ast
import contextlib
import io
import json
import logging
import os
import queue
import re
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass, field, replace
from importlib import import_module
from pathlib import Path
from typing import Any

from kit import errors
from kit.claims.claim import CLAIMS_FORMAT, load_claims
from kit.errors import ExecutionError, KitError, ParamsError, UsageError
from kit.metrics.measuring import PLAIN, PROGRESS_VARIABLE, Reading, own_code
from kit.metrics.store import Store, content_key
from kit.package import PACKAGE
from kit.page.assemble import CLOSED_MIME, build_page, source_text
from kit.page.html import WRAPPER, text_html
from kit.report.ahead import WaitingKernel
from kit.report.files import files_under, new_folder, note_inputs, write_notebook
from kit.report.template import find_template, own_template, read_template, tags_of
from kit.settings.params import ReviewParams
from kit.settings.yaml import read_yaml
from kit.trace import file_sha256

_PROGRESS = logging.getLogger("marginbook.progress")
_OPENING = "open_review("  # in the cell that opens a review
INPUT_FAULTS = {2, 3}  # exit statuses of errors the analyst mends in params or data


class _CellError(KitError):
    """A fault in params or data, raised in a cell of a template and passed on by its kernel.

    Parameters
    ----------
    message : str
        The text of the error in the cell.
    exit_status : int
        Its exit status.
    """

    def __init__(self, message: str, exit_status: int) -> None:
        self.exit_status = exit_status
        super().__init__(message)


class _KernelTimeoutError(KitError):
    """A kernel that died or did not answer in time."""

    exit_status = 5


@dataclass(frozen=True, slots=True)
class _Execution:
    """A template's notebook as far as it ran, and why the run does not count (None if it does)."""

    notebook: dict[str, Any]
    failure: KitError | None


@dataclass(slots=True)
class _Progress:
    """How far a run has come: its notebook, the cell begun last, what stopped it."""

    notebook: dict[str, Any]
    cell: str = ""
    error: Exception | None = None


def _execute_template(
    notebook: Mapping[str, Any],
    parameters: Mapping[str, str],
    *,
    folder: Path,
    timeout_s: float,
    variables: Mapping[str, str] | None = None,
    beside: str = "",
) -> _Execution:
    """Execute a template's cells in a kernel of their own; say whether the run counts.

    Parameters
    ----------
    notebook : mapping
        A checked template (see `read_template`).
    parameters : mapping of str to str
        Values for its parameters.
    folder : Path
        The kernel's working directory.
    timeout_s : float
        Time for all cells together, in seconds.
    variables : mapping of str to str, optional
        Set in the kernel's environment.
    beside : str
        The params file that a second process walks while the kernel does; "" for none.

    Returns
    -------
    _Execution
        Its failure is a `_CellError` (params or data at fault), an `ExecutionError` or a
        `_KernelTimeoutError`.
    """
    opens = any(_OPENING in source_text(c["source"]) for c in notebook["cells"])
    with WaitingKernel.taken(opens) as waiting:
        note = waiting.folder / "progress.json"
        own = {**(variables or {}), PROGRESS_VARIABLE: str(note)}
        told = {"folder": str(folder), "variables": own, "beside": beside}
        kernel = _start_kernel(waiting, told)  # which may still import
        try:
            with _passing_on(note):
                progress = _run_cells(notebook, parameters, kernel, timeout_s)
            last_words = waiting.last_words()
        finally:
            kernel.cleanup_resources()
    return _Execution(progress.notebook, _failure(progress, timeout_s, last_words))


def _execute_here(
    notebook: Mapping[str, Any], parameters: Mapping[str, str]
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Execute a template's cells in this process; what they show is what a kernel would.

    For the kit's own templates: their cells are known, thin, and show pieces of the kit alone.

    Returns
    -------
    dict, dict
        The executed notebook, and the variables its cells left.

    Raises
    ------
    Exception
        Whatever a cell raises.
    """
    variables: dict[str, Any] = {"__name__": "__main__"}
    cells: list[dict[str, Any]] = []
    count = 0
    for number, cell in enumerate(notebook["cells"], 1):
        _PROGRESS.info(f"cell {cell.get('id')}: %d of %d", number, len(notebook["cells"]))
        cell = {**cell, "source": source_text(cell["source"])}
        if cell["cell_type"] != "code":
            cells.append(cell)
            continue
        count += 1
        cells.append({**cell, "execution_count": count, "outputs": _shown_by(cell, variables)})
        for output in cells[-1]["outputs"]:
            if output["output_type"] == "execute_result":
                output["execution_count"] = count
        if "parameters" in tags_of(cell):
            count += 1
            variables.update(parameters)
            tags = {"tags": ["injected-parameters"]}
            cells.append({"cell_type": "code", "execution_count": count, "metadata": tags,
                          "outputs": [], "source": ""})  # fmt: skip
    return {**notebook, "cells": cells}, variables


def _shown_by(cell: Mapping[str, Any], variables: dict[str, Any]) -> list[dict[str, Any]]:
    """Run one cell; return its outputs: what it printed, then its last expression if not None."""
    body = ast.parse(cell["source"]).body
    last = body.pop() if body and isinstance(body[-1], ast.Expr) else None
    said: dict[str, io.StringIO] = {"stdout": io.StringIO(), "stderr": io.StringIO()}
    value = None
    with redirect_stdout(said["stdout"]), redirect_stderr(said["stderr"]):
        exec(compile(ast.Module(body, []), "cell", "exec"), variables)
        if last is not None:
            value = eval(compile(ast.Expression(last.value), "cell", "eval"), variables)
    outputs: list[dict[str, Any]] = [
        {"name": name, "output_type": "stream", "text": text.getvalue()}
        for name, text in said.items()
        if text.getvalue()
    ]
    if value is not None:
        data: dict[str, Any] = {"text/plain": repr(value)}
        if hasattr(value, "_repr_mimebundle_"):
            data |= value._repr_mimebundle_()
        if hasattr(value, "_repr_html_"):
            data["text/html"] = value._repr_html_()
        outputs.append({"data": data, "metadata": {}, "output_type": "execute_result"})
    return outputs


def _run_cells(
    notebook: Mapping[str, Any], parameters: Mapping[str, str], kernel: Any, timeout_s: float
) -> _Progress:
    """Run the cells and return how far they came."""
    with _without_grammar():
        import nbformat
        import papermill
        from nbclient.exceptions import CellTimeoutError, DeadKernelError
        from papermill.clientwrap import PapermillNotebookClient
        from papermill.engines import Engine, papermill_engines
        from papermill.exceptions import PapermillExecutionError

    deadline = time.monotonic() + timeout_s
    progress = _Progress(dict(notebook))

    class OneKernelEngine(Engine):  # type: ignore[misc]  # papermill is not typed
        """Runs cells in the kernel given, and holds on to the notebook while it does."""

        @classmethod
        def execute_managed_notebook(cls, nb_man: Any, kernel_name: str, **_: Any) -> None:
            progress.notebook = nb_man.nb

            def begin(cell: Any, cell_index: int) -> None:
                progress.cell = cell["id"]
                of = len(nb_man.nb.cells)
                _PROGRESS.info(f"cell {progress.cell}: %d of %d", cell_index + 1, of)
                if cell_index and _OPENING in source_text(nb_man.nb.cells[cell_index - 1].source):
                    # Logs are read: the kernel alone works until there is something to draw.
                    threading.Thread(target=_get_ready, daemon=True).start()

            client = PapermillNotebookClient(
                nb_man,
                km=kernel,
                kernel_name=kernel_name,
                record_timing=False,
                startup_timeout=60,
                shutdown_kernel="immediate",
                timeout_func=lambda cell: max(1, int(deadline - time.monotonic())),
                on_cell_start=begin,
                log=logging.getLogger("papermill"),
            )
            client.execute(cleanup_kc=True)

    papermill_engines.register("marginbook", OneKernelEngine)
    try:
        with _quiet_log():
            papermill.execute_notebook(
                nbformat.reads(json.dumps(notebook), as_version=4),  # type: ignore[no-untyped-call]
                None,
                dict(parameters),
                engine_name="marginbook",
                kernel_name="python3",
                language="python",
                progress_bar=False,
                log_output=False,
            )
    except (PapermillExecutionError, DeadKernelError, CellTimeoutError, RuntimeError) as error:
        progress.error = error
    return progress


@contextmanager
def _without_grammar() -> Iterator[None]:
    """Keep jsonschema from importing `rfc3987_syntax`, where that is installed.

    That package builds a grammar when it is imported, 0.7 s per process, for one format check
    (of addresses) that notebooks do not use. Other imports find it as before.
    """
    absent = "rfc3987_syntax" not in sys.modules
    if absent:
        sys.modules["rfc3987_syntax"] = None  # type: ignore[assignment]  # means: not importable
    try:
        yield
    finally:
        if absent:
            del sys.modules["rfc3987_syntax"]


@contextmanager
def _quiet_log() -> Iterator[None]:
    """Keep papermill's and nbclient's log off standard error: our errors say what it says."""
    log = logging.getLogger("papermill")
    before = log.level
    log.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        log.setLevel(before)


def _get_ready() -> None:
    """Import what makes a page and reads a run sheet."""
    import_module("pandas")
    import_module("pyarrow.csv")
    build_page({"cells": [{"cell_type": "markdown", "source": "# Ready"}]})


@contextmanager
def _passing_on(note: Path) -> Iterator[None]:
    """Pass on what a kernel notes of how far it has come, for as long as the block lasts."""
    done = threading.Event()

    def watch() -> None:
        said = ""
        while not done.wait(0.2):
            with contextlib.suppress(OSError, ValueError):  # not there yet, or half written
                if (now := note.read_text(encoding="utf-8")) != said:
                    message, *numbers = json.loads(now)
                    _PROGRESS.info(message, *numbers)
                    said = now

    watcher = threading.Thread(target=watch, daemon=True)
    watcher.start()
    try:
        yield
    finally:
        done.set()
        watcher.join()


def _start_kernel(waiting: WaitingKernel, told: Mapping[str, Any]) -> Any:
    """Make a waiting Python a kernel, whatever kernels are registered on the machine."""
    from jupyter_client.asynchronous.client import AsyncKernelClient
    from jupyter_client.kernelspec import KernelSpec, KernelSpecManager
    from jupyter_client.manager import KernelManager
    from jupyter_client.provisioning.local_provisioner import LocalProvisioner

    class ThisPython(KernelSpecManager):
        """Knows one kernel."""

        def get_kernel_spec(self, kernel_name: str) -> KernelSpec:
            """Return the kernel of the running Python."""
            return KernelSpec(argv=[], display_name="Python 3", language="python")

    class Waiting(LocalProvisioner):
        """Starts no process: the kernel's is there."""

        async def launch_kernel(self, cmd: list[str], **kwargs: Any) -> Any:
            """Tell the process which kernel to be."""
            waiting.become(kernel.connection_file, told)
            self.process = waiting.process
            self.pid = self.pgid = waiting.process.pid
            return self.connection_info

        async def kill(self, restart: bool = False) -> None:
            """End it at once, so that nobody asks again and again whether it has ended."""
            await super().kill(restart)
            waiting.process.wait()

    class Prompt(AsyncKernelClient):  # the blocking one waits for a dead kernel's output for ever
        """Takes its kernel for ready once it has answered, and does not wait for silence then.

        Who runs cells passes over what is not of the cell that runs.
        """

        async def wait_for_ready(self, timeout: float | None = None) -> None:
            """Return when the kernel answers on both channels, RuntimeError if it does not."""
            limit = time.monotonic() + (timeout or 60)
            while time.monotonic() < limit and await self.is_alive():
                self.kernel_info()
                with contextlib.suppress(queue.Empty):
                    reply = await self.get_shell_msg(timeout=1)
                    await self.get_iopub_msg(timeout=0.2)
                    self._handle_kernel_info_reply(reply)
                    return
            raise RuntimeError("no answer")

    kernel = KernelManager(
        kernel_name="python3",
        kernel_id="marginbook",
        kernel_spec_manager=ThisPython(),
        connection_file=str(waiting.folder / "kernel.json"),
        client_factory=Prompt,
    )
    kernel.provisioner = Waiting(
        kernel_id=kernel.kernel_id, kernel_spec=kernel.kernel_spec, parent=kernel
    )
    # A socket's path holds about 100 characters.
    if os.name == "posix" and len(str(waiting.folder)) < 80:
        kernel.transport, kernel.ip = "ipc", str(waiting.folder / "kernel")
    kernel.start_kernel()
    return kernel


def _failure(progress: _Progress, timeout_s: float, last_words: str) -> KitError | None:
    """Return why a run does not count, or None if it does."""
    codes = [cell for cell in progress.notebook["cells"] if cell["cell_type"] == "code"]
    for cell in codes:
        for output in cell.get("outputs", ()):
            if output["output_type"] == "error":
                return _cell_failure(cell, output)
    where = f'in cell "{progress.cell}"' if progress.cell else "before the first cell"
    if isinstance(progress.error, TimeoutError):
        return _KernelTimeoutError(
            f"stopped {where}: not done after {timeout_s:g} s. Give it more time (--timeout), or "
            "look for an endless loop in that cell."
        )
    if progress.error is not None:
        return _KernelTimeoutError(f"the kernel died {where}{last_words}.")
    undone = [
        cell
        for cell in codes
        if cell.get("execution_count") is None and "".join(cell["source"]).strip()
    ]
    if undone:
        return ExecutionError(f"cell {_name(undone[0])} did not run, so the run does not count.")
    if closing_of(progress.notebook) is None:
        last = _name(codes[-1]) if codes else "(none)"
        return ExecutionError(
            f"the last cell, {last}, did not close the review: it must end with close_review(...)."
        )
    return None


def _cell_failure(cell: Mapping[str, Any], output: Mapping[str, Any]) -> KitError:
    """Return the error of a failed cell; what the analyst can mend keeps its own exit status."""
    name, said = output.get("ename", ""), output.get("evalue", "")
    if name in {"SystemExit", "KeyboardInterrupt"}:
        return ExecutionError(
            f"cell {_name(cell)} ended the notebook ({name}: {said or 'no status'}); the cells "
            "after it did not run, so the run does not count."
        )
    kind = getattr(errors, name, None)
    if isinstance(kind, type) and issubclass(kind, KitError):
        if kind.exit_status in INPUT_FAULTS:
            return _CellError(said, kind.exit_status)
        return ExecutionError(f"{said}\nRaised in cell {_name(cell)}.")
    return ExecutionError(f"cell {_name(cell)} failed: {name}: {said}")


def _name(cell: Mapping[str, Any]) -> str:
    """Return the id of a cell, in quotes."""
    return f'"{cell.get("id", "?")}"'


def closing_of(notebook: Mapping[str, Any]) -> dict[str, str] | None:
    """Return what the closing cell (the last code cell) said, or None if it did not close."""
    codes = [cell for cell in notebook["cells"] if cell["cell_type"] == "code"]
    for output in codes[-1].get("outputs", ()) if codes else ():
        said = output.get("data", {}).get(CLOSED_MIME)
        if isinstance(said, dict) and {"review", "claims_sha256"} <= said.keys():
            return {key: str(value) for key, value in said.items()}
    return None


def _scrub_notebook(
    notebook: Mapping[str, Any], parameters: Mapping[str, str], *, folders: Sequence[Path]
) -> dict[str, Any]:
    """Return an executed notebook that says the same wherever and whenever it was executed.

    Parameters
    ----------
    notebook : mapping
    parameters : mapping of str to str
        What the injected cell is rewritten to say.
    folders : sequence of Path
        Folders whose names are taken out of every text, the longest first.
    """
    names = sorted(
        {str(folder) for folder in folders if len(folder.parts) > 1}, key=len, reverse=True
    )
    cells = []
    for cell in _without_places(notebook["cells"], names):
        tags = tags_of(cell)
        kept = {**cell, "metadata": {"tags": tags} if tags else {}}
        if "injected-parameters" in tags:
            kept["id"] = "injected-parameters"  # papermill gives it a random one
            kept["source"] = "\n".join(f"{name} = {value!r}" for name, value in parameters.items())
        cells.append(kept)
    return {
        "cells": cells,
        "metadata": {
            "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
            "language_info": {"name": "python"},
        },
        "nbformat": 4,
        "nbformat_minor": 5,
    }


def _without_places(value: Any, names: Sequence[str]) -> Any:
    """Return a value of JSON with folders, kernel files and memory addresses out of its texts."""
    if isinstance(value, str):
        for name in names:
            value = value.replace(name + os.sep, "").replace(name, ".")
        if "ipykernel_" in value:  # looked for first: the pattern is slow on a long text
            value = re.sub(r"[^\s'\"]*ipykernel_\d+[/\\]\d+\.py", "cell", value)
        return re.sub(r" at 0x[0-9a-fA-F]{6,}", "", value)
    if isinstance(value, Mapping):
        return {key: _without_places(item, names) for key, item in value.items()}
    if isinstance(value, list):
        return [_without_places(item, names) for item in value]
    return value


_AHEAD_OF = "review.ipynb"  # the template whose steps `kit.report.ahead` walks too


@dataclass(frozen=True, slots=True)
class ReviewRun:
    """A review that ran to its end, and where its files are."""

    review: str
    folder: Path
    claims_sha256: str
    files: tuple[str, ...]  # in the folder, with forward slashes

    @property
    def report(self) -> Path:
        """The page."""
        return self.folder / "report.html"


@dataclass(frozen=True, slots=True)
class Closing:
    """Says that a notebook ran to its end, and what the claims it wrote hash to.

    Attributes
    ----------
    review, claims_sha256 : str
    finding : str
        What was found, in a sentence: a notebook ends here, far below its summary.
    house : mapping of str to str
        The house style, for the page.
    """

    review: str
    claims_sha256: str
    finding: str = ""
    house: Mapping[str, str] = field(default_factory=dict)

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, Any]:
        said = f"Review {self.review} is complete. claims.json: SHA-256 {self.claims_sha256}"
        shown = f"<p>{text_html(said)}</p>"
        if self.finding:
            said = f"{self.finding}\n{said}"
            to_top = '<a href="#finding">to the summary</a>'
            shown = f"<p><b>{text_html(self.finding)}</b> {to_top}</p>{shown}"
        closed = {"review": self.review, "claims_sha256": self.claims_sha256}
        return {
            CLOSED_MIME: closed | ({"house": dict(self.house)} if self.house else {}),
            "text/html": f"{WRAPPER}{shown}</div>",
            "text/plain": said,
        }


def close_review(
    out_dir: str | Path, *, review: str, finding: str = "", house: Mapping[str, str] | None = None
) -> Closing:
    """Return the closing of a review; shown by the last cell of a template.

    Parameters
    ----------
    out_dir : str or Path
    review : str
    finding : str, optional
        What was found, in a sentence.
    house : mapping of str to str, optional
        The house style.

    Raises
    ------
    ExecutionError
        If `out_dir` holds no `claims.json`.
    """
    path = Path(out_dir) / "claims.json"
    if not path.is_file():
        raise ExecutionError(f"no claims.json in {Path(out_dir).name}: nothing was claimed")
    look = {key: value for key, value in (house or {}).items() if key != "logo"}
    return Closing(review, file_sha256(path), finding, look)


def run_review(
    params_path: Path,
    *,
    out_dir: Path,
    template: Path | None = None,
    timeout_s: float | None,
    allow_foreign_template: bool = False,
    reading: Reading = PLAIN,
    ahead: bool = False,
) -> ReviewRun:
    """Execute a review's template and put its folder, `out_dir/<review>`, in place.

    Parameters
    ----------
    params_path : Path
    out_dir : Path
        Made if it is not there.
    template : Path, optional
        In place of the one the params file names.
    timeout_s : float, optional
        Time for all cells together, in seconds. None: one of the kit's own templates, run in this
        process, for which its starter watches the time.
    allow_foreign_template : bool
        Whether a template outside the project and the package may run. A template is code and
        runs with the caller's rights.
    reading : Reading
        How logs are read: the store used (without one, one of this run alone), processes, cluster.
    ahead : bool
        Whether a second process may work beside the kernel. It changes no byte.

    Raises
    ------
    ParamsError, TemplateError, UsageError
        Before anything runs or is written.
    _CellError
        Faults in params or data found while the template ran; nothing is written.
    ExecutionError, _KernelTimeoutError
        The template did not run to its end; the half-run notebook is kept and named.
    """
    params_path = params_path.resolve()
    params = read_yaml(params_path, file=params_path.name, error=ParamsError).as_model(
        ReviewParams, ParamsError
    )
    path = find_template(
        params_path, template or Path(params.template), allow_foreign=allow_foreign_template
    )
    if timeout_s is None and path.read_bytes() != own_template(path.name).read_bytes():
        raise UsageError(f"{path.name} is not the kit's own: it runs in a kernel")
    folders = [params_path.parent, params_path.parent.parent]
    store, known = reading.store, ""
    if store is not None and ahead:
        known = _runs_key(params_path, params)
        # Nearly all is in the store then, and a second process would only be in the way.
        ahead = store.load(known) is None
    with _with_store(reading) as reading:
        if reading.cluster or reading.jobs > 1:
            from kit.review.walk import load_review

            load_review(params_path, reading=reading)  # into the store, where the kernel finds it
        done = run_template(
            path,
            {"params_path": str(params_path)},
            name=params.review,
            out_dir=out_dir,
            folders=folders,
            timeout_s=timeout_s,
            variables=reading.kernel_variables(),
            beside=str(params_path) if ahead and path.name == _AHEAD_OF else "",
        )
        note_inputs(done.folder, params_path, kept=reading.store)
    if store is not None and known:
        store.keep(known, b"")
    return done


def _runs_key(params_path: Path, params: ReviewParams) -> str:
    """Return the key under which the store notes that a review of these runs was made before."""
    try:
        sheet = (params_path.parent / params.bench / "runs.csv").read_bytes()
    except OSError:  # said where the bench is read
        sheet = b""
    return content_key("review", own_code(), str(params_path), sheet)


def run_template(
    template: Path,
    given: Mapping[str, str],
    *,
    name: str,
    out_dir: Path,
    folders: Sequence[Path],
    timeout_s: float | None,
    variables: Mapping[str, str] | None = None,
    beside: str = "",
) -> ReviewRun:
    """Execute a template and put its folder, `out_dir/<name>`, in place.

    Parameters
    ----------
    template : Path
        A notebook; it runs with the caller's rights.
    given : mapping of str to str
        The paths it is given, by parameter; `out_dir` is added.
    name : str
        What its last cell closes, and the name of its folder.
    out_dir : Path
        Made if it is not there.
    folders : sequence of Path
        Folders whose names must not show in the notebook or page.
    timeout_s : float, optional
        Time for all cells together, in seconds; None runs them in this process.
    variables, beside
        As for `_execute_template`.

    Raises
    ------
    KitError
        As `run_review`.
    """
    notebook = read_template(template, parameters=(*given, "out_dir"))
    with new_folder(out_dir, name) as new:
        shown = {key: Path(value).name for key, value in given.items()} | {"out_dir": name}
        hidden = [new.staging, out_dir.resolve(), template.parent, *folders, PACKAGE.parent]
        hidden += [Path(sys.prefix), Path.home(), Path.cwd()]
        given = {**given, "out_dir": str(new.staging)}
        if timeout_s is None:
            with environment_of(variables or {}):
                execution = _Execution(_execute_here(notebook, given)[0], None)
        else:
            execution = _execute_template(
                notebook,
                given,
                folder=template.parent,
                timeout_s=timeout_s,
                variables=variables,
                beside=beside,
            )
        if isinstance(execution.failure, _CellError):
            raise execution.failure
        executed = _scrub_notebook(execution.notebook, shown, folders=hidden)
        try:
            if execution.failure is not None:
                raise execution.failure
            closed = _close(executed, name, new.staging)
            new.put_in_place()
        except KitError as error:
            kept = new.keep_half_run(executed, out_dir)
            raise type(error)(f"{name}: {error}\n{kept}") from None
    return replace(closed, folder=new.target)


def redraw_report(folder: Path, *, to: Path, text: Path | None = None) -> tuple[str, ...]:
    """Make a finished review's page again from its `claims.json` and text alone.

    Parameters
    ----------
    folder : Path
        The review's folder, or the folder `data` of its bag: `claims.json` alone is read.
    to : Path
        The page to write, outside that folder.
    text : Path, optional
        The review's text.

    Returns
    -------
    tuple of str
        Ids of the template's cells that claims do not give, see `kit.page.outputs.redraw_page`.

    Raises
    ------
    KitError
        If there are no claims that can be read, they are of an older form, the text does not fit
        them, or the page cannot be written.
    """
    from kit.claims.bound_text import bind_file
    from kit.claims.of_pages import page_of
    from kit.page.outputs import redraw_page

    if to.resolve().is_relative_to(folder.resolve()):
        raise UsageError(f"{to} lies in the review's own folder; write the page elsewhere")
    book = load_claims(folder)
    if book.file_format != CLAIMS_FORMAT:
        raise UsageError(
            f"{folder.name}: its claims are written as {book.file_format}, which does not hold all "
            f"a page shows; run the review once more, which writes {CLAIMS_FORMAT}"
        )
    template = read_template(own_template(f"{page_of(book.settings['template'])}.ipynb"))
    bound = None if text is None else bind_file(text, folder)
    sha256 = file_sha256(folder / "claims.json")
    page, lacking = redraw_page(template, book, bound, claims_sha256=sha256)
    try:
        to.write_text(page, encoding="utf-8")
    except OSError as error:
        raise UsageError(f"cannot write {to}: {error.strerror}") from None
    return lacking


@contextlib.contextmanager
def _with_store(reading: Reading) -> Iterator[Reading]:
    """Give the reading with a store: its own, or one that lasts as long as the run."""
    if reading.store is not None:
        yield reading
        return
    with tempfile.TemporaryDirectory(prefix="marginbook-store-") as own:
        yield replace(reading, store=Store(Path(own)))


def write_here(
    template: Path, params_path: Path, *, folder: Path, reading: Reading = PLAIN
) -> tuple[ReviewRun, dict[str, Any]]:
    """Write the files of a review into `folder` by running one of the kit's own templates here.

    The bytes are those `run_review` would write, at less cost: no kernel, no second process.

    Parameters
    ----------
    template : Path
        One of the kit's own (see `own_template`): it runs in this process.
    params_path : Path
    folder : Path
        Is there and empty.
    reading : Reading
        How logs are read; plainly, whatever store the caller's environment names.

    Returns
    -------
    ReviewRun, dict
        What was closed, and the variables the template's cells left.

    Raises
    ------
    KitError
        As a cell raises it, or if the template did not close the review.
    """
    given = {"params_path": str(params_path), "out_dir": str(folder)}
    with environment_of(reading.kernel_variables()):
        executed, variables = _execute_here(read_template(template), given)
    review = (closing_of(executed) or {}).get("review", "")
    shown = {"params_path": params_path.name, "out_dir": review}
    executed = _scrub_notebook(executed, shown, folders=[folder])
    return _close(executed, review, folder), variables


@contextlib.contextmanager
def environment_of(variables: Mapping[str, str]) -> Iterator[None]:
    """Set variables of this process's environment for a while, as a kernel's would be set."""
    before = {name: os.environ.get(name) for name in variables}
    os.environ.update(variables)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def _close(notebook: dict[str, Any], review: str, folder: Path) -> ReviewRun:
    """Check what the template wrote into a folder, and add the page and the notebook."""
    closing = closing_of(notebook) or {}
    claims = folder / "claims.json"
    written = file_sha256(claims) if claims.is_file() else "missing"
    if closing.get("claims_sha256") != written or closing.get("review") != review:
        raise ExecutionError(
            f"the closing cell closed review {closing.get('review')!r} with other claims than "
            f"those in its folder (claims.json: {written})."
        )
    _PROGRESS.info("building the page")
    page = build_page(notebook)
    if wanted := json.loads(claims.read_bytes())["settings"].get("slides"):
        from kit.page.slides import SlideSet, write_slides

        write_slides(load_claims(folder), folder / "slides", SlideSet(tuple(wanted)))
    files = sorted({*files_under(folder), "executed.ipynb", "report.html"})
    notebook["metadata"]["marginbook"] = {"files": files}
    (folder / "report.html").write_text(page, encoding="utf-8")
    write_notebook(folder / "executed.ipynb", notebook)
    return ReviewRun(review, folder, written, tuple(files))
