"""Truck tickets and polymer deliveries: masses in kg, times in UTC, the unit they are read in said."""

import pytest
from exports_files import a_plant

from trendkit.errors import InputError
from trendkit.exports import read_slips


def read(tmp_path, text, name="tickets.csv"):
    path = tmp_path / name
    path.write_text(text)
    return read_slips(path, a_plant("FLOW"))


def test_a_unit_in_the_cell_or_the_heading_decides(tmp_path):
    cell = read(tmp_path, "time,press,wet_mass\n2026-03-02 08:00,BFP-1,18.4 t\n2026-03-02 12:00,BFP-1,40000 lb\n")
    assert cell.frame["mass_kg"].round(3).tolist() == [18400.0, 18143.695]
    assert cell.frame["press"].tolist() == ["bfp-1", "bfp-1"]
    heading = read(tmp_path, "time,wet_mass (ton)\n2026-03-02 08:00,20\n")
    assert heading.frame["mass_kg"].iloc[0] == pytest.approx(18143.6948)


def test_masses_without_a_unit_are_read_by_their_size_and_it_is_said(tmp_path):
    tonnes = read(tmp_path, "time,press,wet_mass\n2026-03-02 08:00,BFP-1,18.4\n")
    kilograms = read(tmp_path, "time,press,wet_mass\n2026-03-02 08:00,BFP-1,18400\n")
    assert tonnes.frame["mass_kg"].iloc[0] == kilograms.frame["mass_kg"].iloc[0] == 18400.0
    assert "tonnes" in tonnes.input.notes[0] and "kg" in kilograms.input.notes[0]


def test_active_shares_come_as_percent_or_fraction(tmp_path):
    text = "time,mass,active\n2026-03-02,1000 kg,40 %\n2026-03-03,1000 kg,0.4\n2026-03-04,1000 kg,40\n"
    assert read(tmp_path, text, "deliveries.csv").frame["active_share"].tolist() == [0.4, 0.4, 0.4]


def test_rows_that_cannot_be_read_are_refused_with_their_line(tmp_path):
    text = "time,press,wet_mass\n2026-03-02 08:00,BFP-1,18.4 t\n2026-03-02 09:00,BFP-9,18 t\n2026-03-02 10:00,BFP-1,?\n"
    found = read(tmp_path, text)
    assert len(found.frame) == 1
    assert found.input.refusals == ((3, "there is no press 'BFP-9'"), (4, "'?' is no mass"))


def test_a_mass_in_a_unit_nobody_knows_is_refused_with_its_line_and_the_others_are_read(tmp_path):
    found = read(tmp_path, "time,wet_mass,unit\n2026-03-02,18.4,t\n2026-03-03,18.1,tonne\n2026-03-04,17,kgs\n")
    assert found.frame["mass_kg"].tolist() == [18400.0]
    (tonne, kgs) = found.input.refusals
    assert (
        tonne[0] == 3
        and "this ton is not taken" in tonne[1]
        and kgs
        == (
            4,
            "'kgs': this unit is not known; perhaps 'kg' is meant",
        )
    )
    with pytest.raises(InputError, match=r"line 2.*'m3': this unit measures something else"):
        read(tmp_path, "time,wet_mass (m3)\n2026-03-02,18\n")


def test_the_net_mass_is_taken_where_the_gross_one_stands_beside_it(tmp_path):
    found = read(tmp_path, "time,Weight (kg),Tare (kg),Net (kg)\n2026-03-02,26000,9000,17000\n")
    assert found.frame["mass_kg"].tolist() == [17000.0]


def test_a_file_without_masses_is_refused(tmp_path):
    with pytest.raises(InputError, match="no masses"):
        read(tmp_path, "a,b\n1,2\n")
