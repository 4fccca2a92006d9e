"""What changed between two books of claims: claims, runs, settings, and why."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from kit.archive.rebuild import reads_as_stated, same_figure
from kit.claims.claim import Claim, ClaimBook, RunRecord

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


@dataclass(frozen=True, slots=True)
class RunChange:
    """One run that is not the same in both: added, removed, set aside, used again, replaced,
    or recorded otherwise."""

    run: str
    product: str
    title: str
    change: str
    old: str
    new: str


@dataclass(frozen=True, slots=True)
class SettingChange:
    """One setting, as a dotted key, that differs; "not set" where only one review has it."""

    key: str
    old: str
    new: str


def run_changes(old: ClaimBook, new: ClaimBook) -> Iterator[RunChange]:
    """Yield every difference between the runs of two books."""
    for run in dict.fromkeys([*old.run_by_id, *new.run_by_id]):
        before, after = old.run_by_id.get(run), new.run_by_id.get(run)
        one = after or before
        if one is None:
            continue
        for change, was, now in _run_differences(before, after):
            yield RunChange(run, one.product, one.title, change, was, now)


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
    if run is None:
        return "not there"
    return "used" if run.used else f"not used: {run.reason}"


def setting_changes(old: ClaimBook, new: ClaimBook) -> Iterator[SettingChange]:
    """Yield every setting in force that differs, layouts of logs among them."""
    before = _flat({**old.settings, "layouts": old.layouts})
    after = _flat({**new.settings, "layouts": new.layouts})
    for key in dict.fromkeys([*before, *after]):
        was, now = before.get(key, "not set"), after.get(key, "not set")
        if was != now:
            yield SettingChange(key, was, now)
    if old.kit_version != new.kit_version:
        yield SettingChange("kit version", old.kit_version, new.kit_version)


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


def _can_move_figures(setting: SettingChange) -> bool:
    """Return whether a setting can be why a claim changed (set-aside runs are told as runs)."""
    first = setting.key.split(".")[0]
    return first not in _NO_FIGURE and not setting.key.startswith("screen.set_aside.")


def claim_changes(
    old: ClaimBook,
    new: ClaimBook,
    runs: Sequence[RunChange],
    settings: Sequence[SettingChange],
) -> Iterator[ClaimChange]:
    """Yield every claim of either book: how it changed, and what changed beneath it."""
    by_run: dict[str, list[RunChange]] = {}
    for change in runs:
        by_run.setdefault(change.run, []).append(change)
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
    """Return, for each claim, the runs and prices it rests on through all its inputs."""
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
    """Return how a claim changed."""
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
    return _equal(old.value, new.value) and old.rounding != new.rounding


def _equal(one: float | None, other: float | None) -> bool:
    if one is None or other is None:
        return one is other
    return same_figure(one, other)


def _run_words(change: RunChange) -> str:
    """Say what became of a run, without the hashes (the list of runs has them)."""
    if change.change == "replaced":
        return f"run {change.run} was replaced: its log has other bytes"
    return f"run {change.run} was {change.change} ({change.old} -> {change.new})"


@dataclass(frozen=True, slots=True)
class _Beneath:
    """What changed beneath the claims: by run, settings, claims that changed, roots of each."""

    by_run: Mapping[str, list[RunChange]]
    settings: list[SettingChange]
    changed: set[str]
    roots: tuple[Mapping[str, frozenset[str]], Mapping[str, frozenset[str]]]

    def causes(self, name: str, old: Claim | None, new: Claim | None) -> Iterator[str]:
        """Yield what changed beneath one claim, in words."""
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
