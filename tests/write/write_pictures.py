"""Write where the pictures put what they draw: look at them first, then keep their places."""

import json
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

import made_claims
from drawn import KEPT, chart_places, elements_of, inline_pictures, slide_places

if __name__ == "__main__":
    charts = made_claims.all_charts(4, 3)
    found = {
        "charts": {kind: chart_places(chart.draw("page")) for kind, chart in charts.items()},
        "slides": dict(slide_places()),
        "inline": {name: elements_of(svg) for name, svg in inline_pictures()},
    }
    parts = []
    for what, of in found.items():
        pictures = []
        for name, places in of.items():
            rows = ",\n".join(json.dumps(place, ensure_ascii=False) for place in places)
            pictures.append(f"{json.dumps(name)}: [\n{rows}\n]")
        parts.append(f"{json.dumps(what)}: {{\n" + ",\n".join(pictures) + "\n}")
    KEPT.write_text("{\n" + ",\n".join(parts) + "\n}\n", encoding="utf-8")
