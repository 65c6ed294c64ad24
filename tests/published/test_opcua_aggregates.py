"""Aggregates against the published tables of OPC UA Part 13 (IEC 62541-13), Annex A.

Source of `opcua/raw.csv` and `opcua/expected.csv`: the example file of OPC UA Part 13 Annex A, release
1.05.02, with its five records "Historian1" to "Historian5". Requests run from 12:00:00 to 12:01:40.
Where a printed row departs from the definition in the text, it is listed in `DEPARTURES` with the reason and
what the definition gives instead; every other row of the ten aggregates is asserted.
"""

import csv
from pathlib import Path

import numpy as np
import pytest

from trendkit.exports.block import BAD, GOOD, UNCERTAIN
from trendkit.series import aggregates
from trendkit.series.aggregates import History
from trendkit.series.segments import Bins
from trendkit.series.signal import Holding, Samples
from trendkit.series.tracks import Track

FOLDER = Path(__file__).parent / "opcua"
NOON_S = 12 * 3600
WORDS = {"true": 1.0, "false": 0.0, "": np.nan}

# With every uncertain value bad and the limit for bad data at 100 %, the file blanks these intervals although
# good time is left; release 1.04 printed 30 for 12:00:40, which is what the definition gives.
SUPPRESSED = {("TimeAverage2", "Historian2", start) for start in ("12:00:40", "12:01:15", "12:01:30")}
# The only raw value of the interval is bad: the file leaves the count blank where the definition gives 0.
BLANK_COUNT = {("Count", "Historian1", "12:00:32")}
DEPARTURES = SUPPRESSED | BLANK_COUNT


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
    for row in rows:
        if (aggregate, historian, row["interval_start"]) in DEPARTURES:
            continue
        value = got[round(seconds(row["interval_start"]) * 1e6) // bins.every_us]
        if row["value"] == "":
            is_empty = np.isnan(value) or (aggregate == "Count" and value == 0)
            assert is_empty, f"{row['interval_start']}: {value} where the table has none"
        else:
            assert value == pytest.approx(float(row["value"]), abs=6e-4), row["interval_start"]


def test_rows_that_depart_give_what_the_definition_says() -> None:
    """The suppressed means, by hand: the value before the bad one held; the count of no good value is 0."""
    means = aggregates.time_average_of_good(history("Historian2"), intervals("5000"))
    assert means[[8, 15, 18]] == pytest.approx([30.0, 60.0, 90.0])
    assert aggregates.count(history("Historian1"), intervals("16000"))[2] == 0


@pytest.mark.parametrize("historian", ["Historian1", "Historian2", "Historian3", "Historian5"])
@pytest.mark.parametrize("batch", [1, 2, 5, 99])
def test_the_grids_own_bins_are_the_printed_time_average_of_good_data(historian: str, batch: int) -> None:
    """The same table from the code that fills the grid, its rows fed in batches of any size."""
    record, bins = history(historian), intervals("5000")
    track = Track(bins, Holding("held" if record.is_stepped else "sloped", np.inf, np.inf))
    everything = Samples(record.time_us, np.where(record.is_usable, record.values, np.nan), record.is_usable)
    for first in range(0, len(record.time_us), batch):
        track.add(everything.chosen(slice(first, first + batch)))
    track.close(95_000_000)
    rows = [r for r in read("expected.csv") if (r["aggregate"], r["historian"]) == ("TimeAverage2", historian)]
    for row in rows:
        place = round(seconds(row["interval_start"])) // 5
        if ("TimeAverage2", historian, row["interval_start"]) in DEPARTURES:
            continue
        if row["value"] == "":
            assert track.good_s[place] == 0.0
        else:
            assert track.sloped[place] / track.good_s[place] == pytest.approx(float(row["value"]), abs=6e-4)


def test_every_row_but_the_listed_ones_is_compared() -> None:
    rows = read("expected.csv")
    assert len(rows) == 516
    assert sum((r["aggregate"], r["historian"], r["interval_start"]) in DEPARTURES for r in rows) == 4
