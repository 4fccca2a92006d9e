"""What a bound word may claim: a closed list of relations, each judged by a review's claims.

A relation is a row of `RELATIONS`. The words an author writes for it are the author's own; whether
it holds is worked out here from claims alone.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from kit.claims.claim import Claim, ClaimBook
from kit.errors import did_you_mean
from kit.rounding import TURNED, Rounded
from kit.settings.metric import HEADLINE, METRICS, SENSOR_WORDS

# How near a stated ratio must be to the claimed one, as a share, where "within" says nothing.
# Common practice, no source: "about a third" is 0.28 to 0.39.
ABOUT_TOLERANCE = 0.045
METRIC_WORDS = {metric.word: name for name, metric in METRICS.items() if metric.word}
SENSORS = {word: name for name, (word, _) in SENSOR_WORDS.items()}
# What says by how much readings differ, which is neither better nor worse, and where they do not.
LOAD_LEVELS = {"load_ratio": 1.0, "load_difference": 0.0}
_STATES = {"ahead": "more", "behind": "less", "level": "same", "unresolved": "unresolved"}
_STATES |= {"above": "more", "below": "less", "open": "unresolved"}  # by figures alone
_BY_FIGURES = {"ahead": "above", "behind": "below", "unresolved": "open"}
_BY_WORD = {
    "than": "over", "with": "over", "against": "over", "over": "over", "of": "over", "in": "in",
    "on": "on", "at": "at", "by": "by", "among": "among", "for": "for", "within": "within",
}  # fmt: skip
_MONEY = {"price": "price", "cost": "cost_per_fps"}
LIMITS = {"processor": "processor_bound", "cap": "capped", "heat": "throttling"}


@dataclass(frozen=True, slots=True)
class Judged:
    """What the claims say of a relation.

    Attributes
    ----------
    holds : bool
    says : str
        What the claims say, in words.
    claims : tuple of Claim
        Those it was judged by, the chief one first.
    instead : str
        The relation that would hold, with what it names; "" where there is none.
    """

    holds: bool
    says: str
    claims: tuple[Claim, ...]
    instead: str = ""


@dataclass(frozen=True, slots=True)
class _Call:
    """A relation as written: its name, its words before the first preposition, and the others."""

    name: str
    words: tuple[str, ...]
    named: Mapping[str, tuple[str, ...]]
    written: str  # all but the name
    book: ClaimBook

    @property
    def row(self) -> _Relation:
        """What the relation claims."""
        return RELATIONS[self.name]

    @property
    def rest(self) -> str:
        """All that is written after the name and the first word."""
        return self.written.partition(" ")[2]

    def expect(self, fits: object) -> None:
        """Refuse a relation that is not written in its form."""
        if not fits:
            raise LookupError(f'"{self.name}" is written: {self.row.form}')

    def one(self, key: str, known: Iterable[str] | None = None) -> str:
        """Return the one word after a preposition, "" if it is not there."""
        words = self.named.get(key, ())
        if len(words) > 1:
            raise LookupError(f'one name belongs after "{key}", not "{" ".join(words)}"')
        if words and known is not None:
            return _known(words[0], known, f'name after "{key}"')
        return words[0] if words else ""

    def product(self, word: str) -> str:
        return _known(word, self.book.names.get("products", {}), "product")

    def pair(self) -> tuple[str, str]:
        """Return product and baseline: the last word, and the one after than, with, over."""
        other = self.one("over")
        self.expect(self.words and other)
        return self.product(self.words[-1]), self.product(other)

    def place(self) -> dict[str, str]:
        """Return title, group of titles and kind of price, as far as they are named."""
        names = self.book.names
        return {
            "in": self.one("in", names.get("titles", {})),
            "on": self.one("on", names.get("title_groups", {"all": ""})),
            "at": self.one("at", names.get("price_kinds") or _kinds_of_price(self.book)),
        }


@dataclass(frozen=True, slots=True)
class _Compared:
    """One quantity of two products: which has more of it, by how much, by which claims."""

    state: str  # more, less, same, unresolved
    says: str
    claims: tuple[Claim, ...]
    ratio: float = math.nan


def _known(word: str, known: Iterable[str], what: str) -> str:
    if word not in known:
        raise LookupError(f'no {what} "{word}"{did_you_mean(word, known, listed=12)}')
    return word


def _kinds_of_price(book: ClaimBook) -> list[str]:
    return list(dict.fromkeys(c.group for c in book.of_kind("price")))


def _needed(book: ClaimBook, kind: str, **fields: str) -> Claim:
    name = Claim.id_of(kind, **fields)
    claim = book.get(name)
    if claim is None:
        raise LookupError(f'no claim "{name}"{did_you_mean(name, book.by_id)}')
    return claim


@dataclass(frozen=True, slots=True)
class _Ratio:
    """A ratio of two products with its ends and outcome, from one claim or by a third product."""

    product: str
    baseline: str
    ratio: float
    ends: tuple[float, float]
    outcome: str
    claims: tuple[Claim, ...]

    def turned(self) -> _Ratio:
        outcome = TURNED.get(self.outcome, self.outcome)
        low, high = self.ends
        return _Ratio(
            self.baseline, self.product, 1 / self.ratio, (1 / high, 1 / low), outcome, self.claims
        )


def _ratio_of(
    book: ClaimBook, metric: str, product: str, baseline: str, *, title: str, group: str
) -> _Ratio:
    """Return a margin or suite margin of two products, directly or through a third product.

    Through a third, the ends are multiplied each with each: wide enough however they depend.
    """
    found: dict[tuple[str, str], _Ratio] = {}
    where = {"title": title} if title else {"group": group or "all"}
    for claim in book.of_kind("margin" if title else "suite", metric=metric, **where):
        if claim.figure > 0 and not claim.ends[0] <= 0:
            figures = claim.figure, claim.ends, claim.outcome
            own = _Ratio(claim.product, claim.baseline, *figures, (claim,))
            for one in (own, own.turned()):
                found.setdefault((one.product, one.baseline), one)
    if (product, baseline) in found:
        return found[product, baseline]
    band = float((book.settings.get("margins") or {}).get("level_band", 0.0))
    for start, middle in found:
        if start == product and (middle, baseline) in found:
            one, two = found[product, middle], found[middle, baseline]
            low, high = (a * b for a, b in zip(one.ends, two.ends, strict=True))
            outcome = "unresolved"
            if low == low:  # the 95 % ends in place of the 90 % ones: level is said less often
                from kit.margins.cells import outcome_of  # brings scipy

                outcome = outcome_of(low, high, low, high, band=band)
            both = (*one.claims, *two.claims)
            return _Ratio(product, baseline, one.ratio * two.ratio, (low, high), outcome, both)
    place = f"in {title}" if title else f"on {group or 'all'}"
    raise LookupError(f'no margin of "{product}" over "{baseline}" {place} follows from the claims')


def _speed(call: _Call, metric: str, pair: tuple[str, str], place: Mapping[str, str]) -> _Compared:
    """Compare by a margin's outcome, or by the suite margin's."""
    found = _ratio_of(call.book, metric, *pair, title=place["in"], group=place["on"])
    low, high = (None if math.isnan(end) else end for end in found.ends)
    text = Rounded.ratio(found.ratio, low, high, locale=call.book.locale)
    interval = f" ({text.interval})" if text.interval else ""
    names = " and ".join(claim.id for claim in found.claims)
    return _Compared(
        _STATES[found.outcome or "unresolved"],
        f"{names}: {text.text}{interval}, {found.outcome or 'unresolved'}",
        found.claims, found.ratio,
    )  # fmt: skip


def _by_ends(one: Claim, other: Claim) -> _Compared:
    """Compare two figures: stated ones as printed, measured ones by their intervals."""
    stated = one.kind in {"price", "specification"}
    apart = stated or one.ends[0] > other.ends[1] or one.ends[1] < other.ends[0]
    state = ("more" if one.figure > other.figure else "less") if apart else "unresolved"
    if stated and one.text == other.text:
        state = "same"
    shown = [f"{claim.id}: {claim.printed}" for claim in (one, other)]
    ratio = one.figure / other.figure if other.figure else math.nan
    return _Compared(state, "; ".join(shown), (one, other), ratio)


def _compare(call: _Call, quantity: str, pair: tuple[str, str]) -> _Compared:
    """Compare two products by a quantity: speed, money, a specification, or a measured figure.

    Raises
    ------
    LookupError
        If there is no such quantity, or a claim of it is missing.
    """
    book, place = call.book, call.place()
    if quantity == "speed":
        return _speed(call, HEADLINE, pair, place)
    if quantity in _MONEY:
        if not place["at"]:
            known = ", ".join(_kinds_of_price(book)) or "none"
            raise LookupError(f'"{quantity}" needs a kind of price: at {known}')
        kind = _MONEY[quantity]
        return _by_ends(*(_needed(book, kind, group=place["at"], product=p) for p in pair))
    by_title = [c for c in book.of_kind("cell", metric=quantity) if place["in"] in {"", c.title}]
    if quantity in SENSORS and not by_title:
        return _by_sensor(book, SENSORS[quantity], place["in"], pair)
    metric = METRIC_WORDS.get(quantity, quantity)
    specified = {c.metric for c in book.of_kind("specification")}
    if metric in specified:
        return _by_ends(*(_needed(book, "specification", metric=metric, product=p) for p in pair))
    measured = [c for kind in ("cell", "energy", "fps_per_watt") for c in book.of_kind(kind)]
    cells = {(c.title, c.product): c for c in measured if c.metric == metric}
    if not cells:
        names = dict.fromkeys(c.metric for c in measured)
        quantities = ["speed", *_MONEY, *specified, *names]
        raise LookupError(
            f'no quantity "{quantity}"{did_you_mean(quantity, quantities, listed=40)}'
        )
    if metric in METRICS and (place["in"] or METRICS[metric].source != "title"):
        return _speed(call, metric, pair, place)
    titles = [place["in"]] if place["in"] else list(book.names.get("titles", {}))
    both = []
    for title in titles:
        one, other = (cells.get((title, product)) for product in pair)
        judged = _by_difference(
            book, pair, "level_difference", metric=metric, title=title
        ) or _by_energy(book, metric, title, pair)
        if judged is None and one and other:
            judged = _by_ends(one, other)
        both += [judged] if judged else []
    if not both:
        raise LookupError(f'no title has "{quantity}" of both {pair[0]} and {pair[1]}')
    states = {found.state for found in both}
    if len(states) == 1 or len(both) == 1:
        return replace(both[0], claims=tuple(c for found in both for c in found.claims))
    first = next(f for f in both if f.state != both[0].state)
    return replace(both[0], state="unresolved", says=f"not alike in every title: {both[0].says}; "
                   f"but {first.says}")  # fmt: skip


def _by_difference(
    book: ClaimBook, pair: tuple[str, str], kind: str, *, metric: str, title: str
) -> _Compared | None:
    """Compare by a claim of how much two products differ, either way round; None without one.

    A difference, as of levels in dB, has no ratio.
    """
    level = LOAD_LEVELS.get(kind, 0.0)
    for claim in book.of_kind(kind, metric=metric, title=title):
        if {claim.product, claim.baseline} == {*pair}:
            low, high = claim.ends
            state = "more" if low > level else "less" if high < level else "unresolved"
            ratio = claim.figure if level else math.nan
            if claim.product != pair[0]:
                state = {"more": "less", "less": "more"}.get(state, state)
                ratio = 1 / ratio
            return _Compared(state, f"{claim.id}: {claim.printed}", (claim,), ratio)
    return None


def _by_sensor(book: ClaimBook, sensor: str, title: str, pair: tuple[str, str]) -> _Compared:
    """Compare by how much a sensor's readings differ; else by the intervals of both."""
    where = {"metric": sensor, "title": title}
    for kind in LOAD_LEVELS:
        if (found := _by_difference(book, pair, kind, **where)) is not None:
            return found
    return _by_ends(*(_needed(book, "load", **where, product=p) for p in pair))


