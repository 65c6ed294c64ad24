"""The plant file as it is written: its sections, keys and the kind of value each takes. Texts are read later.

Every key is optional here so that the loader can go on past one mistake and report all; what must be there is
checked by the loader. Unknown keys are errors.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, Strict

from trendkit.plant.model import QualityScheme

Text = Annotated[str, Strict()]
Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Moment = Annotated[datetime, Strict()] | Annotated[date, Strict()]
Pair = tuple[Text, Text]


class Section(BaseModel):
    """A table of the plant file; unknown keys are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=False)


class PlantSection(Section):
    """``[plant]``."""

    name: Text | None = None
    timezone: Text | None = None
    day_starts_at: Text = "00:00"
    display_units: Literal["us", "si"] = "si"
    archive: Text = "archive"
    rolling_window: Text = "1h"
    max_hold: Text = "10min"


class SourceSection(Section):
    """``[[source]]``."""

    files: Text | None = None
    timezone: Text | None = None
    shift_clock: Text = "0s"
    dates: Literal["day_first", "month_first"] | None = None
    decimal_mark: Literal[".", ","] | None = None
    quality: QualityScheme | None = None


class ShiftSection(Section):
    """``[[shift]]``."""

    name: Text | None = None
    start: Text | None = Field(None, alias="from")
    end: Text | None = Field(None, alias="to")


class CostsSection(Section):
    """``[costs]``."""

    currency: Text | None = None
    polymer: Text | None = None
    haul: Text | None = None
    power: Text | None = None
    water: Text | None = None
    solids_return: Text | None = None
    press_hour: Text | None = None


class FiltrateSection(Section):
    """``[press.filtrate]``."""

    meter: Literal["with_wash", "before_wash", "none"] | None = None
    sample: Literal["with_wash", "before_wash"] | None = None
    wash_return: Literal["joins", "separate"] | None = None


class PolymerSection(Section):
    """``[press.polymer]``."""

    strength_of: Literal["solution"] | None = None


class LimitSection(Section):
    """One target, ``{ min = "...", max = "..." }``."""

    min: Text | None = None
    max: Text | None = None


class TagSection(Section):
    """``[press.tags.NAME]``."""

    tag: Text | None = None
    unit: Text | None = None
    kind: Literal["analog", "step", "counter", "state"] | None = None
    range: tuple[Number, Number] | None = None
    uncertainty: Text | None = None
    scale: list[Pair] | None = None
    counter_rolls_at: Number | None = None
    on_values: list[Text] | None = None
    mode_words: dict[Literal["dewatering", "thickening"], list[Text]] | None = None
    measured_by: Literal["drive", "belt"] | None = None


class FixedSection(Section):
    """One role of ``[press.fixed]``."""

    value: Text | None = None
    uncertainty: Text | None = None


class PressSettings(Section):
    """What ``[[press]]`` and a dated change of it may set."""

    belt_width: Text | None = None
    gravity_zone_length: Text | None = None
    pressure_zone_length: Text | None = None
    wedge_gaps: list[Pair] | None = None
    conditioning_volume: Text | None = None
    conditioning_tank_area: Text | None = None
    cake_delay: Text | None = None
    feed_density: Text | None = None
    cake_density: Text | None = None
    feed_on_above: Text | None = None
    filtrate: FiltrateSection = FiltrateSection()
    polymer: PolymerSection = PolymerSection()
    targets: dict[str, dict[str, LimitSection]] = {}
    tags: dict[str, TagSection] = {}
    fixed: dict[str, FixedSection] = {}


class ChangeSection(Section):
    """``[[press.change]]``."""

    start: Moment | None = Field(None, alias="from")
    reason: Text | None = None
    set: PressSettings | None = None


class PressSection(PressSettings):
    """``[[press]]``."""

    name: Text | None = None
    change: list[ChangeSection] = []


class ExcludeSection(Section):
    """``[[exclude]]``."""

    start: Moment | None = Field(None, alias="from")
    end: Moment | None = Field(None, alias="to")
    press: Text | None = None
    reason: Text | None = None


class SharedSection(Section):
    """``[[shared]]``."""

    role: Text | None = None
    tag: Text | None = None
    unit: Text | None = None
    presses: list[Text] | None = None
    split: Literal["by_running_width", "by_feed"] | None = None
    kind: Literal["analog", "step", "counter"] | None = None
    range: tuple[Number, Number] | None = None
    uncertainty: Text | None = None
    scale: list[Pair] | None = None
    counter_rolls_at: Number | None = None


class LabColumnSection(Section):
    """``[[lab.column]]``."""

    header: Text | None = None
    point: Text | None = None
    analysis: Text | None = None
    unit: Text | None = None


class LabSection(Section):
    """``[lab]``."""

    files: Text | None = None
    timezone: Text | None = None
    max_age: Text = "8 h"
    layout: Literal["long", "wide"] = "long"
    time: Text | None = None
    press: Text | None = None
    press_column: Text | None = None
    column: list[LabColumnSection] = []
    uncertainty: dict[str, Text] = {}


class FilesSection(Section):
    """``[tickets]`` and ``[deliveries]``."""

    files: Text | None = None


class PlantFile(Section):
    """The whole file."""

    plant: PlantSection | None = None
    source: list[SourceSection] = []
    shift: list[ShiftSection] = []
    costs: CostsSection | None = None
    press: list[PressSection] = []
    exclude: list[ExcludeSection] = []
    shared: list[SharedSection] = []
    lab: LabSection = LabSection()
    tickets: FilesSection = FilesSection()
    deliveries: FilesSection = FilesSection()
