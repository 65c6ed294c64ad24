"""`district` on processes of its own and on a cluster the tests start on loopback, a worker killed in mid-run."""

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path

import pytest
from typed import Outcome, type_command

sys.path.insert(0, str(Path(__file__).parents[1] / "rooms"))
from cluster_death import fall_with_the_worker

from trendkit.errors import InputError
from trendkit.jobs import press_task, workers
from trendkit.jobs.press_task import PressTask, review_press

MONTH = "2026-02"
PAGES = ("review.html", "review.json", "figures.parquet", "upsets.csv")


@pytest.fixture(scope="module")
def plants(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two plants of one press: "alder" with an archive, "birch" with its exports beside the plant file."""
    folder = tmp_path_factory.mktemp("plants")
    made = type_command("simulate", "--out", folder / "birch", "--days", "2", "--seed", "5")
    assert made.code == 0, made.complained
    shutil.copytree(folder / "birch", folder / "alder")
    alder = folder / "alder"
    kept = type_command("ingest", "--plant", alder / "plant.toml", alder / "exports", alder / "lab.csv")
    assert kept.code == 0, kept.complained
    return folder


@pytest.fixture(scope="module")
def local(plants: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The district worked on by two processes of its own, while Dask's usual port for its pages is taken."""
    out = tmp_path_factory.mktemp("local")
    with socket.socket() as taken:
        with suppress(OSError):  # somebody has it: as good
            taken.bind(("127.0.0.1", 8787))
            taken.listen()
        done = district(plants, out, "--workers", "2")
    assert done.code == 0, done.complained
    assert "Warning" not in done.complained, done.complained
    assert json.loads(done.said)["reviewed"] == 2
    return out


def district(plants: Path, out: Path, *words: str) -> Outcome:
    typed = ("district", "--plants", plants, "--month", MONTH, "--out", out, "--json", *words)
    return type_command(*typed, plainly=True)  # Dask starts its workers by the command's own name


def test_every_press_has_its_review_and_a_place(local: Path) -> None:
    told = json.loads((local / "district.json").read_text(encoding="utf-8"))
    assert [(each["folder"], each["press"]) for each in told["presses"]] == [
        ("alder", "bfp-1"),
        ("birch", "bfp-1"),
    ]
    page = (local / "index.html").read_text(encoding="utf-8")
    for each in told["presses"]:
        assert f'href="{each["page"]}"' in page
        review = json.loads((local / each["page"]).with_suffix(".json").read_text(encoding="utf-8"))
        assert each["figures"]["capture_pct"] == review["figures"]["capture_pct"]
        assert each["places"]["covered_share"]["first"] == 1


def test_archive_and_exports_of_the_same_readings_give_the_same_figures(local: Path) -> None:
    first, second = (
        json.loads((local / folder / "bfp-1" / "review.json").read_text(encoding="utf-8"))["figures"]
        for folder in ("alder", "birch")
    )
    assert first == second


def test_a_failing_press_and_a_broken_plant_file_stop_nobody_and_nothing_is_made_twice(
    plants: Path, local: Path, tmp_path: Path
) -> None:
    here, out = tmp_path / "plants", tmp_path / "out"
    shutil.copytree(plants, here)
    shutil.copytree(local, out)
    toml = here / "birch" / "plant.toml"
    toml.write_text(toml.read_text(encoding="utf-8").replace("BFP1_FEED_FLOW", "BFP1_FED_FLOW"), encoding="utf-8")
    (here / "cedar").mkdir()
    (here / "cedar" / "plant.toml").write_text("[plant]\n", encoding="utf-8")
    done = district(here, out, "--workers", "1")
    told = json.loads(done.said)
    assert done.code == 3
    assert (told["reviewed"], told["made_before"]) == (1, 1)
    failed = {each["plant"]: each["press"] for each in told["failed"]}
    assert failed == {"cedar": None, "Invented plant (birch)": "BFP-1"}
    page = (out / "index.html").read_text(encoding="utf-8")
    assert "BFP1_FED_FLOW" in page
    assert "cedar" in page


def test_a_review_is_made_again_when_its_readings_or_its_files_are_no_longer_the_same(
    plants: Path, local: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    here, out = tmp_path / "plants", tmp_path / "out"
    shutil.copytree(plants, here)
    shutil.copytree(local, out)
    made = []
    monkeypatch.setattr(press_task, "_review", lambda task, _: made.append(task.label) or task.out / "review.html")

    def made_for(folder: str, month: str = MONTH) -> list[str]:
        made.clear()
        task = PressTask(here / folder / "plant.toml", "BFP-1", "bfp-1", month, out / folder / "bfp-1")
        assert review_press(task).failure is None
        return list(made)

    for folder in ("alder", "birch"):
        assert made_for(folder) == []
        assert made_for(folder, "2026-03") == [f"{folder}, BFP-1"]
        assert made_for(folder) == [f"{folder}, BFP-1"]
        (out / folder / "bfp-1" / "upsets.csv").write_text("cut off", encoding="utf-8")
        assert made_for(folder) == [f"{folder}, BFP-1"]
        assert made_for(folder) == [f"{folder}, BFP-1"]  # as long as the file is not what was made
        shutil.copy(local / folder / "bfp-1" / "upsets.csv", out / folder / "bfp-1")
        assert made_for(folder) == []
    late = "2026-02-03 10:30,BFP-1,cake,TS,19.9,%,\n"
    with (here / "birch" / "lab.csv").open("a", encoding="utf-8") as sheet:
        sheet.write(late)
    assert made_for("birch") == ["birch, BFP-1"]
    (tmp_path / "late.csv").write_text((plants / "alder" / "lab.csv").read_text().splitlines()[0] + "\n" + late)
    kept = type_command(
        "ingest", "--plant", here / "alder" / "plant.toml", here / "alder" / "exports", tmp_path / "late.csv"
    )
    assert kept.code == 0, kept.complained
    assert made_for("alder") == ["alder, BFP-1"]


def test_a_misspelt_tag_is_refused_from_the_archive_as_from_files(plants: Path, tmp_path: Path) -> None:
    shutil.copytree(plants / "alder", tmp_path / "alder")
    toml = tmp_path / "alder" / "plant.toml"
    toml.write_text(toml.read_text(encoding="utf-8").replace("BFP1_FEED_FLOW", "BFP1_FED_FLOW"), encoding="utf-8")
    done = type_command("review", "--plant", toml, "--month", MONTH, "--out", tmp_path / "out")
    assert done.code == 2
    assert "perhaps 'BFP1_FEED_FLOW' is meant" in done.complained


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[tuple[str, dict[str, subprocess.Popen[bytes]]]]:
    """A scheduler and two workers on loopback, each a process of its own that nobody starts again."""
    told = tmp_path / "scheduler.json"
    dask = [sys.executable, "-m", "dask"]
    here = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": tmp_path}
    listening = ["--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", str(told)]
    started = {"scheduler": subprocess.Popen([*dask, "scheduler", *listening], **here)}  # type: ignore[call-overload]
    for name in ("one", "two"):
        words = ["--scheduler-file", str(told), "--host", "127.0.0.1", "--no-nanny", "--nthreads", "1", "--name", name]
        started[name] = subprocess.Popen([*dask, "worker", "--no-dashboard", *words], **here)  # type: ignore[call-overload]
    try:
        wait_until(told.is_file)
        yield json.loads(told.read_text())["address"], started
    finally:
        for running in started.values():
            running.kill()
            running.wait()


def wait_until(is_so: object, seconds: float = 120) -> None:
    deadline = time.monotonic() + seconds
    while not is_so():  # type: ignore[operator]
        assert time.monotonic() < deadline, "waited in vain"
        time.sleep(0.05)


def test_a_worker_killed_in_mid_run_costs_nothing_but_time(
    plants: Path, local: Path, tmp_path: Path, cluster: tuple[str, dict[str, subprocess.Popen[bytes]]]
) -> None:
    from distributed import Client

    address, started = cluster
    out = tmp_path / "out"
    words = ["district", "--plants", plants, "--month", MONTH, "--out", out, "--json", "--scheduler", address]
    with Client(address, set_as_default=False) as watcher:
        watcher.wait_for_workers(2, timeout=120)
        names = {each["name"]: place for place, each in watcher.scheduler_info()["workers"].items()}
        command = subprocess.Popen(
            [sys.executable, "-m", "trendkit", *map(str, words)], stdout=subprocess.PIPE, stderr=subprocess.PIPE
        )
        wait_until(lambda: "trendkit/jobs/pages.py" in str(watcher.call_stack().get(names["one"], "")))
        os.kill(started["one"].pid, signal.SIGKILL)
        said, complained = command.communicate(timeout=300)
    assert started["one"].wait() == -signal.SIGKILL
    assert command.returncode == 0, complained
    told = json.loads(said)
    assert (told["reviewed"], told["failed"]) == (2, [])
    for press in ("alder/bfp-1", "birch/bfp-1"):
        for name in PAGES:
            assert (out / press / name).read_bytes() == (local / press / name).read_bytes(), f"{press}/{name}"


def test_a_task_that_takes_its_workers_down_is_given_up_and_the_others_are_done(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    import dask

    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(Path(__file__).parents[1] / "rooms"), *sys.path]))
    with dask.config.set({"distributed.scheduler.allowed-failures": 0}):
        found = dict(workers.work_through(fall_with_the_worker, [0, 1, 2], None, 1))
    assert (found[1], found[2]) == (1, 2)
    assert "died" in str(found[0])


