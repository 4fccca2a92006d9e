"""Bound text: the analyst's prose, in which every figure is a reference to a claim.

A reference stands in double braces and names what it wants by product, title and metric:

=====================================  ======================================================
``{{average P in T}}``                 a product's average in a title; also
                                       ``result`` and the word of any other metric, as
                                       ``low_1pct`` (`kit.settings.metric`)
``{{margin P over B in T}}``           a margin in a title, as "12.3 % faster"
``{{low_1pct margin P over B in T}}``  the same for another metric
``{{suite P over B}}``                 the suite margin; ``on G`` names a group of titles
``{{smallest P over B}}``              the smallest (``largest``) margin of a suite
``{{count ahead P over B}}``           in how many titles: ahead, behind, level, unresolved
``{{false P over B}}``                 how many of the titles ahead or behind are expected to
                                       be false
``{{clock P in T}}``                   what a sensor reads under load: also ``power``,
                                       ``temperature``, ``noise``; without ``in T`` over all titles
``{{clock P over B in T}}``            by how much it is higher or lower than of B
``{{step S A over B of P}}``           what one setting of P does against another; ``in T``,
                                       ``on G``
``{{gap P}}``                          the gap of its name between classes of machine
``{{price P at K}}``                   a price; also ``cost`` and ``suite_fps``
``{{equal_value P over B at K}}``      price of equal value; also ``premium``, ``cut``,
                                       ``difference`` (in currency)
``{{spec FIELD P}}``                   a figure of the specification table
``{{limit in T}}``                     whether the processor sets the limit, where that was asked
``{{runs used}}``                      runs ``used``, ``set_aside``; ``{{titles}}``
``{{suite P over B @ R}}``             any of these figures as another review states it: one that
                                       params name R under ``reviews``
=====================================  ======================================================

After ``|`` stands how to write it: ``interval`` adds the interval, ``number`` gives the figure
alone, ``sentence`` writes the whole comparison as the outcome allows, ``joined`` ends a margin as
its outcome asks ("12.3 % faster than", "level with"), ``reversed`` turns it round, ``spoken``
rounds and words it as it is said. A figure taken from elsewhere needs
``[source: NAME, 2026-11-25]`` in its sentence.

A word that claims something (`kit.claims.lexicon`) is bound, too: ``{{say RELATION ...: words}}``
checks a relation (`kit.claims.relations`) and prints the words. Else its sentence is marked
``[opinion]`` or names its source. ``[slide: NAME]`` says which slide belongs to a paragraph.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import difflib
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

from kit.claims.claim import Claim, ClaimBook, load_claims
from kit.claims.lexicon import HELD, ClaimingWord, Suggester
from kit.claims.relations import LOAD_LEVELS, METRIC_WORDS, SENSORS, Judged, judge_relation
from kit.errors import Fault, ParamsError, SealError, TextError, UsageError, did_you_mean
from kit.rounding import BY_FIGURES, MINUS, NBSP, TURNED, Rounded, Speaker
from kit.settings.metric import HEADLINE, METRICS
from kit.settings.params import LoadedParams
from kit.settings.yaml import TURNING

# None of these patterns may look at a place of the text more than a few times: `verify` binds
# texts of strangers. Hence no braces within braces, bounded and possessive repeats.
REFERENCE = re.compile(r"\{\{([^{}]*)\}\}")
LOOSE_BRACES = re.compile(r"\{\{|\}\}")
SOURCE = re.compile(r"\[source:\s*(?P<name>[^\[\]]{1,300}?),\s*(?P<date>\d{4}-\d{2}-\d{2})\s*\]")
OPINION = re.compile(r"\[opinion\]", re.IGNORECASE)
SLIDE = re.compile(r"\[slide:[ \t]*(?P<name>[^\[\]\n]{1,120}?)[ \t]*\][ \t]*\n?", re.IGNORECASE)
UNITS = r"(?:[%€$£]|(?:percent|per\s+cent|fps|ms|W|watts?|dB|EUR|USD|GBP|euros?|dollars?)\b)"
# A number is passed over whole, with or without a unit, so that no part of it is tried again.
TYPED = re.compile(
    rf"(?<![\w.])[-+−]?\d[\d.,\u00a0\u202f']*+(?P<unit>\s*+{UNITS})?"
    r"|(?P<sign>€|\$|£|EUR|USD|GBP)\s*+\d[\d.,]*+",
    re.IGNORECASE,
)
VALUE_WORDS = {
    "price": "price",
    "cost": "cost_per_fps",
    "suite_fps": "suite_fps",
    "premium": "premium",
    "difference": "price_difference",
    "equal_value": "equal_value_price",
    "cut": "cut_needed",
}
_PRINTED = (
    (), ("interval",), ("number",), ("number", "interval"), ("sentence",), ("sentence", "interval"),
    ("joined",), ("joined", "interval"), ("spoken",), ("spoken", "joined"), ("spoken", "sentence"),
)  # fmt: skip
FORMS = {"interval", "number", "sentence", "joined", "reversed", "spoken"}
_PROPOSED = 40  # faults of a text that come with a proposal: each costs a search of the claims
_TURNED = {"margin", "suite", "step", "step_on", *LOAD_LEVELS}
MARGIN_KINDS = {
    "margin", "suite", "suite_like", "suite_smallest", "suite_largest", "step", "step_on", "part",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Reference:
    """One reference of a text: where it stands, what it names, how it is written."""

    written: str  # between the braces
    start: int  # place of the braces in the text
    end: int
    line: int
    claim: Claim
    forms: frozenset[str]
    text: str  # as rendered
    judged: Judged | None = None  # of bound words: what was checked


@dataclass(frozen=True, slots=True)
class BoundText:
    """A checked text: its source, its references, and the sources it quotes."""

    file: str
    source: str
    references: tuple[Reference, ...]
    language: str = "en"

    def render(self, write: Callable[[Reference], str]) -> str:
        """Return the text with each reference replaced by `write(reference)`."""
        parts, last = [], 0
        for reference in self.references:
            parts += [self.source[last : reference.start], write(reference)]
            last = reference.end
        return "".join([*parts, self.source[last:]])

    def to_markdown(self) -> str:
        """Return plain Markdown with every figure written out, for an article or a script."""
        return write_marks(self.render(lambda reference: reference.text), self.language)

    def paragraphs(self) -> Iterator[tuple[int, str]]:
        """Yield line and text of each paragraph and heading, figures written out, marks kept."""
        bare = _without_references(self.source)
        cuts = [*re.finditer(r"\n[ \t]{0,9}\n|(?<=\n)(?=#)", bare), None]
        start, left = 0, list(self.references)
        for cut in cuts:
            end = cut.start() if cut else len(self.source)
            parts, at = [], start
            while left and left[0].start < end:
                parts += [self.source[at : left[0].start], left[0].text]
                at = left.pop(0).end
            whole = "".join([*parts, self.source[at:end]])
            line = bare.count("\n", 0, start) + 1 + len(whole) - len(whole.lstrip("\n"))
            head, _, rest = whole.lstrip("\n").partition("\n")
            if head.startswith("#") and rest.strip():
                yield line, head
                line, whole = line + 1, rest
            if whole.strip():
                yield line, whole
            start = cut.end() if cut else end

    def to_rows(self) -> list[dict[str, Any]]:
        """Return what a text rests on: a row a figure or bound word, and what rests on its author.

        Returns
        -------
        list of dict
            In the text's order: `line`, `kind` (figure, words, opinion, source, sentence: one with
            nothing bound), `reference`, `claim`, `text`.
        """
        rows = [
            {"line": r.line, "kind": "words" if r.judged else "figure", "reference": r.written,
             "claim": r.claim.id, "text": r.text}
            for r in self.references
        ]  # fmt: skip
        bare = _without_references(self.source)
        for start, sentence in _sentences(bare):
            whole = " ".join(self.source[start : start + len(sentence)].split())
            whole = SLIDE.sub("", whole + "\n").strip()
            marks = {"opinion": OPINION, "source": SOURCE}
            kind = next((name for name, mark in marks.items() if mark.search(sentence)), "")
            kind = kind or ("" if HELD in sentence or whole.startswith("#") else "sentence")
            if kind and whole:
                line = bare.count("\n", 0, start) + 1
                rows.append(
                    {"line": line, "kind": kind, "reference": "", "claim": "", "text": whole}
                )
        return sorted(rows, key=lambda row: row["line"])

    @staticmethod
    def claims_elsewhere(loaded: LoadedParams) -> tuple[list[Claim], dict[str, dict[str, str]]]:
        """Return what a review's text refers to in other reviews.

        Returns
        -------
        list of Claim, dict of str to dict of str to str
            Each figure once, as stated there; names of these reviews, their days, the identities of
            their bags, and of products and titles that they have. What a reference does not find is
            a fault of the text: binding tells it.

        Raises
        ------
        ParamsError
            If another review cannot be read, or writes its figures in another way.
        """
        named = loaded.params.text
        if not loaded.reviews or named is None:
            return [], {}
        claims: dict[str, Claim] = {}
        books: dict[str, ClaimBook] = {}
        for written in REFERENCE.findall(read_text(loaded.path.parent / named)):
            phrase, _, review = (p.strip() for p in written.partition("|")[0].partition(" @"))
            if phrase.startswith("say ") or review not in loaded.reviews:
                continue
            if review not in books:
                try:
                    books[review] = ClaimBook.read_stated(loaded.reviews[review])
                except SealError as error:
                    fault = loaded.document.fault(str(error), "reviews", review)
                    raise ParamsError([fault]) from None
                if books[review].locale != loaded.params.locale:
                    said = f"writes figures as in {books[review].locale}; this review must, too"
                    raise ParamsError([loaded.document.fault(said, "reviews", review)])
            with contextlib.suppress(LookupError):
                claim = _claim_of(phrase, books[review])[0].elsewhere(review)
                claims[claim.id] = claim
        elsewhere: dict[str, str] = {}
        for book in books.values():
            elsewhere |= {**book.names.get("titles", {}), **book.names.get("products", {})}
        used = {name for c in claims.values() for name in (c.product, c.baseline, c.title)}
        names = {
            "reviews": {name: book.title for name, book in books.items()},
            "review_days": {name: book.date for name, book in books.items()},
            "review_seals": {name: book.seal for name, book in books.items()},
            "elsewhere": {name: words for name, words in elsewhere.items() if name in used},
        }
        return [*claims.values()], {family: of for family, of in names.items() if of}

    def to_frame(self) -> Any:
        """Return the figures and bound words as a DataFrame: line, reference, claim, text."""
        import pandas as pd

        columns = ["line", "reference", "claim", "text"]
        rows = [[row[name] for name in columns] for row in self.to_rows() if row["claim"]]
        return pd.DataFrame(rows, columns=columns)


def write_marks(text: str, language: str) -> str:
    """Return text with its marks as readers see them: sources and opinions said, no slides."""
    text = SLIDE.sub("", text)
    text = SOURCE.sub(lambda match: f"({match['name'].strip()}, {match['date']})", text)
    return OPINION.sub(f"({ClaimingWord.opinion(language)})", text)


def _without_references(source: str) -> str:
    """Return a text whose references are held by `HELD`, as long as they were."""
    return REFERENCE.sub(lambda match: re.sub(r"[^\n]", HELD, match[0]), source)


def bind_text(
    source: str,
    book: ClaimBook,
    *,
    file: str,
    names: Mapping[str, str] | None = None,
    others: Mapping[str, Path] = MappingProxyType({}),
) -> BoundText:
    """Check a text against the claims it refers to.

    Parameters
    ----------
    source : str
        Markdown with references.
    book : ClaimBook
        The review's claims.
    file : str
        The name faults should give the text.
    names : mapping of str to str, optional
        Display names of products by id, for sentences and for comparisons without a figure.
    others : mapping of str to Path
        Where reviews are whose figures a reference may ask for (`LoadedParams.reviews`), for those
        that `book` does not state.

    Raises
    ------
    TextError
        With every fault: a reference to no claim, a relation that does not hold, a figure typed
        beside a unit without a source, a word that claims something and is not bound.
    """
    faults: list[Fault] = []
    references: list[Reference] = []
    shown = names or book.names.get("products", {})
    for match in REFERENCE.finditer(source):
        line = source.count("\n", 0, match.start()) + 1
        written = " ".join(match[1].split())
        place = (written, match.start(), match.end(), line)
        try:
            if written.startswith("say "):
                references.append(_bound_words(place, book))
                continue
            claim, forms = _find_claim(written, book, others)
            text = _reference_text(claim, forms, book=book, names=shown)
        except LookupError as error:
            faults.append(Fault(file, str(error.args[0]), line=line, key=f"{{{{{written}}}}}"))
            continue
        references.append(Reference(*place, claim, forms, text))
        if said := _wrong_joint(references[-1], source[match.end() : match.end() + 9]):
            faults.append(Fault(file, said, line=line, key=f"{{{{{written}}}}}"))
    bare = _without_references(source)
    loose = LOOSE_BRACES.search(bare)
    if loose is not None:
        line = bare.count("\n", 0, loose.start()) + 1
        said = f'"{loose[0]}" belongs to no reference; write {{{{words}}}}, without braces in it'
        faults.append(Fault(file, said, line=line))
    for start, sentence in _sentences(bare):
        faults += _typed_figures(sentence, file, bare, start)
    faults += _unbound_words(bare, source, file, book)
    if faults:
        raise TextError(sorted(faults, key=lambda fault: fault.line or 0))
    return BoundText(file, source, tuple(references), book.language)


def _bound_words(place: tuple[str, int, int, int], book: ClaimBook) -> Reference:
    """Return the reference of words bound to a relation.

    Raises
    ------
    LookupError
        If the relation does not hold or cannot be judged, or does not carry its words.
    """
    relation, colon, words = place[0].removeprefix("say ").partition(":")
    words = words.strip()
    if not colon or not words:
        raise LookupError("write say RELATION ...: and the words, in double braces")
    if " @" in relation:
        raise LookupError("a relation is judged by this review's claims; @ belongs to a figure")
    judged = judge_relation(relation, book)
    if not judged.holds:
        instead = f'; "say {judged.instead}" would hold' if judged.instead else ""
        raise LookupError(f"the claims do not say so: {judged.says}{instead}")
    name = relation.split()[0]
    if wrong := ClaimingWord.fitting(words, name):
        raise LookupError(f'"{wrong}" is not what "{name}" claims')
    if TYPED.search(words) and any(m["unit"] or m["sign"] for m in TYPED.finditer(words)):
        raise LookupError("a figure is typed in its words; refer to a claim beside them")
    return Reference(*place, judged.claims[0], frozenset(), words, judged)


def _wrong_joint(reference: Reference, after: str) -> str:
    """Return what is wrong with a margin before "than" that is not said as faster or slower."""
    told = reference.claim.outcome in {"", *TURNED} or "number" in reference.forms
    compares = reference.claim.kind in MARGIN_KINDS and not told
    if not compares or not re.match(r"\s{1,3}(?:than|als)\b", after):
        return ""
    return (
        f'"{reference.text}" cannot stand before "{after.split()[0]}"; write "| joined", which '
        "ends it as its outcome asks"
    )


def _unbound(bare: str) -> Iterator[tuple[int, str, ClaimingWord]]:
    """Yield each claiming word nothing answers for, after where its sentence begins and that."""
    for start, sentence in _sentences(bare):
        if OPINION.search(sentence) or SOURCE.search(sentence):
            continue
        plain = SLIDE.sub(lambda m: " " * len(m[0]), sentence + "\n")[: len(sentence)]
        for word in ClaimingWord.in_text(plain):
            yield start, plain, word


def _unbound_words(bare: str, source: str, file: str, book: ClaimBook) -> Iterator[Fault]:
    """Yield a fault for each claiming word outside a reference, with the binding that would do."""
    suggester: Suggester | None = None
    for number, (start, sentence, word) in enumerate(_unbound(bare)):
        bind = f"{{{{say {word.carried_by[0]} ...: {word.text}}}}} ({', '.join(word.carried_by)})"
        if number < _PROPOSED:
            suggester = suggester or Suggester(book)
            found = suggester.propose(word, sentence)
            if found.reference:
                bind = f"{{{{say {found.reference}: {' '.join(word.text.split())}}}}}"
        yield Fault(
            file,
            f'"{" ".join(word.text.split())}" claims something; bind it: {bind}, or mark its '
            "sentence [opinion] or [source: NAME, YYYY-MM-DD]",
            line=bare.count("\n", 0, start + word.start) + 1,
        )


@dataclass(frozen=True, slots=True)
class _Suggested:
    """A draft with the bindings proposed for its claiming words, and what is left to its author."""

    text: str
    bound: tuple[tuple[int, str, str], ...]  # line, word, relation
    left: tuple[tuple[int, str, str], ...]  # line, word, why


def suggest_bindings(source: str, book: ClaimBook) -> _Suggested:
    """Return a draft whose claiming words are bound, as far as their sentences name enough.

    Parameters
    ----------
    source : str
        Prose, bound or not.
    book : ClaimBook

    Returns
    -------
    Suggested
        For the author to accept: each binding proposed holds, but only the author knows whether
        it is what the word was meant to say.
    """
    bare, suggester = _without_references(source), Suggester(book)
    parts: list[str] = []
    bound, left, end, last, place = [], [], 0, "", -1
    for start, sentence, word in _unbound(bare):
        if start != place:  # a new sentence: whom the ones before it spoke of, in its paragraph
            above = bare.rfind("\n\n", 0, start) + 1
            last, place = suggester.rival_named(bare[above:start]), start
        found = suggester.propose(word, sentence, last=last)
        line = bare.count("\n", 0, start + word.start) + 1
        said = " ".join(word.text.split())
        if not found.reference:
            left.append((line, said, found.says))
            continue
        parts += [source[end : start + word.start], f"{{{{say {found.reference}: {said}}}}}"]
        end = start + word.end
        bound.append((line, said, found.reference))
    return _Suggested("".join([*parts, source[end:]]), tuple(bound), tuple(left))


def bind_file(path: Path, folder: Path) -> BoundText:
    """Check a text file against the claims of a finished review's folder.

    Raises
    ------
    TextError
        As `bind_text`; also if the file is missing or not UTF-8.
    """
    book = load_claims(folder)
    return bind_text(read_text(path), book, file=path.name, names=book.names.get("products"))


def bind_review_text(loaded: LoadedParams, book: ClaimBook) -> BoundText | None:
    """Check the text a review's params name against its claims; None where they name none.

    Raises
    ------
    TextError
        As `bind_text`.
    """
    if loaded.params.text is None:
        return None
    path = loaded.path.parent / loaded.params.text
    return bind_text(
        read_text(path), book, file=path.name, names=book.names.get("products"),
        others=loaded.reviews,
    )  # fmt: skip


def read_text(path: Path) -> str:
    """Return a bound text's source.

    Raises
    ------
    TextError
        If the file is missing or not UTF-8, or turns the order its text is shown in.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise TextError([Fault(path.name, "no such file")]) from None
    except OSError as error:
        said = f"cannot be read: {error.strerror or error}"
        raise TextError([Fault(path.name, said)]) from None
    except UnicodeDecodeError:
        raise TextError([Fault(path.name, "not UTF-8 text; save the file as UTF-8")]) from None
    if (found := re.search(f"[{TURNING}]", text)) is not None:
        said = f"holds U+{ord(found[0]):04X}, which turns the order text is shown in; delete it"
        line = text.count("\n", 0, found.start()) + 1
        raise TextError([Fault(path.name, said, line)])
    return text


