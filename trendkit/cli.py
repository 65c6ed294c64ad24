"""The command line: one thin function per command; every job itself is in `trendkit.jobs`.

Comes in: words typed at a prompt. Goes out: a short summary (or one JSON object) on standard output, progress
on standard error, exit code 0, 2 (the call or an input is wrong) or 1 (unforeseen).
"""

from __future__ import annotations

import atexit
import ctypes
import gc
import os
import sys
import threading
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from trendkit import __version__
from trendkit.errors import InputError, Problem, system_problem, visible
from trendkit.jobs.stages import Stages
from trendkit.simulate.scenarios import SCENARIOS

if TYPE_CHECKING:
    from trendkit.jobs.call import Done

# Typer carries the command-line parser under changing names; the public exception leads to its base class.
UsageError: Any = typer.BadParameter.__mro__[1]

_MMAP_THRESHOLD, _TRIM_THRESHOLD = -3, -1  # M_MMAP_THRESHOLD and M_TRIM_THRESHOLD of glibc's malloc.h

app = typer.Typer(
    help="Tag exports of belt filter presses in; defended figures, upsets and tuning pages out.",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    add_completion=False,
    context_settings={"max_content_width": 100},
)
plant_app = typer.Typer(help="Draft or check the plant file.", no_args_is_help=True, rich_markup_mode=None)
app.add_typer(plant_app, name="plant")

PlantOption = Annotated[Path, typer.Option("--plant", help="The plant file (TOML).", metavar="PLANT")]
FilesArgument = Annotated[
    list[str] | None,
    typer.Argument(help="Exports and bench sheets; folders and globs are searched. None: the archive.", metavar="FILE"),
]
GivenArgument = Annotated[
    list[str] | None,
    typer.Argument(help="Exports, bench sheets, tickets; folders and globs are searched.", metavar="FILE"),
]
PressOption = Annotated[str | None, typer.Option("--press", help="One press only, by name.", metavar="NAME")]
FromOption = Annotated[str | None, typer.Option("--from", help="First plant day or time.", metavar="WHEN")]
ToOption = Annotated[
    str | None, typer.Option("--to", help="Day or time at which to stop (not included).", metavar="WHEN")
]
FolderOption = Annotated[Path, typer.Option("--out", help="Folder for the page and its files.", metavar="DIR")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON object and nothing else.")]
OpenOption = Annotated[bool, typer.Option("--open", help="Open the page in the browser.")]


_progress = Stages()


def _report(done: Done, as_json: bool, is_to_open: bool = False) -> None:
    """Say what was done; at a terminal each page's path can be clicked. Open the first page when asked to."""
    _progress.stop()
    if as_json:
        typer.echo(done.json_line())
    else:
        for line in (visible(line) for told in done.summary for line in told.split("\n")):
            typer.echo(_clickable(line, done.pages) if sys.stdout.isatty() else line)
    if is_to_open and done.pages:
        import webbrowser

        if not webbrowser.open(done.pages[0].resolve().as_uri()):
            typer.echo(f"No browser could be started; open {done.pages[0]} by hand.", err=True)


def _clickable(line: str, pages: Sequence[Path]) -> str:
    """Return the line with the path at its end as a link a terminal opens (the escape sequence OSC 8)."""
    for page in pages:
        if line.endswith(str(page)):
            link = f"\x1b]8;;{page.resolve().as_uri()}\x1b\\{page}\x1b]8;;\x1b\\"
            return line.removesuffix(str(page)) + link
    return line


def _print_version(is_asked: bool) -> None:
    if is_asked:
        typer.echo(f"trendkit {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", help="Print the version.", callback=_print_version, is_eager=True)
    ] = False,
    debug: Annotated[bool, typer.Option("--debug", help="Show the traceback of an unforeseen failure.")] = False,
) -> None:
    """Tag exports of belt filter presses in; defended figures, upsets and tuning pages out.

    The numbers advise; people decide. Local codes, the plant's procedures and licensed staff govern every
    change on a press.
    """


@app.command(short_help="The main job on the sample exports")
def demo(
    out: Annotated[Path, typer.Option("--out", help="Folder for the pages.", metavar="DIR")] = Path("reports/demo"),
    as_json: JsonOption = False,
    is_to_open: OpenOption = False,
) -> None:
    """Run the main job on sample_exports/: a month's review, a bad-day page and a tuning page.

    Example: trendkit demo --out reports/demo
    """
    from trendkit.jobs import demo

    _report(demo.demo(out, _progress), as_json, is_to_open)


