"""What the archive costs: ingest and the grid from it against the engine's bare roll-up, in the same run.

    python tests/benchmarks/archive.py                  three days of 1-second wide CSV (30 tags, about 60 MB)
    python tests/benchmarks/archive.py --days 31        a month of it, as the measures have it
    python tests/benchmarks/archive.py --files 12       also a year as twelve files of that length: time and memory
    python tests/benchmarks/archive.py --days 28 --nights 7   also a week of nights, each bringing a day more

The review of the sample plant's March is measured twice, the second time from the grids kept beside the archive.
Every measurement is a process of its own, so that peaks of memory do not mix; each is repeated and the best counts.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import rollup

SAMPLES = Path(__file__).parents[2] / "sample_exports"


def write_plant(folder: Path) -> Path:
    """Write the plant file of the benchmark's tags into a folder and return its path."""
    tags = "\n".join(
        f'[press.tags.{"feed_flow" if place == 0 else "free_" + tag.lower()}]\ntag = "{tag}"\nunit = "m3/h"\n'
        for place, tag in enumerate(rollup.TAGS)
    )
    press = 'name = "BFP-1"\nbelt_width = "2 m"\ngravity_zone_length = "4 m"\npressure_zone_length = "11 m"\n'
    text = f'[plant]\nname = "Benchmark"\ntimezone = "{rollup.ZONE}"\n[[press]]\n{press}{tags}'
    path = folder / "plant.toml"
    path.write_text(text, encoding="utf-8")
    return path


# --- what is measured, each in its own process ----------------------------------------------------------


def plain(plant: Path, files: list[Path]) -> None:
    """Roll the files up to minutes with DuckDB alone."""
    for path in files:
        rollup.plain(path, is_long=False)


def ingest(plant: Path, files: list[Path]) -> None:
    """Append the files to the archive, as the command does."""
    from trendkit.jobs import keeping
    from trendkit.jobs.call import Call

    done = keeping.ingest(Call(plant, tuple(map(str, files))))
    assert done.as_json["new"] > 0


def grid(plant: Path, files: list[Path]) -> None:
    """Make the grid from the archive, nothing kept from before."""
    from trendkit.archive import read_archive
    from trendkit.plant import load_plant
    from trendkit.series import grids_from_archive

    shutil.rmtree(plant.parent / "archive" / "grids", ignore_errors=True)
    loaded = load_plant(plant)
    grids, inputs = grids_from_archive(read_archive(loaded), loaded, loaded.presses, None, None)
    assert len(grids["bfp-1"].roles) and inputs


def again(plant: Path, files: list[Path]) -> None:
    """Ask for the grid again: it was kept."""
    from trendkit.archive import read_archive
    from trendkit.plant import load_plant
    from trendkit.series import grids_from_archive

    loaded = load_plant(plant)
    grids_from_archive(read_archive(loaded), loaded, loaded.presses, None, None)


def review(plant: Path, files: list[Path]) -> None:
    """Review March of the sample plant from its archive, as the command does."""
    from trendkit.jobs import pages
    from trendkit.jobs.call import Call

    pages.review(Call(plant, ()), "2026-03", plant.parent / "out")


MEASURED = {"plain": plain, "ingest": ingest, "grid": grid, "again": again, "review": review}


def measure(what: str, plant: Path, files: list[Path]) -> dict[str, float]:
    """Run one measurement in a process of its own: wall time [s], processor time [s], peak memory [MB]."""
    command = [sys.executable, __file__, "--measure", what, "--plant", str(plant), *map(str, files)]
    found: dict[str, float] = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    return found


def report_month(folder: Path, file: Path, repeats: int) -> None:
    """Print ingest and grid of one file as ratios to the bare roll-up."""
    print(f"wide CSV, {file.stat().st_size / 1e6:.0f} MB")
    best: dict[str, dict[str, float]] = {}
    for _ in range(repeats):
        shutil.rmtree(folder / "archive", ignore_errors=True)
        for what in ("plain", "ingest", "grid", "again"):
            run = measure(what, folder / "plant.toml", [file])
            if what not in best or run["wall_s"] < best[what]["wall_s"]:
                best[what] = run
    base = best["plain"]
    limits = {"plain": "", "ingest": "limit 3 x", "grid": "limit 1 x", "again": "kept"}
    for what, run in best.items():
        print(
            f"  {what:7s} {run['wall_s']:7.2f} s = {run['wall_s'] / base['wall_s']:.2f} x   processor "
            f"{run['cpu_s']:7.2f} s = {run['cpu_s'] / base['cpu_s']:.2f} x   peak {run['peak_mb']:.0f} MB   {limits[what]}"
        )


