"""A review executed into its folder: report, claims, executed notebook, tables, charts.

What stands under a final name is always whole (see `kit.report.files`), and a run that fails leaves
the earlier report as it was.
"""

from __future__ import annotations

import contextlib
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from kit.claims.claim import file_sha256
from kit.errors import CellError, ExecutionError, KitError, ParamsError, UsageError
from kit.metrics.measuring import PLAIN, Reading, kernel_variables, own_code
from kit.metrics.store import Store, content_key, keep_entry, load_entry
from kit.package import PACKAGE
from kit.page.assemble import build_page
from kit.page.cell_html import CLOSED_MIME
from kit.report.execute import closing_of, execute_template, scrub_notebook
from kit.report.files import NewFolder, new_folder, note_inputs, write_notebook
from kit.report.template import OWN_HOMES, read_template
from kit.settings.params import ReviewParams
from kit.settings.yaml import check_model, read_yaml

AHEAD_OF = "review.ipynb"  # the template whose steps `kit.report.ahead` walks too


@dataclass(frozen=True, slots=True)
class ReviewRun:
    """A review that ran to its end, and where its files are."""

    review: str
    folder: Path
    report: Path
    claims_sha256: str
    files: tuple[str, ...]  # in the folder, with forward slashes


@dataclass(frozen=True, slots=True)
class Closing:
    """Says that a notebook ran to its end, and what the claims it wrote hash to."""

    review: str
    claims_sha256: str

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, Any]:
        said = f"Review {self.review} is complete. claims.json: SHA-256 {self.claims_sha256}"
        return {
            CLOSED_MIME: {"review": self.review, "claims_sha256": self.claims_sha256},
            "text/plain": said,
        }


def close_review(out_dir: str | Path, *, review: str) -> Closing:
    """Return the closing of a review; shown by the last cell of a template.

    Raises
    ------
    ExecutionError
        If `out_dir` holds no `claims.json`.
    """
    path = Path(out_dir) / "claims.json"
    if not path.is_file():
        raise ExecutionError(f"no claims.json in {Path(out_dir).name}: nothing was claimed")
    return Closing(review, file_sha256(path))


def run_review(
    params_path: Path,
    *,
    out_dir: Path,
    template: Path | None = None,
    timeout_s: float,
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
    timeout_s : float
        Time for all cells together, in seconds.
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
    CellError
        Faults in params or data found while the template ran; nothing is written.
    ExecutionError, KernelTimeoutError
        The template did not run to its end; the half-run notebook is kept and named.
    """
    params_path = params_path.resolve()
    params = check_model(
        read_yaml(params_path, file=params_path.name, error=ParamsError), ReviewParams, ParamsError
    )
    path = find_template(
        params_path, template or Path(params.template), allow_foreign=allow_foreign_template
    )
    folders = [params_path.parent, params_path.parent.parent]
    store, known = reading.store, ""
    if store is not None and ahead:
        known = _runs_key(params_path, params)
        # Nearly all is in the store then, and a second process would only be in the way.
        ahead = load_entry(store, known) is None
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
            variables=kernel_variables(reading),
            beside=("-m", "kit.report.ahead", str(params_path))
            if ahead and path.name == AHEAD_OF
            else (),
        )
    if store is not None and known:
        keep_entry(store, known, b"")
    note_inputs(done.folder, params_path)
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
    timeout_s: float,
    variables: Mapping[str, str] | None = None,
    beside: Sequence[str] = (),
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
    timeout_s : float
        Time for all cells together, in seconds.
    variables, beside
        As for `execute_template`.

    Raises
    ------
    KitError
        As `run_review`.
    """
    notebook = read_template(template, parameters=(*given, "out_dir"))
    with new_folder(out_dir, name) as new:
        shown = {key: Path(value).name for key, value in given.items()} | {"out_dir": name}
        hidden = [
            new.staging,
            out_dir.resolve(),
            template.parent,
            *folders,
            PACKAGE.parent,
            Path(sys.prefix),
            Path.home(),
            Path.cwd(),
        ]
        execution = execute_template(
            notebook,
            {**given, "out_dir": str(new.staging)},
            folder=template.parent,
            timeout_s=timeout_s,
            variables=variables,
            beside=beside,
        )
        if isinstance(execution.failure, CellError):
            raise execution.failure
        executed = scrub_notebook(execution.notebook, shown, folders=hidden)
        try:
            if execution.failure is not None:
                raise execution.failure
            return _finish(executed, name, new)
        except KitError as error:
            kept = new.keep_half_run(executed, out_dir)
            raise type(error)(f"{name}: {error}\n{kept}") from None


def find_template(params_path: Path, template: Path, *, allow_foreign: bool) -> Path:
    """Return the template to run.

    A bare name is looked for in the folder `notebooks` beside the params file or beside one of
    the folders above it, then among the kit's own. Folders anyone may write to are passed over.

    Raises
    ------
    UsageError
        If there is no such template, or it lies outside the project and the package and was not
        asked for.
    """
    own = [folder for folder in OWN_HOMES if folder.is_dir()]
    projects = [
        folder / "notebooks"
        for folder in params_path.parents
        if (folder / "notebooks").is_dir() and not (folder.stat().st_mode & 0o002)
    ]
    homes = [home.resolve() for home in (*projects[:1], *own)]
    if template.parent == Path():
        for home in homes:
            if (home / template).is_file():
                template = home / template
                break
    if not template.is_file():
        looked = ", ".join(home.parent.name + "/notebooks" for home in homes) or "no folder"
        raise UsageError(f'no template "{template}" (looked in {looked})')
    found = template.resolve()
    if not allow_foreign and not any(found.is_relative_to(home) for home in homes):
        raise UsageError(
            f'template "{template}" lies outside the project\'s notebooks. A template is code '
            "and runs with your rights: read it first, then say --foreign-template"
        )
    return found


@contextlib.contextmanager
def _with_store(reading: Reading) -> Iterator[Reading]:
    """Give the reading with a store: its own, or one that lasts as long as the run."""
    if reading.store is not None:
        yield reading
        return
    with tempfile.TemporaryDirectory(prefix="marginbook-store-") as own:
        yield replace(reading, store=Store(Path(own)))


def _finish(notebook: dict[str, Any], review: str, new: NewFolder) -> ReviewRun:
    """Check what the template wrote, add the page and the notebook, put the folder in place."""
    closing = closing_of(notebook) or {}
    claims = new.staging / "claims.json"
    written = file_sha256(claims) if claims.is_file() else "missing"
    if closing.get("claims_sha256") != written or closing.get("review") != review:
        raise ExecutionError(
            f"the closing cell closed review {closing.get('review')!r} with other claims than "
            f"those in its folder (claims.json: {written})."
        )
    page = build_page(notebook)
    files = sorted({*new.names(), "executed.ipynb", "report.html"})
    notebook["metadata"]["marginbook"] = {"files": files}
    (new.staging / "report.html").write_text(page, encoding="utf-8")
    write_notebook(new.staging / "executed.ipynb", notebook)
    new.put_in_place()
    return ReviewRun(review, new.target, new.target / "report.html", written, tuple(files))