def _sentences(text: str) -> Iterator[tuple[int, str]]:
    """Yield start and text of each sentence: ended by . ! ? and a space, or by an empty line."""
    start = 0
    for match in re.finditer(r"(?<=[.!?])\s+|\n\s*\n|\n(?=[#>*-])", text):
        if text[start : match.start()].strip():
            yield start, text[start : match.start()]
        start = match.end()
    if text[start:].strip():
        yield start, text[start:]


def _typed_figures(sentence: str, file: str, text: str, start: int) -> Iterator[Fault]:
    """Yield a fault for each figure typed beside a unit, unless the sentence names its source."""
    if SOURCE.search(sentence):
        return
    for match in TYPED.finditer(sentence):
        if not (match["unit"] or match["sign"]):
            continue
        line = text.count("\n", 0, start + match.start()) + 1
        yield Fault(
            file,
            f'the figure "{" ".join(match[0].split())}" is typed by hand; refer to a claim with '
            "{{...}}, or name where it is from: [source: NAME, YYYY-MM-DD]",
            line=line,
        )


def _find_claim(
    written: str, book: ClaimBook, others: Mapping[str, Path] = MappingProxyType({})
) -> tuple[Claim, frozenset[str]]:
    """Return the claim a reference names, and how it is to be written.

    Raises
    ------
    LookupError
        If the reference is not in a known form, or names no claim; the message says what to do.
    """
    phrase, _, options = written.partition("|")
    phrase, _, review = (part.strip() for part in phrase.partition(" @"))
    forms = frozenset(options.replace(",", " ").split())
    for form in sorted(forms - FORMS):
        guess = did_you_mean(form, FORMS, listed=len(FORMS))
        raise LookupError(f'no way of writing called "{form}"{guess}')
    if not review:
        claim, turned = _claim_of(phrase, book)
        return claim, forms ^ turned
    try:
        claim, turned = _claim_of(phrase, book.stated_by(review))
    except LookupError:
        if review not in others:
            raise
        claim, turned = _claim_of(phrase, ClaimBook.read_stated(others[review]))
    stated = claim.elsewhere(review)
    return book.by_id.get(stated.id, stated), forms ^ turned


