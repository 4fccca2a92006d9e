"""What one log gives: its signs and figures, as a pure function of bytes, layout and settings.

Such a task may be done anywhere: here, in another process, on another machine. Its result may be
kept in a store and gives the same figures, bit for bit.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import types
import typing
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache, partial
from pathlib import Path
from threading import Lock
from typing import Any

from kit.errors import ExecutionError, Fault, RunFileError
from kit.logs.read import Log, parse_log, read_log
from kit.logs.unpacked import recorded_chunks
from kit.metrics.run_metrics import METRICS_VERSION, FrameFigures, measure_log
from kit.metrics.signs import SIGNS_VERSION, RunSigns, read_log_signs
from kit.metrics.store import Store, arithmetic, code_key, content_key, keep_entry, load_entry
from kit.settings.bench_file import Layout
from kit.settings.params import MetricParams

MAX_AT_ONCE_BYTES = 64 * 1024 * 1024  # a larger log is read twice rather than held
MAX_FETCHED_BYTES = 4 * 1024**3
CODE = (
    "errors", "settings.bench_file", "logs.unpacked", "logs.rows", "logs.read",
    "stats.frames", "stats.lows", "stats.influence", "settings.metric", "metrics.signs",
    "metrics.blocks", "metrics.run_metrics", "metrics.log_facts",
)  # fmt: skip
PACKAGES = ("numpy", "scipy", "pyarrow")

# While one thread measures, the others read. Two that measure would hand the interpreter to and
# fro at each small step, which takes longer than the steps.
_ONE_MEASURES = Lock()


@dataclass(frozen=True, slots=True, eq=False)
class LogSettings:
    """How logs are read and measured; one object is shared by the tasks of all logs alike."""

    layout: Layout
    caps_hz: tuple[float, ...]
    cap_width: float
    metrics: MetricParams


@dataclass(frozen=True, slots=True)
class LogTask:
    """One log to read and measure.

    `place` is a path, or a URL such as http://..., s3://... or memory://...; `file` is the name
    faults give the log.
    """

    file: str
    place: str
    settings: LogSettings


@dataclass(frozen=True, slots=True)
class LogFacts:
    """What one log gives, whatever run it belongs to; no figures where it cannot be measured."""

    signs: RunSigns
    figures: FrameFigures | None


Outcome = LogFacts | tuple[Fault, ...]


def do_task(task: LogTask, store: Store | None = None) -> Outcome:
    """Return what a log gives, from the store if it is there; or the faults of the log."""
    try:
        return _facts(task, store)
    except RunFileError as error:
        return error.faults


def do_tasks(tasks: tuple[LogTask, ...], store: Store | None = None) -> list[Outcome]:
    """Return what each of several logs gives."""
    return [do_task(task, store) for task in tasks]


def own_code() -> str:
    """Return a key of the code that reads and measures logs here."""
    return code_key(CODE, PACKAGES)


def do_tasks_alike(batch: tuple[str, tuple[LogTask, ...]]) -> list[Outcome]:
    """Return what each of several logs gives, if this machine has the code the sender has.

    Raises
    ------
    ExecutionError
        If it has other code: its figures might be others.
    """
    code, tasks = batch
    if code != own_code():
        raise ExecutionError(
            "a worker has another version of marginbook, numpy, scipy or pyarrow than this "
            "machine; install the same on all"
        )
    return do_tasks(tasks)


def _facts(task: LogTask, store: Store | None) -> LogFacts:
    """Return what a log gives; its bytes are always hashed."""
    path = None if "://" in task.place else Path(task.place)
    if path is not None and (store is None or _size_of(path) > MAX_AT_ONCE_BYTES):
        if store is not None and (kept := _kept(task, store, _sha256_of(path, task.file))):
            return kept
        return _measured(read_log(path, task.settings.layout, file=task.file), task, store)
    if path is not None:
        data = b"".join(recorded_chunks(path, file=task.file))
    else:
        data = fetch_bytes(task.place, file=task.file)
    sha256 = hashlib.sha256(data).hexdigest()
    if store is not None and (kept := _kept(task, store, sha256)):
        return kept
    log = parse_log(data, task.settings.layout, file=task.file, sha256=sha256)
    return _measured(log, task, store)


def _size_of(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:  # what is wrong is said when it is read
        return 0


def _sha256_of(path: Path, file: str) -> str:
    digest = hashlib.sha256()
    for chunk in recorded_chunks(path, file=file):
        digest.update(chunk)
    return digest.hexdigest()


def fetch_bytes(url: str, *, file: str) -> bytes:
    """Return the bytes at a URL.

    HTTP is read with the standard library, any other kind with fsspec, if that is installed.

    Raises
    ------
    RunFileError
        If they cannot be had.
    """
    try:
        if url.startswith(("http://", "https://")):
            from urllib.request import urlopen

            with urlopen(url, timeout=60) as answer:
                data: bytes = answer.read(MAX_FETCHED_BYTES + 1)
                promised = answer.headers.get("Content-Length")
            if promised is not None and int(promised) != len(data):
                raise RunFileError.at(file, f"only {len(data)} of {promised} bytes came from {url}")
        else:
            import fsspec

            with fsspec.open(url, "rb") as stream:
                data = stream.read(MAX_FETCHED_BYTES + 1)
    except ImportError as error:
        raise RunFileError.at(
            file, f'cannot read {url}: {error}; install "marginbook[cluster]"'
        ) from None
    except (OSError, ValueError) as error:
        raise RunFileError.at(file, f"cannot read {url}: {error}") from None
    if len(data) > MAX_FETCHED_BYTES:
        raise RunFileError.at(
            file, f"{url} is larger than {MAX_FETCHED_BYTES >> 30} GiB; not a log"
        )
    return data


def _measured(log: Log, task: LogTask, store: Store | None) -> LogFacts:
    """Return what a log gives, read from its frames."""
    how = task.settings
    with _ONE_MEASURES:
        signs = read_log_signs(log, run="", caps_hz=how.caps_hz, cap_width=how.cap_width)
        facts = LogFacts(signs, measure_log(log, how.metrics) if signs.measurable else None)
    if store is not None:
        text = json.dumps(to_plain(facts), separators=(",", ":"))
        keep_entry(store, task_key(task, log.sha256), text.encode())
    return facts


def _kept(task: LogTask, store: Store, sha256: str) -> LogFacts | None:
    """Return what the store has for a log, or None."""
    found = load_entry(store, task_key(task, sha256))
    if found is None:
        return None
    try:
        facts: LogFacts = from_plain(json.loads(found.decode()), LogFacts)
    except (ValueError, TypeError, KeyError, AttributeError):
        return None
    return facts if facts.signs.sha256 == sha256 else None


def task_key(task: LogTask, sha256: str) -> str:
    """Return the key of a task's result: its settings and the bytes of its log."""
    return content_key(_settings_key(task.settings), sha256)


