"""An invented month of one press, built straight from the result dataclasses, for the tests of the pages.

Nothing here is computed by trendkit: the numbers are drawn from a seeded generator and merely plausible.
The month is March 2026 in America/Denver, so the clock change of 8 March lies inside it.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from trendkit.exports.block import InputFile
from trendkit.findings import Finding
from trendkit.plant.calendar import Period, day_period, month_period, plant_days
from trendkit.plant.model import Costs, Exclude, Limit, Plant, Press, Shift, Tag
from trendkit.plant.roles import ROLES
from trendkit.press.results import CostLine, Figure, FigureTable, PeriodReview
from trendkit.reports import PageContext
from trendkit.series import FaultTally, QualityAccount, TagQuality
from trendkit.series.grid import Habit
from trendkit.series.tag_quality import DayQuality
from trendkit.tuning.results import Gain, Identifiability, Recommended, Tuning
from trendkit.upsets.results import Cause, ComparedDay, Contribution, DayAccount, Difference, Move, Upset

BAD_DAY = date(2026, 3, 18)
HOSTILE_TAG = "</script><img src=x onerror=alert(1)>"
HOSTILE_NOTE = "=HYPERLINK(\"x\") <b>bold</b> & 'quoted'"

_ROLES = [
    "feed_flow",
    "feed_solids",
    "filtrate_flow",
    "filtrate_solids",
    "cake_solids",
    "polymer_flow",
    "polymer_strength",
    "washwater_flow",
    "washwater_pressure",
    "gravity_belt_speed",
    "pressure_belt_speed",
    "belt_tension",
    "gravity_zone_depth",
]


def plant(display_units: str = "us") -> Plant:
    tags = {
        name: Tag(
            name,
            f"BFP1_{name.upper()}",
            ROLES[name].column,
            ROLES[name].unit,
            ROLES[name].unit,
            ROLES[name].kind,
        )
        for name in _ROLES
    }
    tags["gravity_zone_depth"] = replace(tags["gravity_zone_depth"], tag=HOSTILE_TAG)
    targets = {
        "cake_solids_pct": Limit(low=19.0),
        "capture_pct": Limit(low=95.0),
        "polymer_dose_kg_t": Limit(high=9.0),
        "solids_loading_kg_h_m": Limit(high=450.0),
        "hydraulic_loading_m3_h_m": Limit(high=16.0),
    }
    press = Press("BFP-1", "bfp-1", 2.0, 4.2, 11.0, 2.0, tags=tags, targets={"dewatering": targets})
    return Plant(
        name="Quillmark Bend reclamation works",
        timezone="America/Denver",
        presses=(press,),
        path=Path("plant.toml"),
        sha256="ab" * 32,
        display_units=display_units,  # type: ignore[arg-type]
        shifts=(Shift("day", "07:00", "19:00"), Shift("night", "19:00", "07:00")),
        costs=Costs("USD", 4.1, 62.0, 0.11, 0.6, 95.0, 38.0),
        excludes=(
            Exclude(
                pd.Timestamp("2026-03-10T19:00Z"),
                pd.Timestamp("2026-03-10T21:30Z"),
                "bfp-1",
                "supplier trial " + HOSTILE_NOTE,
            ),
        ),
    )


def period(of: Plant) -> Period:
    return month_period(of, "2026-03")


def _feeding(of: Plant, span: Period) -> pd.DataFrame:
    index = pd.date_range(span.start_utc, span.end_utc, freq="min", inclusive="left", name="time")
    local = index.tz_convert(of.timezone)
    hour = local.hour + local.minute / 60.0
    shifts = pd.DataFrame({"hour": hour, "weekday": local.day_of_week, "day": plant_days(of, index)}, index=index)
    is_pressing = (shifts["weekday"] < 5) & (hour >= 7.5) & (hour < 15.5)
    shifts["phase"] = np.select(
        [
            is_pressing,
            (shifts["weekday"] < 5) & (hour >= 7.25) & (hour < 7.5),
            (shifts["weekday"] < 5) & (hour >= 15.5) & (hour < 16),
        ],
        ["pressing", "starting", "washing"],
        "stopped",
    )
    return shifts


@cache
def table() -> FigureTable:
    """Return the month's figure table; the same object each time, so tests must not change it."""
    of = plant()
    shifts = _feeding(of, period(of))
    index, count = shifts.index, len(shifts)
    random = np.random.default_rng(7)
    pressing = (shifts["phase"] == "pressing").to_numpy()
    day = shifts["day"].map({d: i for i, d in enumerate(sorted(set(shifts["day"])))}).to_numpy()
    slow = random.normal(0, 1, 40)[day]
    bad = (shifts["day"] == BAD_DAY).to_numpy() & (shifts["hour"].to_numpy() > 10.2)
    noise = lambda scale: random.normal(0, scale, count)  # noqa: E731
    wave = np.sin(np.arange(count) / 97.0)
    speed = 6.0 + np.array([0, 0.6, -0.5, 1.1, -0.9])[day % 5]
    columns: dict[str, Any] = {
        "feed_flow_m3_h": 26 + 1.2 * slow + wave + noise(0.2),
        "feed_solids_pct": 2.6 + 0.15 * slow + 0.05 * wave + noise(0.02),
        "filtrate_solids_mg_l": 560 + 60 * slow + np.where(bad, 900, 0) + noise(25),
        "filtrate_flow_m3_h": 36 + slow + noise(0.3),
        "cake_solids_meter_pct": 20.4
        + 0.4 * slow
        - 0.1 * (speed - 6) ** 2
        - np.where(bad, 2.9, 0)
        + 0.3 * wave
        + noise(0.15),
        "polymer_flow_l_h": 1900 + 60 * slow - np.where(bad, 760, 0) + noise(12),
        "polymer_strength_pct": np.full(count, 0.25),
        "washwater_flow_m3_h": 12 + noise(0.1),
        "washwater_pressure_kpa": 620 + noise(6),
        "gravity_belt_speed_m_min": speed + noise(0.02),
        "pressure_belt_speed_m_min": 3.1 + noise(0.01),
        "belt_tension_kn_m": 6.4 + noise(0.05),
        "gravity_zone_depth_mm": 34 + np.where(bad, 14, 0) + noise(1),
    }
    frame = pd.DataFrame({name: np.where(pressing, values, 0.0) for name, values in columns.items()}, index=index)
    frame.loc[pd.Timestamp("2026-03-24T16:00Z") : pd.Timestamp("2026-03-24T19:00Z"), "filtrate_solids_mg_l"] = np.nan
    solids = frame["feed_flow_m3_h"] * 10 * frame["feed_solids_pct"]
    frame["hydraulic_loading_m3_h_m"] = frame["feed_flow_m3_h"] / 2
    frame["feed_dry_solids_kg_h"] = solids
    frame["solids_loading_kg_h_m"] = solids / 2
    solids = solids.where(pressing)
    frame["polymer_dose_kg_t"] = frame["polymer_flow_l_h"] * frame["polymer_strength_pct"] / 100 / solids * 1000
    frame["capture_pct"] = 100 * (1 - frame["filtrate_flow_m3_h"] * frame["filtrate_solids_mg_l"] / 1000 / solids)
    frame["cake_solids_pct"] = frame["cake_solids_meter_pct"]
    frame["filtrate_tss_mg_l"] = frame["filtrate_solids_mg_l"]
    frame["belt_speed_ratio"] = frame["gravity_belt_speed_m_min"] / frame["pressure_belt_speed_m_min"]
    computed = [name for name in frame.columns if name not in columns]
    frame.loc[~pressing, computed] = np.nan
    for name, half in (("capture_pct", 0.7), ("cake_solids_pct", 0.4), ("polymer_dose_kg_t", 0.35)):
        frame[f"{name}_low"], frame[f"{name}_high"] = frame[name] - half, frame[name] + half
    for name in (
        "capture_pct",
        "cake_solids_pct",
        "polymer_dose_kg_t",
        "solids_loading_kg_h_m",
        "hydraulic_loading_m3_h_m",
        "belt_speed_ratio",
    ):
        frame[f"{name}_rolling"] = frame[name].rolling(60, min_periods=5).mean().where(pressing)
    frame.insert(0, "feed_time", index - pd.Timedelta(minutes=6))
    run = "bfp-1-" + shifts["day"].map(lambda d: d.strftime("%Y%m%d")) + "T1415Z"
    frame.insert(1, "run", run.where(shifts["phase"] != "stopped", None).astype(object))
    frame.insert(2, "phase", shifts["phase"].astype(object))
    frame.insert(
        3,
        "mode",
        pd.Series("dewatering", index=index, dtype=object).where(shifts["phase"] != "stopped", None),
    )
    frame.insert(4, "capture_method", pd.Series("filtrate_metered", index=index, dtype=object).where(pressing, None))
    return FigureTable(
        press="bfp-1",
        every_s=60,
        frame=frame,
        capture_by_run=pd.DataFrame(),
        unavailable={"energy_kwh_t": "no power or energy meter is listed for this press"},
        basis={"feed_flow_m3_h": "metered", "polymer_strength_pct": "assumed"},
        notes=("Polymer strength is assumed at 0.25 %.",),
    )


