"""Exports and sheets made to harm: each is refused in a sentence, in bounded memory, and nothing outside is touched."""

from __future__ import annotations

import os
import sys
import zipfile
from pathlib import Path

import pytest
from exports_files import a_plant, take_all, written
from hostile import ROWS, cell, packed_rows, read_in_child, workbook

from trendkit.errors import InputError
from trendkit.exports import find_inputs, read_lab, size_limits, workbook_limits
from trendkit.exports.size_limits import require_readable_size
from trendkit.exports.workbook_spread import BinaryCells, RepeatedCells

USUAL_ROW = b"2026-03-15 00:00:00,1.5\n"
ON_POSIX = pytest.mark.skipif(sys.platform == "win32", reason="peak memory and links as POSIX has them")


def refused(path: Path) -> str:
    with pytest.raises(InputError) as told:
        take_all(a_plant("FLOW"), path)
    return str(told.value)


@ON_POSIX
@pytest.mark.parametrize("packing", ["gz", "zst"])
def test_a_packed_file_of_endless_rows_is_refused_with_the_limit(tmp_path: Path, packing: str) -> None:
    """Unpacks to 1.1 GB from a few MB: more than 1 GB and more than 200 times its size."""
    bomb = packed_rows(tmp_path / f"flow.csv.{packing}", USUAL_ROW * 100_000, 480)
    said, more_mb = read_in_child(bomb, written(tmp_path, ROWS))
    assert said.startswith(f"flow.csv.{packing}: the packed file unpacks to more than an export would; found over ")
    assert "expected at most 200 times its size, or 1,024 MB if that is more" in said
    assert more_mb < 200


