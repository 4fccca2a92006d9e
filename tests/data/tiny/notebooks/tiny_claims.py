"""Made-up claims for tests of the page: nothing here was measured."""

from __future__ import annotations

import hashlib
from pathlib import Path

from kit.claims.claim import Claim, ClaimBook, RunRecord
from kit.page.html import Column, Html, html_table, image_figure
from kit.rounding import Rounded

PRODUCTS = {
    "lanternfish-14": "Lanternfish 14",
    "mudskipper-14": "Mudskipper 14 <b>& Sons</b>",
    "gannet-14": 'حاسوب "Gannet" 14',
}
TITLES = {
    "dunes-1080": "Dunes of Salt, 1920 x 1080",
    "orchard-1080": "The Orchard Keeper's Very Long Name That Goes On and On, 1920 x 1080",
    "harbour-1440": "Harbour Lights, 2560 x 1440",
}
RIVALS = ("mudskipper-14", "gannet-14")
FPS = {
    ("lanternfish-14", "dunes-1080"): 124.31,
    ("lanternfish-14", "orchard-1080"): 61.07,
    ("lanternfish-14", "harbour-1440"): 88.82,
    ("mudskipper-14", "dunes-1080"): 99.42,
    ("mudskipper-14", "orchard-1080"): 60.91,
    ("mudskipper-14", "harbour-1440"): 9.183,
    ("gannet-14", "dunes-1080"): 131.77,
    ("gannet-14", "orchard-1080"): 58.0,
    ("gannet-14", "harbour-1440"): 87.1,
}
OUTCOMES = {
    ("mudskipper-14", "dunes-1080"): "ahead",
    ("mudskipper-14", "orchard-1080"): "level",
    ("mudskipper-14", "harbour-1440"): "ahead",
    ("gannet-14", "dunes-1080"): "behind",
    ("gannet-14", "orchard-1080"): "unresolved",
    ("gannet-14", "harbour-1440"): "unresolved",
}


def _claim(claim_id: str, kind: str, value: float, rounded: object, unit: str, **more: object):
    fields = {
        "metric": "average_fps",
        "product": "lanternfish-14",
        "baseline": "",
        "title": "",
        "low": None,
        "high": None,
        "confidence": None,
        "outcome": "",
        "method": "average",
        "method_version": 1,
        **dict.fromkeys(("inputs", "runs", "set_aside", "marks"), ()),
        **more,
    }
    return Claim(
        id=claim_id,
        kind=kind,
        value=value,
        unit=unit,
        text=rounded.text,
        interval=rounded.interval,
        rounding=rounded.rule,
        **fields,
    )


def make_book(*, runs_per_cell: int = 3, titles: dict[str, str] | None = None) -> ClaimBook:
    """Return a book with runs, cells, margins, suite margins and a price."""
    titles = titles or TITLES
    claims, runs, of_cell = [], [], {}
    for product in PRODUCTS:
        for place, title in enumerate(titles):
            base = FPS.get((product, title), 40.0 + 7 * place + len(product))
            names = []
            for n in range(runs_per_cell):
                run = f"r{len(runs) + 1:04d}"
                used = not (product == "gannet-14" and title == "dunes-1080" and n == 0)
                value = base * (1 + 0.004 * (n - 1))
                runs.append(
                    RunRecord(
                        id=run,
                        product=product,
                        title=title,
                        file=f"logs/{product}/{run}.csv.gz",
                        sha256=hashlib.sha256(run.encode()).hexdigest(),
                        frames=int(value * 40),
                        used=used,
                        reason="" if used else "warm-up run: slower than the others",
                        layout="",
                        status="ran",
                        session="s1",
                        began="",
                        duration_s=40.0,
                        conditions={"driver": "1.10", "ambient_c": "22"},
                        flags=(),
                    )
                )
                claims.append(
                    _claim(
                        f"run/average_fps/{run}",
                        "run",
                        value,
                        Rounded.figure(value),
                        "fps",
                        product=product,
                        title=title,
                        inputs=(run,),
                        runs=(run,) if used else (),
                        set_aside=() if used else (run,),
                    )
                )
                if used:
                    names.append(run)
            of_cell[product, title] = tuple(names)
            claims.append(
                _claim(
                    f"cell/average_fps/{title}/{product}",
                    "cell",
                    base,
                    Rounded.figure(base, base * 0.99, base * 1.01),
                    "fps",
                    product=product,
                    title=title,
                    low=base * 0.99,
                    high=base * 1.01,
                    confidence=0.95,
                    method="cell-welch",
                    inputs=tuple(f"run/average_fps/{r}" for r in names),
                    runs=tuple(names),
                    marks=("typed in, no log",) if product == "mudskipper-14" else (),
                )
            )
    for rival in RIVALS:
        pair = f"lanternfish-14-over-{rival}"
        for title in titles:
            cells = [f"cell/average_fps/{title}/{p}" for p in ("lanternfish-14", rival)]
            mine, other = [next(c.value for c in claims if c.id == cell) for cell in cells]
            ratio, outcome = mine / other, OUTCOMES.get((rival, title), "unresolved")
            claims.append(
                _claim(
                    f"margin/average_fps/{title}/{pair}",
                    "margin",
                    ratio,
                    Rounded.ratio(ratio, ratio * 0.985, ratio * 1.015),
                    "ratio",
                    baseline=rival,
                    title=title,
                    low=ratio * 0.985,
                    high=ratio * 1.015,
                    confidence=0.95,
                    outcome=outcome,
                    method="margin-welch",
                    inputs=tuple(cells),
                    runs=of_cell["lanternfish-14", title] + of_cell[rival, title],
                    set_aside=("r0019",) if (rival, title) == ("gannet-14", "dunes-1080") else (),
                    marks=("waived: memory_gb",) if rival == "gannet-14" else (),
                )
            )
        suite = {"mudskipper-14": 1.1042, "gannet-14": 0.9931}[rival]
        claims.append(
            _claim(
                f"suite/average_fps/all/{pair}",
                "suite",
                suite,
                Rounded.ratio(suite, suite * 0.99, suite * 1.01),
                "ratio",
                baseline=rival,
                low=suite * 0.99,
                high=suite * 1.01,
                confidence=0.95,
                outcome="ahead" if suite > 1 else "level",
                method="suite-these-titles",
                inputs=tuple(f"margin/average_fps/{t}/{pair}" for t in titles),
                runs=tuple(
                    r for t in titles for p in ("lanternfish-14", rival) for r in of_cell[p, t]
                ),
            )
        )
        price = 1299.0 * suite
        claims.append(
            _claim(
                f"value/street/equal_value_price/{pair}",
                "value",
                price,
                Rounded.money(price, "EUR", price * 0.98, price * 1.02),
                "EUR",
                baseline=rival,
                low=price * 0.98,
                high=price * 1.02,
                confidence=0.95,
                metric="equal_value_price",
                method="equal-value-price",
                inputs=(f"suite/average_fps/all/{pair}",),
            )
        )
    return ClaimBook(
        review="tiny",
        title="Lanternfish 14 beside its rivals",
        byline="The test bench",
        date="2026-05-04",
        product="lanternfish-14",
        kit_version="0",
        params_file="tiny.yaml",
        params_sha256="0" * 64,
        settings={},
        layouts={},
        claims=tuple(claims),
        runs=tuple(runs),
    )


