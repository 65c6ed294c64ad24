"""The figures of a period: totals over all phases, means over pressing, with limits, by mode, day, shift and run.

Comes in: a figure table (its streams carry the errors). Goes out: `PeriodReview`, SI. Every figure is a ratio of
sums or a sum; excluded periods leave the means and stay in the totals.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from trendkit.plant.calendar import Period, plant_days, shift_names
from trendkit.plant.model import Limit, Plant, Press
from trendkit.plant.roles import MODES
from trendkit.press.closure import Closure, close_balances
from trendkit.press.cost import COST_ITEMS, PeriodCost, cost_lines
from trendkit.press.methods import MUST_BE_OFF, capture_of, method_shares
from trendkit.press.plausible import implausible
from trendkit.press.results import Figure, FigureTable, PeriodReview
from trendkit.press.rows import Mask, settings_over
from trendkit.press.streams import METHODS, codes_where
from trendkit.press.sums import COSTED, FIGURE_UNITS, GroupFigures, Sums, group_figures
from trendkit.press.totals import LEAST_KNOWN
from trendkit.press.uncertainty import Array, Codes, Measured, limits
from trendkit.press.workload import workload_of

LEAST_TOLD = 0.1  # % of the feed or of the time, below which a silence is not worth a sentence
LEAST_UNKNOWN, LEAST_UNKNOWN_H = 0.005, 0.5  # of the moving hours without a feed flow, from which it is said
CLOSES_WITHIN_PCT = 15.0  # acceptable closing error of a plant solids balance: Spellman, mass balance chapter
METHOD_WORDS = {
    "filtrate_metered": "metered filtrate",
    "balance": "filtrate by water balance",
    "cake_weighed": "weighed cake",
    "concentration": "three concentrations",
}


def review_period(
    table: FigureTable, press: Press, plant: Plant, period: Period, previous: FigureTable | None = None
) -> PeriodReview:
    """Return how the press did over a period, each figure with 95 % limits, target and the value before.

    `table` must hold the period's rows; `previous` holds the rows of the period before it and nothing else.
    """
    sums = Sums(table, press, plant)
    inside = _rows_in(sums, period.start_utc, period.end_utc)
    press = press.at(period.end_utc - pd.Timedelta(seconds=1))  # the targets in force at the period's end
    found = {mode: group_figures(sums, codes_where(inside & sums.is_mode(mode)), 1) for mode in MODES}
    earlier = _earlier_values(previous, press, plant)
    by_mode = {
        mode: {
            name: _with_previous(figure, earlier.get(mode, {}).get(name))
            for name, figure in _figures(sums, found[mode], inside, mode, press, plant).items()
        }
        for mode in MODES
    }
    cost = _cost(found["dewatering"], by_mode["dewatering"], plant)
    by_day = _by(sums, inside, _day_groups(sums, inside, plant), ("day",))
    closure, closure_by_run = _closures(sums, inside)
    return PeriodReview(
        figures=by_mode["dewatering"],
        by_mode={mode: found for mode, found in by_mode.items() if _has_rows(sums, inside, mode)},
        by_day=by_day,
        by_shift=_in_shift_order(_by(sums, inside, _shift_groups(sums, inside, plant), ("day", "shift")), plant),
        runs=_runs(sums, inside),
        costs=cost.lines,
        missing_prices=cost.missing_prices,
        capture_by_method=_capture_by_method(sums, inside),
        notes=(
            *filter(None, [_feed_unknown(sums, inside)]),
            *table.notes,
            *_notes(sums, inside, cost, plant),
            *implausible(by_mode),
            *_filtrate_over_feed(sums, inside),
        ),
        closure=closure,
        closure_by_run=closure_by_run,
        calibrations=tuple(
            each
            for each in sums.streams.calibrations
            if each.start_utc < period.end_utc and each.end_utc > period.start_utc
        ),
        workload=workload_of(sums, inside, by_day, period.hours),
        feed_unknown=_feed_unknown(sums, inside),
    )


def period_figures(table: FigureTable, press: Press, plant: Plant, period: Period) -> dict[str, Figure]:
    """Return the dewatering figures of a period alone, as `review_period` has them."""
    sums = Sums(table, press, plant)
    inside = _rows_in(sums, period.start_utc, period.end_utc)
    press = press.at(period.end_utc - pd.Timedelta(seconds=1))
    found = group_figures(sums, codes_where(inside & sums.is_mode("dewatering")), 1)
    return _figures(sums, found, inside, "dewatering", press, plant)


def figures_by_day(table: FigureTable, press: Press, plant: Plant) -> pd.DataFrame:
    """Return one row per plant day and mode of the table: columns `day`, `mode`, then figure names (SI)."""
    parts = []
    for each in _in_whole_days(table, plant):
        sums = Sums(each, press, plant)
        inside = np.asarray(sums.times.isin(each.frame.index))
        parts.append(_by(sums, inside, _day_groups(sums, inside, plant), ("day",)))
    return pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)


def _in_whole_days(table: FigureTable, plant: Plant) -> Iterator[FigureTable]:
    """Yield the table in pieces of whole plant days, about as long as the blocks of its record."""
    blocks = table.record.blocks if table.record is not None else []
    if len(blocks) <= 1:
        yield table
        return
    days = plant_days(plant, pd.DatetimeIndex(table.frame.index))
    begins = np.flatnonzero(np.asarray(days[1:] != days[:-1])) + 1
    after = np.arange(blocks[0].stop, len(days), blocks[0].stop)
    cuts = np.unique(begins[np.searchsorted(begins, after[after <= begins.max(initial=-1)])])
    for rows in np.split(np.arange(len(days)), cuts):
        yield replace(table, frame=table.frame.iloc[rows[0] : rows[-1] + 1] if len(rows) else table.frame)


def _closures(sums: Sums, inside: Mask) -> tuple[Closure, tuple[Closure, ...]]:
    """Return the balances of the period's dewatering, and of each of its dewatering runs.

    Each rests on the rows in which filtrate was metered and sampled as at its end: two ways are two balances.
    """
    of_mode = inside & sums.is_mode("dewatering")
    setups = [(rows, there.filtrate) for rows, there in settings_over(sums.press, sums.times)]

    def balances(rows: Mask, label: str) -> Closure:
        last = int(np.flatnonzero(rows)[-1]) if rows.any() else len(rows) - 1
        setup = next(setup for span, setup in setups if span.start <= last < span.stop)
        alike = np.zeros(len(rows), dtype=bool)
        for span, other in setups:
            alike[span] = other == setup
        return close_balances(sums.streams, setup, rows & alike, label)

    run_code, names = sums.operation.run_code, sums.operation.run_names
    by_run = tuple(balances(of_mode & (run_code == run), names[run]) for run in np.unique(run_code[of_mode]))
    return balances(of_mode, "period"), by_run


def _rows_in(sums: Sums, start: pd.Timestamp, end: pd.Timestamp) -> Mask:
    return np.asarray((sums.times >= start) & (sums.times < end))


def _has_rows(sums: Sums, inside: Mask, mode: str) -> bool:
    return bool((inside & sums.is_mode(mode)).any())


def _figures(sums: Sums, found: GroupFigures, inside: Mask, mode: str, press: Press, plant: Plant) -> dict[str, Figure]:
    """Return every figure of the contract for one mode over the rows inside, whose sums are `found`."""
    targets = press.targets.get(mode, {})
    figures = {name: _figure(name, found, sums, inside, mode, targets.get(name)) for name in FIGURE_UNITS}
    figures["cost_per_dry_t"] = _cost_figure(found, figures, plant, mode)
    return figures


def _figure(name: str, found: GroupFigures, sums: Sums, inside: Mask, mode: str, target: Limit | None) -> Figure:
    value = found.values[name]
    number = float(value.value[0])
    unit = FIGURE_UNITS[name]
    if np.isnan(number):
        reason = _too_much_kept(found, sums, inside, mode) if name == "solids_returned_t" else ""
        return Figure(None, unit, target=target, reason=reason or sums.reason(name, mode), n=0)
    low, high = (float(limit[0]) for limit in limits(value))
    has_limits = bool(value.parts)
    return Figure(
        number,
        unit,
        low if has_limits else None,
        high if has_limits else None,
        n=int(found.counts[name][0]),
        method=_method(name, sums, inside, mode),
        target=target,
        meets_target=meets(target, number, low, high),
    )


def _too_much_kept(found: GroupFigures, sums: Sums, inside: Mask, mode: str) -> str:
    """Say why solids sent back are not given when more comes out kept than was fed, "" when it does not."""
    too_much = float(found.more_kept_than_fed_t[0])
    if not too_much > 0.0:
        return ""
    methods = method_shares(sums.streams, sums.chosen, inside & sums.is_mode(mode))
    off = MUST_BE_OFF[next(iter(methods))] if methods else ""
    return f"{too_much:.2g} t more come out kept than were fed, which cannot be. {off}".strip()


def meets(target: Limit | None, value: float, low: float, high: float) -> bool | None:
    """Return whether a figure meets its target; None without one, or when the limits straddle it.

    Examples
    --------
    >>> meets(Limit(low=95.0), 96.0, 95.5, 96.5), meets(Limit(low=95.0), 95.2, 94.7, 95.7)
    (True, None)
    """
    if target is None or (target.low is None and target.high is None):
        return None
    floor = -np.inf if target.low is None else target.low
    ceiling = np.inf if target.high is None else target.high
    if low >= floor and high <= ceiling:
        return True
    if high < floor or low > ceiling:
        return False
    return None


def _method(name: str, sums: Sums, inside: Mask, mode: str) -> str:
    if name not in ("capture_pct", "dry_cake_t", "wet_cake_t", "solids_returned_t"):
        return sums.method(name)
    shares = method_shares(sums.streams, sums.chosen, inside & sums.is_mode(mode))
    return ", ".join(
        f"{METHOD_WORDS[method]} ({100.0 * share:.0f} % of pressing)" if len(shares) > 1 else METHOD_WORDS[method]
        for method, share in shares.items()
    )


def _cost(found: GroupFigures, figures: Mapping[str, Figure], plant: Plant) -> PeriodCost:
    amounts = {name: figures[name].value for name in COSTED}
    return cost_lines(plant.costs, amounts, figures["dry_cake_t"].value, float(found.feed_known_share[0]))


def _cost_figure(found: GroupFigures, figures: Mapping[str, Figure], plant: Plant, mode: str) -> Figure:
    """Return the cost per dry tonne leaving in cake with limits; None with the reason when it cannot be had."""
    unit = f"{plant.costs.currency}/t" if plant.costs else "1/t"
    cost = _cost(found, figures, plant)
    if mode != "dewatering":
        return Figure(None, unit, reason="thickened sludge is not cake")
    if not cost.lines:
        no_price = plant.costs is None or len(cost.missing_prices) == len(COST_ITEMS)
        reason = "no price in the plant file" if no_price else "the dry solids in cake are not known"
        return Figure(None, unit, reason=reason)
    per_t = sum_of_lines(found, cost, plant) / found.values["dry_cake_t"]
    low, high = (float(limit[0]) for limit in limits(per_t))
    lines = ", ".join(line.name.replace("_", " ") for line in cost.lines)
    return Figure(
        float(per_t.value[0]), unit, low, high, n=int(found.counts["dry_cake_t"][0]), method=f"sum of {lines}"
    )


def sum_of_lines(found: GroupFigures, cost: PeriodCost, plant: Plant) -> Measured:
    """Return the money of all cost lines that the tonnes known took, with its errors, per group."""
    total: Measured | float = 0.0
    for line in cost.lines:
        item = COST_ITEMS[line.name]
        share = item.known_share(float(found.feed_known_share[0]))
        total = found.values[item.amount] * (share * float(getattr(plant.costs, item.price_field))) + total
    assert isinstance(total, Measured)
    return total


def _earlier_values(
    previous: FigureTable | None, press: Press, plant: Plant
) -> Mapping[str, Mapping[str, float | None]]:
    """Return the figures of the period before, by mode and name; modes it was not run in are left out."""
    if previous is None or previous.frame.empty:
        return {}
    sums = Sums(previous, press, plant)
    inside = np.asarray(sums.times.isin(previous.frame.index))
    values: dict[str, Mapping[str, float | None]] = {}
    for mode in MODES:
        if _has_rows(sums, inside, mode):
            found = group_figures(sums, codes_where(inside & sums.is_mode(mode)), 1)
            figures = _figures(sums, found, inside, mode, press, plant)
            values[mode] = {name: each.value for name, each in figures.items()}
    return values


def _with_previous(figure: Figure, value: float | None) -> Figure:
    return replace(figure, previous=value)


# --- by day, shift and run --------------------------------------------------------------------------------


def _day_groups(sums: Sums, inside: Mask, plant: Plant) -> pd.DataFrame:
    return pd.DataFrame({"day": plant_days(plant, sums.times[inside])}, index=np.flatnonzero(inside))


def _shift_groups(sums: Sums, inside: Mask, plant: Plant) -> pd.DataFrame:
    """Return day and shift of every row inside; the night shift's small hours belong to the day it began."""
    times = sums.times[inside]
    if not plant.shifts:
        return pd.DataFrame({"day": [], "shift": []}, index=pd.Index([], dtype=np.int64))
    names = shift_names(plant.shifts, times, plant.timezone)
    starts = {shift.name: int(shift.start[:2]) * 60 + int(shift.start[3:]) for shift in plant.shifts}
    local = times.tz_convert(plant.timezone).tz_localize(None)
    minute = local.hour * 60 + local.minute
    began = pd.Series(names.to_numpy()).map(starts).fillna(0).to_numpy()
    day = (local - pd.to_timedelta(np.where(minute < began, 1, 0), unit="D")).date
    groups = pd.DataFrame({"day": day, "shift": names.to_numpy()}, index=np.flatnonzero(inside))
    return groups[groups["shift"] != ""]