def test_a_packed_file_of_usual_size_is_read(tmp_path: Path) -> None:
    again = b"".join(b"2026-03-15 00:%02d:%02d,1.5\n" % (i // 60, i % 60) for i in range(3600))
    path = packed_rows(tmp_path / "flow.csv.gz", again, 3)
    assert len(take_all(a_plant("FLOW"), path).series["FLOW"]) == 600 + 3600


@ON_POSIX
def test_a_packed_file_of_one_endless_line_is_refused_with_its_number(tmp_path: Path) -> None:
    bomb = packed_rows(tmp_path / "flow.csv.gz", b"0" * 1_000_000, 100)
    said, more_mb = read_in_child(bomb, written(tmp_path, ROWS))
    assert said.startswith("flow.csv.gz, line 602: a line of the file is too long for a row of readings")
    assert more_mb < 200


@ON_POSIX
def test_a_line_of_200_megabytes_is_refused_with_its_number(tmp_path: Path) -> None:
    path = tmp_path / "flow.csv"
    with path.open("wb") as file:
        file.write(ROWS + b"2026-03-14 10:00:00,")
        for _ in range(200):
            file.write(b"x" * 1_000_000)
        file.write(b"\n" + USUAL_ROW)
    said, more_mb = read_in_child(path, written(tmp_path, ROWS, "usual.csv"))
    path.unlink()
    assert said.startswith(
        "flow.csv, line 602: a line of the file is too long for a row of readings; found more than 8 MB"
    )
    assert more_mb < 200


@pytest.mark.parametrize("megabytes", [3, 7])
@pytest.mark.parametrize("ends", [b"\n", b"\r\n"])
def test_a_line_too_long_for_the_engine_alone_is_counted(tmp_path: Path, megabytes: int, ends: bytes) -> None:
    rows = ROWS + b"2026-03-14 10:00:00," + b"x" * (megabytes * 1_000_000) + b"\n" + USUAL_ROW
    found = take_all(a_plant("FLOW"), written(tmp_path, rows.replace(b"\n", ends)))
    assert len(found.series["FLOW"]) == 601
    assert found.log.refusals == [(602, "the line is too long")]


def test_every_place_of_a_long_line_is_found(tmp_path: Path) -> None:
    """The line begins at, before and after the places looked at; others of nearly the limit are let through."""
    limit = size_limits.MOST_LINE_BYTES
    for before in (0, 1, limit - 70_000, limit - 2):
        path = written(tmp_path, b"a" * before + b"\n" + b"b" * (limit + 70_000) + b"\nc\n", f"{before}.csv")
        with pytest.raises(InputError, match="line 2: a line of the file is too long"):
            require_readable_size(path, "", path.name)
        path.unlink()
    fine = written(tmp_path, (b"a" * (limit - 2) + b"\n") * 3, "fine.csv")
    require_readable_size(fine, "", fine.name)


def test_a_bench_sheet_that_unpacks_to_too_much_is_refused(tmp_path: Path) -> None:
    sheet = packed_rows(tmp_path / "lab.csv.gz", b"2026-03-14 08:00,BFP-1,feed,TS,3.1,%,\n" * 20_000, 100)
    with pytest.raises(InputError, match=r"lab.csv.gz: the file is too large for a bench sheet; found more than 64 MB"):
        read_lab(sheet, a_plant("FLOW"))


def test_a_bench_sheet_with_an_endless_cell_is_refused_with_its_line(tmp_path: Path) -> None:
    text = 'sampled_at,press,point,analysis,value,unit,note\n2026-03-14 08:00,BFP-1,feed,TS,3.1,%,"' + "x" * 200_000
    with pytest.raises(InputError, match="from line 2 on: the rows of the sheet cannot be told apart"):
        read_lab(written(tmp_path, text, "lab.csv"), a_plant("FLOW"))


def test_a_workbook_that_unpacks_to_gigabytes_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "flow.xlsx"
    with (
        zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as book,
        book.open("xl/media/a.png", "w") as part,
    ):
        for _ in range(600):
            part.write(b"<row/>" * 174_763)
    assert path.stat().st_size < 10_000_000
    with pytest.raises(InputError) as told:
        read_lab(path, a_plant("FLOW"))
    said = str(told.value)
    assert said.startswith("flow.xlsx: the workbook is larger than can be read; found over 512 MB unpacked from ")


def test_a_workbook_that_lies_about_its_size_is_measured(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workbook_limits, "MOST_UNPACKED_BYTES", 1_000_000)
    path = workbook(tmp_path / "flow.xlsx", "<row/>" * 500_000)
    with zipfile.ZipFile(path) as book:
        stated = book.getinfo("xl/worksheets/sheet1.xml").file_size
    content = path.read_bytes().replace(stated.to_bytes(4, "little"), (1000).to_bytes(4, "little"))
    path.write_bytes(content)
    with zipfile.ZipFile(path) as book:
        assert book.getinfo("xl/worksheets/sheet1.xml").file_size == 1000
    assert "the workbook is larger than can be read" in refused(path)


@pytest.mark.parametrize("far", ["XFD1048576", "xfd1048576", "AAAA9999999"])
def test_two_cells_far_apart_do_not_make_a_table_of_billions(tmp_path: Path, far: str) -> None:
    rows = f'<row r="1"><c r="A1"><v>1</v></c></row><row><c s="1"  r = "{far}"><v>2</v></c></row>'
    assert "flow.xlsx: the workbook spans a larger table than can be read" in refused(
        workbook(tmp_path / "flow.xlsx", rows)
    )


def test_repeated_and_binary_cells_are_measured_too() -> None:
    """OpenDocument repeats cells by a count; sheets end in a million empty rows, which do not count."""
    sheet = RepeatedCells()
    sheet.see(b'<table:table-row><table:table-cell office:value-type="float" office:value="1"/></table:table-row>')
    sheet.see(b'<table:table-row table:number-rows-repeated="1048575"><table:table-cell table:number-col')
    sheet.see(b'umns-repeated="16384"/></table:table-row></table:table>')
    assert (sheet.rows, sheet.columns) == (1, 1)
    sheet.see(b"<table:table-row table:number-rows-repeated='90000'><table:table-cell table:number-columns-repeated")
    sheet.see(b'="16000" office:value-type="string"/></table:table-row><office:end/>')
    assert sheet.rows >= 90_000
    assert sheet.columns == 16_000
    binary = BinaryCells()
    row, value = (
        b"\x00\x04" + (1_048_575).to_bytes(4, "little"),
        b"\x02\x08" + (16_383).to_bytes(4, "little") + b"\0" * 4,
    )
    for piece in (row + value[:3], value[3:], b"\x80\x01\x00" * 10):
        binary.see(piece)
    assert (binary.rows, binary.columns) == (1_048_576, 16_384)


@pytest.mark.parametrize(
    "declared",
    [
        '<!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;"><!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;">]>',
        '<!DOCTYPE x [<!ENTITY c SYSTEM "file:///etc/hostname">]>',
        '<!DOCTYPE x SYSTEM "http://127.0.0.1:9/x.dtd">',
    ],
)
def test_entities_in_a_workbook_are_refused_and_never_fetched(tmp_path: Path, declared: str) -> None:
    rows = f'<row r="1">{cell("A1", "Time")}{cell("B1", "FLOW")}</row><row r="2">{cell("A2", "&amp;c;")}</row>'
    book = workbook(tmp_path / "flow.xlsx", rows.replace("&amp;", "&"), declared)
    assert "the workbook cannot be opened; found a declaration of entities, which no spreadsheet writes" in refused(
        book
    )
    with pytest.raises(InputError, match="a declaration of entities"):
        read_lab(book, a_plant("FLOW"))


def test_a_workbook_of_usual_xml_is_read(tmp_path: Path) -> None:
    """The same writer of bare XML, without any trick: what is refused above is refused for its trick."""
    rows = f'<row r="1">{cell("A1", "Time")}{cell("B1", "FLOW")}</row>' + "".join(
        f'<row r="{n}">{cell(f"A{n}", f"2026-03-14 08:{n:02d}:00")}<c r="B{n}"><v>{n}</v></c></row>'
        for n in range(2, 9)
    )
    found = take_all(a_plant("FLOW"), workbook(tmp_path / "flow.xlsx", rows))
    assert found.values("FLOW") == [2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0]


@ON_POSIX
def test_links_that_lead_in_a_circle_are_not_followed(tmp_path: Path) -> None:
    written(tmp_path, ROWS, "flow.csv")
    (tmp_path / "deeper").mkdir()
    for name in ("up", "again"):
        (tmp_path / "deeper" / name).symlink_to(tmp_path, target_is_directory=True)
    (tmp_path / "itself.csv").symlink_to(tmp_path / "itself.csv")
    plant = a_plant("FLOW", archive=tmp_path / "archive")
    for asked in (tmp_path, f"{tmp_path}/**/*.csv", f"{tmp_path}/**"):
        assert [path.name for path in find_inputs([asked], plant).exports] == ["flow.csv"]
    with pytest.raises(InputError, match="there is no such file"):
        find_inputs([tmp_path / "itself.csv"], plant)


def test_a_file_that_grows_while_it_is_read_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from trendkit.exports import read

    path = written(tmp_path, ROWS)
    whole = read._file_blocks

    def grows(scan):  # type: ignore[no-untyped-def]
        for each in whole(scan):
            with path.open("ab") as file:
                file.write(b"2026-03-15 00:00:00,1")
            yield each

    monkeypatch.setattr(read, "_file_blocks", grows)
    assert refused(path) == (
        "export.csv: the file was changed while it was read; expected a file nobody writes to in the meantime. "
        "To do: wait until it is written, or read a copy of it."
    )


def test_a_file_that_another_program_locks_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows answers so while a spreadsheet holds the file."""
    path = written(tmp_path, ROWS)

    def is_locked(self: Path, *given: object, **named: object) -> object:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "open", is_locked)
    said = refused(path)
    assert said.startswith(f"{path}: the system does not let this be read or written; found Permission denied.")
    assert "whether another program holds it open" in said


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_a_pipe_among_the_files_does_not_hold_a_command_up(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "flow.csv")
    written(tmp_path, ROWS, "other.csv")
    plant = a_plant("FLOW", archive=tmp_path / "archive")
    assert [path.name for path in find_inputs([tmp_path], plant).exports] == ["other.csv"]
    with pytest.raises(InputError, match="this is no file with rows"):
        find_inputs([tmp_path / "flow.csv"], plant)
