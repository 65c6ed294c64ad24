"""Draw the invented press's response surfaces for a reader: one HTML page of static charts, no script in it.

Run by hand: python tests/benchmarks/response_surfaces.py [--seed 1] [--scenario interior] [--out surfaces.html]
Noise-free, steady, at the crew's usual settings of that seed; one or two settings vary in each chart.
"""

from __future__ import annotations

import argparse
import html
from dataclasses import replace
from pathlib import Path

import altair as alt
import numpy as np
import pandas as pd
import vl_convert as vlc

from trendkit.simulate import scenario_named
from trendkit.simulate.best_speed import Conditions, best_speed, response_curve, usual_conditions
from trendkit.simulate.family import Household, draw_household

SPEED = "gravity_belt_speed_m_min"
WORDS = {
    SPEED: "gravity belt speed, m/min",
    "cake_solids_pct": "cake solids, %",
    "capture_pct": "capture, %",
    "cost_per_dry_t": "cost, USD per dry tonne in cake",
    "feed_flow_m3_h": "feed flow, m³/h",
    "feed_solids_pct": "feed solids, %",
    "dose_kg_t": "polymer dose, kg/t",
    "pressure_belt_m_min": "pressure belt speed, m/min",
    "fouling": "belt fouling, clean resistances",
    "tension_kn_m": "belt tension, kN/m",
}
# what varies beside the gravity belt speed, as multiples of the usual (fouling: as such), and what is drawn
SURFACES = (
    ("feed_flow_m3_h", np.linspace(0.6, 1.6, 41), "cake_solids_pct"),
    ("feed_flow_m3_h", np.linspace(0.6, 1.6, 41), "capture_pct"),
    ("feed_solids_pct", np.linspace(0.5, 1.7, 41), "cake_solids_pct"),
    ("dose_kg_t", np.linspace(0.3, 1.8, 41), "cake_solids_pct"),
    ("dose_kg_t", np.linspace(0.3, 1.8, 41), "capture_pct"),
    ("pressure_belt_m_min", np.linspace(0.45, 1.8, 41), "cake_solids_pct"),
    ("fouling", np.linspace(0.0, 4.0, 41), "cake_solids_pct"),
    ("tension_kn_m", np.linspace(0.5, 1.4, 41), "cake_solids_pct"),
    ("feed_flow_m3_h", np.linspace(0.6, 1.6, 41), "cost_per_dry_t"),
)


def surface(household: Household, usual: Conditions, setting: str, levels: np.ndarray) -> pd.DataFrame:
    """Return the response over gravity speed and one other setting, a row per pair."""
    base = household.station.settings.gravity_belt_m_min
    speeds = np.geomspace(0.5 * base, 2.0 * base, 41)
    curves = []
    for level in levels:
        value = float(level if setting == "fouling" else level * getattr(usual, setting))
        curve = response_curve(replace(usual, **{setting: value}), speeds, household.station, household.prices)
        curves.append(curve.assign(**{setting: value}))
    return pd.concat(curves, ignore_index=True)


def drawn_surface(table: pd.DataFrame, setting: str, figure: str) -> alt.Chart:
    """Return a map of one figure: darker is more, the best speed at each level as a line."""
    ordinal = table.assign(**{name: table[name].round(3) for name in (SPEED, setting)})
    cells = (
        alt.Chart(ordinal)
        .mark_rect()
        .encode(
            x=alt.X(f"{SPEED}:O", title=WORDS[SPEED], axis=alt.Axis(labelOverlap=True, format=".1f")),
            y=alt.Y(
                f"{setting}:O", title=WORDS[setting], sort="descending", axis=alt.Axis(labelOverlap=True, format=".2f")
            ),
            color=alt.Color(
                f"{figure}:Q", title=WORDS[figure], bin=alt.Bin(maxbins=14), scale=alt.Scale(scheme="greys")
            ),
        )
    )
    best = ordinal.loc[ordinal.groupby(setting)["cost_per_dry_t"].idxmin()]
    marks = (
        alt.Chart(best)
        .mark_point(filled=True, size=14, color="#b5452c")
        .encode(x=f"{SPEED}:O", y=alt.Y(f"{setting}:O", sort="descending"))
    )
    return (cells + marks).properties(width=330, height=250)


def drawn_curves(household: Household, usual: Conditions) -> alt.HConcatChart:
    """Return cake, capture and cost over gravity speed, with the 1 % interval shaded."""
    base = household.station.settings.gravity_belt_m_min
    curve = response_curve(usual, np.geomspace(0.45 * base, 2.2 * base, 121), household.station, household.prices)
    best = best_speed(curve, household.targets)
    band = alt.Chart(pd.DataFrame({"low": [best.low_m_min], "high": [best.high_m_min]}))
    parts = []
    for figure in ("cake_solids_pct", "capture_pct", "cost_per_dry_t"):
        y = alt.Y(f"{figure}:Q", title=WORDS[figure], scale=alt.Scale(zero=False))
        line = alt.Chart(curve).mark_line(color="#222").encode(x=alt.X(f"{SPEED}:Q", title=WORDS[SPEED]), y=y)
        shade = band.mark_rect(color="#e4dccb").encode(x="low:Q", x2="high:Q")
        parts.append((shade + line).properties(width=250, height=200))
    return alt.hconcat(*parts)


def page(household: Household, title: str) -> str:
    """Return the whole page."""
    usual = usual_conditions(household.station)
    blocks = [
        f"<h1>{html.escape(title)}</h1>",
        "<p>Shaded: gravity belt speeds that cost at most 1 % more than the cheapest.</p>",
    ]
    blocks.append(vlc.vegalite_to_svg(drawn_curves(household, usual).to_dict()))
    blocks.append("<p>Maps: darker is more; dots mark the cheapest gravity belt speed at each level.</p>")
    for setting, levels, figure in SURFACES:
        chart = drawn_surface(surface(household, usual, setting, levels), setting, figure)
        caption = f"{WORDS[figure]} over {WORDS[SPEED]} and {WORDS[setting]}"
        blocks.append(
            f"<figure>{vlc.vegalite_to_svg(chart.to_dict())}<figcaption>{html.escape(caption)}</figcaption></figure>"
        )
    style = "body{font:15px sans-serif;margin:2em;max-width:1000px}figure{display:inline-block;margin:1em 1em 0 0}"
    return f'<!doctype html><html lang="en"><meta charset="utf-8"><title>{html.escape(title)}</title><style>{style}</style>{"".join(blocks)}</html>'


def main() -> None:
    """Write the page and say where."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--scenario", default="interior")
    parser.add_argument("--out", type=Path, default=Path("surfaces.html"))
    asked = parser.parse_args()
    household = draw_household(scenario_named(asked.scenario), asked.seed, 1)
    text = page(household, f"Response surfaces of an invented press ({asked.scenario}, seed {asked.seed})")
    asked.out.write_text(text, encoding="utf-8")
    print(asked.out)


if __name__ == "__main__":
    main()