def _claim_of(phrase: str, book: ClaimBook) -> tuple[Claim, set[str]]:
    """Return the claim of a book that a reference names, and what turns it round if need be."""
    wanted = _reference_id(phrase.split(), book)
    if (claim := book.get(wanted)) is not None:
        return claim, set()
    if (claim := _other_way(wanted, book)) is not None:
        return claim, {"reversed"}
    raise LookupError(f'no such claim "{wanted}"{did_you_mean(wanted, book.by_id)}')


def restate(source: str, book: ClaimBook) -> dict[tuple[int, str], str]:
    """Return what each reference of a text says by a review's claims, whether or not all hold.

    Parameters
    ----------
    source : str
        A bound text, also one written for other claims.
    book : ClaimBook

    Returns
    -------
    dict of (int, str) to str
        By line and reference: what is printed, with its outcome; or why nothing can be.
    """
    said = {}
    names = book.names.get("products", {})
    for match in REFERENCE.finditer(source):
        written = " ".join(match[1].split())
        line = source.count("\n", 0, match.start()) + 1
        try:
            if written.startswith("say "):
                text = _bound_words((written, 0, 0, line), book).text
            else:
                claim, forms = _find_claim(written, book)
                text = _reference_text(claim, forms, book=book, names=names)
                text += f", {claim.outcome}" if claim.outcome else ""
        except LookupError as error:
            text = str(error.args[0])
        said[line, written] = text
    return said


