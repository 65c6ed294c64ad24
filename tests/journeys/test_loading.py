"""A command loads the libraries it needs and no others: nobody waits for what is not used."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

FOR_PAGES = ["altair", "vl_convert", "jinja2"]
FOR_A_CLUSTER = ["dask", "distributed"]


def libraries_loaded(words: list[str], among: list[str], folder: Path) -> list[str]:
    script = (
        "import sys\nfrom trendkit.cli import run\n"
        f"code = run({words!r})\n"
        f"print(code, *[name for name in {among!r} if sys.modules.get(name)], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=folder)
    code, *loaded = done.stderr.strip().splitlines()[-1].split()
    assert code == "0", done.stderr
    return loaded


BEFORE_FIGURES = ["scipy.stats", "scipy.special", "statsmodels", "openpyxl", *FOR_PAGES, *FOR_A_CLUSTER]


@pytest.mark.parametrize(
    ("words", "unneeded"),
    [
        ("plant check plant.toml", ["duckdb", *BEFORE_FIGURES]),
        ("plant check plant.toml exports", BEFORE_FIGURES),
        ("ingest --plant plant.toml exports lab.csv", BEFORE_FIGURES),
        (
            "table --plant plant.toml --out figures.parquet exports lab.csv",
            ["statsmodels", "scipy.stats", "openpyxl", *FOR_PAGES, *FOR_A_CLUSTER],
        ),
        (
            "review --plant plant.toml --from 2026-02-04 --to 2026-02-07 --out r exports lab.csv",
            ["statsmodels", "scipy.stats", *FOR_A_CLUSTER],
        ),
    ],
)
def test_a_command_loads_nothing_it_does_not_need(
    plant_folder: Path, tmp_path: Path, words: str, unneeded: list[str]
) -> None:
    here = tmp_path / "plant"
    shutil.copytree(plant_folder, here)
    assert libraries_loaded(words.split(), unneeded, here) == []
