"""Draw the README's pictures: the top of each demo page of the fully metered press, as a browser shows it.

Run in the checkout, with trendkit installed and Debian's chromium on the path: python reports/draw_pictures.py
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
PAGES = ("review", "troubleshoot", "tune")
WIDTH, HEIGHT = 1180, 1040
MOST_BYTES = 200_000


def draw(browser: str, page: Path, picture: Path) -> None:
    """Write what the first screen of a page looks like into `picture` (PNG)."""
    with tempfile.TemporaryDirectory() as profile:
        subprocess.run(
            [
                browser,
                "--headless",
                "--no-sandbox",
                "--disable-gpu",
                "--disable-background-networking",
                "--hide-scrollbars",
                f"--user-data-dir={profile}",
                f"--window-size={WIDTH},{HEIGHT}",
                f"--screenshot={picture}",
                page.as_uri(),
            ],
            check=True,
            capture_output=True,
        )
    if picture.stat().st_size > MOST_BYTES:
        sys.exit(f"{picture.name} has {picture.stat().st_size} bytes, more than {MOST_BYTES}")


def main() -> None:
    """Run the demo into a temporary folder and draw its three pages."""
    browser = shutil.which("chromium")
    if browser is None:
        sys.exit("chromium is not on the path: install Debian's package chromium")
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run([sys.executable, "-m", "trendkit", "demo", "--out", folder], check=True, cwd=HERE.parent)
        for name in PAGES:
            draw(browser, Path(folder) / "bfp-1" / f"{name}.html", HERE / f"{name}.png")


if __name__ == "__main__":
    main()
