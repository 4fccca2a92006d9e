"""The closed list of claiming words: none is printed unbound, and a draft is bound in one pass."""

from __future__ import annotations

import re

import pytest

from claims.test_relations import made_book
from kit.claims.bound_text import bind_text, suggest_bindings
from kit.claims.lexicon import ClaimingWord
from kit.claims.relations import RELATIONS
from kit.errors import TextError

# Of 25 false sentences tried against typed prose, the kinds named when this rule was asked for, and
# the like of them. By made_book's figures each is false; prose is not understood, so each is refused.
FALSE = """
Ash 1 is cheaper than Birch 2.
Ash 1 costs half of what Birch 2 costs.
Ash 1 loses in every title.
Ash 1 wins ten titles.
Its best title is the fen.
Its worst title is the dell.
It is the fastest of all.
Ash 1 has more memory than Birch 2.
Both have the same bandwidth.
It draws less energy than every rival.
It is ahead on low lines.
Birch 2 is the slowest.
It beats Birch 2.
It trails Cedar 3.
It is on par with Oak 4.
It is twice as fast as Birch 2.
It is a third dearer.
Fifteen per cent more frames than Birch 2.
No rival has as much memory as it.
It leads in all the titles.
It is level with Cedar 3.
Most of the scenes go to Birch 2.
It lags because its memory is too small.
The processor is the bottleneck in the dell.
Nothing is better value.
""".strip().splitlines()

FALSE_IN_GERMAN = """
Ash 1 ist billiger als Birch 2.
Ash 1 kostet die Hälfte.
Ash 1 verliert in allen Titeln.
Ash 1 gewinnt zehn Titel.
Der beste Titel ist das Fenn.
Es ist das schnellste Produkt.
Ash 1 hat mehr Speicher.
Beide haben dieselbe Bandbreite.
Es braucht weniger Energie.
Es liegt bei wenigen Zeilen vorn.
Es ist doppelt so schnell.
Es ist fünfzehn Prozent schneller.
Es liegt zurück, weil der Speicher klein ist.
""".strip().splitlines()


def bind(text):
    return bind_text(text, made_book(), file="t.md")


@pytest.mark.parametrize("sentence", [*FALSE, *FALSE_IN_GERMAN])
def test_no_false_sentence_is_printed_unbound(sentence):
    with pytest.raises(TextError, match=r"t\.md, line 1: .* claims something; bind it: \{\{say "):
        bind(sentence)


@pytest.mark.parametrize("mark", ["[opinion]", "[source: A Sheet, 2026-01-02]"])
def test_its_author_may_answer_for_it(mark):
    bound = bind(f"Ash 1 is cheaper than Birch 2 {mark}. So much for that.")
    assert "(opinion)" in bound.to_markdown() or "(A Sheet, 2026-01-02)" in bound.to_markdown()
    assert [row["kind"] for row in bound.to_rows()] == [mark.strip("[").split("]")[0].split(":")[0],
                                                        "sentence"]  # fmt: skip


def test_the_mark_of_an_opinion_is_in_the_texts_language():
    from dataclasses import replace

    german = replace(made_book(), settings={"language": "de"})
    text = bind_text("Uns ist es lieber und besser [opinion].", german, file="t.md")
    assert text.to_markdown() == "Uns ist es lieber und besser (Meinung)."


@pytest.mark.parametrize(
    "text", ["It ran for two hours on the table.", "Die Karte lag fast zwei Stunden im Gehäuse."]
)
def test_other_words_claim_nothing(text):
    assert not ClaimingWord.in_text(text)


def test_each_word_is_carried_by_relations_that_there_are():
    for sentence in (*FALSE, *FALSE_IN_GERMAN):
        for word in ClaimingWord.in_text(sentence):
            assert word.carried_by and {*word.carried_by} <= RELATIONS.keys()
            assert sentence[word.start : word.end] == word.text


DRAFT = """
Ash 1 is faster than Birch 2 in the dell. In the fen it is slower than Birch. In the glen the two,
Ash and Birch, are level, and the moor is too close to call against Birch 2. Over all it beats Cedar 3
and trails Oak 4.

Birch is cheaper than Ash 1 at street prices. Oak is dearer than Cedar at street prices. At launch
prices Ash costs the same price as Birch.

Its best title against Birch 2 is the dell, its worst the fen. It is ahead in every title against
Cedar. Against Birch it wins one title; one title is tied. Cedar 3 loses four titles.

Ash has less memory than Birch, and it has more bandwidth than Birch. It has the same memory as Cedar.
Birch has more memory than Ash. Oak has the most memory.

It uses less energy than Birch in the dell, but more energy than Birch in the fen. Against Cedar it
draws less energy.

Oak is twice as fast as Ash. Ash is a third faster than Cedar. Cedar costs half the price of Oak.
Ash is dominated at street prices; nothing is better value than Birch. The processor limits Ash in
the fen. A bottleneck holds up Birch in the glen.
"""
BOUND = """
faster ash than birch in dell
slower ash than birch in fen
level ash than birch in glen
unresolved ash than birch in moor
faster ash than cedar
slower ash than oak
cheaper birch than ash at street
dearer oak than cedar at street
best dell for ash over birch
worst fen for ash over birch
ahead_in every ash over cedar
ahead_in 1 ash over birch
behind_in 4 cedar over ash
less memory_gb ash than birch
more bandwidth_gb_s ash than birch
same memory_gb ash than cedar
more memory_gb birch than ash
first oak among all by memory_gb
less energy ash than birch in dell
more energy ash than birch in fen
less energy ash than cedar
about 2 oak over ash
about 1.3333 ash over cedar
about 0.5 price cedar over oak at street
off_frontier ash at street
on_frontier birch at street
limited ash by processor in fen
limited birch by cap in glen
""".strip().splitlines()


def test_a_draft_of_plain_prose_is_bound_in_one_pass():
    found = suggest_bindings(DRAFT, made_book())
    relations = [relation for _, _, relation in found.bound]
    assert [line for line in BOUND if line not in relations] == []
    assert len(found.bound) + len(found.left) >= 30
    assert found.left == ()
    # What was proposed binds, and says what the draft said.
    bound = bind(found.text)
    assert bound.to_markdown() == DRAFT
    assert len(bound.references) == len(found.bound)


def test_a_false_draft_is_left_with_what_would_hold():
    found = suggest_bindings("Ash 1 is cheaper than Birch 2.", made_book())
    assert not found.bound and found.text == "Ash 1 is cheaper than Birch 2."
    ((line, word, why),) = found.left
    assert (line, word) == (1, "cheaper")
    assert "{{say dearer ash than birch at street: ...}} would hold" in why


def test_one_named_at_the_head_is_what_is_spoken_of():
    # "Birch is faster" of the fen says it of Birch; "against Birch it is faster" of Ash.
    (one,) = suggest_bindings("In the fen, Birch is faster.", made_book()).bound
    assert one[2] == "faster birch than ash in fen"
    assert not suggest_bindings("In the dell, Birch is faster.", made_book()).bound
    (other,) = suggest_bindings("Against Birch it is faster in the dell.", made_book()).bound
    assert other[2] == "faster ash than birch in dell"


def test_the_time_it_takes_grows_with_the_text_alone():
    import time

    def taken(text):
        start = time.perf_counter()
        ClaimingWord.in_text(text)
        return time.perf_counter() - start

    hostile = "as " * 2000 + "no one " * 2000 + "a " * 4000
    short, long = min(taken(hostile) for _ in range(3)), min(taken(hostile * 4) for _ in range(3))
    assert long < 12 * short + 0.2
    assert re.sub(r"\s", "", hostile)
