"""What each job costs: time from prompt to prompt and peak memory, beside what the engine and a user's own lines cost.

    python tests/benchmarks/jobs.py                                  a month at 1 min, and growth over months and presses
    python tests/benchmarks/jobs.py --sizes month/1min month/1s      also a month at 1 s (0.5 GB)
    python tests/benchmarks/jobs.py --sizes year/1s --no-growth      a year at 1 s (6 GB; pandas is left out)
    python tests/benchmarks/jobs.py --only table ingest              these jobs and the engine alone

Every measurement is a process of its own. "bare" is one plain DuckDB minute roll-up of the same files, "pandas" and "Polars"
are the lines somebody would otherwise write: read, minute means, capture and means of a month, without time-weighting, sludge
time, phases, faults or limits. The table is printed and kept beside this file as jobs-DATE.txt.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from datetime import date
from pathlib import Path

from invented_exports import Size, write_plant

SIZES = {"month/1min": Size("month/1min"), "month/1s": Size("month/1s", every_s=1), "year/1s": Size("year/1s", 12, 1)}
PANDAS_UP_TO_GB = 1.5
# An installed package comes with its bytecode; where none may be written each command compiles it, 0.2 s.
AS_INSTALLED = {name: text for name, text in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
AS_INSTALLED["OPENBLAS_NUM_THREADS"] = "1"  # as trendkit sets it, too late here: this file loads NumPy before it


def jobs(folder: Path, size: Size, out: Path) -> dict[str, list[str]]:
    """Return the command line of every job on one invented plant, in the order in which they run."""
    plant, files = str(folder / "plant.toml"), [str(folder / "exports"), str(folder / "lab.csv")]
    month = f"2026-{size.months:02d}"
    on = ["--plant", plant]
    changed = ["--before", f"{month}-01/{month}-15", "--after", f"{month}-15/{month}-28"]
    return {
        "plant check, with files": ["plant", "check", plant, *files[:1]],
        "quality": ["quality", *on, "--out", f"{out}/q", *files],
        "table": ["table", *on, "--out", f"{out}/figures.parquet", *files],
        "upsets": ["upsets", *on, "--out", f"{out}/upsets.csv", *files],
        "review": ["review", *on, "--month", month, "--out", f"{out}/r", *files],
        "troubleshoot": ["troubleshoot", *on, "--day", f"{month}-20", "--out", f"{out}/t", *files],
        "tune": ["tune", *on, "--out", f"{out}/u", *files],
        "compare": ["compare", *on, *changed, "--out", f"{out}/c", *files],
        "ingest": ["ingest", *on, *files],
        "review, archive": ["review", *on, "--month", month, "--out", f"{out}/ra"],
        "review, grid kept": ["review", *on, "--month", month, "--out", f"{out}/ra"],
        "review, nothing new": ["review", *on, "--month", month, "--out", f"{out}/ra"],
        "troubleshoot, archive": ["troubleshoot", *on, "--day", f"{month}-20", "--out", f"{out}/ta"],
        "troubleshoot, grid kept": ["troubleshoot", *on, "--day", f"{month}-20", "--out", f"{out}/ta"],
        "troubleshoot, nothing new": ["troubleshoot", *on, "--day", f"{month}-20", "--out", f"{out}/ta"],
        "tune, archive": ["tune", *on, "--out", f"{out}/ua"],
        "tune, grid kept": ["tune", *on, "--out", f"{out}/ua"],
        "tune, nothing new": ["tune", *on, "--out", f"{out}/ua"],
    }


# --- what others would do, each in a process of its own ----------------------------------------------------


def bare(files: list[str]) -> None:
    """Roll up to minutes with DuckDB alone."""
    import duckdb

    engine = duckdb.connect(config={"threads": os.cpu_count() or 1})
    described = engine.execute(f"DESCRIBE SELECT * FROM read_csv({files!r})").fetchall()
    time_column, *rest = [(name, kind) for name, kind, *_ in described]
    means = ", ".join(f'avg("{name}")' for name, kind in rest if kind in ("DOUBLE", "BIGINT"))
    engine.execute(
        f'SELECT time_bucket(INTERVAL 1 minute, "{time_column[0]}") AS minute, {means} FROM read_csv({files!r}) '
        "GROUP BY 1 ORDER BY 1"
    ).fetchnumpy()


def by_pandas(files: list[str]) -> None:
    """Read, minute means, a month's capture by concentrations and mean of everything."""
    import pandas as pd

    readings = pd.concat([pd.read_csv(file, low_memory=False) for file in files])
    readings.index = pd.to_datetime(readings.iloc[:, 0])
    minutes = readings.select_dtypes("number").resample("1min").mean()
    minutes.groupby(minutes.index.to_period("M")).mean().to_csv(os.devnull)