def _by(sums: Sums, inside: Mask, groups: pd.DataFrame, keys: tuple[str, ...]) -> pd.DataFrame:
    """Return one row per group and mode with every figure's value."""
    tables = []
    for mode in MODES:
        rows = groups.index.to_numpy()
        of_mode = groups[sums.is_mode(mode)[rows]] if len(groups) else groups
        if of_mode.empty:
            continue
        number = of_mode.groupby(list(keys), sort=True).ngroup()
        codes = np.full(len(sums.times), -1, dtype=np.int64)
        codes[of_mode.index.to_numpy()] = number.to_numpy()
        labels = of_mode.drop_duplicates(list(keys)).sort_values(list(keys)).reset_index(drop=True)
        tables.append(_values_table(sums, codes, labels.assign(mode=mode)))
    if not tables:
        return pd.DataFrame(columns=[*keys, "mode", *FIGURE_UNITS])
    return pd.concat(tables, ignore_index=True).sort_values([*keys, "mode"], kind="stable", ignore_index=True)


def _in_shift_order(by_shift: pd.DataFrame, plant: Plant) -> pd.DataFrame:
    """Return the rows of each day in the order its shifts begin, not in that of their names."""
    begins = {shift.name: shift.start for shift in plant.shifts}
    keys = by_shift.assign(begins=by_shift["shift"].map(begins)).sort_values(["day", "begins", "mode"], kind="stable")
    return by_shift.loc[keys.index].reset_index(drop=True)


