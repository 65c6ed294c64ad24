"""The units of the trade, read quickly, are those of the reference library."""

from contextlib import suppress

import pytest

from trendkit.errors import InputError
from trendkit.plant.units import (
    _EXACT,
    _FREE_SI,
    _SPELLINGS,
    EXAMPLES,
    USUAL_UNITS,
    _registry,
    _usual,
    conversion,
    free_unit,
    worked_out,
)

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


def test_usual_conversions_are_what_pint_works_out() -> None:
    """Every pair that converts is kept, and no other; the factors are the same to the last bit."""
    found = {}
    for unit in USUAL_UNITS:
        for si_unit in (*EXAMPLES, *_FREE_SI, unit):
            with suppress(InputError):
                found[unit, si_unit] = worked_out(unit, si_unit)
    assert _usual() == found
    assert len(found) > 100
