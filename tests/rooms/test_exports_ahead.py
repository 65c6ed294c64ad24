"""Small files of like form are read in one query, and each gives to the letter what it gives when it is read alone."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest
from exports_files import a_plant, written

from trendkit.errors import InputError
from trendkit.exports import ReadAhead, ReadLog, open_exports, read_blocks
from trendkit.exports import ahead as ahead_module
from trendkit.exports import scan as scan_module
from trendkit.exports.engine import ReadingError

PLANT = a_plant("FLOW", "DOSE", states=("RUN",))
HEAD = "Time,FLOW,DOSE,RUN\n"
LONG = "Time,Tag,Value\n" + "".join(f"2026-03-14 %(h)s:{m}:00,{t},{m}\n" for m in (10, 20) for t in ("FLOW", "DOSE"))
# the rows of a file from hour %(h)s; what is odd about some of them
USUAL = "2026-03-14 %(h)s:00:00,1.5,2,ON\n2026-03-14 %(h)s:10:00,2.5,3,OFF\n"
ODD = {
    "a row too short": USUAL + "2026-03-14 %(h)s:20:00,4\n2026-03-14 %(h)s:30:00,5,6,ON\n",
    "a row too long": "2026-03-14 %(h)s:00:00,4,5,ON,6,7\n" + USUAL,
    "a text among numbers": USUAL + "2026-03-14 %(h)s:20:00,No Data,1_000,ON\n",
    "a time that is none": "soon,1,2,ON\n" + USUAL,
    "blank lines": "\n" + USUAL + "\n\n",
    "a cut last line": USUAL + "2026-03-14 %(h)s:20:00,7,8",
    "a quotation mark never closed": USUAL + '2026-03-14 %(h)s:20:00,"7,8,ON\n',
    "bytes that are no text": USUAL + "2026-03-14 %(h)s:20:00,7,8,\udcff\n",
    "rows out of order and twice": "2026-03-14 %(h)s:30:00,9,9,ON\n" + USUAL + USUAL,
    "a quotation mark closed lines later": USUAL + '2026-03-14 %(h)s:20:00,7,8,"ON\n\nON"\n' + USUAL,
    "a quotation mark in a cell": USUAL + '2026-03-14 %(h)s:20:00,7,8,O"N\n',
    "lines as Windows ends them": (USUAL + "2026-03-14 %(h)s:20:00,7\n").replace("\n", "\r\n"),
    "lines as old computers end them": USUAL.replace("\n", "\r"),
    "a zero byte": USUAL + "2026-03-14 %(h)s:20:00,7\0,8,ON\n",
    "blanks around cells": USUAL.replace(",", " , "),
    "empty cells": USUAL + "2026-03-14 %(h)s:20:00,,,\n,,,\n",
    "a header again": USUAL + HEAD + USUAL,
    "quotes and commas": USUAL + '2026-03-14 %(h)s:20:00,7,8,"O,N"\n',
}


def files_in(folder: Path) -> list[Path]:
    """Write usual files, odd ones among them, and some of other forms."""
    texts = []
    for number, (name, rows) in enumerate(ODD.items()):
        texts += [("usual", HEAD + USUAL), (name, HEAD + rows)]
        if number % 4 == 0:
            texts.append(("another delimiter", (HEAD + USUAL).replace(",", ";")))
            texts.append(("other columns", "Time,DOSE,OTHER\n2026-03-14 %(h)s:00:00,1,2\n2026-03-14 %(h)s:01:00,1,2\n"))
            texts.append(("[pattern]", HEAD + USUAL))
            texts.append(("Windows", (HEAD + USUAL + "2026-03-14 %(h)s:20:00,7\n").replace("\n", "\r\n")))
            texts += [("a row a tag", LONG), ("a row a tag", LONG + "2026-03-14 %(h)s:20:00,FLOW\n")]
    paths = []
    for number, (name, text) in enumerate(texts):
        content = text % {"h": f"{number % 24:02}"} if "%" in text else text
        paths.append(
            written(
                folder, content.encode("utf-8", "surrogateescape"), f"{number:02} {name if '[' in name else ''}.csv"
            )
        )
    return paths


def told(blocks: list[Any], log: ReadLog) -> dict[str, Any]:
    """Return everything that reading a file gave, as plain values."""
    rows = [
        (name, time, repr(cell), int(block.quality[name][place]) if name in block.quality else 0)
        for block in blocks
        for name, cells in [*block.values.items(), *block.texts.items()]
        for place, (time, cell) in enumerate(zip(block.time_us.tolist(), cells.tolist(), strict=True))
    ]
    return {"readings": rows, **asdict(log)}


def all_read(exports: list[Any], ahead: ReadAhead | None) -> list[dict[str, Any]]:
    wanted = {tag.tag: tag for press in PLANT.presses for tag in press.tags.values()}
    found = []
    for export in exports:
        log = ReadLog()
        try:
            found.append(told(list(read_blocks(export, PLANT, wanted, log, ahead=ahead)), log))
        except InputError as error:
            found.append({"refused": str(error)})
    return found


@pytest.fixture
def queries(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many files each query reads."""
    counts: list[int] = []
    for module in (ahead_module, scan_module):
        real = module.record_batches

        def counted(relation: Any, size: int, real: Any = real) -> Any:
            counts.append(relation.sql_query().count(".csv'") if hasattr(relation, "sql_query") else 0)
            return real(relation, size)

        monkeypatch.setattr(module, "record_batches", counted)
    return counts


