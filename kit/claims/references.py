"""References of bound text: which claim a few words name, and how its figure is written."""

from __future__ import annotations

from collections.abc import Mapping

from kit.claims.claim import Claim, ClaimBook
from kit.errors import did_you_mean
from kit.rounding import margin_words, ratio_text
from kit.settings.metric import HEADLINE, METRICS

METRIC_WORDS = {metric.word: name for name, metric in METRICS.items() if metric.word}
VALUE_WORDS = {
    "price": "price",
    "cost": "cost_per_fps",
    "suite_fps": "suite_fps",
    "premium": "premium",
    "equal_value": "equal_value_price",
    "cut": "cut_needed",
}
FORMS = {"interval", "number", "sentence", "reversed"}
MARGIN_KINDS = {"margin", "suite", "suite_like", "suite_smallest", "suite_largest"}


def find_claim(written: str, book: ClaimBook) -> tuple[Claim, frozenset[str]]:
    """Return the claim a reference names, and how it is to be written.

    Raises
    ------
    LookupError
        If the reference is not in a known form, or names no claim; the message says what to do.
    """
    phrase, _, options = written.partition("|")
    forms = frozenset(options.replace(",", " ").split())
    for form in sorted(forms - FORMS):
        guess = did_you_mean(form, FORMS, listed=len(FORMS))
        raise LookupError(f'no way of writing called "{form}"{guess}')
    claim_id = reference_id(phrase.split(), book)
    claim = book.get(claim_id)
    if claim is None:
        guess = did_you_mean(claim_id, book.by_id)
        raise LookupError(f'no such claim "{claim_id}"{guess}')
    return claim, forms


def reference_id(words: list[str], book: ClaimBook) -> str:
    """Return the claim id that the words of a reference stand for.

    Raises
    ------
    LookupError
        If the words are not in a known form.
    """
    named: dict[str, str] = {}
    rest: list[str] = []
    position = 0
    while position < len(words):
        if words[position] in {"over", "in", "on", "at"} and position + 1 < len(words):
            # A kind of price may be several words ("at scenario: cheaper").
            if words[position] == "at":
                named["at"] = " ".join(words[position + 1 :])
                break
            named[words[position]] = words[position + 1]
            position += 2
        else:
            rest.append(words[position])
            position += 1
    metric = HEADLINE
    if (
        len(rest) > 1
        and rest[0] in METRIC_WORDS
        and rest[1] in {"margin", "suite", "smallest", "largest", "count"}
    ):
        metric = METRIC_WORDS[rest.pop(0)]
    head, rest = (rest[0], rest[1:]) if rest else ("", [])
    match head, rest:
        case _, [product] if head in METRIC_WORDS and "in" in named:
            return f"cell/{METRIC_WORDS[head]}/{named['in']}/{product}"
        case "margin", [product] if {"over", "in"} <= named.keys():
            return f"margin/{metric}/{named['in']}/{product}-over-{named['over']}"
        case (("suite" | "smallest" | "largest"), [product]) if "over" in named:
            kind = head if head == "suite" else f"suite_{head}"
            return f"{kind}/{metric}/{named.get('on', 'all')}/{product}-over-{named['over']}"
        case "count", [outcome, product] if "over" in named:
            pair = f"{product}-over-{named['over']}"
            return f"suite_count/{metric}/{named.get('on', 'all')}/{pair}/{outcome}"
        case "gap", [product]:
            found = [c.id for c in book.of_kind("gap", metric=metric) if c.product == product]
            return found[0] if found else f"gap/{metric}/{product}"
        case (("price" | "cost" | "suite_fps"), [product]) if "at" in named:
            return f"value/{named['at']}/{VALUE_WORDS[head]}/{product}"
        case (("premium" | "equal_value" | "cut"), [product]) if {"over", "at"} <= named.keys():
            pair = f"{product}-over-{named['over']}"
            return f"value/{named['at']}/{VALUE_WORDS[head]}/{pair}"
        case "spec", [name, product]:
            return f"specification/{name}/{product}"
        case (("runs" | "frames"), [which]):
            return f"count/{head}/{which}"
        case "titles", []:
            return "count/titles"
    raise LookupError(
        f'"{" ".join(words)}" is not a reference; write for example '
        '"average PRODUCT in TITLE", "margin PRODUCT over BASELINE in TITLE" or '
        '"price PRODUCT at street"'
    )


def reference_text(
    claim: Claim, forms: frozenset[str], *, locale: str, names: Mapping[str, str]
) -> str:
    """Return a reference as it is printed: number, unit and direction, rounded once.

    Raises
    ------
    LookupError
        If a form does not fit the kind of claim.
    """
    compares = claim.kind in MARGIN_KINDS
    wrong = forms & {"sentence", "reversed"}
    if wrong and not compares:
        raise LookupError(f'"{sorted(wrong)[0]}" fits a margin or suite, not {claim.kind}')
    if not compares or claim.value is None:
        interval = f" ({claim.interval})" if "interval" in forms and claim.interval else ""
        return claim.text + interval
    ratio, low, high = claim.value, claim.low, claim.high
    product, baseline, outcome = claim.product, claim.baseline, claim.outcome or "unresolved"
    if claim.kind in {"suite_smallest", "suite_largest"}:
        outcome = "ahead" if ratio > 1 else "behind"
    if "reversed" in forms:
        ratio = 1 / ratio
        low, high = (1 / high, 1 / low) if low and high else (None, None)
        product, baseline = baseline, product
        outcome = {"ahead": "behind", "behind": "ahead"}.get(outcome, outcome)
    rounded = ratio_text(ratio, low, high, locale=locale)
    speed = METRICS[claim.metric].speed
    if "number" in forms:
        text = rounded.text
    else:
        text = margin_words(ratio, low, high, outcome=outcome, speed=speed, locale=locale)
    # What is level or not told apart has its interval in its words already.
    told = "number" in forms or outcome in {"ahead", "behind"}
    if "interval" in forms and rounded.interval and told:
        text += f" ({rounded.interval})"
    if "sentence" in forms:
        first, second = names.get(product, product), names.get(baseline, baseline)
        if outcome in {"ahead", "behind"}:
            joint = "than" if speed else "of"
            return f"{first} is {text} {joint} {second}"
        return f"{first} and {second} are {text}"
    return text


def printed_forms(claim: Claim, book: ClaimBook) -> set[str]:
    """Return every way a claim's figure may be printed in a page made from `book`."""
    forms = {claim.text}
    locale = str(book.settings.get("locale", "en"))
    for chosen in (
        [],
        ["interval"],
        ["number"],
        ["number", "interval"],
        ["sentence"],
        ["sentence", "interval"],
    ):
        for turned in ([], ["reversed"]):
            try:
                forms.add(
                    reference_text(
                        claim,
                        frozenset([*chosen, *turned]),
                        locale=locale,
                        names=book.names.get("products", {}),
                    )
                )
            except LookupError:
                continue
    return forms
