"""Each mistake in a plant file has its message: line, key, what was found, what was expected, what to do."""

from __future__ import annotations

from pathlib import Path

import pytest
from plant_file import GOOD, changed, line_with, write

from trendkit.errors import InputError
from trendkit.plant import load_plant


def complaints(folder: Path, text: str) -> list[str]:
    """Return the sentences of the error a plant file raises, without the path in front."""
    path = write(folder, text)
    with pytest.raises(InputError) as caught:
        load_plant(path)
    sentences = str(caught.value).splitlines()
    assert all(sentence.startswith(f"{path}, ") for sentence in sentences)
    return [sentence.removeprefix(f"{path}, ") for sentence in sentences]


FEED = 'unit = "gal/min"'
SPEED_SCALE = 'scale = [["0 Hz", "0 m/min"], ["60 Hz", "12.4 m/min"]]'
TENSION_SCALE = 'scale = [["0 psi", "0 kN/m"], ["300 psi", "7 kN/m"]]'
WEDGE = 'wedge_gaps = [["0 m", "25 mm"], ["1.2 m", "4 mm"]]'
LAST_KEY = 'split = "by_feed"'

# what is replaced, by what, the key complained of, pieces of the sentence
CASES: dict[str, tuple[str, str, str, tuple[str, ...]]] = {
    "misspelt key": (
        'belt_width = "2.0 m"',
        'belt_widht = "2.0 m"',
        "press.belt_widht",
        ("this key is not known", "'belt_widht'", "perhaps 'belt_width' is meant"),
    ),
    "misspelt section": ("[costs]", "[cost]", "cost", ("not known", "perhaps 'costs' is meant")),
    "misspelt role": (
        "[press.tags.feed_solids]",
        "[press.tags.feed_solid]",
        "press.tags.feed_solid",
        ("this role is not known", "perhaps 'feed_solids' is meant"),
    ),
    "misspelt unit": (
        FEED,
        'unit = "gpn"',
        "press.tags.feed_flow.unit",
        ("not known", "'gpn'", "perhaps 'gpm' is meant"),
    ),
    "wrong unit": (
        FEED,
        'unit = "psi"',
        "press.tags.feed_flow.unit",
        ("something else", "'psi'", "a volume flow"),
    ),
    "belt speed in hertz": (
        SPEED_SCALE,
        "",
        "press.tags.gravity_belt_speed.unit",
        ("drive signal", "'Hz'", "mark the seam", "length x N / time", "nip points", "guards"),
    ),
    "tension in psi": (
        TENSION_SCALE,
        "",
        "press.tags.belt_tension.unit",
        ("a pressure is not a belt tension", "'psi'", "a force per width of belt", "tension chart"),
    ),
    "timezone": (
        'timezone = "America/Denver"',
        'timezone = "America/Denvr"',
        "plant.timezone",
        ("timezone is not known", "perhaps 'America/Denver' is meant"),
    ),
    "a fixed offset for the plant": (
        'timezone = "America/Denver"',
        'timezone = "-07:00"',
        "plant.timezone",
        ("IANA",),
    ),
    "target of no figure": (
        'cake_solids = { min = "19 %" }',
        'cake_solid = { min = "19 %" }',
        "press.targets.dewatering.cake_solid",
        ("figure is not known", "perhaps 'cake_solids' is meant"),
    ),
    "cake in thickening": (
        "[press.targets.dewatering]",
        "[press.targets.thickening]",
        "press.targets.thickening.cake_solids",
        ("thickening has no such figure",),
    ),
    "unknown mode": (
        "[press.targets.dewatering]",
        "[press.targets.dewater]",
        "press.targets.dewater",
        ("'dewatering' is meant",),
    ),
    "empty target": (
        '{ min = "19 %" }',
        "{ }",
        "press.targets.dewatering.cake_solids",
        ("neither min nor max",),
    ),
    "target upside down": (
        '{ min = "19 %" }',
        '{ min = "19 %", max = "18 %" }',
        "press.targets.dewatering.cake_solids",
        ("19 % and 18 %", "min below max"),
    ),
    "capture over 100": (
        'cake_solids = { min = "19 %" }',
        'capture = { min = "950 %" }',
        "press.targets.dewatering.capture.min",
        ("'950 %'", "30 to 100 %", "sanity bound"),
    ),
    "belt of 20 m": (
        'belt_width = "2.0 m"',
        'belt_width = "20 m"',
        "press.belt_width",
        ("'20 m'", "0.2 to 5 m", "sanity bound, usually 0.5 to 3.5"),
    ),
    "cake lighter than foam": (
        'cake_delay = "20 s"',
        'cake_density = "100 kg/m3"',
        "press.cake_density",
        ("'100 kg/m3'", "500 to 1600 kg/m3", "sanity bound"),
    ),
    "number without unit": (
        'belt_width = "2.0 m"',
        'belt_width = "2.0"',
        "press.belt_width",
        ("unit is missing", "such as ft or m"),
    ),
    "number without quotes": (
        'belt_width = "2.0 m"',
        "belt_width = 2.0",
        "press.belt_width",
        ("found 2.0", '"2.0 m"'),
    ),
    "decimal comma": (
        'belt_width = "2.0 m"',
        'belt_width = "2,0 m"',
        "press.belt_width",
        ("'2,0 m'", "decimal point"),
    ),
    "no belt width": (
        'belt_width = "2.0 m"\n',
        "",
        "press.belt_width",
        ("this key is missing", "effective belt width"),
    ),
    "long tons": (
        "62 USD/t",
        "62 USD/long ton",
        "costs.haul",
        ("this ton is not taken", "t (1000 kg) or ton (2000 lb)"),
    ),
    "tonnes": (
        "18 lb/ton",
        "9 kg/tonne",
        "press.targets.dewatering.polymer_dose.max",
        ("'kg/tonne'", "t (1000 kg)"),
    ),
    "another currency": ("62 USD/t", "62 EUR/t", "costs.haul", ("another currency", "'EUR'", "'USD'")),
    "price per what": ("62 USD/t", "62 USD", "costs.haul", ("no price", '"62 USD/t"')),
    "price per length": ("62 USD/t", "62 USD/m", "costs.haul", ("something else", "'m'")),
    "bare percent": (
        'uncertainty = "2 gal/min"',
        'uncertainty = "2 %"',
        "press.tags.feed_flow.uncertainty",
        ("bare %", "% of reading", 'add "of reading"'),
    ),
    "range upside down": (
        "range = [0, 250]",
        "range = [250, 0]",
        "press.tags.feed_flow.range",
        ("[250, 0]", "lower number first"),
    ),
    "range without end": (
        "range = [0, 250]",
        "range = [0, inf]",
        "press.tags.feed_flow.range",
        ("bare number", "found inf", "finite"),
    ),
    "kind": (
        'kind = "counter"',
        'kind = "totaliser"',
        "press.tags.filtrate_flow.kind",
        ("not known", '"counter"'),
    ),
    "speed as counter": (
        SPEED_SCALE,
        'kind = "counter"',
        "press.tags.gravity_belt_speed.kind",
        ("cannot be of this kind", "only a flow or a weight may be given as its counter"),
    ),
    "roll-over of no counter": (
        "range = [0, 250]",
        "counter_rolls_at = 1000",
        "press.tags.feed_flow.counter_rolls_at",
        ("only a counter rolls over",),
    ),
    "on_values of a number": (
        "range = [0, 250]",
        'on_values = ["1"]',
        "press.tags.feed_flow.on_values",
        ("only a state",),
    ),
    "measured_by of a flow": (
        "range = [0, 250]",
        'measured_by = "belt"',
        "press.tags.feed_flow.measured_by",
        ("gravity_belt_speed",),
    ),
    "solids unit of a flow": (FEED, 'unit = "%TS"', "press.tags.feed_flow.unit", ("for solids", "'%TS'")),
    "no tag": (
        'tag = "BFP1_FEED_TS"\n',
        "",
        "press.tags.feed_solids.tag",
        ("this key is missing", "in the exports"),
    ),
    "no unit": ('unit = "g/L"\n', "", "press.tags.feed_solids.unit", ("this key is missing", "gal/min")),
    "one point of scale": (
        SPEED_SCALE,
        'scale = [["60 Hz", "12.4 m/min"]]',
        "press.tags.gravity_belt_speed.scale",
        ("two points or more",),
    ),
    "scale backwards": (
        SPEED_SCALE,
        'scale = [["60 Hz", "12.4 m/min"], ["0 Hz", "0 m/min"]]',
        "press.tags.gravity_belt_speed.scale",
        ("must increase", "60 Hz, 0 Hz"),
    ),
    "scale too fast": (
        SPEED_SCALE,
        'scale = [["0 Hz", "0 m/min"], ["60 Hz", "124 m/min"]]',
        "press.tags.gravity_belt_speed.scale",
        ("'124 m/min'", "0 to 60 m/min", "sanity bound"),
    ),
    "same tag twice": (
        'tag = "BFP1_FEED_TS"',
        'tag = "BFP1_FEED_FLOW"',
        "press.tags.feed_solids.tag",
        ("already feed_flow of the same press",),
    ),
    "one meter for two presses": (
        'tag = "BFP2_FEED_FLOW"',
        'tag = "BFP1_FEED_FLOW"',
        "press.tags.feed_flow.tag",
        ("belongs to BFP-1", "counted twice", "[[shared]]"),
    ),
    "no feed flow": (
        '[press.tags.feed_flow]\ntag = "BFP2_FEED_FLOW"\nunit = "m3/h"\n',
        "",
        "press.tags.feed_flow",
        ("missing", "cannot do without"),
    ),
    "filtrate meter nowhere": (
        'meter = "with_wash"',
        "",
        "press.filtrate.meter",
        ("missing", '"before_wash"'),
    ),
    "filtrate word": (
        'meter = "with_wash"',
        'meter = "after_wash"',
        "press.filtrate.meter",
        ("'after_wash'", '"with_wash"'),
    ),
    "wedge backwards": (
        WEDGE,
        'wedge_gaps = [["1.2 m", "4 mm"], ["0 m", "25 mm"]]',
        "press.wedge_gaps",
        ("must increase", "1.2 m, 0 m"),
    ),
    "wedge beyond its zone": (
        WEDGE,
        'wedge_gaps = [["0 m", "25 mm"], ["12 m", "4 mm"]]',
        "press.wedge_gaps",
        ("12 m", "at most 11 m"),
    ),
    "wedge triple": (
        WEDGE,
        'wedge_gaps = [["0 m", "25 mm", "x"]]',
        "press.wedge_gaps",
        ("a pair is due", "3 values"),
    ),
    "fixed and metered": (
        "[press.fixed]\n",
        '[press.fixed]\nfeed_solids = { value = "3 %" }\n',
        "press.fixed.feed_solids",
        ("both metered and fixed",),
    ),
    "fixed state": (
        "[press.fixed]\n",
        '[press.fixed]\nmode = { value = "x" }\n',
        "press.fixed.mode",
        ("not known",),
    ),
    "fixed without table": (
        '{ value = "2.5 g/L", uncertainty = "5 % of reading" }',
        '"2.5 g/L"',
        "press.fixed.polymer_strength",
        ("a table is due here", "{ key = value }"),
    ),
    "dated setting of no key": (
        '{ cake_density = "1040 kg/m3",',
        '{ cake_densty = "1040 kg/m3",',
        "press.change.set.cake_densty",
        ("not known", "perhaps 'cake_density' is meant"),
    ),
    "dated nonsense": (
        '"1040 kg/m3"',
        '"10 kg/m3"',
        "press.change.set.cake_density",
        ("'10 kg/m3'", "500 to 1600", "sanity bound"),
    ),
    "date in quotes": (
        "from = 2026-03-16\n",
        'from = "2026-03-16"\n',
        "press.change.from",
        ("without quotes",),
    ),
    "no reason": ('reason = "new polymer"\n', "", "press.change.reason", ("missing", "why")),
    "exclude nothing": (
        "to = 2026-03-09T15:30:00",
        "to = 2026-03-09T12:00:00",
        "exclude.to",
        ("period is empty", "to after from"),
    ),
    "a time that never was": (
        "from = 2026-03-09T13:00:00",
        "from = 2026-03-08T02:30:00",
        "exclude.from",
        ("never was", "went forward", "America/Denver"),
    ),
    "exclude no press": (
        'press = "BFP-1"\n',
        'press = "BFP-7"\n',
        "exclude.press",
        ("not known", "BFP-1 or BFP-2"),
    ),
    "shared by one": ('["BFP-1", "BFP-2"]', '["BFP-1"]', "shared.presses", ("two presses or more",)),
    "shared pressure": (
        'role = "washwater_flow"',
        'role = "washwater_pressure"',
        "shared.role",
        ("cannot be split", "under each press"),
    ),
    "no split": (LAST_KEY, "", "shared.split", ("missing", '"by_running_width" or "by_feed"')),
    "shift clock": ('to = "19:00"', 'to = "25:00"', "shift.to", ("no time of day", "'25:00'", '"23:59"')),
    "archive outside": (
        'display_units = "us"',
        'archive = "../store"',
        "plant.archive",
        ("outside the folder", "'../store'"),
    ),
    "display units": (
        'display_units = "us"',
        'display_units = "uk"',
        "plant.display_units",
        ("'uk'", '"us" or "si"'),
    ),
    "short window": (
        'display_units = "us"',
        'rolling_window = "1 min"',
        "plant.rolling_window",
        ("'1 min'", "sanity bound"),
    ),
    "lab analysis": ("TSS = ", "TSSS = ", "lab.uncertainty.TSSS", ("not known", "perhaps 'TSS' is meant")),
    "wide keys in a long sheet": ('max_age = "6 h"', 'time = "Date"', "lab.time", ("wide layout",)),
    "wide without columns": (
        'max_age = "6 h"',
        'layout = "wide"\ntime = "Date"\npress = "BFP-1"',
        "lab.column",
        ("missing",),
    ),
    "press in single brackets": (
        "[[exclude]]",
        "[exclude]",
        "exclude",
        ("a list is due", "found a table", "double brackets, [[exclude]]"),
    ),
    "free name": (
        "[press.tags.polymer_pump_2]",
        '[press.tags."Pump 2"]',
        "press.tags.Pump 2",
        ("cannot be a column", "'Pump 2'"),
    ),
}