def _by_energy(book: ClaimBook, metric: str, title: str, pair: tuple[str, str]) -> _Compared | None:
    """Compare by the outcome of an energy margin, which is ahead where less is needed; else None.

    Frames per second per watt are the same margin the other way round.
    """
    energy = metric.replace("fps_per_watt", "energy")
    for claim in book.of_kind("energy_margin", metric=energy, title=title):
        if {claim.product, claim.baseline} == {*pair} and claim.figure > 0:
            turned = (claim.product == pair[0]) == (energy == metric)
            outcome = TURNED.get(claim.outcome, claim.outcome) if turned else claim.outcome
            says = f"{claim.id}: {claim.text}{f' ({claim.interval})' if claim.interval else ''}"
            ratio = 1 / claim.figure if turned else claim.figure
            return _Compared(_STATES[outcome or "unresolved"], says, (claim,), ratio)
    return None


def _instead(call: _Call, quantity: str, state: str) -> str:
    """Return the relation of the same quantity that has another state, as it would be written."""
    for name, row in RELATIONS.items():
        if row.judge is _judge_pair and row.state == state and row.quantity == quantity:
            return f"{name} {call.written}"
    return ""


def _judge_pair(call: _Call) -> Judged:
    row, pair, before = call.row, call.pair(), call.words[:-1]
    if row.quantity == "speed" and before:
        _known(before[0], METRIC_WORDS, "metric")
    else:
        call.expect(bool(before) != bool(row.quantity) and len(before) <= 1)
    found = _compare(call, before[0] if before else row.quantity, pair)
    other = _instead(call, row.quantity, found.state)
    return Judged(found.state == row.state, found.says, found.claims, other)


