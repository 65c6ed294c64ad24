"""The review's section on its runs: is the press steady, or did something shift?"""

from __future__ import annotations

from trendkit.reports.close_look import close_look
from trendkit.reports.control_charts import chart_plot, draw_run_chart
from trendkit.reports.held_against import HeldAgainst
from trendkit.reports.page import Head, Mark, Panel, Section, Sheet
from trendkit.reports.plant_clock import PlantClock
from trendkit.reports.shown import Shown
from trendkit.reports.words import figure_name
from trendkit.upsets.run_charts import RunChart


def runs_section(held: HeldAgainst, clock: PlantClock, shown: Shown) -> Section:
    """Return a control chart per figure over the period's runs; empty with too few runs to judge by."""
    note = (
        "A dot is a run. The limits are three standard deviations, judged by how much a run differs from the next. A "
        "triangle: beyond them, or the eighth in a row on one side of the mean. A signal asks for a reason; it is not "
        "yet a fault."
    )
    return Section(
        "runs", "Run by run: steady or not?", note, tuple(_panel(each, clock, shown) for each in held.charts)
    )


def _panel(chart: RunChart, clock: PlantClock, shown: Shown) -> Panel:
    slug = f"runs-{chart.figure.replace('_', '-')}"
    plot = chart_plot(chart, shown)
    finding, mark = _finding(chart, clock, shown)
    svg = draw_run_chart(slug, chart, plot, clock)
    sheet = _sheet(chart, clock, shown)
    return Panel(slug, shown.name(chart.figure), finding, svg, "", sheet, mark, close_look([plot], clock))


def _finding(chart: RunChart, clock: PlantClock, shown: Shown) -> tuple[str, Mark]:
    runs, name = chart.runs, figure_name(chart.figure, shown.system)
    beyond = [clock.day_text(start).rsplit(" ", 1)[0] for start in runs.loc[runs["is_beyond"], "start_utc"]]
    parts = []
    if beyond:
        parts.append(f"outside its limits on {', '.join(dict.fromkeys(beyond))}")
    if runs["is_shifted"].any():
        first = runs.loc[runs["is_shifted"], "start_utc"].iloc[0]
        parts.append(f"eight runs in a row on one side of its mean by {clock.day_text(first).rsplit(' ', 1)[0]}")
    if parts:
        were = "were" if name.endswith("solids") else "was"
        return f"{name} {were} {' and '.join(parts)}.", "misses"
    limits = chart.limits
    span = f"{shown.digits(limits.lower, chart.figure)} to {shown.amount(limits.upper, chart.figure)}"
    return f"{name} held steady over {len(runs)} runs: a run is to be expected within {span}.", ""


def _sheet(chart: RunChart, clock: PlantClock, shown: Shown) -> Sheet:
    signals = (("is_beyond", "beyond the limits"), ("is_shifted", "eight on one side"))
    rows = tuple(
        (
            clock.time_text(row["start_utc"]),
            shown.digits(row["value"], chart.figure),
            ", ".join(words for column, words in signals if row[column]),
        )
        for _, row in chart.runs.iterrows()
    )
    heads = (
        Head("Run began", "plant time", is_short=True),
        Head(figure_name(chart.figure, shown.system), shown.unit(chart.figure), is_number=True),
        Head("Signal"),
    )
    return Sheet("run by run", heads, rows)
