"""Why a stream of the press is missing and what the streams take for granted, in words for a person."""

from __future__ import annotations

import numpy as np

from trendkit.press.calibration import Calibration
from trendkit.press.given import Given
from trendkit.press.rows import has_role
from trendkit.press.uncertainty import Array, Measured


def assumptions(given: Given) -> tuple[str, ...]:
    """Say which roles are fixed in the plant file."""
    names = [role.replace("_", " ") for role in given.press.fixed]
    return (f"Assumed, not metered: {', '.join(names)}.",) if names else ()


def missing_reasons(
    given: Given, solids_pct: Measured, tss: Measured, product: Measured, turbidity: tuple[Calibration, ...]
) -> dict[str, str]:
    """Return why something is missing, by what it is: words for a person."""
    reasons = {}

    def is_missing(quantity: Measured) -> bool:
        return bool(np.isnan(quantity.value).all())

    if is_missing(solids_pct):
        reasons["feed solids"] = "no feed solids: neither a meter, a fixed value nor a feed sample"
    if not has_role(given.roles, "polymer_flow"):
        reasons["polymer"] = "no polymer flow meter"
    elif not has_role(given.roles, "polymer_strength"):
        reasons["polymer"] = "no polymer strength: neither a meter nor a fixed value"
    if is_missing(tss):
        reasons["filtrate solids"] = "no filtrate solids: neither a meter nor a filtrate sample"
        if has_role(given.roles, "filtrate_turbidity"):
            why = turbidity[0].reason if turbidity else "no filtrate grab"
            reasons["filtrate solids"] = f"turbidity is not calibrated on filtrate grabs ({why})"
    if is_missing(product):
        reasons["product solids"] = "no cake solids: neither a meter nor a cake sample"
    if given.press.filtrate.sample == "with_wash" and not has_role(given.roles, "washwater_flow"):
        reasons["washwater"] = "no washwater flow, and the filtrate sample holds washwater"
    if given.press.filtrate.wash_return == "separate" and not given.bench("wash_return", "TSS").is_known:
        reasons["washwater"] = "no wash_return sample, and the belt wash carries solids away separately"
    return reasons


def basis_notes(given: Given, dissolved_mg_l: Array) -> tuple[str, ...]:
    """Say on which solids basis capture stands: all suspended, or feed total against filtrate suspended."""
    in_runs = given.operation.run_code >= 0
    known = dissolved_mg_l[in_runs & (dissolved_mg_l > 0.0)]
    if not len(known):
        return (
            "Feed and cake are on total solids (TS), filtrate on suspended solids (TSS), and dissolved solids are not "
            "known: they pass through, so capture reads high by about their share of the feed solids. A TDS result of "
            "the feed on the bench sheet puts all three on suspended solids.",
        )
    text = (
        f"Capture is on suspended solids: dissolved solids of {np.median(known):.0f} mg/L are taken off feed and cake"
    )
    share = len(known) / max(int(in_runs.sum()), 1)
    return (f"{text}." if share > 0.99 else f"{text} in {100.0 * share:.0f} % of the time, the rest is not corrected.",)