def upsets() -> tuple[Upset, ...]:
    at = pd.Timestamp
    causes = (
        Cause(
            "polymer_loss",
            0.71,
            "polymer flow fell from 1,900 L/h to 1,140 L/h at 10:12 while feed held",
            "draw the polymer pump down against a stopwatch",
        ),
        Cause(
            "polymer_weak",
            0.18,
            "dose fell although strength is only assumed",
            "weigh a dried sample of the made-down solution",
        ),
        Cause("unknown", 0.11, "", "write down what was seen at the press"),
    )
    bad = Upset(
        "bfp-1",
        "bfp-1-20260318T1415Z",
        at("2026-03-18T16:12Z"),
        at("2026-03-18T16:21Z"),
        at("2026-03-18T16:24Z"),
        at("2026-03-18T21:30Z"),
        "wet_cake",
        ("wet_cake", "low_capture", "dose_off"),
        2,
        "polymer_flow",
        "polymer_loss",
        causes,
        "cake 17.5 % against 20.3 %, dose 4.2 kg/t against 7.1 kg/t",
        412.0,
        286.0,
    )
    swing = replace(
        bad,
        run="bfp-1-20260305T1415Z",
        start=at("2026-03-05T18:00Z"),
        effect_start=None,
        detected_at=at("2026-03-05T18:20Z"),
        end=at("2026-03-05T20:10Z"),
        kind="feed_swing",
        kinds=("feed_swing",),
        severity=1,
        first_sign="feed_solids",
        cause="feed_thick",
        causes=(
            Cause("feed_thick", 0.62, "feed solids rose to 3.4 %", "grab a feed sample"),
            Cause("unknown", 0.38, "", ""),
        ),
        evidence="feed solids 3.4 % against 2.6 %",
        lost_dry_solids_kg=None,
        extra_cost=None,
    )
    trip = replace(
        swing,
        run="bfp-1-20260327T1415Z",
        start=at("2026-03-27T17:00Z"),
        detected_at=at("2026-03-27T17:01Z"),
        end=at("2026-03-27T17:25Z"),
        kind="belt_trip",
        kinds=("belt_trip", "press_stop"),
        severity=3,
        first_sign="belt_trip",
        cause="belt_tracking",
        causes=(
            Cause(
                "belt_tracking",
                0.9,
                "the trip came with both belts at speed",
                "look at the steering roll and the feed's spread",
            ),
        ),
        evidence="24 minutes stopped",
        lost_dry_solids_kg=0.0,
        extra_cost=15.2,
    )
    return swing, bad, trip