def _other_way(wanted: str, book: ClaimBook) -> Claim | None:
    """Return the margin or suite of the same two products the other way round, if there is one."""
    turned = re.sub(r"(?<=/)([^/]+?)-over-([^/]+)(/on/[^/]+)?$", r"\2-over-\1\3", wanted)
    found = book.get(turned) if turned != wanted else None
    return found if found is not None and found.kind in _TURNED else None


def find_claim(text: str, book: ClaimBook) -> str:
    """Return the id of the claim that an id, or a reference as a bound text has it, stands for.

    Raises
    ------
    UsageError
        If no claim is meant; ids near it are named.

    Notes
    -----
    Braces, and ways of writing after `|`, are passed over.
    """
    phrase = text.strip().removeprefix("{{").removesuffix("}}").partition("|")[0].strip()
    meant = phrase
    if book.get(phrase) is None:
        with contextlib.suppress(LookupError):
            if " @" in phrase:
                return _find_claim(phrase, book)[0].id
            meant = _reference_id(phrase.split(), book)
    if book.get(meant) is not None:
        return meant
    near = difflib.get_close_matches(meant, list(book.by_id), n=4)
    if not near:  # names, or one word of an id
        words = re.findall(r"[a-z0-9]+", phrase.lower())
        held = {name: sum(word in name for word in words) for name in book.by_id}
        near = sorted((name for name in held if held[name]), key=lambda name: -held[name])[:4]
    guess = f'; did you mean "{near[0]}"?' if near else ""
    more = f" Near it, too: {', '.join(near[1:])}" if near[1:] else ""
    raise UsageError(f'{book.review}: no claim "{text}"{guess}{more}')