def test_each_file_gives_what_it_gives_alone(tmp_path: Path, queries: list[int]) -> None:
    exports = open_exports(files_in(tmp_path), PLANT)
    alone = all_read(exports, None)
    one_by_one = len(queries)
    with ReadAhead(exports) as ahead:
        together = all_read(exports, ahead)
    assert together == alone
    assert sum(len(each["readings"]) for each in alone) > 100 and any(each["refusals"] for each in alone)
    assert len(queries) - one_by_one < one_by_one / 2


def test_files_of_one_form_are_one_query(tmp_path: Path, queries: list[int]) -> None:
    paths = [written(tmp_path, HEAD + USUAL % {"h": f"{hour:02}"}, f"{hour:02}.csv") for hour in range(20)]
    exports = open_exports(paths, PLANT)
    with ReadAhead(exports) as ahead:
        found = all_read(exports, ahead)
    assert len(queries) == 1 and all(each["readings"] for each in found)


def test_a_file_that_changes_after_it_was_read_ahead_is_refused_and_the_others_are_not(tmp_path: Path) -> None:
    paths = [written(tmp_path, HEAD + USUAL % {"h": f"{hour:02}"}, f"{hour:02}.csv") for hour in range(4)]
    exports = open_exports(paths, PLANT)
    with ReadAhead(exports) as ahead:
        first = all_read(exports[:1], ahead)
        with paths[2].open("a", encoding="utf-8") as grown:
            grown.write("2026-03-14 02:20:00,7,8,ON\n")
        rest = all_read(exports[1:], ahead)
    assert first[0]["rows"] and rest[0]["rows"] and rest[2]["rows"]
    assert "was changed while it was read" in rest[1]["refused"]


def test_where_several_cannot_be_read_at_once_each_is_read_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuses(relation: object, size: int) -> None:
        raise ReadingError("not together")

    paths = [written(tmp_path, HEAD + USUAL % {"h": f"{hour:02}"}, f"{hour:02}.csv") for hour in range(4)]
    exports = open_exports(paths, PLANT)
    alone = all_read(exports, None)
    monkeypatch.setattr(ahead_module, "record_batches", refuses)
    with ReadAhead(exports) as ahead:
        assert all_read(exports, ahead) == alone


def test_a_file_that_is_gone_when_its_turn_comes_is_said_then(tmp_path: Path) -> None:
    paths = [written(tmp_path, HEAD + USUAL % {"h": f"{hour:02}"}, f"{hour:02}.csv") for hour in range(4)]
    exports = open_exports(paths, PLANT)
    paths[2].unlink()
    with ReadAhead(exports) as ahead:
        assert all(each["readings"] for each in all_read(exports[:2], ahead))
        with pytest.raises(FileNotFoundError, match=r"02\.csv"):
            all_read(exports[2:3], ahead)
        assert all_read(exports[3:], ahead)[0]["rows"]
