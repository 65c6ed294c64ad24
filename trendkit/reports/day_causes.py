"""Why the day went as it did: shares of the loss, causes, checks at the press, the days compared with."""

from __future__ import annotations

from trendkit.reports.closing import caution_list
from trendkit.reports.figure_charts import draw_contributions
from trendkit.reports.page import Cell, Head, Item, Listing, Mark, Panel, Prose, Section, Sheet
from trendkit.reports.plant_clock import day_text
from trendkit.reports.shown import DASH, Shown, share_text
from trendkit.reports.words import CAUSES, said
from trendkit.upsets.results import DayAccount, Difference

FAR = 3.0  # robust spreads from usual that ask for attention


def share_section(account: DayAccount, shown: Shown) -> Section:
    """Return the section on how many points each factor took; empty when none could be shared out."""
    if not account.contributions:
        return Section("shares", "Where the points went", "", ())
    parts = [
        (
            said(CAUSES, part.factor).capitalize(),
            part.points,
            part.low,
            part.high,
            part.factor != "unexplained",
        )
        for part in sorted(account.contributions, key=lambda part: (part.factor == "unexplained", -part.points))
    ]
    sure = [name.lower() for name, _, low, _, is_told in parts if is_told and low > 0]
    # A share whose limits leave out zero is a fact of the figures; that it was the cause is only consistent with them.
    finding = f"Clear of zero at 95 %: {', '.join(sure)}." if sure else "No single share is clear of zero at 95 %."
    sheet = Sheet(
        "points of cake solids lost",
        (Head("Factor"), Head("Points lost", is_number=True), Head("95 % limits", is_number=True)),
        tuple(
            (name, f"{v:.2f}".replace("-", "−"), f"{low:.2f} to {high:.2f}".replace("-", "−"))
            for name, v, low, high, _ in parts
        ),
    )
    panel = Panel(
        "shares",
        "Points of cake solids lost to each factor",
        finding,
        draw_contributions("shares-drawing", parts),
        _shares_caption(account, shown),
        sheet,
    )
    return Section("loss", "Where the points went", "Compared with days of like feed and load.", (panel,))


def _shares_caption(account: DayAccount, shown: Shown) -> str:
    """Return what the bars add up to, and how to read a rest below zero."""
    drop = sum(part.points for part in account.contributions)
    rest = next((part.points for part in account.contributions if part.factor == "unexplained"), 0.0)
    amount = f"{drop:.1f}".replace("-", "\u2212")
    text = (
        f"Together the bars are the day's {amount} points below usual. The dark rule through each bar is its 95 % "
        "limits. The dashed bar is what these tags do not explain"
    )
    if rest < 0.0:
        return f"{text}; below zero: but for the other bars the cake would have been drier than on the comparison days."
    return f"{text}."


def cause_section(account: DayAccount, shown: Shown) -> Section:
    """Return the section on the ranked causes and what would settle each."""
    rows = tuple(
        (
            said(CAUSES, cause.cause).capitalize(),
            share_text(cause.weight),
            shown.retold(cause.because) or DASH,
            shown.retold(cause.check) or DASH,
        )
        for cause in account.causes
    )
    heads = (Head("Cause"), Head("Weight", is_number=True), Head("Because"), Head("What would settle it"))
    note = (
        "Weights share out the evidence among the causes; they are no certainty. Streaks, ponding and "
        "slime must be seen: the tags are only consistent with them."
    )
    return Section("causes", "Likeliest causes", note, (Sheet("Causes, likeliest first", heads, rows),) if rows else ())


def check_section(account: DayAccount, shown: Shown) -> Section:
    """Return the section with the cautions, then the checks in order."""
    items: list[Item] = [caution_list()]
    if account.checks:
        items.append(Listing(tuple(shown.retold(check) for check in account.checks), "ticks", "In this order"))
    elif account.verdict == "cannot_tell":
        items.append(Prose("These readings say nothing of what to check: there was nothing to judge."))
    else:
        items.append(Prose("Nothing asks for a check at the press."))
    return Section(
        "checks",
        "What to check at the press",
        "Print this part and tick it off; note the time beside each.",
        tuple(items),
    )


def comparison_section(account: DayAccount, shown: Shown) -> Section:
    """Return the section that holds the day against the days it is compared with."""
    items: list[Item] = []
    if account.changes:
        items.append(
            Sheet(
                "This day against the comparison days",
                _CHANGE_HEADS,
                tuple(_change_row(each, shown) for each in account.changes),
            )
        )
    if account.compared_with:
        rows = tuple((day_text(each.day), shown.retold(each.why)) for each in account.compared_with)
        items.append(Sheet("Days it is compared with", (Head("Day"), Head("Why it is a fair comparison")), rows))
    return Section("comparison", "Compared with other days", "", tuple(items))


_CHANGE_HEADS = (
    Head("Figure"),
    Head("This day", is_number=True),
    Head("Usual", is_number=True),
    Head("Usual range", is_number=True),
    Head("Distance", "usual spreads", True),
)


def _change_row(change: Difference, shown: Shown) -> tuple[Cell | str, ...]:
    name, low, high = change.figure, change.usual_low, change.usual_high
    mark: Mark = "misses" if abs(change.z) > FAR else ""
    return (
        shown.name(name),
        shown.digits(change.value, name),
        shown.digits(change.usual, name),
        f"{shown.digits(low, name)} to {shown.digits(high, name)}",
        Cell(f"{change.z:+.1f}".replace("-", "−"), mark),
    )
