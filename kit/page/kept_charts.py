"""Charts drawn before from the same numbers by the same code are taken from the store."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable
from dataclasses import replace
from functools import cache, partial
from typing import Any, ParamSpec

from kit.charts.style import Chart
from kit.metrics.log_facts import to_plain
from kit.metrics.store import Store, arithmetic, code_key, content_key, keep_entry, load_entry
from kit.package import module_paths

P = ParamSpec("P")


def keeping(draw: Callable[P, Chart], store: Store | None) -> Callable[P, Chart]:
    """Return a drawing function whose charts keep their pictures in a store, and find them there.

    What is drawn depends on the arguments, which must be plain results, numbers and texts, and on
    the code: the text of every module of the kit and the version of matplotlib.
    """
    return draw if store is None else partial(_make, draw, store)


def _make(draw: Callable[..., Chart], store: Store, *args: Any, **options: Any) -> Chart:
    """Return a chart whose pictures come from the store where they are there."""
    chart = draw(*args, **options)
    try:
        numbers = json.dumps(to_plain([args, options]), sort_keys=True, default=_date_text)
    except TypeError:  # an argument that is not plain: such a chart is drawn every time
        return chart
    key = content_key("chart", _code(), arithmetic(), draw.__name__, numbers)
    return replace(chart, _drawn=_Drawn(store, key))


def _date_text(value: Any) -> str:
    """Return a date as text, the one thing in results that JSON has no form for."""
    if isinstance(value, dt.date):
        return value.isoformat()
    raise TypeError(f"no plain form of {type(value)}")


@cache
def _code() -> str:
    """Return a key of the code that draws; all of the kit, since that is 3 ms to read."""
    return code_key(tuple(module_paths()), ("matplotlib", "numpy", "pandas", "pillow"))


class _Drawn(dict[str, Any]):
    """The pictures of one chart by form, such as svg-page: held here, kept in the store."""

    def __init__(self, store: Store, key: str) -> None:
        super().__init__()
        self._store = store
        self._key = key

    def __contains__(self, form: object) -> bool:
        if super().__contains__(form):
            return True
        found = load_entry(self._store, content_key(self._key, str(form)))
        if found is None:
            return False
        super().__setitem__(str(form), found.decode() if str(form).startswith("svg") else found)
        return True

    def __setitem__(self, form: str, drawn: Any) -> None:
        super().__setitem__(form, drawn)
        data = drawn.encode() if isinstance(drawn, str) else drawn
        keep_entry(self._store, content_key(self._key, form), data)