def findings() -> tuple[Finding, ...]:
    at = pd.Timestamp
    return (
        Finding(
            "bfp-1",
            "BFP1_FILTRATE_SOLIDS",
            "filtrate_solids",
            "gap",
            at("2026-03-24T16:00Z"),
            at("2026-03-24T19:00Z"),
            "capture is not known for 180 minutes",
            "180 minutes without a reading",
            180,
        ),
        Finding(
            "bfp-1",
            HOSTILE_TAG,
            "gravity_zone_depth",
            "frozen",
            at("2026-03-12T15:00Z"),
            at("2026-03-13T22:00Z"),
            "left out of 510 minutes",
            "the same reading 31.00 for 510 minutes",
            510,
        ),
        Finding(
            None,
            "lab.csv",
            None,
            "unit_suspect",
            at("2026-03-19T17:00Z"),
            at("2026-03-19T17:01Z"),
            "one sample left out: " + HOSTILE_NOTE,
            "cake TS 3.1 %",
            1,
        ),
    )


def lab() -> pd.DataFrame:
    days = [
        date(2026, 3, 2) + timedelta(days=n) for n in range(30) if (date(2026, 3, 2) + timedelta(days=n)).weekday() < 5
    ]
    random = np.random.default_rng(3)
    rows = []
    for day in days:
        taken = pd.Timestamp(day.isoformat() + "T17:10Z")
        wet = 2.7 if day == BAD_DAY else 0.0
        rows.append((taken, "bfp-1", "cake", "TS", 20.4 - wet + random.normal(0, 0.3), "", False, "", 0))
        rows.append((taken, "bfp-1", "filtrate", "TSS", 560 + random.normal(0, 40), HOSTILE_NOTE, False, "", 0))
    rows.append(
        (
            pd.Timestamp("2026-03-19T18:00Z"),
            "bfp-1",
            "cake",
            "TS",
            3.1,
            HOSTILE_NOTE,
            True,
            "dewatered cake of 3 % cannot be",
            44,
        )
    )
    names = ["sampled_at", "press", "point", "analysis", "value", "note", "is_suspect", "why", "line"]
    return pd.DataFrame(rows, columns=names)


