"""Numbers no meter should send, through the commands: an answer or a plain sentence, and no library's warning on the way."""

import math
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from typed import Outcome

from trendkit.cli import run

PLANT = """
[plant]
name = "Awkward works"
timezone = "UTC"
[[press]]
name = "BFP-1"
belt_width = "2.0 m"
gravity_zone_length = "4.2 m"
pressure_zone_length = "11 m"
[press.filtrate]
meter = "with_wash"
[press.targets.dewatering]
capture = { min = "95 %" }
"""
ROLES = {
    "feed_flow": ("FEED", "m3/h", 20.0),
    "feed_solids": ("FSOL", "%", 2.5),
    "filtrate_flow": ("FILT", "m3/h", 22.0),
    "filtrate_solids": ("FTSS", "mg/L", 500.0),
    "cake_solids": ("CAKE", "%", 21.0),
    "polymer_flow": ("POLY", "L/h", 800.0),
    "polymer_strength": ("PSTR", "%", 0.25),
    "gravity_belt_speed": ("GBS", "m/min", 9.0),
    "pressure_belt_speed": ("PBS", "m/min", 4.0),
}
SPAN = ("--from", "2026-03-02", "--to", "2026-03-05")
CALLS = {
    "table": ("table", "--out", "figures.csv", *SPAN),
    "hourly": ("table", "--out", "hourly.csv", "--every", "1h", *SPAN),
    "upsets": ("upsets", "--out", "upsets.json", *SPAN),
    "quality": ("quality", "--out", "quality", *SPAN),
    "review": ("review", "--out", "review", *SPAN),
    "troubleshoot": ("troubleshoot", "--out", "day", "--day", "2026-03-03"),
    "tune": ("tune", "--out", "tune", *SPAN),
}


def readings(kind: str) -> pd.DataFrame:
    """Three days of minutes, pressed for eight hours a day, then spoilt as the kind says."""
    times = pd.date_range("2026-03-02", periods=3 * 1440, freq="1min")
    working = (times.hour >= 8) & (times.hour < 16)
    random = np.random.default_rng(5)
    made = {
        tag: np.where(working, level * random.normal(1.0, 0.02, len(times)), 0.0) for tag, _, level in ROLES.values()
    }
    frame = pd.DataFrame({"Time": times, **made})
    tags = list(made)
    if kind == "constant":
        frame[tags] = [level for _, _, level in ROLES.values()]
    elif kind == "zeros":
        frame[tags] = 0.0
    elif kind == "nan":
        frame[tags] = math.nan
    elif kind == "infinite":
        frame.loc[::3, tags] = math.inf
        frame.loc[1::7, tags] = -math.inf
    elif kind == "huge":
        frame.loc[::5, tags] = 1e308
    elif kind == "one row":
        return frame.iloc[600:601]
    return frame


def typed(
    kind: str, command: str, folder: Path, patch: pytest.MonkeyPatch, heard: pytest.CaptureFixture[str]
) -> Outcome:
    text = PLANT + "".join(
        f'[press.tags.{role}]\ntag = "{tag}"\nunit = "{unit}"\nkind = "analog"\n'
        for role, (tag, unit, _) in ROLES.items()
    ).replace('unit = "m/min"\n', 'unit = "m/min"\nmeasured_by = "drive"\n')
    (folder / "plant.toml").write_text(text, encoding="utf-8")
    frame = readings(kind)
    columns = {name: pa.array(frame[name].to_numpy(), pa.float32(), from_pandas=False) for name in frame.columns[1:]}
    pq.write_table(
        pa.table({"Time": pa.array(frame["Time"], pa.timestamp("us")), **columns}), folder / "export.parquet"
    )
    patch.chdir(folder)
    with warnings.catch_warnings():  # one that would reach the user's screen ends the command as something unforeseen
        for kind_of_warning in (RuntimeWarning, FutureWarning, UserWarning):
            warnings.simplefilter("error", kind_of_warning)
        code = run([*CALLS[command], "--plant", "plant.toml", "export.parquet"])
    return Outcome(code, *heard.readouterr())


@pytest.mark.parametrize(
    ("kind", "command"),
    [("plain", "tune"), ("constant", "review"), ("constant", "hourly"), ("zeros", "review"), ("zeros", "tune"), ("zeros", "troubleshoot"),
     ("nan", "review"), ("nan", "quality"), ("infinite", "upsets"), ("infinite", "table"), ("infinite", "review"), ("huge", "review"), ("huge", "upsets"),
     ("one row", "review"), ("one row", "table"), ("one row", "quality")],
)  # fmt: skip
def test_awkward_numbers_end_in_an_answer_or_a_sentence(
    kind: str, command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    done = typed(kind, command, tmp_path, monkeypatch, capsys)
    assert done.code in (0, 2), done.complained
    for leaked in ("Warning", "Traceback", "site-packages", ".py:", "unforeseen"):
        assert leaked not in done.complained + done.said
    if done.code == 2:
        assert "To do:" in done.complained
    for path in tmp_path.rglob("*.json"):
        text = path.read_text(encoding="utf-8")
        assert "NaN" not in text and "Infinity" not in text


def test_float32_readings_give_the_means_they_hold(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    done = typed("plain", "table", tmp_path, monkeypatch, capsys)
    assert done.code == 0, done.complained
    table = pd.read_csv(tmp_path / "figures.csv", low_memory=False)
    frame = readings("plain")
    held = frame["FEED"].to_numpy().astype(np.float32).astype(float)
    both = 0.5 * (held[:-1] + held[1:])  # straight lines from sample to sample
    found = table["feed_flow_m3_h"].to_numpy()[: len(both)]
    at_work = (frame["Time"].dt.hour[:-1] >= 9).to_numpy() & (frame["Time"].dt.hour[:-1] < 15).to_numpy()
    assert found[at_work] == pytest.approx(both[at_work], rel=1e-6)
