"""One press over the whole span read, and its streams a stretch of runs at a time.

What is known of a bin rests on its own run alone, but for a few things that the whole record decides: what the press
was doing, how its meters were calibrated, whether its wet product is known most of the time. Those are found first and
held; streams with their shares of error take ten times the room and are made for a stretch of whole runs when they are
asked for.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from trendkit.plant.model import Plant, Press
from trendkit.press.calibration import BENCH, Fitted, calibration_notes, fit_to_grabs
from trendkit.press.given import Given, Known, dissolved_mg_l
from trendkit.press.methods import Chosen, choose_methods, method_notes
from trendkit.press.phases import Operation, observe_operation
from trendkit.press.rows import role_values, setting
from trendkit.press.stream_words import assumptions, basis_notes
from trendkit.press.streams import Streams, observe_streams, own_share
from trendkit.press.uncertainty import without_errors

WHOLE_ROWS = 100_000  # up to here a record is one stretch: ten weeks of minutes, more than a review of a month reads
STRETCH_ROWS = 45_000  # a month of minutes


@dataclass(frozen=True)
class Stretch:
    """The streams of some rows of a record, whole runs around them included; `asked` counts within the stretch."""

    streams: Streams
    chosen: Chosen
    asked: slice


def without_errors_in(stretch: Stretch) -> Stretch:
    """Return a stretch with the values of its streams alone."""
    return Stretch(without_errors(stretch.streams), without_errors(stretch.chosen), stretch.asked)


@dataclass(frozen=True)
class Survey:
    """What the whole record says once every stretch has been seen.

    `is_wet_known`: the wet product is known in most bins in which something comes off. `left_on_belts`: all solids fed
    over those that came off within the run they were fed in. `by_run`: see `FigureTable`. `reasons`: why a
    stream is not known anywhere.
    """

    is_wet_known: bool
    left_on_belts: float
    by_run: pd.DataFrame
    reasons: Mapping[str, str]


@dataclass(frozen=True)
class Record:
    """One press on one regular grid: roles and grabs, what it was doing, and its streams when they are asked for."""

    roles: pd.DataFrame
    lab: pd.DataFrame | None
    press: Press
    plant: Plant
    every_s: float
    operation: Operation

    @property
    def times(self) -> pd.DatetimeIndex:
        """Start of every bin, UTC."""
        return pd.DatetimeIndex(self.roles.index)

    @cached_property
    def blocks(self) -> Sequence[slice]:
        """The rows in blocks, each small enough for its stretch to be held: all of them while they are few."""
        count = len(self.roles)
        if count <= WHOLE_ROWS:
            return [slice(0, count)]
        return [slice(first, min(first + STRETCH_ROWS, count)) for first in range(0, count, STRETCH_ROWS)]

    @cached_property
    def known(self) -> Known:
        """What the whole record decides for the streams of every stretch."""
        return Known(
            self.fitted,
            own_share(self.roles, self.operation, self.every_s),
            bool(np.isnan(role_values(self.roles, "filtrate_solids")).any()),
        )

    @cached_property
    def fitted(self) -> Mapping[str, Fitted]:
        """How each solids meter stands against the grabs of the whole record, by its role."""
        return {
            role: fit_to_grabs(
                role, role_values(self.roles, role), self.lab, self.times, self.every_s, self.press, self.plant
            )
            for role in BENCH
        }

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """What the streams take for granted, for a person."""
        given = Given(self.roles, self.lab, self.press, self.plant, self.operation, self.every_s, self.known)
        return (
            *self.operation.transit.notes,
            *assumptions(given),
            *calibration_notes(given.calibrations),
            *basis_notes(given, dissolved_mg_l(given)),
            *method_notes(self.survey.by_run),
        )

    @cached_property
    def _whole(self) -> Stretch:
        return self._made(slice(0, len(self.roles)))

    def stretch(self, rows: slice) -> Stretch:
        """Return the streams of some rows; those of a short record are made once."""
        made = self._whole if len(self.blocks) == 1 else self._made(rows)
        asked = rows if len(self.blocks) == 1 else made.asked
        return Stretch(made.streams, replace(made.chosen, is_wet_known=self.survey.is_wet_known), asked)

    def around(self, times: pd.DatetimeIndex) -> Stretch:
        """Return the streams of the rows from the first to the last of some times."""
        if not len(times):
            return self.stretch(slice(0, 0))
        first, last = self.times.searchsorted(times[[0, -1]])
        return self.stretch(slice(int(first), int(last) + 1))

    def stretches(self) -> Iterator[tuple[slice, Stretch]]:
        """Yield the rows of every block with their streams, one after another."""
        for rows in self.blocks:
            yield rows, self.stretch(rows)

    def _made(self, rows: slice) -> Stretch:
        whole = self._with_whole_runs(rows)
        given = Given(
            self.roles.iloc[whole],
            self.lab,
            self.press,
            self.plant,
            self.operation.over(whole, self.every_s),
            self.every_s,
            self.known.over(whole),
        )
        streams = observe_streams(given)
        return Stretch(streams, choose_methods(streams), slice(rows.start - whole.start, rows.stop - whole.start))

    def _with_whole_runs(self, rows: slice) -> slice:
        """Return the rows widened to whole runs, the ones the cake meter sees after them included."""
        run_code = self.operation.run_code
        delay_s = float(np.nan_to_num(setting(self.press, self.times[rows], "cake_delay_s")).max(initial=0.0))
        first, last = rows.start, min(rows.stop + int(np.ceil(delay_s / self.every_s)) + 1, len(run_code)) - 1
        begun = np.concatenate(([0], self.operation.run_starts))
        changes = np.concatenate((np.flatnonzero(np.diff(run_code)), [len(run_code) - 1]))
        first = int(begun[np.searchsorted(begun, first, "right") - 1])
        if last >= 0 and run_code[last] >= 0:
            last = int(changes[np.searchsorted(changes, last)])
        return slice(first, last + 1)

    @cached_property
    def survey(self) -> Survey:
        """What only all stretches together say."""
        off, without_wet, fed, came_off = 0, 0, 0.0, 0.0
        runs, reasons = [], []
        for rows in self.blocks:
            made = self._whole if len(self.blocks) == 1 else self._made(rows)
            streams, asked = made.streams, made.asked
            in_run = streams.operation.run_code[asked] >= 0
            discharged = streams.fed_kg_h.value[asked]
            off += int((discharged > 0.0).sum())
            without_wet += int(np.isnan(made.chosen.wet_kg_h.value[asked][discharged > 0.0]).sum())
            fed += float(np.nansum(streams.fed_suspended_row_kg_h.value[asked][in_run]))
            came_off += float(np.nansum(discharged[in_run]))
            begun = _begun_in(streams.operation, asked, self.every_s)
            runs.append(made.chosen.by_run[made.chosen.by_run["run"].isin(begun)])
            reasons.append(streams.reasons)
        return Survey(
            off > 0 and without_wet / off <= 0.5,
            float(np.clip(fed / came_off, 1.0, MOST_LEFT_ON_BELTS)) if came_off > 0.0 else 1.0,
            pd.concat([each for each in runs if len(each)] or runs[:1], ignore_index=True),
            {need: why for need, why in reasons[0].items() if all(need in each for each in reasons)},
        )


MOST_LEFT_ON_BELTS = 1.1  # more is no run's remainder but an edge of the readings


def observe(roles: pd.DataFrame, lab: pd.DataFrame | None, press: Press, plant: Plant, every_s: float) -> Record:
    """Return the record of one press on its regular grid (index: bin start, UTC, closed left)."""
    known = [name for name in roles.columns if roles[name].notna().any()]
    filled = pd.DataFrame({name: roles[name] for name in known}, roles.index, copy=False)
    return Record(filled, lab, press, plant, every_s, observe_operation(filled, press, every_s))


def _begun_in(operation: Operation, rows: slice, every_s: float) -> list[str]:
    """Return the names of the runs that begin in some rows."""
    first = np.round(operation.run_start_s / every_s).astype(np.int64)
    return [name for name, row in zip(operation.run_names, first, strict=True) if rows.start <= row < rows.stop]