def inputs() -> tuple[InputFile, ...]:
    return (
        InputFile(
            Path("/x/press_march.csv"),
            "press_march.csv",
            lambda: "3f" * 32,
            44_580,
            2,
            ("read as wide CSV, times in America/Denver",),
            ((812, "the time cannot be read ('soon')"), (44_571, HOSTILE_NOTE)),
            {HOSTILE_TAG: {HOSTILE_NOTE: 3, "No Data": 12}},
        ),
        InputFile(Path("/x/lab.csv"), "lab.csv", lambda: "9c" * 32, 45, 0),
    )


def context(of: Plant | None = None, span: Period | None = None) -> PageContext:
    of = of or plant()
    return PageContext(
        plant=of,
        press=of.presses[0],
        period=span or period(of),
        covered_share=0.991,
        inputs=inputs(),
        findings=findings(),
        excluded=of.excludes,
        notes=("Filtrate is metered with the belt wash.",),
        lab=lab(),
    )


def quality_account(of: Plant | None = None) -> QualityAccount:
    """Return the account of the press's tags: one stuck, one with a gap and some of its time uncertain, the rest whole."""
    of = of or plant()
    tags = []
    for tag in of.presses[0].tags.values():
        whole = TagQuality(tag, Habit(tag.tag, tag.name, "sampled", 60.0, 0.0), 1.0, 1.0, 0.0, 40.0, 0, 0.0, 0.0, ())
        if tag.tag == HOSTILE_TAG:
            stuck = FaultTally("frozen", 1, 1860.0, 510.0)
            whole = replace(whole, share_good=0.958, share_good_moving=0.951, faults=(stuck,))
        if tag.name == "cake_solids":
            habit = Habit(tag.tag, tag.name, "changes", 75.0, 0.02)
            whole = replace(whole, habit=habit, share_good=0.985, gaps=2, gap_minutes=400.0, longest_gap_minutes=300.0)
        tags.append(whole)
    days = (
        DayQuality(date(2026, 3, 8), 23.0, 1.0, 1.0, HOSTILE_TAG),
        DayQuality(date(2026, 3, 12), 24.0, 0.94, 0.31, HOSTILE_TAG),
    )
    return QualityAccount(tuple(tags), findings(), 176.0, days)


def day_context(of: Plant | None = None) -> PageContext:
    of = of or plant()
    return context(of, day_period(of, BAD_DAY))