def by_polars(files: list[str]) -> None:
    """The same with Polars, streamed."""
    import polars as pl

    readings = pl.scan_csv(files, try_parse_dates=True, infer_schema_length=10_000, ignore_errors=True)
    name = readings.collect_schema().names()[0]
    numbers = pl.selectors.numeric().mean()
    minutes = readings.group_by(pl.col(name).dt.truncate("1m")).agg(numbers)
    minutes.group_by(pl.col(name).dt.truncate("1mo")).agg(numbers).collect(engine="streaming")


OTHERS = {"bare": bare, "pandas": by_pandas, "Polars": by_polars}


# --- measuring ------------------------------------------------------------------------------------------


def peak_mb() -> float:
    """Return the peak memory of this process [MB]: the kernel's own count since the program was loaded."""
    line = next(line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM"))
    return float(line.split()[1]) / 1024


def measured(kind: str, words: list[str]) -> dict[str, float] | None:
    """Return wall and processor time [s] from prompt to prompt and peak memory [MB]; None where it cannot be run."""
    start = time.perf_counter()
    command = [sys.executable, __file__, "--measure", kind, *words]
    done = subprocess.run(command, capture_output=True, text=True, env=AS_INSTALLED)
    wall = time.perf_counter() - start
    if done.returncode:
        print(f"  {kind} {' '.join(words[:3])}: {done.stderr.strip().splitlines()[-1:]}", file=sys.stderr)
        return None
    found: dict[str, float] = json.loads(done.stdout.strip().splitlines()[-1])
    return found | {"wall_s": wall}


def run_measured(kind: str, words: list[str]) -> int:
    """Do one measurement in this process as a prompt does, print what it took and leave."""
    if kind == "job":
        from trendkit import cli

        cli._hold_on_to_memory()
        code = cli.run(words)
    else:
        OTHERS[kind](words)
        code = 0
    print(json.dumps({"cpu_s": time.process_time(), "peak_mb": peak_mb()}))
    if kind == "job":
        cli._leave(code)
    return code


class Sheet:
    """Lines printed as they come and kept."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def add(self, line: str) -> None:
        """Print and keep one line."""
        print(line, flush=True)
        self.lines.append(line)


def table_of(size: Size, folder: Path, sheet: Sheet, repeats: int, only: list[str] | None) -> None:
    """Measure every job at one size, or those asked for."""
    write_plant(folder, size)
    files = sorted(str(file) for file in (folder / "exports").iterdir())
    total_gb = sum(Path(file).stat().st_size for file in files) / 1e9
    sheet.add(f"\n{size.name}: {len(files)} exports, {total_gb:.2f} GB, {size.presses} press")
    sheet.add(
        f"  {'':28s}{'wall s':>9s}{'processor s':>13s}{'peak MB':>9s}{'x bare':>9s}{'x pandas':>10s}{'x Polars':>10s}"
    )
    others = {}
    for name in OTHERS:
        if (name != "pandas" or total_gb <= PANDAS_UP_TO_GB) and (only is None or name == "bare"):
            others[name] = best(name, files, repeats)
            show(sheet, name, others[name], {})
    for name, words in jobs(folder, size, folder / "out").items():
        if only is not None and name not in only:
            continue
        if name.endswith("grid kept"):
            for page in folder.rglob("archive/grids/*.zip"):  # the page is made again, from what else is kept
                page.unlink()
        is_once = name == "ingest" or name.endswith(("archive", "grid kept"))
        show(sheet, name, best("job", words, 1 if is_once else repeats), others)


def best(kind: str, words: list[str], repeats: int) -> dict[str, float] | None:
    """Return the fastest of some measurements; None when none could be run."""
    runs = [found for _ in range(repeats) if (found := measured(kind, words))]
    return min(runs, key=lambda found: found["wall_s"]) if runs else None


def show(sheet: Sheet, name: str, found: dict[str, float] | None, others: dict[str, dict[str, float] | None]) -> None:
    """Print one line of the table."""
    if found is None:
        sheet.add(f"  {name:28s}   could not be run")
        return
    ratios = "".join(
        f"{found['wall_s'] / other['wall_s']:{width}.1f}" if (other := others.get(key)) else " " * width
        for key, width in (("bare", 9), ("pandas", 10), ("Polars", 10))
    )
    sheet.add(f"  {name:28s}{found['wall_s']:9.2f}{found['cpu_s']:13.2f}{found['peak_mb']:9.0f}{ratios}")


def growth(folder: Path, sheet: Sheet, repeats: int) -> None:
    """Measure how time and memory grow from 1 to 12 months and from 1 to 8 presses, at one minute."""
    for what, sizes in (
        ("months", [Size(f"{count} months", months=count) for count in (1, 3, 6, 12)]),
        ("presses", [Size(f"{count} presses", presses=count) for count in (1, 2, 4, 8)]),
    ):
        sheet.add(f"\nGrowth with {what}, 1 min")
        sheet.add(f"  {'':28s}{'wall s':>9s}{'processor s':>13s}{'peak MB':>9s}")
        peaks: dict[str, list[float]] = {}
        for size in sizes:
            plant = write_plant(folder / f"{what}-{size.months}-{size.presses}", size)
            asked = jobs(plant, size, plant / "out")
            for name in ("table", "upsets", "review", "troubleshoot", "tune"):
                found = best("job", asked[name], repeats)
                show(sheet, f"{name}, {size.name}", found, {})
                peaks.setdefault(name, []).append(found["peak_mb"] if found else float("nan"))
        more = sizes[-1].months * sizes[-1].presses - sizes[0].months * sizes[0].presses
        told = ", ".join(f"{name} {(each[-1] - each[0]) / more:.0f}" for name, each in peaks.items())
        sheet.add(f"  MB more for each of the {what}: {told}")


def main() -> int:
    """Measure what was asked for, print it and keep it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sizes", nargs="*", choices=SIZES, default=["month/1min"])
    parser.add_argument("--no-growth", action="store_true")
    parser.add_argument("--only", nargs="*", metavar="JOB", help="names of the table's lines, as 'review, archive'")
    parser.add_argument("--repeats", type=int, default=2)
    parser.add_argument("--keep", type=Path, help="write the invented plants here and use them again")
    parser.add_argument("--note", default="", help="a line to keep with the results, such as what else was running")
    if sys.argv[1:2] == ["--measure"]:
        return run_measured(sys.argv[2], sys.argv[3:])
    asked = parser.parse_args()
    from trendkit import __version__

    sheet = Sheet()
    sheet.add(f"trendkit {__version__}, {date.today()}, {os.cpu_count()} cores, Python {platform.python_version()}")
    if asked.note:
        sheet.add(asked.note)
    with tempfile.TemporaryDirectory(prefix="trendkit-jobs-") as spare:
        folder = asked.keep or Path(spare)
        for name in asked.sizes:
            table_of(SIZES[name], folder / name.replace("/", "-"), sheet, asked.repeats, asked.only)
        if not asked.no_growth:
            growth(folder, sheet, asked.repeats)
    kept = Path(__file__).with_name(f"jobs-{date.today()}.txt")
    kept.write_text("\n".join(sheet.lines) + "\n", encoding="utf-8")
    print(f"kept in {kept}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