def _values_table(sums: Sums, codes: Codes, labels: pd.DataFrame) -> pd.DataFrame:
    found = group_figures(sums.bare, codes, len(labels))
    values = pd.DataFrame({name: each.value for name, each in found.values.items()})
    cost = [
        cost_lines(
            sums.plant.costs, {name: float(row[name]) for name in COSTED}, float(row["dry_cake_t"]), float(share)
        ).per_dry_t
        for (_, row), share in zip(values.iterrows(), found.feed_known_share, strict=True)
    ]
    return pd.concat([labels, values, pd.Series(cost, name="cost_per_dry_t", dtype=float)], axis=1)


def _runs(sums: Sums, inside: Mask) -> pd.DataFrame:
    """Return one row per run that begins inside the period."""
    run_code = np.where(inside, sums.operation.run_code, -1)
    present = np.unique(run_code[run_code >= 0])
    codes = np.full(len(run_code), -1, dtype=np.int64)
    in_run = run_code >= 0
    codes[in_run] = np.searchsorted(present, run_code[in_run])
    rows = np.flatnonzero(in_run)
    first, last = pd.Series(rows).groupby(codes[rows]).agg(["min", "max"]).to_numpy().T if len(rows) else ([], [])
    step = pd.Timedelta(seconds=sums.every_s)
    mode = np.array([*MODES, None], dtype=object)
    methods = pd.Series(sums.chosen.method_of_bin[rows], dtype=object).groupby(codes[rows]).first()
    labels = pd.DataFrame(
        {
            "run": [sums.operation.run_names[code] for code in present],
            "mode": [mode[sums.operation.mode[row]] for row in first],
            "start_utc": sums.times[list(first)] if len(first) else pd.DatetimeIndex([], tz="UTC"),
            "end_utc": sums.times[list(last)] + step if len(last) else pd.DatetimeIndex([], tz="UTC"),
            "capture_method": methods.reindex(range(len(present))).to_numpy(),
        }
    )
    return _values_table(sums, codes, labels)


