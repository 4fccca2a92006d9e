"""Which words of a page are codes: what the kit or a bench calls a thing, and no reader does."""

from __future__ import annotations

import re

from lxml import html

FILES = re.compile(r"\.(csv|yaml|md|jsonl|ipynb)\.?$")
# To the letter, since whoever checks needs it so: code, columns of logs and hashes; a claim's id
# and what it was made from, in its trace; a run's name and file, in its row.
TO_THE_LETTER = (
    "//style | //code | //pre | //*[@class='trace']//b | //*[@class='trace']//a"
    " | //table[@class='runs']//td[code]"
)


def codes_shown(page: str, book) -> set[str]:
    """Return the words of a page with an underscore, file names, and ids that are no plain word.

    Runs keep the names the run sheet gives them, and the foot names the review's folder: there are
    no others.
    """
    tree = html.fromstring(page)
    for element in tree.xpath(TO_THE_LETTER):
        element.drop_tree()
    families = ("products", "titles", "title_groups", "price_kinds", "controls", "rules")
    ids = {i for name in families for i in book.names.get(name, {})} | set(book.settings)
    shown = {word for text in tree.itertext() for word in re.findall(r"[\w.:-]+", text)}
    return {
        word
        for word in (w.strip(".:") for w in shown - set(book.run_by_id) - {book.review})
        if "_" in word or FILES.search(word) or (word in ids and "-" in word)
    }
