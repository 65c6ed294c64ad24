"""The main job as a newcomer runs it: files appear whole, say what they should, and never depend on the window."""

import json
import re
from pathlib import Path

import pandas as pd
import pytest
from typed import type_command

PAGES = ("review", "troubleshoot", "tune")
COMMON = {
    "command", "trendkit_version", "press", "period", "inputs", "data_quality", "excluded", "cautions",
}  # fmt: skip


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("demo")
    outcome = type_command("demo", "--out", out)
    assert outcome.code == 0, outcome.complained
    for press in ("bfp-1", "bfp-2"):
        for page in PAGES:
            assert str(out / press / f"{page}.html") in outcome.said
    return out


@pytest.mark.parametrize("press", ["bfp-1", "bfp-2"])
@pytest.mark.parametrize("page", PAGES)
def test_a_page_is_whole_small_and_fetches_nothing(demo: Path, press: str, page: str) -> None:
    html = (demo / press / f"{page}.html").read_text(encoding="utf-8")
    assert len(html.encode()) <= 3_000_000
    assert html.rstrip().endswith("</html>")
    assert "Content-Security-Policy" in html
    addresses = set(re.findall(r"https?://[^\s\"'<)]+", html))
    assert addresses <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}


@pytest.mark.parametrize("press", ["bfp-1", "bfp-2"])
@pytest.mark.parametrize("page", PAGES)
def test_the_json_beside_a_page_has_the_contracts_keys(demo: Path, press: str, page: str) -> None:
    document = json.loads((demo / press / f"{page}.json").read_text(encoding="utf-8"))
    assert set(document) >= COMMON
    assert document["command"] == page
    assert "NaN" not in (demo / press / f"{page}.json").read_text(encoding="utf-8")
    assert all(len(each["sha256"]) == 64 for each in document["inputs"])


def test_the_bad_day_is_told_with_its_cause(demo: Path) -> None:
    """The sample's bad day is known: the polymer solution falls to two thirds of its strength at 08:15."""
    day = json.loads((demo / "bfp-1" / "troubleshoot.json").read_text(encoding="utf-8"))
    assert day["verdict"] == "bad"
    assert day["causes"][0]["cause"] == "polymer_weak"
    assert day["timeline"][0]["role"] == "polymer_strength"


def test_the_frozen_meter_is_found(demo: Path) -> None:
    """The sample's feed solids meter stands still from 12 March 15:06 UTC to the next day."""
    review = json.loads((demo / "bfp-1" / "review.json").read_text(encoding="utf-8"))
    frozen = [row for row in review["data_quality"] if row["fault"] == "frozen" and row["role"] == "feed_solids"]
    assert frozen
    assert frozen[0]["start"].startswith("2026-03-12")


def test_the_tuning_answer_holds_the_true_best_speed(demo: Path) -> None:
    truth = json.loads((Path(__file__).parents[1] / "data" / "sample_truth" / "tuning.json").read_text())
    best = {each["press"]: each["best_gravity_belt_speed_m_min"] for each in truth["presses"]}
    for press in ("bfp-1", "bfp-2"):
        answer = json.loads((demo / press / "tune.json").read_text(encoding="utf-8"))
        assert answer["decision"] in ("window", "flat")
        assert answer["recommended"]["low"] <= best[press] <= answer["recommended"]["high"]


def test_the_months_figures_hold_the_truth(demo: Path) -> None:
    """March on press 1: the simulator's own balance lies inside the printed 95 % limits."""
    review = json.loads((demo / "bfp-1" / "review.json").read_text(encoding="utf-8"))["figures"]
    truth = pd.read_parquet(Path(__file__).parents[1] / "data" / "sample_truth" / "series.parquet")
    truth = truth[(truth["press"] == "bfp-1") & (truth["mode"] == "dewatering") & (truth["phase"] == "pressing")]
    march = truth[(truth["time"] >= "2026-03-01T07:00Z") & (truth["time"] < "2026-04-01T06:00Z")]
    cake = 100 * march["dry_cake_kg_h"].sum() / march["wet_cake_kg_h"].sum()
    loading = march["feed_dry_solids_kg_h"].mean() / 2.0
    for name, true in (("cake_solids_pct", cake), ("solids_loading_kg_h_m", loading)):
        assert review[name]["low"] <= true <= review[name]["high"], name


def table_between(plant_folder: Path, out: Path, first: str, last: str) -> pd.DataFrame:
    outcome = type_command(
        "table", "--plant", plant_folder / "plant.toml", "--from", first, "--to", last, "--out", out,
        plant_folder / "exports", plant_folder / "lab.csv",
    )  # fmt: skip
    assert outcome.code == 0, outcome.complained
    return pd.read_parquet(out)


