"""A review's folder, written whole or not at all, and beside it the note of what it was made from.

Everything is written into a hidden folder beside the target and put in place by a rename at the
very end, under a lock: what stands under a final name is always whole. A report holds no paths, as
two runs from two folders must give the same bytes; so the way back to the params file, and what was
installed, stand in a hidden file beside the folder, which no one publishes.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import secrets
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from kit.bench.prices import read_prices
from kit.bench.runs import RunSheet
from kit.claims.claim import ClaimBook
from kit.errors import ExecutionError, KitError, SealError, UsageError
from kit.package import installed_versions, kit_version
from kit.report.template import find_template
from kit.settings.params import load_params
from kit.settings.yaml import Kept

KEPT_ANYWAY = {".ipynb_checkpoints"}  # JupyterLab's own, of no use here
_FORMAT = "marginbook-inputs/1"


@dataclass(frozen=True, slots=True)
class _NewFolder:
    """A folder under way.

    Attributes
    ----------
    target : Path
        Where it is to stand.
    staging : Path
        A hidden folder beside it, in which it is written.
    """

    target: Path
    staging: Path

    def write(self, files: Mapping[str, bytes]) -> None:
        """Write files made elsewhere, by their names in the folder, with forward slashes.

        Raises
        ------
        ExecutionError
            If a name leads out of the folder.
        """
        for file, data in files.items():
            path = self.staging / file
            if not path.resolve().is_relative_to(self.staging.resolve()):
                raise ExecutionError(f'"{file}" would be written outside {self.target.name}')
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)

    def put_in_place(self) -> None:
        """Put the folder written in place of the one that was there."""
        aside = self.target.with_name(f".{self.target.name}.old-{secrets.token_hex(4)}")
        if self.target.exists():
            self.target.rename(aside)
        self.staging.rename(self.target)
        shutil.rmtree(aside, ignore_errors=True)
        _half_run_path(self.target.parent, self.target.name).unlink(missing_ok=True)

    def keep_half_run(self, notebook: Mapping[str, Any], out_dir: Path) -> str:
        """Keep the notebook of a run that failed; say where it is and what stands in place."""
        path = _half_run_path(out_dir, self.target.name)
        try:
            write_notebook(path, notebook)
            kept = f"Its notebook, as far as it ran: {path}."
        except OSError as fault:
            kept = f"Its notebook could not be kept ({fault.strerror})."
        return f"{kept} {self.state()}"

    def state(self) -> str:
        """Say what stands under the final name after a run that failed."""
        if self.target.exists():
            return f"The earlier {self.target.name} is as it was."
        return "Nothing was put in place."


@contextlib.contextmanager
def new_folder(out_dir: Path, name: str) -> Iterator[_NewFolder]:
    """Give a hidden folder to write into, which takes the place of `out_dir/<name>`, under a lock.

    Raises
    ------
    ExecutionError
        If another run is writing it, or it cannot be written.
    UsageError
        If `out_dir` cannot be written into, or the folder holds files no run wrote.
    """
    from filelock import FileLock, Timeout

    target = out_dir.resolve() / name
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
        lock = FileLock(out_dir / f".{name}.lock")
        lock.acquire(timeout=0.5)
    except Timeout:
        raise ExecutionError(
            f"another run is writing {out_dir / name}; wait for it, or give another --out"
        ) from None
    except OSError as error:
        raise UsageError(f"cannot write into {out_dir}: {error.strerror}") from None
    try:
        _tidy(target)
        _refuse_foreign_files(target)
        new = _NewFolder(target, target.with_name(f".{name}.partial-{secrets.token_hex(4)}"))
        try:
            new.staging.mkdir()
            yield new
        except OSError as error:
            raise ExecutionError(
                f"could not write {out_dir / name}: {error.strerror or error}. {new.state()}"
            ) from None
        finally:
            shutil.rmtree(new.staging, ignore_errors=True)
    except BaseException:
        if not target.exists():  # a first run that failed leaves nothing behind, not even its lock
            with contextlib.suppress(OSError):
                (out_dir / f".{name}.lock").unlink()
                out_dir.rmdir()  # only where it holds nothing
        raise
    finally:
        lock.release()


def _tidy(target: Path) -> None:
    """Remove what a killed run left, and put back a folder it had moved aside.

    Between the two renames of `put_in_place` nothing stands at the target: then the old folder is
    the whole one.
    """
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
    """Refuse to replace a folder that holds files no earlier run of ours wrote.

    Raises
    ------
    UsageError
        With the first three of them.
    """
    if not target.exists():
        return
    try:
        notebook = json.loads((target / "executed.ipynb").read_text(encoding="utf-8"))
        ours = set(notebook["metadata"]["marginbook"]["files"])
    except (OSError, ValueError, KeyError, TypeError):
        ours = set()
    foreign = [
        name
        for name in files_under(target)
        if name not in ours and not KEPT_ANYWAY & set(Path(name).parts)
    ]
    if foreign:
        raise UsageError(
            f"{target.name} holds files this command did not write ({', '.join(foreign[:3])}"
            f"{', ...' if len(foreign) > 3 else ''}) and would remove; move them, or give "
            "another --out"
        )


def files_under(folder: Path) -> list[str]:
    """Return the files in a folder and below it, with forward slashes, sorted."""
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if not p.is_dir())


def _half_run_path(out_dir: Path, name: str) -> Path:
    """Return where the notebook of a run that failed is kept."""
    return out_dir / f"{name}.failed.ipynb"


def write_whole(path: Path, data: bytes) -> None:
    """Write a file whole or not at all: a reader meets the old bytes or the new.

    Raises
    ------
    OSError
        If the disk refuses; nothing is left behind.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        part.write_bytes(data)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def write_notebook(path: Path, notebook: Mapping[str, Any]) -> None:
    """Write a notebook whole or not at all: same notebook, same bytes."""
    text = json.dumps(notebook, indent=1, ensure_ascii=False, sort_keys=True) + "\n"
    write_whole(path, text.encode())


