"""No command of the main job looks up a name or opens a connection."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

# runs in the command's own process before its first import; an audit hook cannot be taken off again
GUARD = """
import sys
def _refuse(event, arguments):
    if event in ("socket.connect", "socket.sendto", "socket.bind", "socket.getaddrinfo", "socket.gethostbyname", "urllib.Request"):
        raise RuntimeError(f"network: {event} {arguments}")
sys.addaudithook(_refuse)
"""
CALL = GUARD + "from trendkit.cli import run\nsys.exit(run(sys.argv[1:]))\n"


def guarded(*words: str | Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", CALL, *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, encoding="utf-8", env=dict(os.environ))


def test_the_guard_sees_a_connection() -> None:
    code = GUARD + "import socket\nsocket.create_connection(('127.0.0.1', 9))\n"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, encoding="utf-8")
    assert done.returncode != 0 and "network: socket" in done.stderr


@pytest.mark.parametrize("command", ["ingest", "review"])
def test_a_command_opens_no_connection(command: str, plant_folder: Path, tmp_path: Path) -> None:
    plant = tmp_path / "plant.toml"
    plant.write_bytes((plant_folder / "plant.toml").read_bytes())
    files = (min((plant_folder / "exports").iterdir()), plant_folder / "lab.csv")
    out = ("--from", "2026-02-04", "--to", "2026-02-05", "--out", tmp_path / "out") if command != "ingest" else ()
    done = guarded(command, "--plant", plant, *out, "--json", *files)
    assert done.returncode == 0 and "network" not in done.stderr, done.stderr
    assert json.loads(done.stdout)


def test_no_page_of_the_package_names_an_address_to_load() -> None:
    import trendkit

    for template in (Path(trendkit.__file__).parent / "reports" / "templates").iterdir():
        text = template.read_text(encoding="utf-8")
        assert not any(
            mark in text for mark in ("http://", "https://", 'src="//', "fetch(", "XMLHttpRequest", "WebSocket")
        )