@pytest.mark.parametrize("case", CASES.values(), ids=CASES)
def test_one_mistake_gives_one_sentence_with_its_line(
    tmp_path: Path, case: tuple[str, str, str, tuple[str, ...]]
) -> None:
    old, new, key, pieces = case
    sentences = complaints(tmp_path, changed((old, new)))
    assert len(sentences) == 1, sentences
    place = sentences[0].split(":", 1)[0]
    assert place.split(", ", 1)[1] == key
    for piece in pieces:
        assert piece in sentences[0]


@pytest.mark.parametrize(
    "old, new",
    [
        ('timezone = "America/Denver"', 'timezone = "America/Denvr"'),
        ('display_units = "us"', 'display_units = "uk"'),
        ('belt_width = "2.0 m"', 'belt_width = "20 m"'),
        (FEED, 'unit = "gpn"'),
        ("[press.tags.feed_solids]", "[press.tags.feed_solid]"),
        ('"1040 kg/m3"', '"10 kg/m3"'),
        ('tag = "BFP2_FEED_FLOW"', 'tagg = "BFP2_FEED_FLOW"'),
        (LAST_KEY, 'split = "by_size"'),
    ],
)
def test_the_line_is_the_one_the_mistake_stands_on(tmp_path: Path, old: str, new: str) -> None:
    text = changed((old, new))
    assert f"line {line_with(text, new)}," in complaints(tmp_path, text)[0]


