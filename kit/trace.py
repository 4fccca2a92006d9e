"""`Trace`: a number's history, down to run files; and the hash that names a file's bytes."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Trace:
    """One step of a number's history; its leaves are raw run files.

    Attributes
    ----------
    step : str
        The function that made it. Of a leaf: ``"run"`` (a raw log) or ``"typed"`` (a figure typed
        into the run sheet before logs were kept).
    key : str
        A name unique in the review. Of a leaf: the SHA-256 of the raw log, or of the run-sheet row
        where there is no log.
    label : str
        Of a leaf: the run's id.
    inputs : tuple of Trace
        What it was made from; empty of a leaf, and only there.
    """

    step: str
    key: str
    label: str = ""
    inputs: tuple[Trace, ...] = ()

    def run_ids(self) -> tuple[str, ...]:
        """Return the ids of all runs this number rests on, in order, each once."""
        labels: dict[str, None] = {}
        self._add_to(labels)
        return tuple(labels)

    def _add_to(self, labels: dict[str, None]) -> None:
        """Add the labels of the leaves below this step; of a leaf, its own."""
        for node in self.inputs or (self,):
            if node.inputs:
                node._add_to(labels)
            else:
                labels[node.label] = None


def file_sha256(path: Path) -> str:
    """Return the SHA-256 of a file's bytes."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