def _reference_id(words: list[str], book: ClaimBook) -> str:
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
        if words[position] in {"over", "in", "on", "at", "of"} and position + 1 < len(words):
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
    of_metric = {"margin", "suite", "smallest", "largest", "count", "false", "step", "part"}
    if len(rest) > 1 and rest[0] in METRIC_WORDS and rest[1] in of_metric:
        metric = METRIC_WORDS[rest.pop(0)]
    head, rest = (rest[0], rest[1:]) if rest else ("", [])
    title, kind = named.get("in", ""), named.get("at", "")
    suite = {"metric": metric, "group": named.get("on", "all"), "baseline": named.get("over", "")}
    match head, rest:
        case _, [product] if head in METRIC_WORDS and "in" in named:
            return Claim.id_of("cell", metric=METRIC_WORDS[head], title=title, product=product)
        case "margin", [product] if {"over", "in"} <= named.keys():
            return Claim.id_of("margin", **{**suite, "title": title, "product": product})
        case (("suite" | "smallest" | "largest" | "false"), [product]) if "over" in named:
            name = head if head == "suite" else f"suite_{head}"
            return Claim.id_of(name, product=product, **suite)
        case "part", [product] if "over" in named:
            return Claim.id_of("part", metric=metric, product=product, baseline=named["over"])
        case "step", [setting, value] if {"over", "of"} <= named.keys():
            part = f"{value}-over-{named['over']}"
            if "on" in named:
                about = {"product": named["of"], "part": f"{part}/on/{named['on']}"}
                return Claim.id_of("step_on", metric=metric, group=setting, **about)
            where = {"title": named.get("in", ""), "product": named["of"]}
            return Claim.id_of("step", metric=metric, group=setting, part=part, **where)
        case "count", [outcome, product] if "over" in named:
            name = "suite_side" if outcome in {"above", "below"} else "suite_count"
            return Claim.id_of(name, product=product, part=outcome, **suite)
        case _, [product] if head in SENSORS:
            kind = "load" if "over" not in named else "load_ratio"
            about = {"product": product, "baseline": named.get("over", ""), "title": title}
            return Claim.id_of(kind, metric=SENSORS[head], **about)
        case "gap", [product]:
            found = reversed(book.of_kind("gap", metric=metric))
            gaps = {claim.product: claim.id for claim in found}  # of several, the first
            if product not in gaps:
                raise LookupError(f'no gap of "{product}"{did_you_mean(product, gaps)}')
            return gaps[product]
        case (("price" | "cost" | "suite_fps"), [product]) if "at" in named:
            return Claim.id_of(VALUE_WORDS[head], group=kind, product=product)
        case (("premium" | "difference" | "equal_value" | "cut"), [product]) if {
            "over",
            "at",
        } <= named.keys():
            pair = {"product": product, "baseline": named["over"]}
            return Claim.id_of(VALUE_WORDS[head], group=kind, **pair)
        case "spec", [name, product]:
            return Claim.id_of("specification", metric=name, product=product)
        case "limit", [] if "in" in named:
            return Claim.id_of("flag", metric="processor_bound", part=title)
        case (("runs" | "frames"), [which]):
            return Claim.id_of("count", part=f"{head}/{which}")
        case "titles", []:
            return Claim.id_of("count", part="titles")
    raise LookupError(
        f'"{" ".join(words)}" is not a reference; write for example '
        '"average PRODUCT in TITLE", "margin PRODUCT over BASELINE in TITLE" or '
        '"price PRODUCT at street"'
    )


