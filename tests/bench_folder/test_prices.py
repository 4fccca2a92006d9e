"""Reading `prices.csv`: the shapes people keep it in, and every fault at once.

No published source: the accepted shapes are what spreadsheet programs write (common practice).
"""

import datetime as dt

import pytest
from wrong_files import PRICES_HEAD

from kit.bench.prices import _HIGHEST, PriceRow, read_prices
from kit.errors import BenchError
from kit.settings.bench_file import read_bench

BENCH = """\
format: marginbook-bench/1
name: Small bench
products:
  fold-a: {name: Fold A, class: portable}
  fold-b: {name: Fold B, class: portable}
titles:
  dunes: {name: Dunes}
"""


def make_bench(folder, text):
    folder = folder / "small"
    folder.mkdir()
    (folder / "bench.yaml").write_text(BENCH)
    if text is not None:
        (folder / "prices.csv").write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_bench(folder)


def faults_of(folder, text):
    with pytest.raises(BenchError) as caught:
        read_prices(make_bench(folder, text))
    return [(f.line, f.key, f.message) for f in caught.value.faults]


PLAIN = PRICES_HEAD + (
    "fold-a,1499,EUR,launch,2026-03-02,maker,with dock\n"
    "fold-b,1299.50,EUR,street,2026-04-30,shop one,\n"
    ",0.925,USD,rate,2026-04-30,central bank,\n"
)
EXPECTED = (
    PriceRow("fold-a", 1499.0, "EUR", "launch", dt.date(2026, 3, 2), "maker", "with dock", 2),
    PriceRow("fold-b", 1299.5, "EUR", "street", dt.date(2026, 4, 30), "shop one", "", 3),
    PriceRow("", 0.925, "USD", "rate", dt.date(2026, 4, 30), "central bank", "", 4),
)


def test_plain_rows_are_read(tmp_path):
    assert read_prices(make_bench(tmp_path, PLAIN)) == EXPECTED


@pytest.mark.parametrize(
    "text",
    [
        PLAIN.replace("\n", "\r\n"),
        b"\xef\xbb\xbf" + PLAIN.encode(),
        PLAIN.replace(",", ";"),
        PLAIN.replace(",", ";").replace("1299.50", "1299,50").replace("0.925", "0,925"),
        PLAIN.replace(",", "\t").replace("1299.50", "1299,50"),
        PLAIN.replace("1299.50", '"1299,50"'),
        PLAIN.replace("\n", ",,,\n"),
        PLAIN.replace("launch", " Launch ").replace("product,", "Product,"),
        PLAIN + ",,,,,,\n\n\n",
    ],
    ids=[
        "crlf",
        "byte-order-mark",
        "semicolons",
        "semicolons-decimal-comma",
        "tabs",
        "quoted-decimal-comma",
        "trailing-empty-columns",
        "case-and-spaces",
        "blank-rows-at-the-end",
    ],
)
def test_spreadsheet_shapes_read_alike(tmp_path, text):
    assert read_prices(make_bench(tmp_path, text)) == EXPECTED


def test_a_hint_line_and_a_quoted_line_break_keep_line_numbers_right(tmp_path):
    text = "sep=;\n" + PLAIN.replace(",", ";").replace("with dock", '"with\ndock"')
    rows = read_prices(make_bench(tmp_path, text))
    assert [row.line for row in rows] == [3, 5, 6]
    assert rows[0].note == "with\ndock"


def test_a_bench_without_prices_has_none(tmp_path):
    assert read_prices(make_bench(tmp_path, None)) == ()


def test_every_fault_is_reported_at_once(tmp_path):
    text = PRICES_HEAD + (
        "fold-aa,1499,EUR,launch,2026-03-02,maker,\n"
        "fold-b,cheap,EUR,street,2026-03-02,shop,\n"
        "fold-b,-5,EUR,street,2026-03-02,shop,\n"
        "fold-b,900,eur,street,2026-03-02,shop,\n"
        "fold-b,900,EUR,street,31.12.2026,shop,\n"
        "fold-b,900,EUR,street,2026-03-02,,\n"
        "fold-b,900,EUR,,2026-02-30,shop,\n"
    )
    found = faults_of(tmp_path, text)
    assert [(line, key) for line, key, _ in found] == [
        (2, "product"),
        (3, "price"),
        (4, "price"),
        (5, "currency"),
        (6, "date"),
        (7, "source"),
        (8, "kind"),
        (8, "date"),
    ]
    messages = [message for *_, message in found]
    assert 'did you mean "fold-a"?' in messages[0]
    assert "not a number" in messages[1]
    assert "not above 0" in messages[2]
    assert 'did you mean "EUR"?' in messages[3]
    assert "write 2026-12-31" in messages[4]
    assert "where the price was seen" in messages[5]
    assert "not a day of the calendar" in messages[7]


def test_three_decimals_are_plain_in_a_rate_and_below_one(tmp_path):
    text = (
        PRICES_HEAD
        + "fold-a,0.999,EUR,used,2026-05-01,shop,\n"
        + ",1.085,USD,rate,2026-05-01,bank,\n"
        + ",0.009,JPY/EUR,rate,2026-05-01,bank,\n"
    )
    rows = read_prices(make_bench(tmp_path, text))
    assert [(r.price, r.currency) for r in rows] == [
        (0.999, "EUR"),
        (1.085, "USD"),
        (0.009, "JPY/EUR"),
    ]


def test_the_same_observation_twice_is_refused(tmp_path):
    row = "fold-a,900,EUR,street,2026-05-01,shop,\n"
    ((line, _, message),) = faults_of(tmp_path, PRICES_HEAD + row + row)
    assert line == 3
    assert "line 2" in message


