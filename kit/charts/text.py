"""Names made safe to draw, and text measured, cut, broken and kept apart. Sizes are pixels."""

from __future__ import annotations

import math
import re
import unicodedata
import warnings
from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from matplotlib.font_manager import FontProperties, findfont, get_font

from kit.claims.claim import Claim, ClaimBook
from kit.rounding import NBSP

ELLIPSIS = "\u2026"
# A name in a script that the drawing font lacks is still right in an SVG, where the reader's own
# fonts show it; in a PNG it shows as boxes.
MISSING_GLYPH = r"Glyph \d+ .* missing from font"


def plain_name(text: str) -> str:
    """Return a name as one line of text: no control characters, no override of direction."""
    kept = (" " if c.isspace() else c for c in text if c.isspace() or _shows(c))
    return re.sub(" +", " ", "".join(kept)).strip() or "(no name)"


def _shows(char: str) -> bool:
    # Cc: control, Cs: lone surrogate (not XML). Overrides of direction would turn figures round.
    return unicodedata.category(char) not in {"Cc", "Cs", "Cn"} and not (
        "\u202a" <= char <= "\u202e" or "\u2066" <= char <= "\u2069" or char in "\ufffe\uffff"
    )


def product_name(book: ClaimBook, product: str) -> str:
    """Return a product's name to draw: its id where it has none."""
    return plain_name(book.product_name(product) or product)


def title_name(book: ClaimBook, title: str) -> str:
    """Return a title's name to draw: its id where it has none."""
    return plain_name(book.title_name(title) or title)


def metric_name(book: ClaimBook, claim: Claim) -> str:
    """Return what a claim's metric is called, on one line."""
    return book.name("metric", claim.metric, kind=claim.kind).replace(" %", f"{NBSP}%")


@lru_cache(maxsize=4096)
def _width_at_100(text: str) -> float:
    font: Any = get_font(findfont(FontProperties(family="DejaVu Sans")))
    font.set_size(100, 72)
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=MISSING_GLYPH)
        font.set_text(text)
    # A character the font lacks comes from another one; in East Asian scripts it is one em wide.
    wide = sum(unicodedata.east_asian_width(char) in "WF" for char in text)
    return max(float(font.get_width_height()[0]) / 64, 100.0 * wide)


def text_width(text: str, size: float) -> float:
    """Return the width of a line of text in pixels, at a type size in pixels."""
    return _width_at_100(text) * size / 100


def fit_text(text: str, size: float, width: float) -> str:
    """Return text cut with an ellipsis where it would be wider than `width` pixels."""
    if text_width(text, size) <= width:
        return text
    low, high = 0, len(text)
    while low < high:  # the longest start that fits
        middle = (low + high + 1) // 2
        if text_width(text[:middle].rstrip() + ELLIPSIS, size) <= width:
            low = middle
        else:
            high = middle - 1
    return text[:low].rstrip() + ELLIPSIS


def wrap_text(text: str, size: float, width: float, *, lines: int = 2) -> str:
    """Return text broken at spaces into at most `lines` lines, the last cut where it must be."""
    words = text.split(" ")
    made: list[str] = []
    while words and len(made) < lines - 1:
        line = words.pop(0)
        while words and text_width(f"{line} {words[0]}", size) <= width:
            line += " " + words.pop(0)
        made.append(fit_text(line, size, width))
    if words:
        made.append(fit_text(" ".join(words), size, width))
    return "\n".join(made)


# Where a label may stand about its point: right, left, above, below, then the corners.
_AROUND = ((1, 0), (-1, 0), (0, -1), (0, 1), (1, -1), (-1, -1), (1, 1), (-1, 1))


def place_labels(
    boxes: Sequence[tuple[float, float]],
    points: Sequence[tuple[float, float]],
    *,
    clear: float,
    room: tuple[float, float],
    lines: Sequence[tuple[float, float]] = (),
) -> list[tuple[float, float]]:
    """Return where labels of points stand (left, top) so that none covers another or a point.

    Parameters
    ----------
    boxes : sequence of (width, height)
        Of each label, in pixels.
    points : sequence of (x, y)
        What each label belongs to, in pixels from the top left; points past the labels' number
        are only kept clear.
    clear : float
        Pixels between a point and its label.
    room : (width, height)
        What the labels must stay inside.
    lines : sequence of (x, y)
        Points along lines, which labels leave bare where they can.
    """
    taken = [(x - clear, y - clear, x + clear, y + clear) for x, y in points]
    taken += [(x - 1.5, y - 1.5, x + 1.5, y + 1.5) for x, y in lines]
    spots: list[tuple[float, float]] = []
    for (width, height), (x, y) in zip(boxes, points, strict=False):
        tries = np.array(
            [
                (
                    x + across * far * clear - (1 - across) * width / 2,
                    y + down * far * clear - (1 - down) * height / 2,
                    far,
                )
                for far in (1.1, 1.7, 2.8)
                for across, down in _AROUND
            ]
        )
        lefts, tops = tries[:, :1], tries[:, 1:2]
        x0, y0, x1, y1 = np.array(taken).T
        shared_x = np.minimum(lefts + width, x1) - np.maximum(lefts, x0)
        shared_y = np.minimum(tops + height, y1) - np.maximum(tops, y0)
        covered = (shared_x.clip(0) * shared_y.clip(0)).sum(axis=1)
        outside = (-lefts).clip(0) + (lefts + width - room[0]).clip(0)
        outside += (-tops).clip(0) + (tops + height - room[1]).clip(0)
        # A label far from its point is read as another's: worth some covered line, no covered mark.
        best = int(np.argmin(np.round(60 * tries[:, 2] + 500 * outside[:, 0] + covered, 6)))
        left, top = float(lefts[best, 0]), float(tops[best, 0])
        spots.append((left, top))
        taken.append((left, top, left + width, top + height))
    return spots


def spread_apart(wanted: Sequence[float], *, apart: float, low: float, high: float) -> list[float]:
    """Return heights near the wanted ones, at least `apart` from each other, in the same order."""
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    placed = [0.0] * len(wanted)
    last = -math.inf
    for i in order:
        placed[i] = last = max(wanted[i], last + apart, low)
    last = math.inf
    for i in reversed(order):  # push back what ran past the end
        placed[i] = last = min(placed[i], last - apart, high)
    return placed
