"""Signs of what moved together: each column's own excursion, dated and sized like any other sign.

Comes in: a `Joint` finding. Goes out: `Sign`s of the columns that moved in it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from trendkit.upsets.joint import MOVED, Joint
from trendkit.upsets.signs import Sign, make_sign
from trendkit.upsets.spans import LEAVE_MOVE, excursion
from trendkit.upsets.trials import Scene
from trendkit.upsets.watched import BY_NAME

BEFORE, GAP, LEAST = 18, 1, 4  # blocks


def joint_signs(joint: Joint, scene: Scene) -> list[Sign]:
    """Return a sign of each column that moved by `MOVED` spreads the way of the cause."""
    found = [_sign(joint, name, side, size, scene) for name, side, size in joint.moved if size >= MOVED]
    return [sign for sign in found if sign is not None]


def _sign(joint: Joint, name: str, side: int, size: float, scene: Scene) -> Sign | None:
    """Return the excursion of one column around the stretch; None when its own blocks do not show it."""
    record, judged = scene.record, scene.mode.judged
    inside = np.flatnonzero(record.pieces == record.pieces[joint.first])
    watched = BY_NAME[name]
    fed = np.maximum.accumulate(record.fed[watched.place][inside])
    begins, ends = record.fed["feed"][[joint.first, joint.last - 1]]
    first, end = int(np.searchsorted(fed, begins)), int(np.searchsorted(fed, ends, side="right"))
    values = record.means[inside, record.names.index(name)]
    before, during = values[max(0, first - GAP - BEFORE) : max(0, first - GAP)], values[first:end]
    if np.sum(~np.isnan(before)) < LEAST or not np.isfinite(during).any():
        return None
    usual = float(np.nanmean(before))
    moved = side * (float(np.nanmean(during)) - usual)
    reached = np.flatnonzero(side * (during - usual) >= LEAVE_MOVE * moved)
    if moved <= 0.0 or not reached.size:
        return None
    spread = moved / size
    leave = max(LEAVE_MOVE * moved, spread)
    span = excursion(side * (values - usual), first + int(reached[0]), leave, side, judged.block_s)
    seen = min(max(end - 1, span.first), span.last - 1)
    span = replace(span, detected=seen, usual=np.full(span.last - span.first, usual))
    return make_sign(judged, watched, int(inside[0]), span, spread, None)