def test_the_second_press_is_shown_on_its_own_line(tmp_path: Path) -> None:
    text = changed(('belt_width = "1.0 m"', 'belt_width = "10 m"'))
    assert complaints(tmp_path, text)[0].startswith(f"line {line_with(text, '10 m')}, press.belt_width:")


def test_two_presses_must_not_share_one_folder(tmp_path: Path) -> None:
    text = changed(('name = "BFP-2"', 'name = "bfp 1"'), ('["BFP-1", "BFP-2"]', '["BFP-1", "bfp 1"]'))
    assert "press.name: two presses would share one folder; found 'bfp 1'" in complaints(tmp_path, text)[0]


def test_every_mistake_is_told_at_once_in_the_order_of_the_file(tmp_path: Path) -> None:
    edits = (
        ('timezone = "America/Denver"', 'timezone = "Denver"'),
        ("62 USD/t", "62 EUR/t"),
        ('belt_width = "2.0 m"', 'belt_widht = "2.0 m"'),
        (FEED, 'unit = "gpn"'),
        ('uncertainty = "3 psi"', 'uncertainty = "3 %"'),
        ("[[exclude]]", "[[exclude]]\nwhy = 1"),
        (LAST_KEY, ""),
    )
    sentences = complaints(tmp_path, changed(*edits))
    lines = [int(sentence.split(",", 1)[0].removeprefix("line ")) for sentence in sentences]
    assert len(sentences) == len(edits)
    assert lines == sorted(lines)