@cache
def review() -> PeriodReview:
    of = plant()
    frame = table().frame
    days = pd.Series(plant_days(of, frame.index), index=frame.index)
    pressing = frame[frame["phase"] == "pressing"]
    rows = []
    for day, part in pressing.groupby(days.reindex(pressing.index)):
        fed = part["feed_dry_solids_kg_h"].sum() / 60_000
        capture = part["capture_pct"].mean()
        dry = fed * capture / 100
        rows.append(
            {
                "day": day,
                "mode": "dewatering",
                "feed_volume_m3": part["feed_flow_m3_h"].sum() / 60,
                "feed_dry_solids_t": fed,
                "dry_cake_t": dry,
                "wet_cake_t": dry / part["cake_solids_pct"].mean() * 100,
                "capture_pct": capture,
                "cake_solids_pct": part["cake_solids_pct"].mean(),
                "polymer_dose_kg_t": part["polymer_dose_kg_t"].mean(),
                "solids_loading_kg_h_m": part["solids_loading_kg_h_m"].mean(),
                "hydraulic_loading_m3_h_m": part["hydraulic_loading_m3_h_m"].mean(),
                "belt_speed_ratio": part["belt_speed_ratio"].mean(),
                "press_hours": len(part) / 60,
                "run_hours": len(part) / 60 + 0.75,
            }
        )
    by_day = pd.DataFrame(rows)
    by_shift = by_day.assign(shift="day")[["day", "shift", *by_day.columns[1:]]]
    runs = by_day.drop(columns=["day"]).assign(
        run=[f"bfp-1-{d:%Y%m%d}T1415Z" for d in by_day["day"]],
        start_utc=[day_period(of, d).start_utc + pd.Timedelta(hours=7.25) for d in by_day["day"]],
        end_utc=[day_period(of, d).start_utc + pd.Timedelta(hours=16) for d in by_day["day"]],
        capture_method="filtrate_metered",
    )
    figures = _figures(by_day)
    return PeriodReview(
        figures=figures,
        by_mode={"dewatering": figures},
        by_day=by_day,
        by_shift=by_shift,
        runs=runs,
        costs=(
            CostLine("haul", 36_900.0, 302.4, "62 USD/t of wet cake"),
            CostLine("polymer", 4_010.0, 32.9, "4.10 USD/kg of active polymer"),
            CostLine("press_hour", 6_690.0, 54.8, "38 USD/h feeding"),
            CostLine("solids_return", 560.0, 4.6, "95 USD/t of dry solids sent back"),
            CostLine("water", 1_270.0, 10.4, "0.60 USD/m3"),
        ),
        missing_prices=("power",),
        capture_by_method={
            "filtrate_metered": Figure(95.9, "%", 95.2, 96.5, 10_560),
            "balance": Figure(95.1, "%", 93.2, 97.0, 10_560),
            "cake_weighed": Figure(None, "%", reason="the cake is not weighed on this press"),
        },
        notes=("Capture by metered filtrate and by water balance agree within their limits.",),
    )