def _judge_rank(call: _Call) -> Judged:
    """Judge whether a product has the most, or the least, of a quantity among a stated set."""
    state, quantity = call.row.state, call.one("by")
    among, products = call.named.get("among", ()), call.book.names.get("products", {})
    call.expect(len(call.words) == 1 and quantity and among)
    classes = call.book.names.get("classes", {})
    own = call.product(call.words[0])
    sets: dict[tuple[str, ...], list[str]] = {
        ("all",): list(products),
        ("class",): [p for p in products if classes.get(p) == classes.get(own)],
    }
    chosen = sets.get(among) or [call.product(word.rstrip(",")) for word in among]
    others = [p for p in chosen if p != own]
    if not others:
        raise LookupError(f'"among {" ".join(among)}" names no other product')

    def ranked(product: str) -> list[_Compared]:
        return [_compare(call, quantity, (product, p)) for p in chosen if p != product]

    found = ranked(own)
    against = next((one for one in found if one.state != state), None)
    claims = tuple(dict.fromkeys(c for one in found for c in one.claims))
    if against is None:
        return Judged(True, found[0].says, claims)
    better = [p for p in others if all(one.state == state for one in ranked(p))]
    instead = f"{call.name} {better[0]} {call.rest}" if better else ""
    return Judged(False, against.says, claims, instead)


