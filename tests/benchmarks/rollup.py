"""How long files take to a grid of minutes, against one plain DuckDB minute roll-up of the same file in the same run.

    python tests/benchmarks/rollup.py --days 31            a month of 1-second wide CSV (30 tags, about 600 MB)
    python tests/benchmarks/rollup.py --days 31 --long     also the long form (78 million rows, 3.5 GB)

Every measurement is a process of its own, so that peaks of memory do not mix; each is repeated and the best counts.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

TAGS = [f"BFP1_TAG_{number:02d}" for number in range(30)]
ZONE = "America/Denver"


def write_wide(path: Path, days: float, first_day: float = 0.0) -> None:
    """Write 1-second rows of 30 wandering tags from `first_day` of the record on, a piece of a day at a time."""
    import pyarrow as pa
    import pyarrow.csv

    rng = np.random.default_rng(20260301)
    levels = rng.uniform(20, 200, len(TAGS))
    begin = pd.Timestamp("2026-05-01") + pd.Timedelta(days=first_day)
    with path.open("wb") as file:
        file.write(("Time," + ",".join(TAGS) + "\n").encode())
        for start in range(0, int(days * 86_400), 21_600):
            count = min(21_600, int(days * 86_400) - start)
            times = pd.date_range(begin + pd.Timedelta(seconds=start), periods=count, freq="s")
            columns = {"Time": pa.array(times.strftime("%Y-%m-%d %H:%M:%S"))}
            for tag, level in zip(TAGS, levels, strict=True):
                columns[tag] = np.round(level + np.cumsum(rng.normal(0, 0.02, count)) + rng.normal(0, 0.5, count), 3)
            options = pa.csv.WriteOptions(include_header=False, quoting_style="none")
            pa.csv.write_csv(pa.table(columns), file, options)


def write_long(wide: Path, path: Path) -> None:
    """Write the same readings, a row each, in order of time."""
    import duckdb

    database = duckdb.connect(config={"memory_limit": "1GB"})
    columns = ", ".join(TAGS)
    unpivoted = f"(UNPIVOT (SELECT Time, {columns} FROM read_csv('{wide}', types={{'Time': 'VARCHAR'}})) ON {columns} INTO NAME Tag VALUE Value)"
    database.execute(f"COPY (SELECT Time, Tag, Value FROM {unpivoted}) TO '{path}' (HEADER, DELIMITER ',')")


# --- what is measured, each in its own process ----------------------------------------------------------


def plain(path: Path, is_long: bool) -> None:
    """Roll up to minutes with DuckDB alone."""
    import duckdb

    minute = "time_bucket(INTERVAL 1 minute, Time)"
    what = "Tag, avg(Value)" if is_long else ", ".join(f"avg({tag})" for tag in TAGS)
    groups = "1, 2" if is_long else "1"
    duckdb.connect(config={"threads": 2}).execute(
        f"SELECT {minute} AS minute, {what} FROM read_csv('{path}') GROUP BY {groups} ORDER BY 1"
    ).fetchnumpy()


def blocks(path: Path, is_long: bool) -> None:
    """Read all observations with trendkit, to blocks."""
    from trendkit.exports import ReadLog, open_exports, read_blocks

    plant = _plant()
    log = ReadLog()
    for export in open_exports([path], plant):
        for _ in read_blocks(export, plant, plant.presses[0].tags, log):
            pass
    assert log.rows and not log.refused


def grid(path: Path, is_long: bool) -> None:
    """Read all observations with trendkit and weigh them into minutes."""
    from trendkit.exports import open_exports
    from trendkit.series import build_grids

    plant = _plant()
    grids, inputs = build_grids(open_exports([path], plant), plant, plant.presses, None, None)
    assert len(grids["bfp-1"].roles) and inputs[0].rows


def table(path: Path, is_long: bool) -> None:
    """Write the figure table of all observations as Parquet, as `trendkit table` does."""
    from trendkit.jobs import tables
    from trendkit.jobs.call import Call

    folder = path.parent
    plant_file = folder / "plant.toml"
    roles = {"feed_flow": TAGS[0], "filtrate_flow": TAGS[1], "washwater_flow": TAGS[2]}
    named = roles | {f"free_{tag.lower()}": tag for tag in TAGS[3:]}
    press = 'belt_width = "2 m"\ngravity_zone_length = "4 m"\npressure_zone_length = "11 m"\n'
    lines = [f'[plant]\nname = "Benchmark"\ntimezone = "{ZONE}"\n[[press]]\nname = "BFP-1"\n{press}']
    lines.append('[press.filtrate]\nmeter = "with_wash"\n')
    for name, tag in named.items():
        lines.append(f'[press.tags.{name}]\ntag = "{tag}"\nunit = "m3/h"\nkind = "analog"\n')
    plant_file.write_text("\n".join(lines), encoding="utf-8")
    done = tables.write_figure_table(Call(plant_file, (str(path),)), folder / "figures.parquet", "1min")
    assert done.as_json["rows"] > 0


def peak_mb() -> float:
    """Return the peak memory of this process [MB]; the kernel's own count, as getrusage still holds the parent's."""
    status = Path("/proc/self/status")
    if status.exists():
        line = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        return float(line.split()[1]) / 1024
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _plant():  # type: ignore[no-untyped-def]
    from trendkit.plant.model import Plant, Press, Tag

    tags = {tag: Tag(tag, tag, tag.lower(), "m3/h", "m3/h", "analog") for tag in TAGS}
    press = Press("BFP-1", "bfp-1", 2.0, 4.0, 11.0, 2.0, tags=tags)
    return Plant("Benchmark", ZONE, (press,), Path("plant.toml"), "0")


MEASURED = {"plain": plain, "blocks": blocks, "grid": grid, "table": table}


def measure(what: str, path: Path, is_long: bool) -> dict[str, float]:
    """Run one measurement in a process of its own: wall time [s] of the work and of the whole process with its imports,
    processor time [s], peak memory [MB]."""
    command = [sys.executable, __file__, "--measure", what, "--file", str(path), *(["--long"] if is_long else [])]
    start = time.perf_counter()
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    found: dict[str, float] = json.loads(done.stdout)
    return found | {"whole_s": time.perf_counter() - start}


def report(path: Path, is_long: bool, repeats: int) -> None:
    """Print the measurements of one file as ratios to the plain roll-up."""
    print(f"{'long' if is_long else 'wide'} CSV, {path.stat().st_size / 1e6:.0f} MB")
    runs = {what: [measure(what, path, is_long) for _ in range(repeats)] for what in MEASURED}
    base = {key: min(run[key] for run in runs["plain"]) for key in ("wall_s", "whole_s", "cpu_s")}
    for what, own in runs.items():
        wall, whole, cpu = (min(run[key] for run in own) for key in ("wall_s", "whole_s", "cpu_s"))
        peak = max(run["peak_mb"] for run in own)
        print(
            f"  {what:7s} {wall:7.2f} s = {wall / base['wall_s']:.2f} x   "
            f"from prompt to prompt {whole:7.2f} s = {whole / base['whole_s']:.2f} x   processor {cpu:7.2f} s = "
            f"{cpu / base['cpu_s']:.2f} x   peak {peak:.0f} MB"
        )


def main() -> None:
    """Write the files, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=float, default=31.0)
    parser.add_argument("--long", action="store_true")
    parser.add_argument("--repeats", type=int, default=2)
    parser.add_argument("--measure", choices=MEASURED, help=argparse.SUPPRESS)
    parser.add_argument("--file", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--keep", type=Path, help="write the files here and use them again")
    asked = parser.parse_args()
    if asked.measure:
        if asked.measure != "plain":
            import trendkit.jobs.tables  # noqa: F401  the work is timed apart from the start of Python

        start, cpu = time.perf_counter(), time.process_time()
        MEASURED[asked.measure](asked.file, asked.long)
        peak = peak_mb()
        wall, used = time.perf_counter() - start, time.process_time() - cpu
        print(json.dumps({"wall_s": wall, "cpu_s": used, "peak_mb": peak}))
        return
    with tempfile.TemporaryDirectory(prefix="trendkit-bench-") as spare:
        folder = asked.keep or Path(spare)
        wide, long = folder / f"wide-{asked.days:g}.csv", folder / f"long-{asked.days:g}.csv"
        if not wide.exists():
            write_wide(wide, asked.days)
        report(wide, False, asked.repeats)
        if asked.long:
            if not long.exists():
                write_long(wide, long)
            report(long, True, asked.repeats)


if __name__ == "__main__":
    main()
