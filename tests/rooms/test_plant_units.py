"""The units of the trade, read quickly, are those of the reference library."""

import pytest

from trendkit.plant.units import _EXACT, _SPELLINGS, _registry, conversion, free_unit

OWN = {"machine_turn", "machine_turn_per_minute", "NTU", "pH_unit", "fraction", "percentage_point", "percent_of_solids"}


@pytest.mark.parametrize("word", sorted({*_SPELLINGS.values(), *_EXACT.values()} - OWN))
def test_a_trade_unit_is_what_the_reference_library_says(word: str) -> None:
    """Reference library: pint's own definitions, of which ours are the part a press needs."""
    quick, full = _registry(is_full=False), _registry(is_full=True)
    base = [registry.Quantity(3, registry.parse_units(word)).to_base_units() for registry in (quick, full)]
    assert float(base[0].magnitude) == pytest.approx(float(base[1].to(str(base[0].units)).magnitude), rel=1e-15)
    assert dict(base[0].dimensionality) == dict(base[1].dimensionality)


def test_a_unit_outside_the_trade_is_still_read() -> None:
    assert conversion("inHg", "kPa").factor == pytest.approx(3.38639, rel=1e-5)
    assert free_unit("uS/cm") == "uS/cm"
