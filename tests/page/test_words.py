"""The article in a language: catalogues complete, and no word of it from anywhere else."""

from __future__ import annotations

import gettext
import re
from dataclasses import replace
from pathlib import Path
from string import Formatter

import pytest
from babel.messages.extract import extract
from babel.messages.pofile import read_po
from lxml import html

from kit.charts.identity import Identity
from kit.page import words
from kit.page.article import SECTIONS
from kit.page.assemble import CLOSED_MIME, build_page
from kit.page.findings import Findings, _plain_sentence, upper_first
from kit.review.what_if import CHOICES

PAGE = Path(words.__file__).parent
SAID_BY = {"say": None, "tell": None, "msg": None, "plural": (1, 2), "forms": (1, 2)}
ALSO = "Also given:"


def said_in_the_kit():
    """Return every message of the article, with what else is given for it."""
    found = {}
    for path in [*PAGE.rglob("*.py"), *PAGE.rglob("*.j2")]:
        kind = "python" if path.suffix == ".py" else "jinja2"
        with path.open("rb") as file:
            for _, message, comments, _ in extract(kind, file, SAID_BY, (ALSO,)):
                found.setdefault(message, set()).update(comments)
    # What other wings word in English, and the article takes up.
    found |= {known: set() for known in ("1 % low", *CHOICES.values())}
    several = {message[0] for message in found if isinstance(message, tuple)}
    return {message: also for message, also in found.items() if message not in several}


def places(text):
    return {name for _, name, _, _ in Formatter().parse(text) if name is not None}


@pytest.fixture(scope="module")
def catalogue():
    with (PAGE / "locale" / "de.po").open("rb") as file:
        return read_po(file, locale="de", abort_invalid=True)


def test_german_says_every_message_and_no_other(catalogue):
    kept = {message.id for message in catalogue if message.id}
    said = set(said_in_the_kit())
    assert len(said) > 250
    assert said - kept == set()  # add to kit/page/locale/de.po
    assert kept - said == set()  # take out of it


def test_each_translation_is_whole_and_fills_the_same_places(catalogue):
    said = said_in_the_kit()
    for message in catalogue:
        if not message.id:
            continue
        assert not message.fuzzy, message.id
        one = isinstance(message.id, str)
        texts = [message.string] if one else list(message.string)
        assert all(texts) and len(texts) == (1 if one else 2), message.id
        given = places(message.id if one else message.id[1])
        also = places(" ".join(said[message.id]))
        for text in texts:
            assert places(text) - also <= given, text
        assert given <= places(texts[-1]) | also, message.id


WIDE = {n: n + 0xFEE0 for n in (*range(65, 91), *range(97, 123))}  # Unicode's fullwidth letters


class Marked(gettext.NullTranslations):
    """A language whose letters are no other's: what is left in plain ones is from elsewhere."""

    def gettext(self, message):
        if message == "d MMMM y":
            return message
        parts = re.split(r"(\{\w+\})", message)
        return "".join(p if p.startswith("{") else p.translate(WIDE) for p in parts)

    def ngettext(self, one, many, number):
        return self.gettext(one if number == 1 else many)


def page_of(book):
    """Return a page of the article's sections, and a part of the record behind it."""
    cells = [
        {"cell_type": "code", "id": name, "source": "x", "outputs": [
            {"output_type": "display_data", "data": {"text/html": make(book)._repr_html_()}}
        ]}
        for name, make in SECTIONS.items()
    ]  # fmt: skip
    last = max(range(len(cells)), key=lambda n: cells[n]["id"] == "record")
    cells.append(cells.pop(last))
    links = {"suite", "what-sets-the-limit", "alike-and-not-alike",
             "methods-and-settings-in-force"}  # fmt: skip
    heads = "\n\n".join(f"## {link.replace('-', ' ')}" for link in sorted(links))
    cells.append({"cell_type": "markdown", "id": "m", "source": f"{heads}\n\nSaid in English."})
    closed = {CLOSED_MIME: {"review": "a<b", "claims_sha256": "0" * 64}}
    cells.append({"cell_type": "code", "id": "closing", "source": "x", "outputs": [
        {"output_type": "display_data", "data": closed}]})  # fmt: skip
    return cells