@dataclass(frozen=True, slots=True)
class _Inputs:
    """The params file a review was run with, and the packages installed then (name: version)."""

    params: Path
    installed: Mapping[str, str]


def _inputs_file(folder: Path) -> Path:
    """Return where the inputs of a review's folder are noted: beside it."""
    return folder.parent / f".{folder.name}.inputs"


def _rests_on(params_path: Path, kept: Kept | None = None) -> dict[str, str]:
    """Return a key of each thing a review rests on: a name in words, and a SHA-256 of what it is.

    Logs are told by size and time, as a build tool tells its sources: a later run reads and hashes
    them.

    Where params or bench cannot be read as those of a review (a template of one's own may have
    params of its own), it is the bytes of the params file alone.
    """
    own = {"params": params_path.read_bytes().hex(), "marginbook": kit_version()}
    with contextlib.suppress(KitError):
        own |= _bench_parts(params_path, kept)
    return {name: hashlib.sha256(what.encode()).hexdigest() for name, what in own.items()}


def _bench_parts(params_path: Path, kept: Kept | None) -> dict[str, str]:
    """Return what a review takes from its text, template and bench, as texts to hash.

    Only rows of its own products count of the run sheet: a bench can grow, and reviews stay fresh.

    Raises
    ------
    KitError
        If params, template, run sheet or prices cannot be read.
    """
    loaded = load_params(params_path, kept=kept)
    params, bench = loaded.params, loaded.bench
    rows = RunSheet(bench).rows_of(params.products)
    logs = {row.log: bench.folder / row.log for row in rows if row.log}
    stats = [
        f"{name} {p.stat().st_size} {p.stat().st_mtime_ns}" if p.is_file() else f"{name} gone"
        for name, p in sorted(logs.items())
    ]
    prices = [repr(row) for row in read_prices(bench)]
    text = params_path.parent / params.text if params.text else None
    template = find_template(params_path, Path(params.template), allow_foreign=True)
    return {
        "text": text.read_bytes().hex() if text is not None and text.is_file() else "",
        "style": repr(sorted(loaded.house.items())),
        "template": template.read_bytes().hex(),
        "bench.yaml": (bench.folder / "bench.yaml").read_bytes().hex(),
        "rows of the run sheet": "\n".join(f"{row.run} {row.row_sha256}" for row in rows),
        "logs": "\n".join(stats),
        "prices": "\n".join(prices),
        "other reviews": repr({n: ClaimBook.files_of(p) for n, p in loaded.reviews.items()}),
    }