def test_keys_of_a_misspelt_role_are_still_checked(tmp_path: Path) -> None:
    text = changed(("[press.tags.feed_solids]", "[press.tags.feed_solid]"), ('unit = "g/L"', 'unit = "q/L"'))
    sentences = complaints(tmp_path, text)
    assert len(sentences) == 2
    assert "'q/L'" in sentences[1]


def test_a_line_break_inside_a_value_does_not_move_the_lines_after_it(tmp_path: Path) -> None:
    text = changed(
        (WEDGE, 'wedge_gaps = [\n  ["0 m", "25 mm"], # first\n  ["1.2 m",\n   "4 mm"],\n]'),
        (FEED, 'unit = "gpn"'),
    )
    assert f"line {line_with(text, 'gpn')}," in complaints(tmp_path, text)[0]


def test_an_item_of_a_long_list_is_shown_on_its_own_line(tmp_path: Path) -> None:
    text = changed((WEDGE, 'wedge_gaps = [\n  ["0 m", "25 mm"],\n  ["1.2 m", "4000 mm"],\n]'))
    assert f"line {line_with(text, '4000 mm')}," in complaints(tmp_path, text)[0]


@pytest.mark.parametrize(
    "text, pieces",
    [
        ("[plant\nname = 1\n", ("line 1", "no valid TOML")),
        ("[plant]\nname = BFP\n", ("line 2, column 8", "double quotes")),
        ('[plant]\nname = "a"\nname = "b"\n', ("line 3", "no valid TOML")),
        ("time,FEED\n2026-03-01,5\n", ("line 1", "no valid TOML")),
    ],
)
def test_what_is_no_toml_is_one_sentence_with_line_and_column(
    tmp_path: Path, text: str, pieces: tuple[str, ...]
) -> None:
    sentences = complaints(tmp_path, text)
    assert len(sentences) == 1
    assert all(piece in sentences[0] for piece in pieces)


