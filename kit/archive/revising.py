"""Two sealed reviews side by side, claim by claim: what moved, and why."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from kit.archive.bag import TAG_MANIFEST
from kit.archive.contents import text_path
from kit.archive.remake import CLAIMS_PATH, reads_as_stated, same_figure
from kit.archive.unbag import Bag, open_bag
from kit.claims.claim import Claim, ClaimBook, RunRecord
from kit.errors import SealError
from kit.rounding import grouped

if TYPE_CHECKING:
    import pandas as pd

    from kit.page.cues import PrintedChange


# From the gravest down.
KINDS = ("outcome_turned", "moved_outside", "changed_within_interval", "gone", "new", "unchanged")
MOVED = {"outcome_turned", "moved_outside", "gone"}
MAX_CAUSES = 6


@dataclass(frozen=True, slots=True)
class ClaimChange:
    """One claim in two reviews. `old` or `new` is None where the claim is new or gone.

    `causes` say what changed beneath it: runs, methods, settings, prices.
    """

    id: str
    kind: str  # one of KINDS
    old: Claim | None
    new: Claim | None
    causes: tuple[str, ...]

    @property
    def claim(self) -> Claim:
        """The claim as the new review has it, or the old where it is gone."""
        (found, *_) = (claim for claim in (self.new, self.old) if claim is not None)
        return found

    def in_words(self, *, old: bool, nothing: str) -> str:
        """Return how one of the two prints the claim, with its outcome; `nothing` where none."""
        claim = self.old if old else self.new
        if claim is None:
            return nothing
        return claim.printed + (f", {claim.outcome}" if claim.outcome else "")


@dataclass(frozen=True, slots=True)
class _RunChange:
    """One run that is not the same in both: added, removed, set aside, used again, replaced,
    or recorded otherwise."""

    run: str
    product: str
    title: str
    change: str
    old: str
    new: str


@dataclass(frozen=True, slots=True)
class _SettingChange:
    """One setting, as a dotted key, that differs; "not set" where only one review has it."""

    key: str
    old: str
    new: str


def _run_changes(old: ClaimBook, new: ClaimBook) -> Iterator[_RunChange]:
    """Yield every difference between the runs of two books."""
    for run in dict.fromkeys([*old.run_by_id, *new.run_by_id]):
        before, after = old.run_by_id.get(run), new.run_by_id.get(run)
        one = after or before
        if one is None:
            continue
        for change, was, now in _run_differences(before, after):
            yield _RunChange(run, one.product, one.title, change, was, now)


def _run_differences(
    old: RunRecord | None, new: RunRecord | None
) -> Iterator[tuple[str, str, str]]:
    """Yield what changed about one run, with what was and what is."""
    if old is None or new is None:
        yield ("added" if old is None else "removed"), _use(old), _use(new)
        return
    if (old.product, old.title) != (new.product, new.title):
        was, now = (f"{run.product} in {run.title}" for run in (old, new))
        yield "given to another product or title", was, now
    if old.sha256 != new.sha256:
        yield "replaced", f"SHA-256 {old.sha256}", f"SHA-256 {new.sha256}"
    if old.used != new.used:
        yield ("used again" if new.used else "set aside"), _use(old), _use(new)
    elif old.reason != new.reason:
        yield "given another reason", old.reason, new.reason
    stated = [{"session": r.session, "began": r.began, **r.conditions} for r in (old, new)]
    for key in dict.fromkeys([*stated[0], *stated[1]]):
        was, now = (side.get(key, "") or "nothing" for side in stated)
        if was != now:
            yield f"recorded with another {key}", was, now


def _use(run: RunRecord | None) -> str:
    """Return whether a run was used, in words."""
    if run is None:
        return "not there"
    return "used" if run.used else f"not used: {run.reason}"


def _setting_changes(old: ClaimBook, new: ClaimBook) -> Iterator[_SettingChange]:
    """Yield every setting in force that differs, layouts of logs among them.

    Keys are dotted; items of lists are known by their run, control or name, so that an order alone
    is no change. Another version of the kit is told as a setting.
    """
    before = _flat({**old.settings, "layouts": old.layouts})
    after = _flat({**new.settings, "layouts": new.layouts})
    for key in dict.fromkeys([*before, *after]):
        was, now = before.get(key, "not set"), after.get(key, "not set")
        if was != now:
            yield _SettingChange(key, was, now)
    if old.kit_version != new.kit_version:
        yield _SettingChange("kit version", old.kit_version, new.kit_version)


def _flat(value: Any, before: str = "") -> dict[str, str]:
    """Return nested settings as dotted keys and texts."""
    if isinstance(value, Mapping):
        pairs = [(str(key), item) for key, item in value.items()]
    elif isinstance(value, list | tuple) and any(isinstance(v, Mapping) for v in value):
        pairs = [(_list_key(item, number), item) for number, item in enumerate(value)]
    else:
        shown = ", ".join(map(str, value)) if isinstance(value, list | tuple) else str(value)
        return {before: shown or "nothing"}
    found: dict[str, str] = {}
    for key, item in pairs:
        found |= _flat(item, f"{before}.{key}" if before else key)
    return found


def _list_key(item: Any, number: int) -> str:
    """Return what an item of a list is known by, so that its place does not matter."""
    names = [str(item[key]) for key in ("run", "control", "name") if key in item]
    return names[0] if names else str(number)


# Settings that only say who wrote when: no figure rests on them.
_NO_FIGURE = {"title", "byline", "date", "text", "replaces", "review", "bench", "template"}


def _can_move_figures(setting: _SettingChange) -> bool:
    """Return whether a setting can be why a claim changed (set-aside runs are told as runs)."""
    first = setting.key.split(".")[0]
    return first not in _NO_FIGURE and not setting.key.startswith("screen.set_aside.")


def _claim_changes(
    old: ClaimBook, new: ClaimBook, runs: Sequence[_RunChange], settings: Sequence[_SettingChange]
) -> Iterator[ClaimChange]:
    """Yield every claim of either book: how it changed, and what changed beneath it.

    Parameters
    ----------
    old, new : ClaimBook
    runs : sequence of _RunChange
    settings : sequence of _SettingChange
        Those that cannot move a figure are no cause.
    """
    by_run = grouped((change.run, change) for change in runs)
    names = list(dict.fromkeys(claim.id for claim in (*old.figures, *new.figures)))
    locale = str(old.settings.get("locale", "en"))
    kinds = {name: _kind_of(old.get(name), new.get(name), locale) for name in names}
    beneath = _Beneath(
        by_run,
        [s for s in settings if _can_move_figures(s)],
        {name for name, kind in kinds.items() if kind != "unchanged"},
        (_roots_of(old), _roots_of(new)),
    )
    for name, kind in kinds.items():
        before, after = old.get(name), new.get(name)
        causes = tuple(beneath.causes(name, before, after)) if kind != "unchanged" else ()
        yield ClaimChange(name, kind, before, after, causes)


def _roots_of(book: ClaimBook) -> dict[str, frozenset[str]]:
    """Return, for each claim, the runs and prices it rests on through all its inputs.

    A book may come from anyone: claims that rest on each other in a circle, or too deep, end there.
    """
    roots: dict[str, frozenset[str]] = {}
    under_way: set[str] = set()

    def find(name: str) -> frozenset[str]:
        claim = book.get(name)
        if claim is None:
            return frozenset([name])
        # Claims rest on claims made before them, but a book may come from anyone.
        if name not in roots and name not in under_way and len(under_way) < 200:
            under_way.add(name)
            own = {*claim.runs, *claim.set_aside, *([name] if claim.kind == "price" else [])}
            roots[name] = frozenset(own).union(*(find(child) for child in claim.inputs))
            under_way.discard(name)
        return roots.get(name, frozenset())

    for claim in book.claims:
        find(claim.id)
    return roots


def _kind_of(old: Claim | None, new: Claim | None, locale: str) -> str:
    """Return how a claim changed.

    Returns
    -------
    str
        One of `KINDS`. A new value within the old interval changed within it; without an interval,
        one that still reads as it was printed.
    """
    if old is None or new is None:
        return "new" if old is None else "gone"
    if old.outcome != new.outcome:
        return "outcome_turned"
    if all(_equal(getattr(old, n), getattr(new, n)) for n in ("value", "low", "high")):
        same_text = (old.text, old.interval, old.unit) == (new.text, new.interval, new.unit)
        return "unchanged" if same_text else "changed_within_interval"
    if old.unit != new.unit or old.value is None or new.value is None:
        return "moved_outside"
    if _equal(old.value, new.value):
        return "changed_within_interval"
    if old.low is None or old.high is None:
        # Without an interval, a figure still stands if it rounds to what was printed.
        inside = reads_as_stated(replace(old, value=new.value), locale)
    else:
        inside = old.low <= new.value <= old.high
    return "changed_within_interval" if inside else "moved_outside"


def _only_reads_otherwise(old: Claim, new: Claim) -> bool:
    """Return whether two claims are one figure, rounded by different rules."""
    return _equal(old.value, new.value) and old.rounding != new.rounding


def _equal(one: float | None, other: float | None) -> bool:
    """Return whether two figures are equal but for the last bits; None only equals None."""
    if one is None or other is None:
        return one is other
    return same_figure(one, other)


def _run_words(change: _RunChange) -> str:
    """Say what became of a run, without the hashes (the list of runs has them)."""
    if change.change == "replaced":
        return f"run {change.run} was replaced: its log has other bytes"
    return f"run {change.run} was {change.change} ({change.old} -> {change.new})"


@dataclass(frozen=True, slots=True)
class _Beneath:
    """What changed beneath the claims: by run, settings, claims that changed, roots of each."""

    by_run: Mapping[str, list[_RunChange]]
    settings: list[_SettingChange]
    changed: set[str]
    roots: tuple[Mapping[str, frozenset[str]], Mapping[str, frozenset[str]]]

    def causes(self, name: str, old: Claim | None, new: Claim | None) -> Iterator[str]:
        """Yield what changed beneath one claim, in words.

        Parameters
        ----------
        name : str
            Its id.
        old, new : Claim or None
            None where the review does not have it.

        Notes
        -----
        At most `MAX_CAUSES` are told, the most direct first: runs, prices, method, settings, then
        the variance that runs share, and rounding.
        """
        roots = self.roots[0].get(name, frozenset()) | self.roots[1].get(name, frozenset())
        said = [
            _run_words(change) for run in self.by_run if run in roots for change in self.by_run[run]
        ]
        said += [
            f"{root.replace('value/', '', 1).replace('/', ' ')} changed"
            for root in sorted(roots & self.changed)
            if "/price/" in root
        ]
        if old is not None and new is not None:
            was, now = (f"{c.method} v{c.method_version}" for c in (old, new))
            said += [f"method {was} -> {now}"] if was != now else []
        said += [f"setting {s.key}: {s.old} -> {s.new}" for s in self.settings]
        if not said and self.by_run:
            others = ", ".join([*list(self.by_run)[:3], *(["..."] if len(self.by_run) > 3 else [])])
            said.append(f"run-to-run variance is shared with runs that changed: {others}")
        if old is not None and new is not None and _only_reads_otherwise(old, new):
            said.append(f"rounding {old.rounding} -> {new.rounding}")
        yield from said[:MAX_CAUSES]
        if len(said) > MAX_CAUSES:
            yield f"and {len(said) - MAX_CAUSES} more"


SHOWN = 20


@dataclass(frozen=True, slots=True)
class _Side:
    """One of the two reviews: what its bag says of itself."""

    bag: str
    identity: str
    replaces: str
    book: ClaimBook
    text: str


@dataclass(frozen=True, slots=True)
class Revision:
    """What changed from one sealed review to another.

    Attributes
    ----------
    changes : tuple of ClaimChange
        Every claim of either, also those unchanged.
    runs : tuple of _RunChange
        Runs that are not the same in both.
    settings : tuple of _SettingChange
        Settings, layouts and the kit's version, where they differ.
    printed : tuple of PrintedChange
        What of the old slides and text reads otherwise now, and is to be replaced.
    """

    old: _Side
    new: _Side
    changes: tuple[ClaimChange, ...]
    runs: tuple[_RunChange, ...]
    settings: tuple[_SettingChange, ...]
    printed: tuple[PrintedChange, ...]

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

    @property
    def to_replace(self) -> tuple[int, int]:
        """How many slides, and lines of the text, hold something to be replaced."""
        places = {printed.place for printed in self.printed}
        slides = sum(place.startswith("slide") for place in places)
        return slides, len(places) - slides

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

    def frames(self) -> dict[str, pd.DataFrame]:
        """Return "changes", a row per claim (`to_frame`), "runs" and "settings", as they differ."""
        import pandas as pd

        kinds: dict[str, tuple[Any, tuple[Any, ...]]] = {
            "runs": (_RunChange, self.runs), "settings": (_SettingChange, self.settings)
        }  # fmt: skip
        return {"changes": self.to_frame()} | {
            name: pd.DataFrame([asdict(r) for r in rows], columns=[f.name for f in fields(kind)])
            for name, (kind, rows) in kinds.items()
        }

    def to_dict(self) -> dict[str, Any]:
        """Return the same as plain data; unchanged claims are only counted."""
        return {
            "ok": not self.moved,
            "old": _side_plain(self.old), "new": _side_plain(self.new), "names_old": self.names_old,
            "counts": self.counts,
            "changes": [asdict(c) for c in self.changes if c.kind != "unchanged"],
            "to_replace": [asdict(one) for one in self.printed],
            "runs": [asdict(run) for run in self.runs],
            "settings": [asdict(item) for item in self.settings],
        }  # fmt: skip

    def to_lines(self) -> list[str]:
        """Return what `marginbook revise` prints."""
        lines = [f"old {_named(self.old)}", f"new {_named(self.new)}"]
        lines.append("to replace: {} slides, {} lines of the text".format(*self.to_replace))
        lines += [f"  {p.place}: {p.what}: {p.old} -> {p.new}" for p in self.printed]
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
                was, now = (change.in_words(old=old, nothing="none") for old in (True, False))
                lines.append(f"  {was} -> {now}")
                lines += [f"  because {cause}" for cause in change.causes]
            if len(found) > SHOWN:
                lines.append(f"  and {len(found) - SHOWN} more (--json lists all)")
        shown = {one.what for one in self.printed}
        small = sum(c.id not in shown for c in self.of_kind("changed_within_interval"))
        if small:
            lines.append(f"{small} small shifts change nothing printed on a slide")
        return lines


def _side_plain(side: _Side) -> dict[str, str]:
    """Return one of the two reviews as plain data."""
    return {"bag": side.bag, "identity": side.identity, "review": side.book.review,
            "date": side.book.date, "kit_version": side.book.kit_version}  # fmt: skip


def _named(side: _Side) -> str:
    """Return one of the two reviews in words."""
    return f"{side.bag}: review {side.book.review} of {side.book.date}, identity {side.identity}"


def compare_reviews(old: str | Path, new: str | Path) -> Revision:
    """Compare two sealed reviews.

    Parameters
    ----------
    old, new : str or Path
        Bags, each a folder or a zip. Their bytes are checked; their claims are taken as stated
        (`verify` makes them afresh).

    Returns
    -------
    Revision
        Every claim of either review, how it changed and what changed beneath it.

    Raises
    ------
    SealError
        If one of them is not a whole bag.
    """
    before, after = _read_sealed(Path(old)), _read_sealed(Path(new))
    from kit.page.cues import changed_prints  # draws slides: not before both are read

    runs = tuple(_run_changes(before.book, after.book))
    settings = tuple(_setting_changes(before.book, after.book))
    changes = _claim_changes(before.book, after.book, runs, settings)
    printed = changed_prints(before.book, after.book, before.text)
    return Revision(before, after, tuple(changes), runs, settings, printed)


def _read_sealed(path: Path) -> _Side:
    """Return what a bag states, once its bytes are known to be whole.

    Raises
    ------
    SealError
        If they are not; `HostileBagError` if the bag is not safe to read.
    """
    with open_bag(path) as bag:
        listing = bag.read_listing()
        findings = [*listing.findings, *bag.check_bytes(listing), *bag.check_listing(listing)]
        if findings or CLAIMS_PATH not in bag.files:
            first = f"\n  {findings[0]}" if findings else f"\n  no {CLAIMS_PATH}"
            raise SealError(f"{path.name}: not a whole sealed review; verify it first{first}")
        book = ClaimBook.parse(bag.read(CLAIMS_PATH), file=CLAIMS_PATH)
        return _Side(
            bag=bag.name,
            identity=hashlib.sha256(bag.read(TAG_MANIFEST)).hexdigest(),
            replaces=" ".join(listing.info.get("Replaces", ())),
            book=book,
            text=_text(bag, book),
        )


def _text(bag: Bag, book: ClaimBook) -> str:
    """Return the source of a bag's text, "" where it has none."""
    named = book.settings.get("text")
    path = text_path(named) if isinstance(named, str) else ""
    return bag.read(path).decode("utf-8", "replace") if path in bag.files else ""