def test_when_all_workers_are_gone_nobody_waits_for_ever(
    monkeypatch: pytest.MonkeyPatch, cluster: tuple[str, dict[str, subprocess.Popen[bytes]]]
) -> None:
    from distributed import Client

    monkeypatch.setattr(workers, "_REAPPEARS_WITHIN_S", 0.5)
    monkeypatch.setattr(workers, "_LOOK_EVERY_S", 0.2)
    address, started = cluster
    with Client(address, set_as_default=False) as watcher:
        watcher.wait_for_workers(2, timeout=120)
        with ThreadPoolExecutor(1) as aside:
            found = aside.submit(lambda: list(workers.work_through(time.sleep, [600.0, 601.0, 602.0], address, None)))
            wait_until(lambda: sum(map(len, watcher.call_stack().values())) == 2)
            for name in ("one", "two"):
                os.kill(started[name].pid, signal.SIGKILL)
            told = dict(found.result(timeout=120))
    assert sorted(told) == [600.0, 601.0, 602.0]
    assert all("All workers went away" in str(why) for why in told.values())


def test_an_address_where_nobody_answers_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "_ANSWERS_WITHIN_S", 0.5)
    with pytest.raises(InputError, match="--scheduler: no scheduler answers at this address; found tcp://127"):
        list(workers.work_through(fall_with_the_worker, [1], "tcp://127.0.0.1:9", None))


