"""Habits of other systems: nothing in the package asks for what Windows or macOS do not have."""

import ast
import re
from pathlib import Path

import pytest

import trendkit
from trendkit.plant.load_press import press_slug

PACKAGE = Path(trendkit.__file__).parent
MODULES = sorted(PACKAGE.rglob("*.py"))
ONLY_POSIX = {"fcntl", "pwd", "grp", "resource", "termios", "tty", "pty", "syslog", "crypt", "posix", "posixpath"}
ONLY_POSIX_CALLS = {
    "os.fork", "os.getuid", "os.geteuid", "os.getgid", "os.kill", "os.killpg", "os.chown", "os.mkfifo", "os.setsid",
    "os.statvfs", "os.sync", "os.uname", "os.getpgid", "os.getloadavg", "os.O_DIRECTORY", "os.rename",
    "signal.SIGKILL", "signal.SIGHUP", "signal.SIGALRM", "signal.alarm", "time.tzset",
}  # fmt: skip
TEXT_CALLS = {"open", "read_text", "write_text", "NamedTemporaryFile", "TemporaryFile", "fdopen", "reconfigure"}
DEVICES = ("CON", "prn", "Aux", "NUL", "COM1", "lpt9")


def dotted(node: ast.AST) -> str:
    if isinstance(node, ast.Attribute):
        return f"{dotted(node.value)}.{node.attr}"
    return node.id if isinstance(node, ast.Name) else ""


def is_binary(call: ast.Call) -> bool:
    words = [
        each.value for each in (*call.args, *(key.value for key in call.keywords)) if isinstance(each, ast.Constant)
    ]
    return any(isinstance(word, str) and re.fullmatch(r"[rwax+]*b[rwax+]*", word) for word in words)


def habits(source: str) -> list[str]:
    """Return what a module does that not every system can, as lines to read."""
    found = []
    for node in ast.walk(ast.parse(source)):
        line = getattr(node, "lineno", 0)
        if isinstance(node, (ast.Import, ast.ImportFrom)):
            names = [each.name for each in node.names] if isinstance(node, ast.Import) else [node.module or ""]
            found += [f"{line}: import {name}" for name in names if name.split(".")[0] in ONLY_POSIX]
        elif isinstance(node, ast.Attribute) and dotted(node) in ONLY_POSIX_CALLS:
            found.append(f"{line}: {dotted(node)}")
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            if re.match(r"/(tmp|dev|proc|var|usr|home|etc)\b", node.value):
                found.append(f"{line}: {node.value!r}")
        elif isinstance(node, ast.Call):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else dotted(node.func)
            is_text = (
                name in TEXT_CALLS and not is_binary(node) and dotted(node.func) not in ("os.open", "webbrowser.open")
            )
            if is_text and not any(key.arg == "encoding" for key in node.keywords):
                found.append(f"{line}: {name}() without encoding")
            if name == "strftime" and any(re.search(r"%-", ast.unparse(each)) for each in node.args):
                found.append(f"{line}: a time form of one system only")
    return found


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_no_module_asks_for_what_only_one_system_has(module: Path) -> None:
    assert habits(module.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "line",
    ["import fcntl", "from pwd import getpwnam", "os.getuid()", "os.kill(1, signal.SIGKILL)", "x = '/tmp/a'", "open('a')",
     "p.read_text()", "open('a', 'w')", "t.strftime('%-d')"],
)  # fmt: skip
def test_the_scan_sees_each_of_these_habits(line: str) -> None:
    assert habits(line)


def test_binary_files_and_stated_encodings_pass_the_scan() -> None:
    assert habits("open('a', 'rb')\np.open('wb')\np.read_text(encoding='utf-8')\nopen('a', encoding='ascii')") == []


def test_no_two_files_of_the_package_differ_by_case_alone() -> None:
    names = [str(path.relative_to(PACKAGE)).casefold() for path in PACKAGE.rglob("*")]
    assert len(names) == len(set(names))


@pytest.mark.parametrize("name", DEVICES)
def test_a_press_named_like_a_device_of_windows_gets_a_folder_that_is_none(name: str) -> None:
    assert press_slug(name) == f"{name.casefold()}-press"


def test_the_folder_of_a_press_is_short_and_safe_on_every_system() -> None:
    for name in ("Press: North/South", "Entwässerung 2 ", "a" * 300, "BFP-1.", "..", "x" * 47 + " y"):
        slug = press_slug(name)
        assert len(slug) <= 48 and re.fullmatch(r"[a-z0-9]([a-z0-9-]*[a-z0-9])?|", slug)


def runs_things(source: str) -> list[str]:
    """Return what in a module could run a text or bytes that came from outside."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, (ast.Import, ast.ImportFrom)):
            names = [each.name for each in node.names] if isinstance(node, ast.Import) else [node.module or ""]
            found += [
                name for name in names if name.split(".")[0] in ("pickle", "marshal", "shelve", "subprocess", "pty")
            ]
        elif isinstance(node, ast.Call) and dotted(node.func) in (
            "eval",
            "exec",
            "compile",
            "__import__",
            "os.system",
            "os.popen",
        ):
            found.append(dotted(node.func))
    return found


@pytest.mark.parametrize("module", MODULES, ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_no_module_can_run_what_it_reads(module: Path) -> None:
    assert runs_things(module.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize("line", ["import pickle", "from subprocess import run", "eval(text)", "os.system(name)"])
def test_the_scan_sees_what_runs_things(line: str) -> None:
    assert runs_things(line) != []
