"""Run by `typed.py`: everything a command may import, and a process split off for each command that is asked for.

Reads a line of JSON for each command (words, cwd, environment, folder for what it says) and answers with its exit code.
Nothing is computed in this process: it has no threads and no state that a command could inherit.
"""

from __future__ import annotations

import importlib
import json
import os
import sys
import time
from pathlib import Path
from typing import Any

USED = (
    "altair openpyxl vl_convert statsmodels.api scipy.optimize scipy.stats pandas pyarrow.parquet pyarrow.csv duckdb "
    "python_calamine tsdownsample rich.progress trendkit.jobs.comparing trendkit.jobs.drafting trendkit.jobs.inventing "
    "trendkit.jobs.keeping trendkit.jobs.pages trendkit.jobs.quality trendkit.jobs.tables trendkit.reports.compare_page "
    "trendkit.reports.quality_page trendkit.reports.review_page trendkit.reports.table_workbook "
    "trendkit.reports.troubleshoot_page trendkit.reports.tune_page trendkit.reports.workbook trendkit.simulate"
)


def command(asked: dict[str, Any]) -> int:
    """Be the command: its place, its environment, its streams; return its exit code."""
    folder = Path(asked["folder"])
    for number, name in ((1, "said"), (2, "complained")):
        os.dup2(os.open(folder / name, os.O_WRONLY | os.O_CREAT), number)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    os.environ.clear()
    os.environ.update(asked["environment"])
    time.tzset()
    os.chdir(asked["cwd"])
    from trendkit.cli import main

    sys.argv = ["trendkit", *asked["words"]]
    code = 0
    try:
        main()
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else int(end.code is not None)
    except BaseException:
        import traceback

        traceback.print_exc()
        code = 1
    sys.stdout.flush()
    sys.stderr.flush()
    return code


def serve() -> None:
    for name in USED.split():
        importlib.import_module(name)
    for line in sys.stdin:
        asked = json.loads(line)
        child = os.fork()
        if child == 0:
            os._exit(command(asked))
        _, status = os.waitpid(child, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)


if __name__ == "__main__":
    serve()