def test_two_offers_of_one_day_are_two_observations(tmp_path):
    row = "fold-a,900,EUR,street,2026-05-01,shop,\n"
    rows = read_prices(make_bench(tmp_path, PRICES_HEAD + row + row.replace("shop", "other shop")))
    assert len(rows) == 2


@pytest.mark.parametrize(
    ("date", "said"),
    [
        ("", "empty; write a date such as 2026-11-25 (year, month, day)"),
        ("soon", 'found "soon"; write a date such as 2026-11-25 (year, month, day)'),
        ("2026/12/31", 'found "2026/12/31"; write 2026-12-31'),
        ("5.12.2026", 'found "5.12.2026"; write 2026-12-05 or 2026-05-12'),
        ("5.5.26", 'found "5.5.26"; write 2026-05-05'),
        ("5.12.100", 'found "5.12.100"; write 0100-12-05 or 0100-05-12'),
    ],
)
def test_a_date_written_otherwise_is_answered_with_the_days_it_could_mean(tmp_path, date, said):
    ((_, key, message),) = faults_of(tmp_path, f"{PRICES_HEAD}fold-a,900,EUR,street,{date},shop,\n")
    assert (key, message) == ("date", said)


@pytest.mark.parametrize("price", ["0", "0.0", "-1"])
def test_a_price_of_nothing_is_none(tmp_path, price):
    ((_, key, message),) = faults_of(
        tmp_path, f"{PRICES_HEAD}fold-a,{price},EUR,street,2026-05-01,shop,\n"
    )
    assert (key, message) == ("price", f'"{price}" is not above 0')


def test_the_highest_price_is_one_and_what_is_above_is_none(tmp_path):
    row = "fold-a,{},EUR,street,2026-05-01,shop,\n"
    (kept,) = read_prices(make_bench(tmp_path, PRICES_HEAD + row.format(f"{_HIGHEST:.0f}")))
    assert kept.price == _HIGHEST
    (tmp_path / "more").mkdir()
    ((_, key, message),) = faults_of(
        tmp_path / "more", PRICES_HEAD + row.format(f"{_HIGHEST + 1:.0f}")
    )
    assert key == "price" and "characters is no price" in message


@pytest.mark.parametrize(
    ("written", "instead"),
    [("1.234,50", "1234.50"), ("1,234.5", "1234.5"), ("1 234", "1234"), ("12'345'678", "12345678")],
)
def test_a_sign_between_thousands_is_answered_with_the_number_meant(tmp_path, written, instead):
    row = f'fold-a,"{written}",EUR,launch,2026-03-02,maker,\n'
    ((_, _, said),) = faults_of(tmp_path, PRICES_HEAD + row)
    assert said.endswith(f"has a sign between thousands; write {instead}")


def test_only_a_rate_is_told_of_pairs_of_currencies(tmp_path):
    rows = "fold-a,900,euro,launch,2026-03-02,maker,\n,0.9,usd-eur,rate,2026-03-02,bank,\n"
    price, rate = faults_of(tmp_path, PRICES_HEAD + rows)
    assert "or a pair such as USD/EUR" in rate[2] and "pair" not in price[2]


def test_a_rate_of_a_pair_is_told_from_one_of_a_currency_alone(tmp_path):
    rows = ",0.9,USD/EUR,rate,2026-03-02,bank,\n,0.8,USD,rate,2026-03-02,bank,\n"
    pair, alone = read_prices(make_bench(tmp_path, PRICES_HEAD + rows))
    assert pair.of_pair and not alone.of_pair


HEAD_FAULTS = {
    "a column twice": (
        "product,price,currency,kind,date,source,Source\n",
        [(1, "source", 'the column "source" stands twice'),
         (1, "Source", 'the column "Source" stands twice')]),
    "a column not known": (
        PRICES_HEAD.replace("note", "nots"), [(1, "nots", 'unknown column "nots"; did you mean "note"?')]),
    "columns missing": (
        "\nproduct,price,currency,kind\n",
        [(2, None, 'the column "date" is missing'), (2, None, 'the column "source" is missing')]),
}  # fmt: skip


@pytest.mark.parametrize("case", HEAD_FAULTS)
def test_a_header_that_cannot_be_read_says_why(tmp_path, case):
    head, said = HEAD_FAULTS[case]
    assert faults_of(tmp_path, head + "fold-a,900,EUR,street\n") == said


@pytest.mark.parametrize(
    ("row", "key", "said"),
    [
        ("fold-a,1.499,EUR,street", "price", '"1.499" can be read two ways; write 1499 or 1.49'),
        ("fold-a,,EUR,street", "price", "empty; a price that is not known has no row"),
        ("fold-a,900,EUR,rate", "product", 'found "fold-a"; a rate belongs to no product, leave'),
        (",900,EUR,street", "product", "empty; write the product's id from bench.yaml"),
        ("fold-a,900,EUR,scenario-x", "kind", "a supposed price stands in the params under"),
        ("fold-a,900,EUR,two words", "kind", 'found "two words"; write one word, such as street'),
        ("fold-a,900,USD/EUR,street", "currency", 'found "USD/EUR"; expected three capitals'),
    ],
)
def test_a_cell_that_cannot_be_is_answered(tmp_path, row, key, said):
    ((line, found, message),) = faults_of(tmp_path, f"{PRICES_HEAD}{row},2026-05-01,shop,\n")
    assert (line, found) == (2, key) and message.startswith(said)