def _reference_text(
    claim: Claim, forms: frozenset[str], *, book: ClaimBook, names: Mapping[str, str]
) -> str:
    """Return a reference as it is printed: number, unit and direction, rounded once.

    Raises
    ------
    LookupError
        If a form does not fit the kind of claim.
    """
    day = _day_of(claim, book)
    claim = claim.at_home()
    if claim.kind in LOAD_LEVELS:
        return _apart(claim, forms, book, day)
    compares = claim.kind in MARGIN_KINDS
    wrong = forms & {"sentence", "joined", "reversed"}
    if wrong and not compares:
        raise LookupError(f'"{sorted(wrong)[0]}" fits a margin or suite, not {claim.kind}')
    in_words = book.settings.get("spoken", "words") == "words"
    speaker = Speaker(book.language, in_words, locale=book.locale)
    if "spoken" in forms and {"interval", "number"} & forms:
        raise LookupError('"spoken" has neither interval nor bare number')
    if "spoken" in forms and not compares:
        return _spoken(claim, speaker) + (f", {day}" if day else "")
    if not compares or claim.value is None:
        ends = _ends(claim, book) if "interval" in forms and claim.interval else ""
        return with_currency_sign(claim, book.locale) + _in_brackets(ends, day)
    ratio, low, high = claim.value, claim.low, claim.high
    product, baseline, outcome = claim.product, claim.baseline, claim.outcome or "unresolved"
    if claim.kind in {"step", "step_on"}:  # two settings of one product
        product, _, baseline = claim.part.partition("/on/")[0].partition("-over-")
        names = {**names, **book.names.get("steps", {})}
    if claim.kind in {"suite_smallest", "suite_largest"}:
        outcome = "ahead" if ratio > 1 else "behind"
    if "reversed" in forms:
        ratio = 1 / ratio
        low, high = (1 / high, 1 / low) if low and high else (None, None)
        product, baseline = baseline, product
        outcome = TURNED.get(outcome, outcome)
    rounded = Rounded.ratio(ratio, low, high, locale=book.locale)
    speed = METRICS[claim.metric].speed
    if "spoken" in forms:
        joined = bool({"joined", "sentence"} & forms)
        text = speaker.margin(ratio, outcome=outcome, speed=speed, joined=joined)
        if "sentence" not in forms:
            return ", ".join(part for part in ([day, text] if joined else [text, day]) if part)
        first, second = names.get(product, product), names.get(baseline, baseline)
        verb = "ist" if book.language == "de" else "is"
        return f"{first} {verb} {text} {second}{f', {day}' if day else ''}"
    if "number" in forms:
        text = rounded.text
    else:
        text = rounded.in_words(ratio, outcome=outcome, speed=speed, language=book.language)
    # What is level or not told apart has its interval in its words already.
    told = "number" in forms or outcome in TURNED
    ends = _ends(rounded, book) if "interval" in forms and rounded.interval and told else ""
    text += _in_brackets(ends, day)
    words = _SENTENCES[book.language]
    joint = words["than" if speed else "of"] if outcome in TURNED else words["with"]
    if "joined" in forms:
        return f"{text} {words.get(outcome, joint)}"
    if "sentence" in forms:
        said = {"first": names.get(product, product), "second": names.get(baseline, baseline),
                "text": text, "joint": joint}  # fmt: skip
        how = words["figures"] if outcome in {"above", "below"} else ""
        return words["one" if outcome in TURNED else "both"].format(**said) + how
    return text