def _figures(by_day: pd.DataFrame) -> dict[str, Figure]:
    total = by_day.sum(numeric_only=True)
    minutes = int(total["press_hours"] * 60)
    return {
        "feed_volume_m3": Figure(total["feed_volume_m3"], "m3", n=minutes, previous=5_210.0),
        "feed_dry_solids_t": Figure(
            total["feed_dry_solids_t"],
            "t",
            total["feed_dry_solids_t"] * 0.97,
            total["feed_dry_solids_t"] * 1.03,
            minutes,
            "feed flow times feed solids",
            134.0,
        ),
        "dry_cake_t": Figure(
            total["dry_cake_t"],
            "t",
            total["dry_cake_t"] * 0.97,
            total["dry_cake_t"] * 1.03,
            minutes,
            "",
            128.0,
        ),
        "wet_cake_t": Figure(
            total["wet_cake_t"],
            "t",
            total["wet_cake_t"] * 0.96,
            total["wet_cake_t"] * 1.04,
            minutes,
            "",
            640.0,
        ),
        "solids_returned_t": Figure(5.9, "t", 4.9, 6.9, minutes, "", 5.1),
        "polymer_kg": Figure(978.0, "kg", 950.0, 1_006.0, minutes, "", 990.0),
        "washwater_m3": Figure(2_112.0, "m3", n=minutes, previous=2_050.0),
        "energy_kwh": Figure(None, "kWh", reason="no power or energy meter is listed for this press"),
        "capture_pct": Figure(95.9, "%", 95.2, 96.5, minutes, "filtrate_metered", 96.4, Limit(low=95.0), True),
        "cake_solids_pct": Figure(
            20.1, "%", 19.8, 20.5, minutes, "cake meter, corrected by grabs", 20.6, Limit(low=19.0), True
        ),
        "thickened_solids_pct": Figure(None, "%", reason="the press did not thicken in this period"),
        "polymer_dose_kg_t": Figure(9.4, "kg/t", 9.1, 9.7, minutes, "", 6.9, Limit(high=9.0), False),
        "solids_loading_kg_h_m": Figure(338.0, "kg/h/m", 328.0, 348.0, minutes, "", 331.0, Limit(high=450.0), True),
        "hydraulic_loading_m3_h_m": Figure(13.0, "m3/h/m", 12.7, 13.3, minutes, "", 12.6, Limit(high=13.1), None),
        "belt_speed_ratio": Figure(1.95, "", n=minutes, previous=1.9),
        "press_hours": Figure(float(total["press_hours"]), "h", n=minutes, previous=168.0),
        "run_hours": Figure(float(total["run_hours"]), "h", n=minutes, previous=182.0),
        "press_days": Figure(float(len(by_day)), "d", n=len(by_day), previous=20.0),
        "cost_per_dry_t": Figure(405.1, "USD/t", 391.0, 419.0, minutes, "", 398.0),
        "washwater_m3_t": Figure(15.6, "m3/t", n=minutes, previous=15.3),
        "energy_kwh_t": Figure(None, "kWh/t", reason="no power or energy meter is listed for this press"),
    }


def account() -> DayAccount:
    at = pd.Timestamp
    bad = upsets()[1]
    return DayAccount(
        day=BAD_DAY,
        verdict="bad",
        answer="Bad cake day: 18.4 % against a usual 20.3 %.",
        cake_solids_pct=18.4,
        usual_cake_solids_pct=20.3,
        capture_pct=91.8,
        usual_capture_pct=95.9,
        compared_with=(
            ComparedDay(date(2026, 3, 11), "same weekday, feed solids within 0.1 point"),
            ComparedDay(date(2026, 3, 16), "nearest day at this loading"),
        ),
        changes=(
            Difference("polymer_dose_kg_t", 4.9, 7.1, 6.7, 7.6, -9.8),
            Difference("cake_solids_pct", 18.4, 20.3, 19.9, 20.8, -8.1),
            Difference("filtrate_tss_mg_l", 1180.0, 560.0, 480.0, 650.0, 7.2),
            Difference("capture_pct", 91.8, 95.9, 95.1, 96.6, -6.3),
            Difference("gravity_zone_depth_mm", 44.0, 34.0, 31.0, 37.0, 4.4),
            Difference("feed_solids_pct", 2.62, 2.58, 2.45, 2.75, 0.4),
            Difference("gravity_belt_speed_m_min", 6.02, 6.05, 5.2, 7.1, -0.1),
        ),
        timeline=(
            Move(at("2026-03-18T16:12Z"), "polymer_flow", "down", 760.0, "L/h"),
            Move(at("2026-03-18T16:14Z"), "gravity_zone_depth", "up", 14.0, "mm"),
            Move(at("2026-03-18T16:19Z"), "filtrate_solids", "up", 900.0, "mg/L"),
            Move(at("2026-03-18T16:21Z"), "cake_solids", "down", 2.9, "%"),
        ),
        contributions=(
            Contribution("polymer_loss", 1.5, 1.1, 1.9),
            Contribution("feed_thick", 0.1, -0.1, 0.3),
            Contribution("gravity_belt_fast", -0.05, -0.2, 0.1),
            Contribution("unexplained", 0.35, 0.0, 0.7),
        ),
        causes=bad.causes,
        checks=(
            "Draw the polymer pump down against a stopwatch.",
            ("Look for air in the polymer suction and a blocked strainer."),
            ("Take a cake and a filtrate grab and note the time."),
        ),
        notes=("The belt's own speed is read at the drive, so a slipping belt cannot be seen.",),
    )