def _judge_title(call: _Call) -> Judged:
    """Judge in which title a product's margin over another is largest, or smallest."""
    call.expect(len(call.words) == 1 and len(call.named.get("for", ())) == 1)
    title = _known(call.words[0], call.book.names.get("titles", {}), "title")
    pair = call.product(call.named["for"][0]), call.product(call.one("over"))
    found = {}
    for name in call.book.names.get("titles", {}):
        with_margin = call.book.of_kind("margin", metric=HEADLINE, title=name)
        if any({c.product, c.baseline} == {*pair} and c.value for c in with_margin):
            found[name] = _ratio_of(call.book, HEADLINE, *pair, title=name, group="")
    if title not in found:
        raise LookupError(f'no margin of "{pair[0]}" over "{pair[1]}" in "{title}"')
    most = max if call.row.state == "more" else min
    best = most(found, key=lambda name: found[name].ratio)
    shown = [f"{found[t].claims[0].id}: {found[t].claims[0].text}" for t in (best, title)]
    says, instead = "; ".join(dict.fromkeys(shown)), f"{call.name} {best} {call.rest}"
    return Judged(best == title, says, found[best].claims, instead)


def _judge_count(call: _Call) -> Judged:
    """Judge in how many titles a product is ahead, behind, level or unresolved."""
    state, other = call.row.state, call.one("over")
    call.expect(len(call.words) == 2 and other)
    wanted, pair = call.words[0], (call.product(call.words[1]), call.product(other))
    group = call.place()["on"] or "all"
    counts = call.book.of_kind("suite_count", metric=HEADLINE, group=group)
    own = {c.part: c for c in counts if (c.product, c.baseline) == pair}
    own = own or {TURNED.get(c.part, c.part): c for c in counts if (c.baseline, c.product) == pair}
    if state not in own:
        raise LookupError(f'no counts of "{pair[0]}" over "{pair[1]}" on {group}')
    alone = own.get(_BY_FIGURES.get(state, ""))
    count = own[state].figure + (alone.figure if alone else 0.0)
    titles = sum(claim.figure for claim in own.values())
    shares = {
        "every": count == titles > 0, "most": count > titles / 2,
        "half": count == titles / 2 > 0, "no": count == 0,
    }  # fmt: skip
    if wanted in shares:
        holds = shares[wanted]
    elif wanted.isdecimal():
        holds = int(wanted) == count
    else:
        raise LookupError(
            f'"{wanted}" is no number of titles; write digits, every, most, half or no'
        )
    says = f"{own[state].id}: {state} in {count:.0f} of {titles:.0f} titles"
    claims = (own[state], *(c for part, c in own.items() if part != state))
    return Judged(holds, says, claims, f"{call.name} {count:.0f} {call.rest}")