def test_a_missing_file_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"nowhere\.toml: there is no such file; expected the plant file"):
        load_plant(tmp_path / "nowhere.toml")


def test_a_folder_is_no_plant_file_but_the_one_inside_is_named(tmp_path: Path) -> None:
    write(tmp_path, GOOD)
    with pytest.raises(InputError, match=r"this is a folder; .* To do: name .*plant\.toml\."):
        load_plant(tmp_path)


def test_text_in_another_encoding_is_refused_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "plant.toml"
    path.write_bytes('[plant]\nname = "Süd"\n'.encode("cp1252"))
    with pytest.raises(InputError, match=r"line 2: this is no UTF-8 text; expected UTF-8\. To do: save the file again"):
        load_plant(path)


def test_an_empty_file_says_what_a_plant_file_needs(tmp_path: Path) -> None:
    path = write(tmp_path, "")
    with pytest.raises(InputError) as caught:
        load_plant(path)
    text = str(caught.value)
    assert "plant: this key is missing; expected a section [plant]" in text
    assert "press: this key is missing; expected a section [[press]] for each press" in text


@pytest.mark.parametrize(
    "text",
    ["plant = 3", "press = 3", "[press]\nname = 1", "[[press]]\ntags = 3", "[[press]]\n[press.tags]\nx = 1"],
)
def test_a_value_where_a_table_is_due_is_a_mistake_not_a_crash(tmp_path: Path, text: str) -> None:
    assert any("is due here" in sentence for sentence in complaints(tmp_path, text))


def test_a_file_with_a_line_less_or_a_line_twice_never_crashes_the_reader(
    tmp_path: Path,
) -> None:
    lines = GOOD.splitlines()
    outcomes = set()
    for number in range(len(lines)):
        for text in (lines[:number] + lines[number + 1 :], [*lines[: number + 1], *lines[number:]]):
            try:
                load_plant(write(tmp_path, "\n".join(text)))
                outcomes.add("read")
            except InputError as error:
                outcomes.add("refused")
                assert all(problem.expected or problem.hint for problem in error.problems), error
    assert outcomes == {"read", "refused"}


@pytest.mark.parametrize("value", ["3", "true", '"x"', "[]", "{}", "2026-03-01", "07:00:00", "nan"])
def test_a_value_of_the_wrong_type_never_crashes_the_reader(tmp_path: Path, value: str) -> None:
    lines = GOOD.splitlines()
    for number, line in enumerate(lines):
        if " = " not in line:
            continue
        changed_line = line.split(" = ", 1)[0] + " = " + value
        try:
            load_plant(write(tmp_path, "\n".join([*lines[:number], changed_line, *lines[number + 1 :]])))
        except InputError as error:
            assert all(problem.expected or problem.hint for problem in error.problems), error