def tuning() -> Tuning:
    speed = np.linspace(4.8, 7.4, 27)
    cake, capture, cost = (
        20.5 - 0.35 * (speed - 6.1) ** 2,
        96.0 - 0.3 * (speed - 5.8) ** 2,
        400 + 6.5 * (speed - 6.1) ** 2,
    )
    curve = pd.DataFrame({"gravity_belt_speed_m_min": speed})
    for name, values, half in (
        ("cake_solids_pct", cake, 0.25),
        ("capture_pct", capture, 0.4),
        ("cost_per_dry_t", cost, 3.0),
    ):
        spread = half * (1 + 0.5 * np.abs(speed - 6.1))
        curve[name], curve[f"{name}_low"], curve[f"{name}_high"] = values, values - spread, values + spread
    random = np.random.default_rng(5)
    ran = random.choice([5.1, 5.5, 6.0, 6.6, 7.1], 64)
    start = pd.Timestamp("2026-03-02T15:00Z") + pd.to_timedelta(np.sort(random.integers(0, 28 * 24, 64)), unit="h")
    blocks = pd.DataFrame(
        {
            "start_utc": start,
            "end_utc": start + pd.Timedelta(minutes=45),
            "gravity_belt_speed_m_min": ran,
            "cake_solids_pct": 20.5 - 0.35 * (ran - 6.1) ** 2 + random.normal(0, 0.35, 64),
            "capture_pct": 96.0 - 0.3 * (ran - 5.8) ** 2 + random.normal(0, 0.4, 64),
            "solids_loading_kg_h_m": random.normal(338, 20, 64),
        }
    )
    step_test = pd.DataFrame(
        {
            "step": range(1, 7),
            "gravity_belt_speed_m_min": [6.1, 5.3, 6.7, 5.7, 6.1, 6.9],
            "settle_min": 20,
            "hold_min": 30,
            "samples": "cake TS, filtrate TSS, feed TS at 20, 35 and 50 min",
        }
    )
    return Tuning(
        decision="window",
        reason=("both estimates agree and the least cost lies inside the speeds that were run"),
        recommended=Recommended(6.1, 5.7, 6.5, 1.97, 5.9, 6.3),
        curve=curve,
        now={
            "gravity_belt_speed_m_min": 6.8,
            "belt_speed_ratio": 2.19,
            "cake_solids_pct": 20.3,
            "capture_pct": 95.7,
            "cost_per_dry_t": 403.2,
        },
        gain=Gain(4_400.0, 900.0, 8_100.0, "USD/y"),
        identifiability=Identifiability(2.6, 0.62, 19, 21),
        step_test=step_test,
        blocks=blocks,
        changes=pd.DataFrame(
            {
                "time": start[:3],
                "speed_before_m_min": [5.5, 6.0, 6.6],
                "speed_after_m_min": [6.0, 6.6, 6.0],
                "cake_solids_change_pct": [0.2, -0.1, 0.15],
                "capture_change_pct": [0.1, -0.2, np.nan],
                "is_independent": [True, True, False],
                "moved": ["", "", "feed_flow_m3_h"],
            }
        ),
        by_loading=pd.DataFrame(
            {
                "solids_loading_kg_h_m": [300.0, 340.0, 380.0],
                "gravity_belt_speed_m_min": [5.8, 6.1, 6.5],
                "low": [5.4, 5.7, 6.0],
                "high": [6.2, 6.5, 6.9],
            }
        ),
        decided_by="cost",
        notes=("Days were resampled whole, 500 times, for the limits.",),
    )


def tuning_insufficient() -> Tuning:
    whole = tuning()
    return replace(
        whole,
        decision="insufficient",
        reason="the gravity belt speed moved by only 0.2 m/min once feed and load are taken out",
        recommended=None,
        curve=whole.curve.iloc[:0],
        gain=None,
        by_loading=pd.DataFrame(),
        notes=(),
    )
