"""From files to the grid of a press, with a made-up reader in place of real files."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from trendkit import exports as exports_room
from trendkit.errors import InputError
from trendkit.exports.block import BAD, Block, ReadLog
from trendkit.plant.model import Change, Fixed, Plant, Press, Tag
from trendkit.series import PressGrid, build_grids
from trendkit.series.sharing import share_of

DAY = pd.Timestamp("2026-03-02", tz="UTC")
HOURS = 6
SECONDS = np.arange(0, HOURS * 3600, 10)
IS_RUNNING = (SECONDS >= 3600) & (SECONDS < 5 * 3600)


@dataclass(frozen=True)
class FakeExport:
    file: str
    blocks: tuple[Block, ...]
    path: Path = Path("made-up.csv")
    sha256: str = "0" * 64
    notes: tuple[str, ...] = ("wide, comma",)
    start_utc: pd.Timestamp | None = None

    @property
    def tags(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(name for block in self.blocks for name in (*block.values, *block.texts)))


def fake_read(
    export: FakeExport, plant: Plant, wanted: dict[str, Tag], log: ReadLog, *period_and_ahead: Any
) -> Iterator[Block]:
    for block in export.blocks:
        log.rows += len(block.time_us)
        yield Block(
            block.time_us,
            {name: column for name, column in block.values.items() if name in wanted},
            block.quality,
            {name: column for name, column in block.texts.items() if name in wanted},
        )


@pytest.fixture(autouse=True)
def _made_up_reader(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(exports_room, "read_blocks", fake_read)
    monkeypatch.setattr(exports_room, "input_file", lambda export, log: (export.file, log.rows))


def times(seconds: np.ndarray) -> np.ndarray:
    return int(DAY.timestamp()) * 1_000_000 + seconds.astype(np.int64) * 1_000_000


def wide(
    seconds: np.ndarray = SECONDS, texts: dict[str, Any] | None = None, quality: Any = None, **columns: Any
) -> Block:
    values = {name: np.asarray(column, float) for name, column in columns.items()}
    return Block(times(seconds), values, quality or {}, {k: np.asarray(v, object) for k, v in (texts or {}).items()})


def tag(name: str, column: str, kind: str = "analog", **more: Any) -> Tag:
    return Tag(name, more.pop("tag", name.upper()), column, more.pop("unit", "gal/min"), "m3/h", kind, **more)  # type: ignore[arg-type]


FEED = tag("feed_flow", "feed_flow_m3_h", factor=0.22712, range=(0.0, 250.0))
RUNNING = tag("running", "running", "state")


@dataclass
class Site:
    presses: list[Press] = field(default_factory=list)

    @property
    def plant(self) -> Plant:
        return Plant("Invented works", "America/Denver", tuple(self.presses), Path("plant.toml"), "0")


def press(*tags: Tag, slug: str = "bfp-1", width: float = 2.0, **more: Any) -> Press:
    return Press(slug.upper(), slug, width, 4.0, 11.0, 2.0, tags={each.name: each for each in tags}, **more)


def grid_of(
    exports: list[FakeExport], one: Press, start: Any = DAY, hours: float = HOURS, every_s: int = 60
) -> PressGrid:
    end = None if start is None else start + pd.Timedelta(hours=hours)
    grids, _ = build_grids(exports, Site([one]).plant, [one], start, end, every_s)  # type: ignore[arg-type]
    return grids[one.slug]


NOISE = np.random.default_rng(1).normal(size=len(SECONDS))
FEED_READINGS = np.where(IS_RUNNING, 150 + 3 * NOISE, 0.0)
ON_OFF = np.where(IS_RUNNING, "RUN", "STOP")


def test_a_flow_in_gallons_comes_out_in_cubic_metres_with_its_good_share() -> None:
    grid = grid_of(
        [FakeExport("a.csv", (wide(FEED_FLOW=FEED_READINGS, texts={"RUNNING": ON_OFF}),))],
        press(FEED, RUNNING),
    )
    assert grid.roles.index.name == "time"
    assert str(grid.roles.index.tz) == "UTC"
    assert len(grid.roles) == HOURS * 60
    assert grid.roles["feed_flow_m3_h"].iloc[70:290].mean() == pytest.approx(150 * 0.22712, rel=0.01)
    assert grid.roles["running"].sum() == 240
    assert (grid.good_share("feed_flow_m3_h") == 1.0).all()
    assert grid.basis == {"feed_flow_m3_h": "metered", "running": "metered"}


def test_no_line_is_drawn_across_a_start_between_sparse_samples() -> None:
    """Sampled every 5 min at :02, :07 ...; started at 01:00, stopped at 05:00."""
    sparse = SECONDS % 300 == 120
    feed = np.where(sparse, FEED_READINGS, np.nan)
    grid = grid_of([FakeExport("a.csv", (wide(FEED_FLOW=feed, texts={"RUNNING": ON_OFF}),))], press(FEED, RUNNING))
    column = grid.roles["feed_flow_m3_h"]
    assert column.iloc[57:60].to_numpy() == pytest.approx(0.0, abs=1e-5)
    assert column.iloc[60:62].isna().all()
    assert (column.iloc[62:297] > 30).all()
    assert (column.iloc[297:300] > 30).all()
    assert column.iloc[300:302].isna().all()


def test_a_scale_with_a_bend_is_applied_before_averaging() -> None:
    """Half of each minute at 0, half at 60 Hz: 0 and 12 m/min, mean 6, though the scale gives 10 at 30 Hz."""
    bent = tag("gravity_belt_speed", "gravity_belt_speed_m_min", unit="Hz", scale=((0, 0), (30, 10), (60, 12)))
    readings = np.where(SECONDS % 60 < 30, 0.0, 60.0)
    held = [FakeExport("a.csv", (wide(GRAVITY_BELT_SPEED=readings),))]
    column = grid_of(held, press(bent)).roles["gravity_belt_speed_m_min"]
    assert column.iloc[1:-1].to_numpy() == pytest.approx(6.0)


def test_a_totaliser_becomes_the_hourly_rate_of_its_column() -> None:
    total = tag("feed_flow", "feed_flow_m3_h", "counter", unit="m3", factor=1.0, is_counter_of_rate=True)
    grid = grid_of([FakeExport("a.csv", (wide(FEED_FLOW=1000 + SECONDS * 36.0 / 3600),))], press(total))
    assert grid.roles["feed_flow_m3_h"].iloc[5:-5].to_numpy() == pytest.approx(36.0)
    assert grid.basis["feed_flow_m3_h"] == "counter"


def test_an_energy_counter_gives_the_amount_within_each_bin() -> None:
    energy = tag("energy", "energy_kwh", "counter", unit="kWh")
    grid = grid_of([FakeExport("a.csv", (wide(ENERGY=1000 + SECONDS * 30.0 / 3600),))], press(energy))
    assert grid.roles["energy_kwh"].iloc[5:-5].to_numpy() == pytest.approx(0.5)


def test_a_fixed_role_says_assumed_and_follows_its_dated_change() -> None:
    later = Change(
        DAY + pd.Timedelta(hours=3),
        "new batch",
        {"fixed": {"polymer_strength": Fixed("polymer_strength", 0.3)}},
    )
    one = press(FEED, fixed={"polymer_strength": Fixed("polymer_strength", 0.25)}, changes=(later,))
    grid = grid_of([FakeExport("a.csv", (wide(FEED_FLOW=FEED_READINGS),))], one)
    assert grid.roles["polymer_strength_pct"].iloc[[0, 179, 180]].tolist() == [0.25, 0.25, 0.3]
    assert grid.basis["polymer_strength_pct"] == "assumed"
    assert (grid.good_share("polymer_strength_pct") == 1.0).all()


def test_a_dated_change_of_a_meters_span_counts_from_its_day() -> None:
    later = Change(
        DAY + pd.Timedelta(hours=3),
        "re-spanned",
        {"tags": {"feed_flow": tag("feed_flow", "feed_flow_m3_h", factor=2.0)}},
    )
    one = press(tag("feed_flow", "feed_flow_m3_h", factor=1.0), changes=(later,))
    grid = grid_of([FakeExport("a.csv", (wide(FEED_FLOW=np.full(len(SECONDS), 10.0)),))], one)
    assert grid.roles["feed_flow_m3_h"].iloc[[0, 179, 180, 300]].tolist() == [10.0, 10.0, 20.0, 20.0]


def test_a_common_meter_is_split_by_the_width_that_runs_and_the_shares_add_up() -> None:
    shared = tag(
        "washwater_flow",
        "washwater_flow_m3_h",
        tag="WASH",
        factor=1.0,
        split_among=("bfp-1", "bfp-2"),
        split="by_running_width",
    )
    one = press(FEED, tag("running", "running", "state", tag="R1"), shared)
    two = press(
        tag("feed_flow", "feed_flow_m3_h", tag="F2"),
        tag("running", "running", "state", tag="R2"),
        shared,
        slug="bfp-2",
        width=1.0,
    )
    first = np.where(SECONDS < 4 * 3600, "ON", "OFF")
    second = np.where(SECONDS >= 2 * 3600, "ON", "OFF")
    block = wide(
        FEED_FLOW=FEED_READINGS,
        F2=FEED_READINGS,
        WASH=np.full(len(SECONDS), 9.0),
        texts={"R1": first, "R2": second},
    )
    grids, _ = build_grids(
        [FakeExport("a.csv", (block,))], Site([one, two]).plant, [one, two], DAY, DAY + pd.Timedelta(hours=6)
    )  # type: ignore[list-item]
    mine, other = (grids[slug].roles["washwater_flow_m3_h"] for slug in ("bfp-1", "bfp-2"))
    assert mine.iloc[[30, 180, 330]].tolist() == pytest.approx([9.0, 6.0, 0.0])
    assert (mine + other).to_numpy() == pytest.approx(9.0)
    assert grids["bfp-1"].basis["washwater_flow_m3_h"] == "split"
    alone = build_grids(
        [FakeExport("a.csv", (block,))], Site([one, two]).plant, [one], DAY, DAY + pd.Timedelta(hours=6)
    )[0]  # type: ignore[list-item]
    pd.testing.assert_series_equal(alone["bfp-1"].roles["washwater_flow_m3_h"], mine)


def test_a_common_meter_is_split_by_feed_only_where_every_moving_presss_feed_is_known() -> None:
    shared = tag("washwater_flow", "washwater_flow_m3_h", split_among=("bfp-1", "bfp-2"), split="by_feed")
    presses = [press(FEED, RUNNING, shared), press(FEED, RUNNING, shared, slug="bfp-2", width=1.0)]
    times = pd.date_range(DAY, periods=5, freq="1min", name="time")
    running, feeds = [[1, 1, 1, 1, 0], [1, 1, 1, 0, 0]], [[30, 30, 0, 30, 0], [10, np.nan, 0, np.nan, np.nan]]
    grids = {
        each.slug: pd.DataFrame({"running": moves, "feed_flow_m3_h": np.array(fed, float)}, index=times)
        for each, moves, fed in zip(presses, running, feeds, strict=True)
    }
    first, second = (share_of(each, shared, presses, grids) for each in presses)
    # by feed; widths (2 m and 1 m) where the second's feed is unknown, and where nothing is fed; alone; both stand
    assert first.tolist() == pytest.approx([0.75, 2 / 3, 2 / 3, 1.0, 2 / 3])
    assert (first + second).tolist() == pytest.approx([1.0] * 5)


def test_a_common_meter_reads_the_same_for_a_press_whichever_others_are_asked_for() -> None:
    """Sampled every 5 min; the first press starts at 01:00, the second never stops: only the first loses minutes."""
    shared = tag("washwater_flow", "washwater_flow_m3_h", tag="WASH", factor=1.0)
    one = press(FEED, tag("running", "running", "state", tag="R1"), shared)
    fed = tag("feed_flow", "feed_flow_m3_h", tag="F2")
    two = press(fed, tag("running", "running", "state", tag="R2"), shared, slug="bfp-2")
    wash = np.where(SECONDS % 300 == 120, 9.0 + np.sin(SECONDS / 600.0), np.nan)
    texts = {"R1": ON_OFF, "R2": np.full(len(SECONDS), "RUN")}
    export = FakeExport("a.csv", (wide(FEED_FLOW=FEED_READINGS, F2=FEED_READINGS, WASH=wash, texts=texts),))
    plant, end = Site([one, two]).plant, DAY + pd.Timedelta(hours=HOURS)
    read = [build_grids([export], plant, asked, DAY, end)[0] for asked in ([one, two], [two, one], [two], [one])]  # type: ignore[list-item]
    for slug in ("bfp-1", "bfp-2"):
        columns = [grids[slug].roles["washwater_flow_m3_h"] for grids in read if slug in grids]
        for other in columns[1:]:
            pd.testing.assert_series_equal(other, columns[0])
    assert read[0]["bfp-1"].roles["washwater_flow_m3_h"].isna().sum() > 2  # after its start and its stop
    assert read[0]["bfp-2"].roles["washwater_flow_m3_h"].isna().sum() <= 2  # before the first sample


def test_wide_and_long_records_give_the_same_grid() -> None:
    block = wide(FEED_FLOW=FEED_READINGS, texts={"RUNNING": ON_OFF})
    long = [
        Block(block.time_us[part], {"FEED_FLOW": block.values["FEED_FLOW"][part]})
        for part in np.array_split(np.arange(len(SECONDS)), 3)
    ] + [Block(block.time_us, {}, {}, {"RUNNING": block.texts["RUNNING"]})]
    one = press(FEED, RUNNING)
    pd.testing.assert_frame_equal(
        grid_of([FakeExport("w.csv", (block,))], one).roles,
        grid_of([FakeExport("l.csv", tuple(long))], one).roles,
    )


def test_values_do_not_depend_on_the_window() -> None:
    export = FakeExport("a.csv", (wide(FEED_FLOW=FEED_READINGS, texts={"RUNNING": ON_OFF}),))
    one = press(FEED, RUNNING)
    whole = grid_of([export], one)
    part = grid_of([export], one, DAY + pd.Timedelta(hours=2), 1.0)
    pd.testing.assert_frame_equal(part.roles, whole.roles.iloc[120:180], check_freq=False)
    open_ended = grid_of([export], one, None)
    pd.testing.assert_frame_equal(open_ended.roles, whole.roles, check_freq=False)


def test_a_gap_a_bad_stretch_and_readings_out_of_range_are_found_once_each() -> None:
    feed = FEED_READINGS.copy()
    codes = np.zeros(len(SECONDS), np.uint8)
    feed[(SECONDS >= 7200) & (SECONDS < 9000)] = np.nan
    codes[(SECONDS >= 10_000) & (SECONDS < 11_000)] = BAD
    feed[(SECONDS >= 12_000) & (SECONDS < 12_200)] = 400.0
    block = wide(FEED_FLOW=feed, texts={"RUNNING": ON_OFF}, quality={"FEED_FLOW": codes})
    found = {each.fault: each for each in grid_of([FakeExport("a.csv", (block,))], press(FEED, RUNNING)).findings}
    assert set(found) == {"gap", "bad_quality", "out_of_range"}
    assert found["gap"].start_utc == DAY + pd.Timedelta(hours=2)
    assert found["gap"].end_utc == DAY + pd.Timedelta(hours=2.5)
    assert "left out of 30 minutes of feed_flow" in found["gap"].effect
    assert found["bad_quality"].count == 100
    assert found["out_of_range"].count == 20
    assert "400" in found["out_of_range"].evidence


def test_one_silence_of_every_tag_is_one_finding() -> None:
    awake = (SECONDS < 7200) | (SECONDS >= 10_800)
    block = wide(SECONDS[awake], FEED_FLOW=FEED_READINGS[awake], texts={"RUNNING": ON_OFF[awake]})
    findings = grid_of([FakeExport("a.csv", (block,))], press(FEED, RUNNING)).findings
    assert [(each.tag, each.fault, each.role) for each in findings] == [("all tags", "gap", None)]


def test_a_period_without_rows_is_refused_and_says_what_the_files_hold() -> None:
    export = FakeExport("a.csv", (wide(FEED_FLOW=FEED_READINGS),))
    with pytest.raises(InputError, match=r"no row of the files falls in the period.*2026-03-02 00:00"):
        grid_of([export], press(FEED), DAY + pd.Timedelta(days=40))


def test_a_press_none_of_whose_tags_is_in_the_files_is_refused() -> None:
    export = FakeExport("a.csv", (wide(OTHER=FEED_READINGS),))
    with pytest.raises(InputError, match=r"none of the tags of BFP-1.*found OTHER; expected FEED_FLOW"):
        grid_of([export], press(FEED))


def test_a_tag_absent_from_the_files_leaves_its_column_empty_and_a_note() -> None:
    export = FakeExport("a.csv", (wide(FEED_FLOW=FEED_READINGS),))
    grid = grid_of([export], press(FEED, RUNNING))
    assert grid.roles["running"].isna().all()
    assert any("RUNNING (running) has no value in the files" in note for note in grid.notes)


def test_words_stay_words_and_an_unknown_state_is_none() -> None:
    mode = tag("mode", "mode", "state")
    words = np.where(SECONDS < 7200, "DEWATER", np.where(SECONDS < 14_400, "Bad", "thickening"))
    grid = grid_of([FakeExport("a.csv", (wide(FEED_FLOW=FEED_READINGS, texts={"MODE": words}),))], press(FEED, mode))
    assert grid.roles["mode"].iloc[[0, 150, 300]].tolist() == ["dewatering", None, "thickening"]
    assert any("'Bad' (720)" in note for note in grid.notes)
