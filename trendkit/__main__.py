"""Run the command line with ``python -m trendkit``."""

from trendkit.cli import main

main()