def why_stale(folder: Path, params_path: Path) -> str:
    """Say why a finished review is not what its inputs would give now, or nothing.

    Parameters
    ----------
    folder : Path
        The finished review.
    params_path : Path
        The params file it would be run with now.

    Notes
    -----
    Logs are told by size and time alone: a later run hashes them.
    """
    try:
        noted = json.loads(_inputs_file(folder).read_text(encoding="utf-8"))["rests_on"]
        now = _rests_on(params_path)
        changed = [name for name in {**now, **noted} if noted.get(name) != now.get(name)]
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return "nothing beside it says what it was made from"
    return f"changed since: {', '.join(changed)}" if changed else ""


def _stamp_inputs(params_path: Path) -> dict[Path, tuple[int, int]]:
    """Return size and time of every file a review is made from, to tell quickly that one changed.

    Of params that cannot be read, it is the params file alone; a file that is gone has none.
    """
    paths = [params_path]
    with contextlib.suppress(KitError):
        loaded = load_params(params_path)
        params, bench = loaded.params, loaded.bench.folder
        paths += [params_path.parent / params.text] if params.text else []
        for where in loaded.reviews.values():
            paths += [where, where / "claims.json", where / "data" / "claims.json"]
        paths += [p for p in bench.rglob("*") if not p.relative_to(bench).parts[0].startswith(".")]
        paths.append(find_template(params_path, Path(params.template), allow_foreign=True))
    stamps = {}
    for path in paths:
        with contextlib.suppress(OSError):
            stat = path.stat()
            stamps[path] = stat.st_size, stat.st_mtime_ns
    return stamps


def watch_inputs(params: Sequence[Path], *, wait: Callable[[], None]) -> Iterator[None]:
    """Yield at once, and again each time a file some review is made from has changed.

    Parameters
    ----------
    params : sequence of Path
        Params files.
    wait : callable
        Waits a moment between two looks. A change counts once nothing changed for one look more,
        so that a file is not read while it is written.
    """
    seen: list[dict[Path, tuple[int, int]]] = []
    while True:
        now = [_stamp_inputs(path) for path in params]
        if now != seen:
            wait()
            if now == [_stamp_inputs(path) for path in params]:
                seen = now
                yield
        else:
            wait()


def note_inputs(folder: Path, params_path: Path, *, kept: Kept | None = None) -> None:
    """Note what a review in `folder` was made from. The path is noted from the folder above.

    Parameters
    ----------
    folder : Path
        The finished review; the note is a hidden file beside it.
    params_path : Path
        The params file it was run with.
    kept : Kept, optional
        As for `kit.settings.yaml.read_yaml`.
    """
    away = os.path.relpath(params_path.resolve(), folder.parent.resolve())
    noted = {
        "format": _FORMAT,
        "params": Path(away).as_posix(),
        "installed": installed_versions(),
        "rests_on": _rests_on(params_path, kept),
    }
    text = json.dumps(noted, indent=1, sort_keys=True, ensure_ascii=False) + "\n"
    write_whole(_inputs_file(folder), text.encode())


def read_inputs(folder: Path, *, params: Path | None = None) -> _Inputs:
    """Return what a review in `folder` was made from.

    Parameters
    ----------
    folder : Path
        The review's folder.
    params : Path, optional
        In place of the params file noted.

    Raises
    ------
    SealError
        If nothing is noted and no `params` is given, or the file is not there.
    """
    installed: Mapping[str, str] = {}
    try:
        noted = json.loads(_inputs_file(folder).read_text(encoding="utf-8"))
        found = folder.parent / str(noted["params"])
        installed = {str(k): str(v) for k, v in dict(noted["installed"]).items()}
    except (OSError, ValueError, KeyError, TypeError):
        if params is None:
            raise SealError(
                f"{folder.name}: nothing beside it says which params file it was made from; say "
                "so with --params"
            ) from None
        found = params
    path = params or found
    if not path.is_file():
        raise SealError(
            f"{folder.name}: its params file {path.name} is not where it was; say where it is "
            "with --params"
        )
    return _Inputs(path, installed or installed_versions())