def margin_rows(book: ClaimBook) -> Html:
    """Return the table of margins."""
    rows = [
        [
            TITLES.get(title, title),
            *(book.get(f"margin/average_fps/{title}/lanternfish-14-over-{r}") for r in RIVALS),
        ]
        for title in dict.fromkeys(claim.title for claim in book.of_kind("margin"))
    ]
    columns = [Column("Title")] + [
        Column(f"over {PRODUCTS[r]}", "%", number=True, outcomes=True) for r in RIVALS
    ]
    return html_table(
        "Ahead of one rival in two titles, behind the other in one",
        columns,
        rows,
        note="More frames per second are better.",
    )


def cell_rows(book: ClaimBook) -> Html:
    """Return the table of averages."""
    rows = [
        [TITLES.get(title, title), *(book.get(f"cell/average_fps/{title}/{p}") for p in PRODUCTS)]
        for title in dict.fromkeys(claim.title for claim in book.of_kind("margin"))
    ]
    columns = [Column("Title")] + [Column(name, "fps", number=True) for name in PRODUCTS.values()]
    return html_table("Averages lie between 9 and 132 frames per second", columns, rows)


def drawing(book: ClaimBook) -> Html:
    """Return a small drawing of the suite margins."""
    bars = "".join(
        f'<rect x="10" y="{20 + 50 * i}" width="{200 * claim.value:.1f}" height="24"/>'
        for i, claim in enumerate(book.of_kind("suite"))
    )
    svg = (
        '<svg xmlns="http://www.w3.org/2000/svg" width="640" height="140" viewBox="0 0 640 140">'
        f"<style>rect{{fill:#0072b2}}</style>{bars}</svg>"
    )
    return image_figure(
        svg.encode(),
        mime="image/svg+xml",
        caption="The suite margin over each rival",
        alt="Two bars: 1.10 over Mudskipper 14, 0.99 over Gannet 14.",
        table=margin_rows(book),
    )


def write_files(book: ClaimBook, out_dir: str) -> int:
    """Write claims, a table and a chart; return the number of claims."""
    folder = Path(out_dir)
    (folder / "tables").mkdir(parents=True, exist_ok=True)
    (folder / "charts").mkdir(exist_ok=True)
    (folder / "claims.json").write_bytes(book.to_json())
    lines = [f"{c.id},{c.value!r}\n" for c in book.of_kind("margin")]
    (folder / "tables" / "margins.csv").write_text("margin,ratio\n" + "".join(lines))
    (folder / "charts" / "suite.svg").write_text("<svg xmlns='http://www.w3.org/2000/svg'/>\n")
    return len(book.claims)
