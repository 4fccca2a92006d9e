"""Two sealed reviews side by side, claim by claim: what moved, and why."""

from __future__ import annotations

import hashlib
from collections import Counter
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from kit.archive.bag import TAG_MANIFEST
from kit.archive.changes import (
    KINDS,
    MOVED,
    ClaimChange,
    RunChange,
    SettingChange,
    claim_changes,
    run_changes,
    setting_changes,
)
from kit.archive.rebuild import CLAIMS_PATH
from kit.archive.unbag import Bag, check_bytes, check_listing, open_bag, read_listing
from kit.claims.claim import Claim, ClaimBook, read_claims
from kit.errors import SealError

if TYPE_CHECKING:
    import pandas as pd

SHOWN = 20


@dataclass(frozen=True, slots=True)
class Sealed:
    """One of the two reviews: what its bag says of itself."""

    bag: str
    identity: str
    replaces: str
    claims_sha256: str
    book: ClaimBook


@dataclass(frozen=True, slots=True)
class Revision:
    """What changed from one sealed review to another."""

    old: Sealed
    new: Sealed
    changes: tuple[ClaimChange, ...]
    runs: tuple[RunChange, ...]
    settings: tuple[SettingChange, ...]

    @property
    def counts(self) -> dict[str, int]:
        """Number of claims of each kind of change, the gravest first."""
        found = Counter(change.kind for change in self.changes)
        return {kind: found[kind] for kind in KINDS}

    @property
    def moved(self) -> bool:
        """Whether a published figure no longer stands: outside its interval, turned, or gone."""
        return any(change.kind in MOVED for change in self.changes)

    @property
    def names_old(self) -> bool:
        """Whether the new review says that it replaces the old one."""
        said = self.new.replaces.strip()
        known = {self.old.identity, self.old.bag, self.old.book.review}
        return bool(said) and (
            said in known or (len(said) >= 12 and self.old.identity.startswith(said))
        )

    def of_kind(self, *kinds: str) -> tuple[ClaimChange, ...]:
        """Return the changes of some kinds."""
        return tuple(change for change in self.changes if change.kind in kinds)

    def to_frame(self) -> pd.DataFrame:
        """Return a row per claim.

        Returns
        -------
        DataFrame
            Columns `id`, `change`, `old_value`, `old_low`, `old_high`, `old_outcome`, `old_text`,
            the same with `new_`, and `causes`.
        """
        import pandas as pd

        names = ("value", "low", "high", "outcome", "text")
        rows = []
        for change in self.changes:
            row: dict[str, Any] = {"id": change.id, "change": change.kind}
            for side, claim in (("old", change.old), ("new", change.new)):
                row |= {f"{side}_{n}": getattr(claim, n) if claim else None for n in names}
            rows.append(row | {"causes": "; ".join(change.causes)})
        columns = ["id", "change", *(f"{s}_{n}" for s in ("old", "new") for n in names), "causes"]
        return pd.DataFrame(rows, columns=columns)

    def runs_frame(self) -> pd.DataFrame:
        """Return a row per changed run, columns as the fields of `RunChange`."""
        import pandas as pd

        return pd.DataFrame(
            [asdict(run) for run in self.runs], columns=[f.name for f in fields(RunChange)]
        )

    def settings_frame(self) -> pd.DataFrame:
        """Return a row per changed setting, columns as the fields of `SettingChange`."""
        import pandas as pd

        return pd.DataFrame(
            [asdict(item) for item in self.settings],
            columns=[f.name for f in fields(SettingChange)],
        )

    def to_dict(self) -> dict[str, Any]:
        """Return the same as plain data; unchanged claims are only counted."""
        return {
            "ok": not self.moved,
            "old": _side(self.old), "new": _side(self.new), "names_old": self.names_old,
            "counts": self.counts,
            "changes": [_plain(c) for c in self.changes if c.kind != "unchanged"],
            "runs": [asdict(run) for run in self.runs],
            "settings": [asdict(item) for item in self.settings],
        }  # fmt: skip

    def to_lines(self) -> list[str]:
        """Return what `marginbook revise` prints."""
        lines = [f"old {_named(self.old)}", f"new {_named(self.new)}"]
        lines.append(
            "the new review says that it replaces the old one"
            if self.names_old
            else "the new review does not say that it replaces the old one"
        )
        lines += [f"{kind.replace('_', ' ')}: {count}" for kind, count in self.counts.items()]
        lines += [f"run {r.run} {r.change}: {r.old} -> {r.new}" for r in self.runs]
        lines += [f"setting {s.key}: {s.old} -> {s.new}" for s in self.settings]
        for kind in KINDS[:-1]:
            found = self.of_kind(kind)
            for change in found[:SHOWN]:
                lines.append(f"{kind.replace('_', ' ')}: {change.id}")
                lines.append(f"  {_words(change.old)} -> {_words(change.new)}")
                lines += [f"  because {cause}" for cause in change.causes]
            if len(found) > SHOWN:
                lines.append(f"  and {len(found) - SHOWN} more (--json lists all)")
        return lines


def _side(side: Sealed) -> dict[str, str]:
    return {"bag": side.bag, "identity": side.identity, "review": side.book.review,
            "date": side.book.date, "kit_version": side.book.kit_version}  # fmt: skip


def _named(side: Sealed) -> str:
    return f"{side.bag}: review {side.book.review} of {side.book.date}, identity {side.identity}"


def _plain(change: ClaimChange) -> dict[str, Any]:
    plain = asdict(change)
    return plain | {"causes": list(change.causes)}


def _words(claim: Claim | None) -> str:
    if claim is None:
        return "none"
    span = f" ({claim.interval})" if claim.interval else ""
    return f"{claim.text}{span}{f', {claim.outcome}' if claim.outcome else ''}"


def compare_reviews(old: str | Path, new: str | Path) -> Revision:
    """Compare two sealed reviews.

    Parameters
    ----------
    old, new : str or Path
        Bags, each a folder or a zip. Their bytes are checked; their claims are taken as stated
        (`verify` makes them afresh).

    Raises
    ------
    SealError
        If one of them is not a whole bag.
    """
    before, after = read_sealed(Path(old)), read_sealed(Path(new))
    runs = tuple(run_changes(before.book, after.book))
    settings = tuple(setting_changes(before.book, after.book))
    changes = claim_changes(before.book, after.book, runs, settings)
    return Revision(before, after, tuple(changes), runs, settings)


def read_sealed(path: Path) -> Sealed:
    """Return what a bag states, once its bytes are known to be whole.

    Raises
    ------
    SealError
        If they are not; `HostileBagError` if the bag is not safe to read.
    """
    with open_bag(path) as bag:
        listing = read_listing(bag)
        findings = [*listing.findings, *check_bytes(bag, listing), *check_listing(bag, listing)]
        if findings or CLAIMS_PATH not in bag.files:
            first = f"\n  {findings[0]}" if findings else f"\n  no {CLAIMS_PATH}"
            raise SealError(f"{path.name}: not a whole sealed review; verify it first{first}")
        return Sealed(
            bag=bag.name,
            identity=hashlib.sha256(bag.read(TAG_MANIFEST)).hexdigest(),
            replaces=" ".join(listing.info.get("Replaces", ())),
            claims_sha256=listing.payload[CLAIMS_PATH],
            book=_book(bag),
        )


def _book(bag: Bag) -> ClaimBook:
    return read_claims(bag.read(CLAIMS_PATH), file=CLAIMS_PATH)