# --- what is said beside the figures -----------------------------------------------------------------------


def _capture_by_method(sums: Sums, inside: Mask) -> dict[str, Figure]:
    """Return the whole period's dewatering capture by every method that serves any of it."""
    found = {}
    mask = inside & sums.is_mode("dewatering") & sums.is_meant
    for method in METHODS:
        capture, bins = capture_of(
            sums.streams.kept_kg_h[method], sums.streams.fed_kg_h, codes_where(mask), 1, sums.streams
        )
        if np.isnan(capture.value[0]):
            continue
        low, high = (float(limit[0]) for limit in limits(capture))
        found[method] = Figure(float(capture.value[0]), "%", low, high, int(bins[0]), METHOD_WORDS[method])
    return found


def _feed_unknown(sums: Sums, inside: Mask) -> str:
    """Say in how many hours the belts moved with the feed flow unknown, "" for a few minutes.

    What was fed then is in no total, and no limits of a total allow for it.
    """
    is_moving = inside & sums.operation.is_moving
    hours, moved = (
        float(rows.sum()) * sums.every_s / 3600.0
        for rows in (is_moving & np.isnan(sums.streams.feed_m3_h.value), is_moving)
    )
    if hours < LEAST_UNKNOWN_H or hours < LEAST_UNKNOWN * moved:
        return ""
    return (
        f"The feed flow is not known in {hours:.1f} of the {moved:.0f} hours in which the belts moved: what was fed "
        "and made then is in no total, and no limits allow for it."
    )