def _apart(claim: Claim, forms: frozenset[str], book: ClaimBook, day: str) -> str:
    """Return by how much a reading is higher or lower than another, where that is told apart.

    Raises
    ------
    LookupError
        If a form does not fit it.
    """
    if wrong := forms - {"interval", "number", "reversed"}:
        raise LookupError(f'"{sorted(wrong)[0]}" fits a margin or suite, not {claim.kind}')
    words, level = _SENTENCES[book.language], LOAD_LEVELS[claim.kind]
    value, low, high = claim.figure, claim.low, claim.high
    if "reversed" in forms:
        value = 1 / value if level else -value
        if low is not None and high is not None:
            low, high = (1 / high, 1 / low) if level else (-high, -low)
    if level:
        rounded = Rounded.apart(value, low, high, locale=book.locale)
    else:
        rounded = Rounded.figure(
            value, low, high, unit=claim.unit, rule="level", locale=book.locale
        )
    text = rounded.text
    if low is not None and high is not None and low <= level <= high:
        if "number" not in forms:
            told = rounded.in_words(value, outcome="unresolved", language=book.language)
            return told + _in_brackets(day)
    elif "number" not in forms:
        side = words["lower" if value < level else "higher"]
        text = f"{text.lstrip('+' + MINUS)} {side}"
    ends = _ends(rounded, book) if "interval" in forms and rounded.interval else ""
    return text + _in_brackets(ends, day)