def report_review(folder: Path) -> None:
    """Print how long the first and the second review of a month take from the archive."""
    plant = folder / "plant.toml"
    shutil.copy(SAMPLES / "plant.toml", plant)
    subprocess.run(
        [sys.executable, "-m", "trendkit", "ingest", "--plant", str(plant), str(SAMPLES)],
        check=True,
        capture_output=True,
    )
    first, second = (measure("review", plant, []) for _ in range(2))
    print("review of a month of the sample plant, from the archive")
    print(f"  first  {first['wall_s']:7.2f} s   processor {first['cpu_s']:7.2f} s")
    ratio = second["wall_s"] / first["wall_s"], second["cpu_s"] / first["cpu_s"]
    print(
        f"  second {second['wall_s']:7.2f} s   processor {second['cpu_s']:7.2f} s = {ratio[0]:.2f} x (processor "
        f"{ratio[1]:.2f} x)   limit 0.5 x"
    )


def report_year(folder: Path, days: float, count: int) -> None:
    """Print how time and memory grow from one file to many."""
    files = []
    for number in range(count):
        files.append(folder / f"part-{number:02d}.csv")
        rollup.write_wide(files[-1], days, first_day=number * days)
    print(f"{count} files of {days:g} days")
    for some in (files[:1], files[: max(count // 4, 1)], files):
        shutil.rmtree(folder / "archive", ignore_errors=True)
        written = measure("ingest", folder / "plant.toml", some)
        read = measure("grid", folder / "plant.toml", some)
        print(
            f"  {len(some):2d} files: ingest {written['wall_s'] / len(some):6.2f} s a file, peak {written['peak_mb']:.0f} MB;"
            f" grid {read['wall_s'] / len(some):6.2f} s a file, peak {read['peak_mb']:.0f} MB"
        )


def report_nights(folder: Path, days: float, nights: int) -> None:
    """Print what the grid of a growing archive costs night by night, and what it costs with nothing kept."""
    shutil.rmtree(folder / "archive", ignore_errors=True)
    first = folder / "nights.csv"
    rollup.write_wide(first, days)
    measure("ingest", folder / "plant.toml", [first])
    measure("again", folder / "plant.toml", [])
    print(f"{days:g} days in the archive, then a day more each night: processor time of the grid")
    for night in range(nights):
        rollup.write_wide(first, 1.0, first_day=days + night)
        kept = measure("ingest", folder / "plant.toml", [first])
        grown = measure("again", folder / "plant.toml", [])
        print(f"  night {night + 1}: ingest {kept['cpu_s']:6.2f} s   grid {grown['cpu_s']:6.2f} s")
    whole = measure("grid", folder / "plant.toml", [])
    print(f"  nothing kept: grid {whole['cpu_s']:6.2f} s")


def main() -> None:
    """Write the files, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=float, default=3.0)
    parser.add_argument("--files", type=int, default=0)
    parser.add_argument("--nights", type=int, default=0)
    parser.add_argument("--repeats", type=int, default=2)
    parser.add_argument("--keep", type=Path, help="take the month's file from here, or write it there")
    parser.add_argument("--measure", choices=MEASURED, help=argparse.SUPPRESS)
    parser.add_argument("--plant", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("inputs", nargs="*", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.measure:
        import trendkit.jobs.pages  # noqa: F401  what is measured is the work, not the start of Python

        start, cpu = time.perf_counter(), time.process_time()
        MEASURED[asked.measure](asked.plant, asked.inputs)
        wall, used = time.perf_counter() - start, time.process_time() - cpu
        print(json.dumps({"wall_s": wall, "cpu_s": used, "peak_mb": rollup.peak_mb()}))
        return
    with tempfile.TemporaryDirectory(prefix="trendkit-bench-") as spare:
        folder = Path(spare)
        file = (asked.keep or folder) / f"wide-{asked.days:g}.csv"
        if not file.exists():
            rollup.write_wide(file, asked.days)
        write_plant(folder)
        report_month(folder, file, asked.repeats)
        if asked.files:
            report_year(folder, asked.days, asked.files)
        if asked.nights:
            report_nights(folder, asked.days, asked.nights)
        with tempfile.TemporaryDirectory(prefix="trendkit-bench-") as other:
            report_review(Path(other))


if __name__ == "__main__":
    main()