def article_of(book, monkeypatch):
    """Return the page's tree without the record, code and the author's own text."""
    monkeypatch.setattr("kit.page.assemble._check_links", lambda *parts: None)  # no traces here
    page = html.document_fromstring(build_page({"cells": page_of(book)}))
    assert page.get("lang") == book.language
    record = page.xpath("//section[contains(@class, 'record')][details]")
    assert page.xpath("//footer//b")[0].text_content() == "a<b"
    assert "0" * 64 in page.xpath("//footer//code/text()")
    for element in page.xpath("//footer//b"):
        element.drop_tree()
    assert record and all(part.get("lang") == "en" for part in record)
    for element in [*record, *page.xpath("//style | //code | //details[@class='code'] | //time")]:
        element.drop_tree()
    return page


@pytest.fixture
def marked(monkeypatch):
    monkeypatch.setattr(words, "_catalogue", lambda language: Marked())
    words.words_in.cache_clear()
    yield
    words.words_in.cache_clear()


def test_no_word_reaches_the_article_but_by_a_message(demo, marked, monkeypatch):
    book = replace(demo.book, settings={**demo.book.settings, "language": "de"})
    page = article_of(book, monkeypatch)
    found = Findings(book)
    families = ("products", "titles", "title_groups", "classes", "axes", "steps")
    names = {name for family in families for name in book.names.get(family, {}).values()}
    names |= {name.partition(", ")[0] for name in book.names["titles"].values()}
    names |= {Identity(book).short(product) for product in book.names["products"]}
    names |= {Identity(book).plain(product) for product in book.names["products"]}
    groups = {name[:1].lower() + name[1:] for name in book.names["title_groups"].values()}
    names |= groups | {name.removesuffix(" lines") for name in groups}
    names |= {book.title, book.byline, found.own, "resolution", "age"}  # tags are the bench's
    names |= {part for rows in found.differences.values() for row in rows for part in row}
    names |= {upper_first(row[0]) for rows in found.differences.values() for row in rows}
    names |= {reason.rstrip(".") for reason in names}
    texts = [re.sub("\u00a0(?=\\d)", " ", " ".join(page.find("body").itertext()))]
    texts += page.xpath("//body//@alt | //body//@title | //body//@aria-label")
    assert len(texts) > 3 and "\uff41" in texts[0]
    for text in texts:
        for name in sorted(names, key=len, reverse=True):
            text = text.replace(name, " ")
        months = "Mai|September|November"
        left = set(re.findall(r"[A-Za-z]+", re.sub(rf"\b({months}) 20\d\d", "", text)))
        assert left <= {"fps", "MHz", "W", "C", "und", "oder"}, text  # units; lists are Babel's


def test_a_german_article_shows_no_english_message(demo, catalogue, monkeypatch):
    settings = {**demo.book.settings, "language": "de"}
    page = article_of(replace(demo.book, settings=settings), monkeypatch)
    shown = {text.strip() for text in page.find("body").itertext()}
    shown |= set(page.xpath("//body//@alt | //body//@title | //body//@aria-label"))
    english = {m.id for m in catalogue if m.id and isinstance(m.id, str) and m.id != m.string}
    assert shown & english == set()
    assert {"Konkurrent", "kein Lauf", "Inhalt"} <= shown


def test_german_sentences_read_as_german(demo):
    found = Findings(demo.book, "de")
    deck = [_plain_sentence(sentence) for sentence in found.deck()]
    assert deck[0] == (
        "Über alle 12 Titel ist der Prüfling 4.7\u00a0% schneller als Tarnquill Sedge "
        "(+3.5 bis +5.8)."
    )
    assert deck[-1] == "Wacklig gegenüber Sedge."  # more of it is below: three lines are full
    assert "Wacklig gegenüber Sedge: vorn mit " in found.titles_sentences()[-2]
    assert found.titles_heading().startswith("Vor Sedge in 6 von 12 Titeln, fünf davon ")
    assert found.tested_note().endswith("vom 14. Mai 2024 bis zum 6. November 2026.")


def test_english_needs_no_catalogue_and_an_unknown_message_is_its_own_words():
    assert words.words_in("en").say("{count} of {total} rivals", count="two", total=3) == (
        "two of 3 rivals"
    )
    assert words.words_in("de").word("what no catalogue has") == "what no catalogue has"