# By language: what stands before the other's name, and whole sentences.
_SENTENCES = {
    "en": {
        "than": "than", "of": "of", "with": "with", "unresolved": "from", "open": "against",
        "one": "{first} is {text} {joint} {second}", "both": "{first} and {second} are {text}",
        "figures": f" {BY_FIGURES}", "to": " to ", "day": "'as of' d MMMM y",
        "higher": "higher", "lower": "lower",
    },
    "de": {
        "than": "als", "of": "gegenüber", "with": "mit", "unresolved": "von", "open": "gegenüber",
        "one": "{first} ist {text} {joint} {second}", "both": "{first} und {second} sind {text}",
        "figures": " nach bloßen Zahlen", "to": " bis ", "day": "'Stand' d. MMMM y",
        "higher": "höher", "lower": "niedriger",
    },
}  # fmt: skip


def _ends(figure: Claim | Rounded, book: ClaimBook) -> str:
    """Return the ends of a figure's interval in the text's language."""
    return figure.interval.replace(" to ", _SENTENCES[book.language]["to"])


def _day_of(claim: Claim, book: ClaimBook) -> str:
    """Return of which day a figure of another review is, in words; "" for one of this review."""
    day = book.names.get("review_days", {}).get(claim.group) if claim.kind == "elsewhere" else None
    if day is None:
        return ""
    from babel.dates import format_date

    written = dt.date.fromisoformat(day)
    return str(format_date(written, _SENTENCES[book.language]["day"], locale=book.language))


def _in_brackets(*parts: str) -> str:
    """Return what there is of some parts in brackets after a figure."""
    said = "; ".join(part for part in parts if part)
    return f" ({said})" if said else ""


def _spoken(claim: Claim, speaker: Speaker) -> str:
    """Return a figure that is no margin as it is spoken.

    Raises
    ------
    LookupError
        If its kind has no spoken form.
    """
    value = claim.figure
    if claim.value is not None:
        if claim.unit in {"ratio", "share", "fps"}:
            say = {"ratio": speaker.change, "share": speaker.percent, "fps": speaker.fps}
            return say[claim.unit](value)
        if claim.kind in {"count", "suite_count"}:
            return speaker.count(value)
        if re.fullmatch("[A-Z]{3}", claim.unit):
            return speaker.money(value, claim.unit)
    raise LookupError(
        f'"spoken" fits margins, shares, frame rates, money and counts, not {claim.id}'
    )


def size_text(claim: Claim) -> str:
    """Return a signed figure without its sign, for a sentence whose words give the direction."""
    return claim.text.lstrip("+" + MINUS)


def with_currency_sign(claim: Claim, locale: str) -> str:
    """Return an amount of money as a locale writes it, the currency's sign for its code.

    What is no amount of money is returned as it is.
    """
    from babel import Locale
    from babel.numbers import get_currency_symbol

    code, space, amount = claim.text.partition(NBSP)
    if not re.fullmatch("[A-Z]{3}", code) or not space:
        return claim.text
    known = Locale.parse(locale, sep="-" if "-" in locale else "_")
    sign = str(get_currency_symbol(code, locale=known))
    pattern = known.currency_formats["standard"].pattern.partition(";")[0]
    before, _, after = re.sub("[#0,.]+", "0", pattern).partition("0")
    signed = amount[0] if before and amount[0] in "+" + MINUS else ""
    if before.endswith("\u00a4") and sign.isalpha():
        before += NBSP
    return f"{signed}{before}{amount.removeprefix(signed)}{after}".replace("\u00a4", sign)


def printed_forms(claim: Claim, book: ClaimBook) -> set[str]:
    """Return every way a claim's figure may be printed in a page made from `book`.

    Parameters
    ----------
    claim : Claim
        The figure.
    book : ClaimBook
        The claims of the page, with its locale and display names.

    Returns
    -------
    set of str
        Texts. `verify` takes a figure of a page that is none of them for a changed one.
    """
    forms = {claim.text, size_text(claim), with_currency_sign(claim, book.locale)}
    names = book.names.get("products", {})
    for chosen in _PRINTED:
        for turned in ((), ("reversed",)):
            with contextlib.suppress(LookupError):
                every = frozenset((*chosen, *turned))
                forms.add(_reference_text(claim, every, book=book, names=names))
    return forms