def test_without_dask_the_command_says_what_to_install(tmp_path: Path) -> None:
    (tmp_path / "plants" / "alder").mkdir(parents=True)
    sample = Path(__file__).parents[2] / "sample_exports" / "plant.toml"
    shutil.copy(sample, tmp_path / "plants" / "alder" / "plant.toml")
    script = (
        "import sys\nsys.modules['distributed'] = None\nfrom trendkit.cli import run\n"
        f"sys.exit(run(['district', '--plants', {str(tmp_path / 'plants')!r}, '--month', '2026-03',"
        f" '--out', {str(tmp_path / 'out')!r}]))"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.returncode == 2
    assert 'python -m pip install "trendkit[cluster]"' in done.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(("month", "said"), [("2026-13", "2026-13"), ("March", "March")])
def test_a_month_that_is_none_is_said_before_anything_is_started(tmp_path: Path, month: str, said: str) -> None:
    (tmp_path / "alder").mkdir()
    shutil.copy(Path(__file__).parents[2] / "sample_exports" / "plant.toml", tmp_path / "alder" / "plant.toml")
    done = type_command("district", "--plants", tmp_path, "--month", month, "--out", tmp_path / "out")
    assert done.code == 2
    assert said in done.complained


def test_a_folder_without_plants_is_said(tmp_path: Path) -> None:
    done = type_command("district", "--plants", tmp_path, "--month", MONTH, "--out", tmp_path / "out")
    assert done.code == 2
    assert "a folder a plant, each with its plant.toml" in done.complained