def _read_ratio(word: str) -> float:
    """Return the ratio that a word like 4/3, 1.33, +15% or -20% stands for.

    >>> [round(_read_ratio(word), 3) for word in ("4/3", "1.25", "+15%", "-20%")]
    [1.333, 1.25, 1.15, 0.8]

    Raises
    ------
    LookupError
        If it is none, or not above 0.
    """
    match = re.fullmatch(
        r"(?P<top>\d{1,6}(?:\.\d{1,6})?)(?:/(?P<under>\d{1,6}))?"
        r"|(?P<sign>[+\-−])(?P<percent>\d{1,5}(?:\.\d{1,4})?)%",
        word,
    )
    ratio = 0.0
    if match and match["percent"]:
        ratio = 1 + float(match["percent"]) / 100 * (1 if match["sign"] == "+" else -1)
    elif match and float(match["under"] or 1):
        ratio = float(match["top"]) / float(match["under"] or 1)
    if ratio <= 0:
        raise LookupError(f'"{word}" is no ratio; write 4/3, 1.33, +33% or -20%')
    return ratio


def _judge_ratio(call: _Call) -> Judged:
    """Judge a ratio: near, at least, at most."""
    call.expect(2 <= len(call.words) <= 3)
    wanted = _read_ratio(call.words[0])
    quantity = call.words[1] if len(call.words) == 3 else "speed"
    within = call.one("within")
    tolerance = math.log(_read_ratio(f"+{within}")) if within else math.log1p(ABOUT_TOLERANCE)
    if tolerance > 0.1:
        raise LookupError(f"within {within} is too wide to claim a ratio; at most 10%")
    found = _compare(call, quantity, call.pair())
    if not found.ratio > 0:
        raise LookupError(f"{found.says}: has no ratio")
    apart = math.log(found.ratio / wanted)
    near = {"about": abs(apart) <= tolerance, "more": apart >= 0, "less": apart <= 0}[
        call.row.state
    ]
    # A ratio says that the two differ, unless it is that of what is level.
    level = call.row.state == "about" and found.state == "same" and abs(math.log(wanted)) <= 0.01
    told = found.state in {"more", "less"} or level
    real = f"{100 * (found.ratio - 1):+.1f}%"
    return Judged(
        near and told, f"{found.says} (ratio {found.ratio:.3f}"
        f"{'' if told else ', which does not tell the two apart'})", found.claims,
        f"about {real} {call.rest}" if told else "",
    )  # fmt: skip


def _judge_frontier(call: _Call) -> Judged:
    kind = call.place()["at"]
    call.expect(len(call.words) == 1 and kind)
    claim = _needed(call.book, "frontier", group=kind, product=call.product(call.words[0]))
    state = {"on": "on", "tie": "on", "other_class": "none"}.get(claim.outcome, "off")
    other = {"on": "on_frontier", "off": "off_frontier"}.get(state, "")
    says, instead = f"{claim.id}: {claim.text}", other and f"{other} {call.written}"
    return Judged(state == call.row.state, says, (claim,), instead)


def _judge_limit(call: _Call) -> Judged:
    """Judge what holds a product back in a title, by what screening flagged there."""
    title, by = call.place()["in"], call.one("by")
    call.expect(len(call.words) == 1 and title and by)
    rule, product = LIMITS[_known(by, LIMITS, "limit")], call.product(call.words[0])
    flags = [c for c in call.book.of_kind("flag", title=title) if c.product in {product, ""}]
    judged = [c for c in flags if c.outcome != "cannot_judge"]
    own = tuple(c for c in judged if c.metric == rule)
    others = [(name, c) for name, r in LIMITS.items() for c in judged if c.metric == r]
    if own:
        return Judged(True, f"{own[0].id}: {own[0].text}", own)
    unclear = [c.text for c in flags if c.metric == rule]
    says = others[0][1].text if others else f"no sign of a limit of {product} in {title}"
    says = "; ".join([*unclear, says])
    other = f"{call.name} {product} by {others[0][0]} in {title}" if others else ""
    return Judged(False, says, (), other)


@dataclass(frozen=True, slots=True)
class _Relation:
    """One relation: how it is written, how it is judged, and what it claims."""

    form: str
    judge: Callable[[_Call], Judged]
    state: str
    words: str
    quantity: str = ""