def _notes(sums: Sums, inside: Mask, cost: PeriodCost, plant: Plant) -> list[str]:
    notes = []
    captures = _capture_by_method(sums, inside)
    if "cake_weighed" in captures:
        for other in ("filtrate_metered", "balance"):
            if other in captures:
                notes.append(_closure(captures[other], captures["cake_weighed"]))
                break
    elif len(captures) == 1:
        notes.append("Capture rests on one method alone: nothing independent confirms it.")
    if plant.costs is not None and cost.missing_prices:
        missing = ", ".join(name.replace("_", " ") for name in cost.missing_prices)
        notes.append(f"No price given, line left out of the cost: {missing}.")
    if cost.missing_amounts:
        missing = ", ".join(name.replace("_", " ") for name in cost.missing_amounts)
        notes.append(f"Priced but not measured, line left out of the cost: {missing}.")
    notes += _silences(sums, inside & sums.is_mode("dewatering"))
    unsplit = np.isnan(sums.chosen.kept_kg_h.value) & inside & sums.is_mode("dewatering")
    notes += _extrapolated(sums.streams.fed_kg_h.value, inside & sums.is_mode("dewatering"), unsplit)
    return notes


def _silences(sums: Sums, inside: Mask) -> list[str]:
    """Say for which share of the period the totals go on without their meter, or without a feed sample."""
    streams = sums.streams
    fed, moving = streams.feed_m3_h.value, sums.operation.is_moving.astype(float)
    said = (
        ("Feed solids are", "the feed", "totals of solids and cake take it", streams.fed_row_kg_h, fed),
        ("Polymer is", "the feed", "its total takes it", streams.polymer_active_row_kg_h, fed),
        ("Washwater is", "the time moving", "its total takes it", streams.washwater_row_m3_h, moving),
        ("Power is", "the time moving", "its total takes it", streams.power_row_kw, moving),
    )
    notes = []
    for what, of, totals, rate, weight in said:
        share = _unknown_share(weight, inside, np.isnan(rate.value))
        if LEAST_TOLD <= share <= 100.0 * (1.0 - LEAST_KNOWN):
            notes.append(
                f"{what} not known for {share:.1f} % of {of}: {totals} as in the rest of the period, and the limits do "
                "not widen for it."
            )
    return notes


