"""Aggregates against the published tables of OPC UA Part 13 (IEC 62541-13), Annex A.

Source of `opcua/raw.csv` and `opcua/expected.csv`: the example file of OPC UA Part 13 Annex A, release
1.05.02, with its five records "Historian1" to "Historian5". Requests run from 12:00:00 to 12:01:40.
Every row of the ten aggregates is asserted. All requests have a limit of 100 % bad data: an interval that is bad
throughout is printed blank, of time-weighted results by time, of counts by raw values.
"""

import csv
from pathlib import Path

import numpy as np
import opcua_aggregates as aggregates
import pytest
from opcua_aggregates import History

from trendkit.exports.block import BAD, GOOD, UNCERTAIN
from trendkit.series.segments import Bins
from trendkit.series.signal import Holding, Observations
from trendkit.series.tracks import Track

FOLDER = Path(__file__).parent / "opcua"
NOON_S = 12 * 3600
WORDS = {"true": 1.0, "false": 0.0, "": np.nan}

BLANKED_BY = {"TimeAverage2": aggregates.is_bad_by_time, "Count": aggregates.is_bad_by_count}
# What the means would be without that rule; release 1.04 printed the first of them.
SUPPRESSED = ("12:00:40", "12:01:15", "12:01:30")


def seconds(clock: str) -> float:
    hours, minutes, rest = clock.split(":")
    return int(hours) * 3600 + int(minutes) * 60 + float(rest) - NOON_S


def read(name: str) -> list[dict[str, str]]:
    with (FOLDER / name).open(newline="") as file:
        return list(csv.DictReader(file))


def history(historian: str) -> History:
    rows = [row for row in read("raw.csv") if row["historian"] == historian]
    status = [UNCERTAIN if row["status"] == "Uncertain" else BAD if "Bad" in row["status"] else GOOD for row in rows]
    return History(
        np.array([round(seconds(row["timestamp"]) * 1e6) for row in rows]),
        np.array([WORDS.get(row["value"], 0.0) if row["value"] in WORDS else float(row["value"]) for row in rows]),
        np.array(status, np.uint8),
        rows[0]["stepped"] == "true",
        rows[0]["treat_uncertain_as_bad"] == "true",
        rows[0]["use_sloped_extrapolation"] == "true",
    )


def intervals(length_ms: str) -> Bins:
    return Bins(0, int(length_ms) * 1000, -(-100_000 // int(length_ms)))


def interpolated(record: History, bins: Bins) -> np.ndarray:
    return aggregates.interpolated(record, bins.start_us + bins.every_us * np.arange(bins.count))


def milliseconds_good(record: History, bins: Bins) -> np.ndarray:
    return aggregates.duration(record, bins, GOOD) * 1000.0


def milliseconds_bad(record: History, bins: Bins) -> np.ndarray:
    return aggregates.duration(record, bins, BAD) * 1000.0


COMPUTED = {
    "Interpolative": interpolated,
    "TimeAverage": aggregates.time_average,
    "TimeAverage2": aggregates.time_average_of_good,
    "Total": aggregates.total,
    "Count": aggregates.count,
    "Minimum": aggregates.minimum,
    "Maximum": aggregates.maximum,
    "DurationGood": milliseconds_good,
    "DurationBad": milliseconds_bad,
    "PercentGood": aggregates.percent_good,
}
TABLES = sorted({(row["aggregate"], row["historian"]) for row in read("expected.csv")})


@pytest.mark.parametrize(("aggregate", "historian"), TABLES)
def test_the_printed_table_is_reproduced(aggregate: str, historian: str) -> None:
    rows = [r for r in read("expected.csv") if (r["aggregate"], r["historian"]) == (aggregate, historian)]
    bins = intervals(rows[0]["processing_interval_ms"])
    got = COMPUTED[aggregate](history(historian), bins)
    if aggregate in BLANKED_BY:
        got = np.where(BLANKED_BY[aggregate](history(historian), bins), np.nan, got)
    for row in rows:
        value = got[round(seconds(row["interval_start"]) * 1e6) // bins.every_us]
        if row["value"] == "":
            assert np.isnan(value), f"{row['interval_start']}: {value} where the table has none"
        else:
            assert value == pytest.approx(float(row["value"]), abs=6e-4), row["interval_start"]


def test_the_blanked_means_are_what_good_time_alone_gives() -> None:
    """By hand: the value before the bad one held. Historian 2 counts uncertain values as bad, so these are printed blank."""
    means = aggregates.time_average_of_good(history("Historian2"), intervals("5000"))
    assert means[[8, 15, 18]] == pytest.approx([30.0, 60.0, 90.0])
    blanked = aggregates.is_bad_by_time(history("Historian2"), intervals("5000"))
    assert [place for place in np.flatnonzero(blanked & np.isfinite(means))] == [8, 15, 18]


@pytest.mark.parametrize("historian", ["Historian1", "Historian2", "Historian3", "Historian5"])
@pytest.mark.parametrize("batch", [1, 2, 5, 99])
def test_the_grids_own_bins_are_the_printed_time_average_of_good_data(historian: str, batch: int) -> None:
    """The same table from the code that fills the grid, its rows fed in batches of any size."""
    record, bins = history(historian), intervals("5000")
    track = Track(bins, Holding("held" if record.is_stepped else "sloped", np.inf, np.inf))
    everything = Observations(record.time_us, np.where(record.is_usable, record.values, np.nan), record.is_usable)
    for first in range(0, len(record.time_us), batch):
        track.add(everything.chosen(slice(first, first + batch)))
    track.close(95_000_000)
    rows = [r for r in read("expected.csv") if (r["aggregate"], r["historian"]) == ("TimeAverage2", historian)]
    for row in rows:
        place = round(seconds(row["interval_start"])) // 5
        if historian == "Historian2" and row["interval_start"] in SUPPRESSED:
            continue  # the grid shows such a mean; the share of good time beside it says what it rests on
        if row["value"] == "":
            assert track.good_s[place] == 0.0
        else:
            assert track.sloped[place] / track.good_s[place] == pytest.approx(float(row["value"]), abs=6e-4)


def test_every_row_of_the_tables_is_compared() -> None:
    assert len(read("expected.csv")) == 516
    assert set(COMPUTED) == {row["aggregate"] for row in read("expected.csv")}