def test_values_do_not_depend_on_the_window(plant_folder: Path, tmp_path: Path) -> None:
    whole = table_between(plant_folder, tmp_path / "a.parquet", "2026-02-03", "2026-02-09")
    part = table_between(plant_folder, tmp_path / "b.parquet", "2026-02-05", "2026-02-07")
    inside = whole[whole["time"].isin(part["time"])].reset_index(drop=True)
    for column in ("solids_loading_kg_h_m_rolling", "polymer_dose_kg_t_rolling", "belt_speed_ratio"):
        pd.testing.assert_series_equal(inside[column], part[column], rtol=1e-9)
    assert list(inside["phase"]) == list(part["phase"])
    assert list(inside["run"].fillna("-")) == list(part["run"].fillna("-"))


def test_json_on_request_is_one_object_and_nothing_else(plant_folder: Path, tmp_path: Path) -> None:
    outcome = type_command(
        "upsets",
        "--plant",
        plant_folder / "plant.toml",
        "--out",
        tmp_path / "u.csv",
        "--json",
        plant_folder / "exports",
    )
    assert json.loads(outcome.said)["command"] == "upsets"


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["demo"],
        ["plant", "check"],
        ["plant", "new"],
        ["simulate"],
        ["ingest"],
        ["quality"],
        ["table"],
        ["upsets"],
        ["review"],
        ["troubleshoot"],
        ["tune"],
        ["compare"],
        ["district"],
    ],
    ids=" ".join,
)
def test_every_command_explains_itself_with_one_example(words: list[str]) -> None:
    outcome = type_command(*words, "--help")
    assert outcome.code == 0
    if words:
        assert "Example: trendkit" in outcome.said


def test_quality_tells_every_tag_fault_and_refused_line_from_files_and_from_the_archive(
    plant_folder: Path, tmp_path: Path
) -> None:
    plant = tmp_path / "plant.toml"
    plant.write_text((plant_folder / "plant.toml").read_text(encoding="utf-8"), encoding="utf-8")
    export = min((plant_folder / "exports").iterdir())
    lines = export.read_text(encoding="utf-8").splitlines()
    lines[7:7] = ["soon" + lines[7][16:]]
    damaged = tmp_path / export.name
    damaged.write_text("\n".join(lines) + "\n", encoding="utf-8")
    rest = [path for path in (plant_folder / "exports").iterdir() if path != export]
    assert type_command("ingest", "--plant", plant, damaged, *rest).code == 0
    told = []
    for name, files in (("files", (damaged, *rest)), ("archive", ())):
        outcome = type_command("quality", "--plant", plant, "--out", tmp_path / name, "--json", *files)
        assert outcome.code == 0, outcome.complained
        assert json.loads(outcome.said)["command"] == "quality"
        assert (tmp_path / name / "quality.html").exists()
        told.append(json.loads((tmp_path / name / "quality.json").read_text(encoding="utf-8")))
    assert set(told[0]) >= COMMON
    refused = told[0]["refused"]
    assert [(row["file"], row["line"]) for row in refused] == [(export.name, 8)]
    assert refused[0]["why"] == "the time cannot be read" and told[1]["refused"] == refused
    assert told[0]["tags"] == told[1]["tags"]
    by_role = {tag["role"]: tag for tag in told[0]["tags"]}
    assert 0.9 < by_role["feed_flow"]["share_good"] <= 1.0 and by_role["feed_flow"]["recorded"] == "sampled"


def test_the_archive_gives_what_the_files_give_and_takes_them_once(plant_folder: Path, tmp_path: Path) -> None:
    """Issue of trust: the same month from files and from the archive, and a second ingest changes nothing."""
    plant = tmp_path / "plant.toml"
    plant.write_text((plant_folder / "plant.toml").read_text(encoding="utf-8"), encoding="utf-8")
    inputs = (plant_folder / "exports", plant_folder / "lab.csv")
    for _ in range(2):
        outcome = type_command("ingest", "--plant", plant, *inputs)
        assert outcome.code == 0, outcome.complained
    assert "0 readings and results are new" in outcome.said
    tables = []
    for name, files in (("files", inputs), ("archive", ())):
        out = tmp_path / f"{name}.parquet"
        words = ("--from", "2026-02-04", "--to", "2026-02-11")
        outcome = type_command("table", "--plant", plant, *words, "--out", out, *files)
        assert outcome.code == 0, outcome.complained
        tables.append(pd.read_parquet(out))
    pd.testing.assert_frame_equal(tables[0], tables[1], rtol=1e-12)