@plant_app.command("check", short_help="Validate a plant file, with exports too")
def plant_check(
    plant: Annotated[Path, typer.Argument(help="The plant file (TOML).", metavar="PLANT")],
    files: GivenArgument = None,
    press: PressOption = None,
    as_json: JsonOption = False,
) -> None:
    """Validate a plant file: every mistake at once; with FILEs also what the exports say about its tags.

    Example: trendkit plant check sample_exports/plant.toml sample_exports
    """
    from trendkit.jobs import keeping
    from trendkit.jobs.call import Call

    _report(keeping.check_plant(Call(plant, tuple(files or ()), press, progress=_progress)), as_json)


@plant_app.command("new", short_help="Draft a plant file from exports")
def plant_new(
    files: Annotated[
        list[str],
        typer.Argument(help="Exports; folders and globs are searched.", metavar="EXPORT"),
    ],
    out: Annotated[Path, typer.Option("--out", help="The plant file to write.", metavar="PLANT")] = Path("plant.toml"),
    dates: Annotated[
        str | None,
        typer.Option("--dates", help="day_first or month_first, where the exports leave it open.", metavar="ORDER"),
    ] = None,
    quality: Annotated[
        str | None,
        typer.Option("--quality", help="What the quality column means, where it is asked for.", metavar="SCHEME"),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Draft a plant file: a role and a unit per tag, guessed from names and readings, each with its reason.

    The draft is refused by every command until a person has checked each guess and deleted its line.

    Example: trendkit plant new exports --out plant.toml
    """
    from trendkit.jobs import drafting

    _report(drafting.draft_plant_file(tuple(files), out, dates, quality, _progress), as_json)


@app.command(short_help="Append exports to the archive")
def ingest(plant: PlantOption, files: GivenArgument = None, as_json: JsonOption = False) -> None:
    """Append exports and bench sheets to the plant's archive, once however often repeated.

    Every other command then works without naming files.

    Example: trendkit ingest --plant plant.toml exports/ lab.csv
    """
    from trendkit.jobs import keeping
    from trendkit.jobs.call import Call

    _report(keeping.ingest(Call(plant, tuple(files or ()), progress=_progress)), as_json)


@app.command(short_help="What is wrong with the data itself")
def quality(
    plant: PlantOption,
    out: FolderOption,
    files: FilesArgument = None,
    start: FromOption = None,
    end: ToOption = None,
    press: PressOption = None,
    as_json: JsonOption = False,
    is_to_open: OpenOption = False,
) -> None:
    """Say tag by tag which readings can be trusted: share good, gaps, faults, and what was refused.

    Example: trendkit quality --plant sample_exports/plant.toml --out reports/quality sample_exports
    """
    from trendkit.jobs import quality
    from trendkit.jobs.call import Call

    call = Call(plant, tuple(files or ()), press, start, end, _progress)
    _report(quality.quality(call, out), as_json, is_to_open)


@app.command(short_help="Every computed series on one grid")
def table(
    plant: PlantOption,
    out: Annotated[Path, typer.Option("--out", help="figures.parquet, .csv or .xlsx", metavar="FILE")],
    files: FilesArgument = None,
    start: FromOption = None,
    end: ToOption = None,
    every: Annotated[str, typer.Option("--every", help="Length of a row.", metavar="DURATION")] = "1min",
    press: PressOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write every computed series on one regular grid (SI units, UTC).

    Example: trendkit table --plant sample_exports/plant.toml --out figures.parquet sample_exports
    """
    from trendkit.jobs import tables
    from trendkit.jobs.call import Call

    call = Call(plant, tuple(files or ()), press, start, end, _progress)
    _report(tables.write_figure_table(call, out, every), as_json)


@app.command(short_help="The upset ledger")
def upsets(
    plant: PlantOption,
    out: Annotated[Path, typer.Option("--out", help="upsets.csv, .json or .parquet", metavar="FILE")],
    files: FilesArgument = None,
    start: FromOption = None,
    end: ToOption = None,
    press: PressOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write the upset ledger: what went wrong, when, how badly, and the likeliest causes.

    Example: trendkit upsets --plant sample_exports/plant.toml --out upsets.csv sample_exports
    """
    from trendkit.jobs import pages
    from trendkit.jobs.call import Call

    call = Call(plant, tuple(files or ()), press, start, end, _progress)
    _report(pages.write_upset_ledger(call, out), as_json)


@app.command(short_help="How the press did in a month")
def review(
    plant: PlantOption,
    out: FolderOption,
    files: FilesArgument = None,
    month: Annotated[str | None, typer.Option("--month", help="The month to review.", metavar="YYYY-MM")] = None,
    start: FromOption = None,
    end: ToOption = None,
    press: PressOption = None,
    as_json: JsonOption = False,
    is_to_open: OpenOption = False,
) -> None:
    """Review a month, a week or a shift: capture, cake, polymer, loading, hours and cost, with limits.

    Example: trendkit review --plant sample_exports/plant.toml --month 2026-03 --out reports/march sample_exports
    """
    from trendkit.jobs import pages
    from trendkit.jobs.call import Call

    call = Call(plant, tuple(files or ()), press, start, end, _progress)
    _report(pages.review(call, month, out), as_json, is_to_open)


@app.command(short_help="What went wrong on a bad cake day")
def troubleshoot(
    plant: PlantOption,
    day: Annotated[str, typer.Option("--day", help="The plant day to look at.", metavar="YYYY-MM-DD")],
    out: FolderOption,
    files: FilesArgument = None,
    press: PressOption = None,
    as_json: JsonOption = False,
    is_to_open: OpenOption = False,
) -> None:
    """Say what went wrong on a bad cake day, what moved first and what to check on the press.

    Example: trendkit troubleshoot --plant sample_exports/plant.toml --day 2026-03-18 --out reports/day sample_exports
    """
    from trendkit.jobs import pages
    from trendkit.jobs.call import Call

    call = Call(plant, tuple(files or ()), press, None, None, _progress)
    _report(pages.troubleshoot(call, day, out), as_json, is_to_open)


@app.command(short_help="Where to run the gravity belt")
def tune(
    plant: PlantOption,
    out: FolderOption,
    files: FilesArgument = None,
    start: FromOption = None,
    end: ToOption = None,
    press: PressOption = None,
    step_test: Annotated[
        Path | None, typer.Option("--step-test", help="The filled step-test sheet of the press.", metavar="FILE")
    ] = None,
    as_json: JsonOption = False,
    is_to_open: OpenOption = False,
) -> None:
    """Say where to run the gravity belt, with limits, or that these data cannot tell.

    Example: trendkit tune --plant sample_exports/plant.toml --out reports/tune sample_exports
    """
    from trendkit.jobs import pages
    from trendkit.jobs.call import Call

    call = Call(plant, tuple(files or ()), press, start, end, _progress)
    _report(pages.tune(call, out, step_test), as_json, is_to_open)


@app.command(short_help="Did a change help")
def compare(
    plant: PlantOption,
    out: FolderOption,
    before: Annotated[str, typer.Option("--before", help="The period before the change.", metavar="FROM/TO")],
    after: Annotated[str, typer.Option("--after", help="The period after it.", metavar="FROM/TO")],
    files: FilesArgument = None,
    press: PressOption = None,
    as_json: JsonOption = False,
    is_to_open: OpenOption = False,
) -> None:
    """Say whether a change helped: press days before and after it, the feed's differences taken out.

    Example: trendkit compare --plant sample_exports/plant.toml --before 2026-02-23/2026-03-16
    --after 2026-03-16/2026-04-06 --out reports/compare sample_exports
    """
    from trendkit.jobs import comparing
    from trendkit.jobs.call import Call

    call = Call(plant, tuple(files or ()), press, progress=_progress)
    _report(comparing.compare(call, before, after, out), as_json, is_to_open)


@app.command(short_help="The reviews of many presses and plants")
def district(
    plants: Annotated[
        Path, typer.Option("--plants", help="A folder a plant, each with its plant.toml.", metavar="DIR")
    ],
    month: Annotated[str, typer.Option("--month", help="The month to review.", metavar="YYYY-MM")],
    out: Annotated[Path, typer.Option("--out", help="Folder for the reviews and the index.", metavar="DIR")],
    scheduler: Annotated[
        str | None,
        typer.Option("--scheduler", help="A running cluster; without it, processes here.", metavar="ADDRESS"),
    ] = None,
    workers: Annotated[
        int | None, typer.Option("--workers", help="Processes here; without it, one a core.", min=1, metavar="N")
    ] = None,
    as_json: JsonOption = False,
    is_to_open: OpenOption = False,
) -> None:
    """Review a month of every press of many plants, and rank the presses on one page.

    Each plant is read from its archive; without one, from the exports in its folder. What was done before and rests on
    the same readings is not done again. Exit code 3: finished, but some press failed (the others are done).

    Example: trendkit district --plants plants --month 2026-03 --out reports/march
    """
    from trendkit.jobs.district import district

    done = district(plants, month, out, scheduler, workers, _progress)
    _report(done, as_json, is_to_open)
    raise typer.Exit(done.code)


def _scenario_list() -> str:
    """Return the scenarios a line each, kept as they are by the help printer."""
    width = max(map(len, SCENARIOS)) + 2
    lines = [f"{each.name:<{width}}{each.summary}" for each in SCENARIOS.values() if each.depth == "full"]
    depths = (
        "Scenarios, each with every meter (NAME, full) and with feed flow, belt drives,",
        "polymer pump and bench grabs alone (NAME-bare):",
    )
    return "\n".join(("\b", *depths, *lines))


@app.command(short_help="An invented plant with known truth", epilog=_scenario_list())
def simulate(
    out: Annotated[Path, typer.Option("--out", help="Folder to write the invented plant into.", metavar="DIR")],
    days: Annotated[int, typer.Option("--days", help="How many days.", min=1, max=800)] = 31,
    seed: Annotated[int, typer.Option("--seed", help="Same seed, same plant.", min=0)] = 1,
    scenario: Annotated[
        str, typer.Option("--scenario", help="Which plant; listed below.", metavar="NAME")
    ] = "ordinary",
    start: Annotated[str | None, typer.Option("--start", help="First plant day.", metavar="YYYY-MM-DD")] = None,
    every: Annotated[str, typer.Option("--every", help="Spacing of the exports.", metavar="DURATION")] = "1min",
    shape: Annotated[
        str | None,
        typer.Option("--shape", help="Shape of the exports; a wrong one is answered with the list.", metavar="SHAPE"),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Write an invented plant: exports, bench sheet, plant file, and the ledger of what truly happened.

    Example: trendkit simulate --out made-up --days 31 --seed 7
    """
    from trendkit.jobs import inventing

    _report(inventing.simulate(out, days, seed, scenario, start, every, shape, _progress), as_json)


def _fail(text: str, code: int) -> int:
    _progress.stop()
    typer.echo(text, err=True)
    return code


def _options(error: Any) -> str:
    """Return the options of the command that was called wrongly."""
    return ", ".join(option for each in error.ctx.command.params for option in each.opts if option.startswith("--"))


def run(words: list[str]) -> int:
    """Run one command line and return its exit code; messages go to standard error."""
    is_debugging = "--debug" in words
    words = [word for word in words if word != "--debug"]
    try:
        outcome: Any = app(args=words, prog_name="trendkit", standalone_mode=False)
    except InputError as error:
        return _fail(str(error), 2)
    except UsageError as error:
        place = error.ctx.command_path if error.ctx else "trendkit"
        if type(error).__name__ == "NoArgsIsHelpError":
            return _fail(error.format_message(), 2)
        expected = _options(error) if type(error).__name__ == "NoSuchOption" else None
        problem = Problem(
            error.format_message().rstrip("."), place=place, expected=expected, hint=f"see {place} --help"
        )
        return _fail(problem.sentence(), 2)
    except (KeyboardInterrupt, typer.Abort):
        return _fail("Stopped; nothing half-written is left behind.", 1)
    except Exception as error:
        if is_debugging:
            raise
        foreseen = system_problem(error) if isinstance(error, OSError) else None
        if foreseen is not None:
            return _fail(foreseen.sentence(), 2)
        text = f"Something unforeseen went wrong ({type(error).__name__}: {error})."
        return _fail(f"{text} To do: run it again with --debug and report what it prints.", 1)
    return outcome if isinstance(outcome, int) else 0


def main() -> None:
    """Run the command line of this process and leave with its exit code."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8", errors="replace")
    _hold_on_to_memory()
    _leave(run(sys.argv[1:]))


def _hold_on_to_memory() -> None:
    """Let this process keep what it frees and look for garbage less often; a command is short and then gone.

    Columns of a few hundred kilobytes come and go by the thousand. The C library of most Linux systems hands each
    back to the system and asks for it anew, and the system clears it page by page: a seventh of a command's time.
    """
    gc.set_threshold(50_000, 20, 20)  # the libraries leave a hundred thousand objects to look through each time
    if sys.platform == "linux":
        with suppress(OSError, AttributeError):  # a C library of another make
            set_option = ctypes.CDLL(None).mallopt
            for option, size_mb in ((_MMAP_THRESHOLD, 32), (_TRIM_THRESHOLD, 128)):
                set_option(option, size_mb << 20)


def _leave(code: int) -> NoReturn:
    """End this process; what is still loaded is left to the system.

    Python takes down library after library at its end, which is a tenth of a command's time and frees nothing that the
    system would not take back. It is let to where a thread still works or what was said cannot be handed over.
    """
    if threading.active_count() == 1:
        atexit._run_exitfuncs()
        with suppress(OSError):
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(code)
    sys.exit(code)
