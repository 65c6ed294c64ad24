"""Uncertainty against JCGM 100:2008 (GUM), example H.2, and against the `uncertainties` library."""

import numpy as np
import pytest
import uncertainties

from trendkit.press.capture import capture_balance, capture_filtrate_metered
from trendkit.press.dose import polymer_dose_kg_t
from trendkit.press.uncertainty import Measured, correlated, standard_uncertainty

# GUM H.2, table H.2: five simultaneous observations of voltage [V], current [mA] and phase [rad].
VOLTS = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
MILLIAMPERES = np.array([19.663, 19.639, 19.640, 19.685, 19.678])


def observed() -> tuple[Measured, Measured]:
    data = np.stack([VOLTS, MILLIAMPERES / 1000.0])
    covariance_of_means = np.cov(data) / data.shape[1]
    volts, amperes = correlated(list(data.mean(axis=1)), covariance_of_means, "H.2")
    return volts, amperes


def test_gum_h2_impedance_with_correlation() -> None:
    """GUM H.2: Z = V / I = 254.260 ohm, u(Z) = 0.236 ohm."""
    volts, amperes = observed()
    impedance = volts / amperes
    assert float(impedance.value) == pytest.approx(254.260, abs=0.0005)
    assert float(standard_uncertainty(impedance)) == pytest.approx(0.236, abs=0.0005)


def test_gum_h2_would_be_too_narrow_without_correlation() -> None:
    """Consistency check on GUM H.2: taking the same means as independent gives 0.204 instead of 0.236."""
    volts, amperes = observed()
    alone = [Measured(each.value, {name: standard_uncertainty(each)}) for each, name in ((volts, "V"), (amperes, "I"))]
    assert float(standard_uncertainty(alone[0] / alone[1])) == pytest.approx(0.204, abs=0.0005)


def measured(value: float, uncertainty: float, source: str) -> Measured:
    return Measured(np.array(value), {source: np.array(uncertainty)})


def test_capture_agrees_with_the_uncertainties_library() -> None:
    """Reference library: `uncertainties`; one feed meter stands in solids fed and, through water, in the loss."""
    numbers = {"flow": (30.0, 0.6), "solids": (2.5, 0.1), "filtrate": (44.0, 0.9), "tss": (900.0, 70.0)}
    ours = {name: measured(value, sigma, name) for name, (value, sigma) in numbers.items()}
    theirs = {name: uncertainties.ufloat(value, sigma) for name, (value, sigma) in numbers.items()}
    results = []
    for kind in (ours, theirs):
        fed = kind["flow"] * 1010.0 * kind["solids"] * 0.01
        lost = (kind["filtrate"] + 0.1 * kind["flow"]) * kind["tss"] * 0.001
        results.append(capture_filtrate_metered(fed, lost))
    assert float(results[0].value) == pytest.approx(results[1].nominal_value, rel=1e-12)
    assert float(standard_uncertainty(results[0])) == pytest.approx(results[1].std_dev, rel=1e-9)


def test_balance_capture_agrees_with_the_uncertainties_library() -> None:
    """Reference library: `uncertainties`, on the water-balance form."""
    numbers = {
        "feed": (30300.0, 600.0),
        "pct": (2.5, 0.1),
        "cake": (20.0, 0.5),
        "tss": (900.0, 70.0),
        "wash": (1.2e4, 240.0),
    }
    results = []
    for kind in (
        {name: measured(value, sigma, name) for name, (value, sigma) in numbers.items()},
        {name: uncertainties.ufloat(value, sigma) for name, (value, sigma) in numbers.items()},
    ):
        fed = kind["feed"] * kind["pct"] * 0.01
        results.append(capture_balance(kind["feed"], fed, kind["cake"], kind["tss"], kind["wash"]))
    assert float(results[0].value) == pytest.approx(results[1].nominal_value, rel=1e-12)
    assert float(standard_uncertainty(results[0])) == pytest.approx(results[1].std_dev, rel=1e-9)


def test_dose_agrees_with_the_uncertainties_library() -> None:
    """Reference library: `uncertainties`."""
    numbers = {"active": (3.75, 0.2), "dry": (757.5, 30.0)}
    ours = polymer_dose_kg_t(*(measured(value, sigma, name) for name, (value, sigma) in numbers.items()))
    theirs = polymer_dose_kg_t(*(uncertainties.ufloat(value, sigma) for value, sigma in numbers.values()))
    assert float(ours.value) == pytest.approx(theirs.nominal_value, rel=1e-12)
    assert float(standard_uncertainty(ours)) == pytest.approx(theirs.std_dev, rel=1e-9)