@lru_cache(maxsize=64)
def _settings_key(settings: LogSettings) -> str:
    """Return the key of all a result depends on but the bytes: layout, settings, methods, code."""
    metrics = settings.metrics.model_dump(exclude={"low"})  # every definition is worked out
    return content_key(
        "log",
        own_code(),
        arithmetic(),
        f"signs {SIGNS_VERSION}, metrics {METRICS_VERSION}",
        settings.layout.model_dump_json(exclude={"files"}),
        repr((settings.caps_hz, settings.cap_width, sorted(metrics.items()))),
    )


def to_plain(value: Any) -> Any:
    """Return a result of dataclasses, mappings, tuples and numbers as JSON holds it."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return [[key, to_plain(item)] for key, item in value.items()]  # keys may be numbers
    if isinstance(value, tuple | list):
        return [to_plain(item) for item in value]
    return value


def from_plain(value: Any, kind: Any) -> Any:
    """Return what `to_plain` was given, of the type stated: exact floats, NaN among them.

    Raises
    ------
    TypeError, KeyError, ValueError, AttributeError
        If the value is not of that type.
    """
    return _reader(kind)(value)


@cache
def _reader(kind: Any) -> Callable[[Any], Any]:
    """Return the function that makes a value of a type from plain data."""
    if kind in (float, int, str, bool):
        return partial(_of_type, kind=kind)
    if dataclasses.is_dataclass(kind):
        hints = typing.get_type_hints(kind)
        readers = {name: _reader(hint) for name, hint in hints.items()}
        return partial(_of_fields, kind=kind, readers=readers)
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin is types.UnionType:  # X | None
        first = _reader(inner[0])
        return lambda value: None if value is None else first(value)
    if origin is tuple:
        item = _reader(inner[0])
        if inner[0] is float:
            return lambda value: _floats(value) or tuple(map(item, value))
        return lambda value: tuple(map(item, value))
    key, item = _reader(inner[0]), _reader(inner[1])
    return lambda value: {key(name): item(one) for name, one in value}


def _of_type(value: Any, kind: type) -> Any:
    if type(value) is not kind:
        raise TypeError(f"{value!r} is not {kind.__name__}")
    return value


def _of_fields(value: Any, kind: Any, readers: Mapping[str, Callable[[Any], Any]]) -> Any:
    if value.keys() != readers.keys():
        raise KeyError(f"not the fields of {kind}")
    return kind(**{name: read(value[name]) for name, read in readers.items()})


def _floats(value: list[Any]) -> tuple[float, ...] | None:
    """Return a list of floats as a tuple, or None where something else is among them."""
    return tuple(value) if set(map(type, value)) == {float} else None
