"""The rooms import one way only, and every module has its place (DEVELOPERS.md, "The rooms")."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import trendkit

PACKAGE = Path(trendkit.__file__).parent
LEAVES = {"errors", "findings"}
FLOW = ("exports", "archive", "series", "press", "upsets", "tuning", "reports", "jobs", "cli")

MAY_IMPORT = {
    "__init__": set(),
    "__main__": {"cli"},
    "errors": set(),
    "findings": set(),
    "plant": LEAVES,
    "simulate": LEAVES | {"plant"},
    "exports": LEAVES | {"plant"},
    "archive": LEAVES | {"plant", "exports"},
    "series": LEAVES | {"plant", "exports", "archive"},
    "drafting": LEAVES | {"plant", "exports", "archive", "series"},
    "press": LEAVES | {"plant", "series"},
    "upsets": LEAVES | {"plant", "press"},
    "tuning": LEAVES | {"plant", "press", "upsets"},
    "reports": LEAVES | {"plant", "exports", "archive", "series", "press", "upsets", "tuning"},
    "jobs": LEAVES
    | {"plant", "simulate", "exports", "archive", "series", "drafting", "press", "upsets", "tuning", "reports"},
    "cli": LEAVES | {"jobs", "simulate"},
}
MODULES = sorted(PACKAGE.rglob("*.py"))


def room_of(module: Path) -> str:
    first = module.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


def rooms_imported(module: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module}: relative import; write the full name"
            base = node.module or ""
            names = [base] if base != "trendkit" else [f"trendkit.{alias.name}" for alias in node.names]
        found |= {name.split(".")[1] for name in names if name.startswith("trendkit.")}
    return found - {"__version__"}


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_module_imports_only_rooms_before_its_own(module: Path) -> None:
    room = room_of(module)
    assert room in MAY_IMPORT, f"{module} is in no room: place it on purpose"
    assert rooms_imported(module) - {room} <= MAY_IMPORT[room]


def test_binning_happens_in_one_room() -> None:
    elsewhere = [
        str(module.relative_to(PACKAGE))
        for module in MODULES
        if room_of(module) not in {"series", "simulate"} and ".resample(" in module.read_text(encoding="utf-8")
    ]
    assert elsewhere == []


HEAVY = ("pandas", "numpy", "altair", "statsmodels", "duckdb", "pint", "scipy", "vl_convert", "jinja2")


@pytest.mark.parametrize(
    "words", [["--help"], ["review", "--help"], ["simulate", "--help"], ["plant", "check", "--help"]]
)
def test_help_loads_no_heavy_library(words: list[str]) -> None:
    script = (
        "import sys\nfrom trendkit.cli import run\n"
        f"try:\n    run({words!r})\nexcept SystemExit:\n    pass\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stderr.strip().splitlines()[-1] == "[]"
