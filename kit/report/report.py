"""A review executed into its folder: report, claims, executed notebook, tables, charts.

Everything is written into a hidden folder beside the target and put in place by a rename at the
very end, under a lock: what stands under a final name is always whole, and a run that fails
leaves the earlier report as it was.
"""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import shutil
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from kit.claims.claim import file_sha256
from kit.errors import CellError, ExecutionError, KitError, ParamsError, UsageError
from kit.metrics.log_facts import own_code
from kit.metrics.measuring import PLAIN, Reading, kernel_variables
from kit.metrics.store import Store, content_key, keep_entry, load_entry
from kit.package import PACKAGE
from kit.page.assemble import build_page
from kit.page.cell_html import CLOSED_MIME
from kit.report.execute import closing_of, execute_template, scrub_notebook
from kit.report.inputs import note_inputs
from kit.report.template import OWN_HOMES, read_template
from kit.settings.params import ReviewParams
from kit.settings.yaml import check_model, read_yaml

AHEAD_OF = "review.ipynb"  # the template whose steps `kit.report.ahead` walks too
KEPT_ANYWAY = {".ipynb_checkpoints"}  # JupyterLab's own, worth nothing


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
    with _target(out_dir, name) as (target, staging):
        shown = {key: Path(value).name for key, value in given.items()} | {"out_dir": name}
        hidden = [
            staging,
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
            {**given, "out_dir": str(staging)},
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
            return _finish(executed, name, target, staging)
        except KitError as error:
            raise _with_place(error, executed, out_dir, name, target) from None


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


@contextlib.contextmanager
def _target(out_dir: Path, review: str) -> Iterator[tuple[Path, Path]]:
    """Give the target folder and a hidden one beside it to write into, under a lock."""
    from filelock import FileLock, Timeout

    target = out_dir.resolve() / review
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
        lock = FileLock(out_dir / f".{review}.lock")
        lock.acquire(timeout=0.5)
    except Timeout:
        raise ExecutionError(
            f"another run is writing {out_dir / review}; wait for it, or give another --out"
        ) from None
    except OSError as error:
        raise UsageError(f"cannot write into {out_dir}: {error.strerror}") from None
    try:
        _tidy(target)
        _refuse_foreign_files(target)
        staging = target.with_name(f".{review}.partial-{secrets.token_hex(4)}")
        try:
            staging.mkdir()
            yield target, staging
        except OSError as error:
            raise ExecutionError(
                f"could not write {out_dir / review}: {error.strerror or error}. {_state(target)}"
            ) from None
        finally:
            shutil.rmtree(staging, ignore_errors=True)
    except BaseException:
        if not target.exists():  # a first run that failed leaves nothing behind, not even its lock
            with contextlib.suppress(OSError):
                (out_dir / f".{review}.lock").unlink()
                out_dir.rmdir()  # only where it holds nothing
        raise
    finally:
        lock.release()


def _tidy(target: Path) -> None:
    """Remove what a killed run left, and put back a folder it had moved aside."""
    if not target.exists():
        for old in sorted(target.parent.glob(f".{target.name}.old-*")):
            old.rename(target)
            break
    for left in (
        *target.parent.glob(f".{target.name}.partial-*"),
        *target.parent.glob(f".{target.name}.old-*"),
    ):
        shutil.rmtree(left, ignore_errors=True)


def _refuse_foreign_files(target: Path) -> None:
    """Refuse to replace a folder that holds files no earlier run of ours wrote."""
    if not target.exists():
        return
    try:
        notebook = json.loads((target / "executed.ipynb").read_text(encoding="utf-8"))
        ours = set(notebook["metadata"]["marginbook"]["files"])
    except (OSError, ValueError, KeyError, TypeError):
        ours = set()
    foreign = [
        name
        for name in _files(target)
        if name not in ours and not KEPT_ANYWAY & set(Path(name).parts)
    ]
    if foreign:
        raise UsageError(
            f"{target.name} holds files this command did not write ({', '.join(foreign[:3])}"
            f"{', ...' if len(foreign) > 3 else ''}) and would remove; move them, or give "
            "another --out"
        )


def _files(folder: Path) -> list[str]:
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if not p.is_dir())


def _finish(notebook: dict[str, Any], review: str, target: Path, staging: Path) -> ReviewRun:
    """Check what the template wrote, add the page and the notebook, put the folder in place."""
    closing = closing_of(notebook) or {}
    claims = staging / "claims.json"
    written = file_sha256(claims) if claims.is_file() else "missing"
    if closing.get("claims_sha256") != written or closing.get("review") != review:
        raise ExecutionError(
            f"the closing cell closed review {closing.get('review')!r} with other claims than "
            f"those in its folder (claims.json: {written})."
        )
    page = build_page(notebook)
    files = sorted({*_files(staging), "executed.ipynb", "report.html"})
    notebook["metadata"]["marginbook"] = {"files": files}
    (staging / "report.html").write_text(page, encoding="utf-8")
    _write_notebook(staging / "executed.ipynb", notebook)
    _swap(staging, target)
    return ReviewRun(review, target, target / "report.html", written, tuple(files))


def put_folder(files: Mapping[str, bytes], *, name: str, out_dir: Path) -> Path:
    """Put a finished review's folder, made elsewhere, in place: whole or not at all.

    Parameters
    ----------
    files : mapping of str to bytes
        By their names in the folder, with forward slashes.
    name, out_dir
        The folder is `out_dir/<name>`.

    Raises
    ------
    ExecutionError, UsageError
        If another run is writing it, it cannot be written, or holds files no run wrote.
    """
    with _target(out_dir, name) as (target, staging):
        for file, data in files.items():
            path = staging / file
            if not path.resolve().is_relative_to(staging.resolve()):
                raise ExecutionError(f'"{file}" would be written outside {name}')
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
        _swap(staging, target)
    return target


def _swap(staging: Path, target: Path) -> None:
    """Put the folder written in place of the one that was there."""
    aside = target.with_name(f".{target.name}.old-{secrets.token_hex(4)}")
    if target.exists():
        target.rename(aside)
    staging.rename(target)
    shutil.rmtree(aside, ignore_errors=True)
    _half_run_path(target.parent, target.name).unlink(missing_ok=True)


def _half_run_path(out_dir: Path, review: str) -> Path:
    return out_dir / f"{review}.failed.ipynb"


def _with_place(
    error: KitError, notebook: dict[str, Any], out_dir: Path, review: str, target: Path
) -> KitError:
    """Keep a half-run notebook; return its error with where it is kept added."""
    path = _half_run_path(out_dir, review)
    try:
        _write_notebook(path, notebook)
        kept = f"Its notebook, as far as it ran: {path}."
    except OSError as fault:
        kept = f"Its notebook could not be kept ({fault.strerror})."
    return type(error)(f"{review}: {error}\n{kept} {_state(target)}")


def _state(target: Path) -> str:
    if target.exists():
        return f"The earlier {target.name} is as it was."
    return "Nothing was put in place."


def _write_notebook(path: Path, notebook: dict[str, Any]) -> None:
    """Write a notebook whole or not at all: same notebook, same bytes."""
    text = json.dumps(notebook, indent=1, ensure_ascii=False, sort_keys=True) + "\n"
    part = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        part.write_text(text, encoding="utf-8")
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
