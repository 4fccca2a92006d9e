"""Templates of the page: one Jinja environment, everything escaped, nothing undefined.

Templates lie in `kit/page/templates`. They hold markup and no rules: what is said and in which
order comes from the functions that fill them.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from typing import Any

from markupsafe import Markup

from kit.claims.bound_text import size_text, with_currency_sign
from kit.claims.claim import Claim
from kit.package import PACKAGE
from kit.page.findings import Part, Printed
from kit.page.html import Html, data_html, text_html
from kit.rounding import NBSP, OUTCOME_SIGNS


def render(template: str, **given: Any) -> Html:
    """Return a template filled with what is given, as a piece of the page."""
    return Html(_environment().get_template(f"{template}.html.j2").render(given).strip())


@lru_cache(maxsize=1)
def _environment() -> Any:
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(PACKAGE / "page" / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters |= {
        "fig": lambda claim: figure(claim, claim.text),
        "money": lambda claim: figure(claim, with_currency_sign(claim)),
        "size": lambda claim: figure(claim, size_text(claim)),
        "plain": plain_figure,
        "bare": bare_percent,
        "data": lambda claim: Markup(data_html(claim)),
        "parts": parts,
        "sign": lambda outcome: OUTCOME_SIGNS.get(outcome, OUTCOME_SIGNS["unresolved"]),
        "shown": lambda text: Markup(text_html(text)),
    }
    return environment


def figure(claim: Claim, text: str, *, css: str = "") -> Markup:
    """Return a claim's figure in one of its printed forms, as a link to its trace."""
    shown = text_html(text)
    if claim.value is not None:
        shown = f'<data value="{claim.value!r}">{shown}</data>'
    return Markup(f'<a class="fig{css}" href="#{claim.anchor}">{shown}</a>')


def parts(sentence: Iterable[Part]) -> Markup:
    """Return a sentence, its figures as links to their traces."""
    return Markup("").join(
        figure(part.claim, part.text) if isinstance(part, Printed) else Markup(text_html(part))
        for part in sentence
    )


def plain_figure(claim: Claim | None) -> Markup:
    """Return a figure without its unit, which the column's head gives, and without a link."""
    return Markup("") if claim is None else Markup(data_html(claim, unit=claim.unit))


def bare_percent(claim: Claim, css: str) -> Markup:
    """Return a margin as a link, its percent sign given by the column's head.

    Figures of panels that may be hidden carry the class `also`: a link back does not lead there.
    """
    shown = data_html(claim, unit="%")
    if claim.text.endswith(NBSP + "%"):
        return Markup(f'<a class="fig{css}" href="#{claim.anchor}">{shown}</a>')
    return figure(claim, claim.text, css=css)