def _unknown_share(weight: Array, inside: Mask, is_unknown: Mask) -> float:
    """Return the share [%] of a weight inside that lies in bins where something is not known."""
    weight = np.nan_to_num(weight)
    whole = float(weight[inside].sum())
    return 100.0 * float(weight[inside & is_unknown].sum()) / whole if whole > 0.0 else 0.0


def _filtrate_over_feed(sums: Sums, inside: Mask) -> list[str]:
    """Say when filtrate carries more solids than the feed, which no press does."""
    rows = inside & sums.streams.is_pressing
    filtrate, feed = sums.streams.filtrate_tss_row_mg_l.value[rows], sums.streams.feed_solids_pct.value[rows]
    share = 100.0 * float((filtrate > feed * 1e4).mean()) if rows.any() else 0.0
    if share < 1.0:
        return []
    return [
        f"Filtrate solids read above feed solids in {share:.0f} % of the pressing time, which cannot be: check the "
        "units of both, and which sample is which."
    ]


def _extrapolated(fed: Array, inside: Mask, is_unknown: Mask) -> list[str]:
    """Say for which share of the solids fed the totals take the capture of the rest."""
    share = _unknown_share(fed, inside, is_unknown)
    if not LEAST_TOLD <= share <= 100.0 * (1.0 - LEAST_KNOWN):
        return []
    return [f"Capture is not known for {share:.1f} % of the solids fed: the totals of cake and of solids returned "
            "take it as in the rest of the period."]  # fmt: skip


def _closure(balance: Figure, weighed: Figure) -> str:
    gap = (balance.value or np.nan) - (weighed.value or np.nan)
    closes = abs(gap) <= CLOSES_WITHIN_PCT
    text = f"By {balance.method} {balance.value:.1f} % is captured, by {weighed.method} {weighed.value:.1f} %: "
    verdict = "the solids balance closes" if closes else "the solids balance does not close"
    return text + f"{verdict} ({abs(gap):.1f} points apart; up to {CLOSES_WITHIN_PCT:.0f} is usual, Spellman)."