_PAIR = "[METRIC] P than B [in T | on GROUP]"
_PRICES = "P than B at KIND"
_OF = "QUANTITY P than B [in T | on GROUP | at KIND]"
_AMONG = "P among A B ... by QUANTITY [in T | on GROUP | at KIND]"
_TITLE = "T for P over B"
_COUNT = "N P over B [on GROUP]"
_RATIO = "R [QUANTITY] P over B [in T | on GROUP | at KIND] [within 5%]"
_KIND = "P at KIND"
_SET = "a quantity, among all, class (of machine) or products by name"
# name: form, judge, the state it claims, what it claims in words, its own quantity
_ROWS: Mapping[str, tuple[str, Callable[[_Call], Judged], str, str, str]] = {
    "faster": (_PAIR, _judge_pair, "more", "ahead by the margin's outcome", "speed"),
    "slower": (_PAIR, _judge_pair, "less", "behind by the margin's outcome", "speed"),
    "level": (_PAIR, _judge_pair, "same", "level by the margin's outcome", "speed"),
    "unresolved": (_PAIR, _judge_pair, "unresolved", "too close to call", "speed"),
    "cheaper": (_PRICES, _judge_pair, "less", "the lower price, as printed", "price"),
    "dearer": (_PRICES, _judge_pair, "more", "the higher price, as printed", "price"),
    "same_price": (_PRICES, _judge_pair, "same", "the same price, as printed", "price"),
    "more": (_OF, _judge_pair, "more", "more of a quantity, told apart by its intervals", ""),
    "less": (_OF, _judge_pair, "less", "less of a quantity, told apart by its intervals", ""),
    "same": (_OF, _judge_pair, "same", "the same of a quantity, as printed", ""),
    "open": (_OF, _judge_pair, "unresolved", "a quantity that does not tell them apart", ""),
    "first": (_AMONG, _judge_rank, "more", f"the most of {_SET}", ""),
    "last": (_AMONG, _judge_rank, "less", f"the least of {_SET}", ""),
    "best": (_TITLE, _judge_title, "more", "the title of the largest margin", ""),
    "worst": (_TITLE, _judge_title, "less", "the title of the smallest margin", ""),
    "ahead_in": (_COUNT, _judge_count, "ahead", "in N titles: digits, every, most, half, no", ""),
    "behind_in": (_COUNT, _judge_count, "behind", "likewise", ""),
    "level_in": (_COUNT, _judge_count, "level", "likewise", ""),
    "unresolved_in": (_COUNT, _judge_count, "unresolved", "likewise", ""),
    "about": (_RATIO, _judge_ratio, "about", "a ratio (4/3, 1.33, +33%, -20%), within 4.5%", ""),
    "at_least": (_RATIO, _judge_ratio, "more", "a ratio or more", ""),
    "at_most": (_RATIO, _judge_ratio, "less", "a ratio or less", ""),
    "on_frontier": (_KIND, _judge_frontier, "on", "nothing is both cheaper and faster", ""),
    "off_frontier": (_KIND, _judge_frontier, "off", "something, or a mix, is better value", ""),
    "limited": ("P by LIMIT in T", _judge_limit, "limited", "flagged: processor, cap, heat", ""),
}
RELATIONS: Mapping[str, _Relation] = MappingProxyType(
    {name: _Relation(*row) for name, row in _ROWS.items()}
)


def judge_relation(written: str, book: ClaimBook) -> Judged:
    """Judge a relation by a review's claims.

    Parameters
    ----------
    written : str
        Its name and what it names, as `RELATIONS` has the form: "faster ash than birch in dell".
    book : ClaimBook

    Raises
    ------
    LookupError
        If there is no such relation, it is not written in its form, or a name or claim is missing.
    """
    name, *tokens = written.split()
    _known(name, RELATIONS, "relation")
    words: list[str] = []
    named: dict[str, list[str]] = {}
    key = ""
    for token in tokens:
        found = _BY_WORD.get(token, "")
        if found and found not in named:
            key, named[found] = found, []
        elif found:
            raise LookupError(f'"{found}" stands twice; {name} is written: {RELATIONS[name].form}')
        elif key:
            named[key].append(token)
        else:
            words.append(token)
    for key, values in named.items():
        if not values:
            form = RELATIONS[name].form
            raise LookupError(f'nothing stands after "{key}"; {name} is written: {form}')
    given = _Call(
        name, tuple(words), {key: tuple(values) for key, values in named.items()},
        " ".join(tokens), book,
    )  # fmt: skip
    return RELATIONS[name].judge(given)
