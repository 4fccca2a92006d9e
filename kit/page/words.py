"""The article's words in the language of its review: whole sentences from message catalogues.

A message is its English sentence, with named places for figures, names and phrases; other
languages stand in `locale/<language>.po` and are read when they are asked for. Numbers follow
`locale`, words `language`. The record, slides and tables of a bench keep English.
"""

from __future__ import annotations

import gettext
import io
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache
from string import Formatter

from kit.claims.claim import Claim
from kit.package import PACKAGE
from kit.page.html import Printed

Part = str | Printed
Sentence = tuple[Part, ...]
Given = str | int | Printed | Sentence


def msg(message: str) -> str:
    """Return a message as it is: it marks one for the catalogues that is said elsewhere."""
    return message


def forms(one: str, many: str) -> tuple[str, str]:
    """Return a message for one and for several as it is: `msg` for what `Words.plural` says."""
    return one, many


# Count words; a figure past the last.
_NUMBERS = (
    msg("no"), msg("one"), msg("two"), msg("three"), msg("four"), msg("five"), msg("six"),
    msg("seven"), msg("eight"), msg("nine"), msg("ten"), msg("eleven"), msg("twelve"),
)  # fmt: skip
# Kinds of prices that other languages join with the word for price; any other stays as it is.
_PRICE_KINDS = {"street": msg("street"), "launch": msg("launch"), "used": msg("used")}


@dataclass(frozen=True, slots=True)
class Words:
    """Says messages in one language.

    Attributes
    ----------
    language : str
    catalogue : gettext.NullTranslations
    """

    language: str
    catalogue: gettext.NullTranslations

    def say(self, message: str, **given: str | int) -> str:
        """Return a message as text, its named places filled."""
        return self.catalogue.gettext(message).format(**given)

    def word(self, known: str) -> str:
        """Return what another wing words in English: a metric's label, a choice; else as it is."""
        return self.catalogue.gettext(known) if known else ""

    def tell(self, message: str, **given: Given) -> Sentence:
        """Return a message as the parts of a sentence: figures and phrases stay what they are."""
        found: list[Part] = []
        for text, name, _, _ in Formatter().parse(self.catalogue.gettext(message)):
            value = "" if name is None else given[name]
            for part in (text, *(value if isinstance(value, tuple) else (value,))):
                if isinstance(part, Printed):
                    found.append(part)
                elif found and isinstance(found[-1], str):
                    found[-1] += str(part)
                elif part != "":
                    found.append(str(part))
        return tuple(found)

    def plural(self, one: str, many: str, number: int, /, **given: str | int) -> str:
        """Return the message for so many things; `{count}` in it is a word up to twelve."""
        message = self.catalogue.ngettext(one, many, number)
        return message.format(**{"count": self.number(number)} | given)

    def number(self, count: int) -> str:
        """Return a count as a word up to twelve, then in figures.

        >>> words_in("en").number(2), words_in("de").number(12), words_in("de").number(14)
        ('two', 'zwölf', '14')
        """
        return self.say(_NUMBERS[count]) if count < len(_NUMBERS) else str(count)

    def listed(self, names: Iterable[str], style: str = "standard") -> str:
        """Return names as a list in words; nothing for none.

        >>> words_in("en").listed(["a", "b", "c"]), words_in("de").listed(["a", "b"], "or")
        ('a, b and c', 'a oder b')
        """
        from babel.lists import format_list

        locale = "en_GB" if self.language == "en" else self.language  # no comma before "and"
        return str(format_list([*names], style, locale))  # type: ignore[arg-type]

    def date(self, day: str, pattern: str = "") -> str:
        """Return a day as the article writes it, or by a pattern; what is no day, as it is.

        >>> words_in("en").date("2026-11-16"), words_in("de").date("2026-11-16")
        ('16 November 2026', '16. November 2026')
        >>> words_in("en").date("2026-11-16", "d MMM y"), words_in("en").date("soon")
        ('16 Nov 2026', 'soon')
        """
        from datetime import date

        from babel.dates import format_date

        pattern = pattern or self.say("d MMMM y")
        try:
            return str(format_date(date.fromisoformat(day), pattern, locale=self.language))
        except ValueError:
            return day

    def interval(self, claim: Claim) -> str:
        """Return a claim's interval, "" where it has none."""
        low, joint, high = claim.interval.partition(" to ")
        if not joint:
            return claim.interval
        return self.say("{low} to {high}", low=self._figure(low), high=self._figure(high))

    def with_interval(self, claim: Claim, printed: Printed | None = None) -> Sentence:
        """Return a claim's figure, its interval in brackets."""
        interval = f" ({self.interval(claim)})" if claim.interval else ""
        return tuple(filter(None, (printed or self.printed(claim), interval)))

    def printed(self, claim: Claim) -> Printed:
        """Return a claim's figure as it is printed."""
        return Printed(claim, self.text(claim))

    def text(self, claim: Claim) -> str:
        """Return a claim's printed text, in this language where a word is in it."""
        return self._figure(claim.text)

    def in_page(self, claim: Claim) -> Claim:
        """Return a claim with text and interval as the page prints them."""
        return replace(claim, text=self.text(claim), interval=self.interval(claim))

    def _figure(self, text: str) -> str:
        if text.startswith("under "):
            return self.say("under {figure}", figure=text.removeprefix("under "))
        known = {"unbounded": msg("unbounded"), "undefined": msg("undefined")}
        return self.say(known[text]) if text in known else text

    def kind(self, kind: str) -> str:
        """Return a kind of price as it stands before the word for price."""
        if kind in _PRICE_KINDS:
            return self.say(_PRICE_KINDS[kind])
        # Also given: {kind} {upper}
        return self.say("{kind}", kind=kind, upper=kind.capitalize())

    def kind_of_prices(self, name: str) -> str:
        """Return the name of a kind of prices: "street prices", or what was supposed."""
        kind = name.removesuffix(" prices")
        if name.startswith("supposed: "):
            return self.say("supposed: {scenario}", scenario=name.removeprefix("supposed: "))
        return self.say("{kind} prices", kind=self.kind(kind)) if kind != name else name


@lru_cache
def words_in(language: str) -> Words:
    """Return the words of a language: English without a catalogue, others from theirs."""
    return Words(language, _catalogue(language))


def _catalogue(language: str) -> gettext.NullTranslations:
    """Return the messages of a language, compiled in memory from its catalogue."""
    if language == "en":
        return gettext.NullTranslations()
    from babel.messages.mofile import write_mo
    from babel.messages.pofile import read_po

    compiled = io.BytesIO()
    with (PACKAGE / "page" / "locale" / f"{language}.po").open("rb") as file:
        write_mo(compiled, read_po(file, locale=language, abort_invalid=True))
    compiled.seek(0)
    return gettext.GNUTranslations(compiled)
