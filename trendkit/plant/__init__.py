"""Comes in: a plant file (TOML), quantities as texts with units.

Goes out: `Plant`, checked, in the SI units its field names carry; times in UTC; periods, plant days and
shifts. Every room reads this one; it imports none of them.
"""

from trendkit.plant.calendar import (
    Period,
    day_period,
    day_start,
    month_period,
    parse_day,
    parse_moment,
    period_between,
    plant_days,
    shift_names,
    to_utc,
)
from trendkit.plant.load import load_plant
from trendkit.plant.model import (
    Change,
    Costs,
    Exclude,
    Filtrate,
    Fixed,
    Lab,
    LabColumn,
    Limit,
    Plant,
    Press,
    Shift,
    Source,
    Tag,
    Uncertainty,
)
from trendkit.plant.roles import LAB_POINTS, LAB_UNITS, MODES, ROLES, TARGETS, Kind, Role, Target

__all__ = [
    "LAB_POINTS",
    "LAB_UNITS",
    "MODES",
    "ROLES",
    "TARGETS",
    "Change",
    "Costs",
    "Exclude",
    "Filtrate",
    "Fixed",
    "Kind",
    "Lab",
    "LabColumn",
    "Limit",
    "Period",
    "Plant",
    "Press",
    "Role",
    "Shift",
    "Source",
    "Tag",
    "Target",
    "Uncertainty",
    "day_period",
    "day_start",
    "load_plant",
    "month_period",
    "parse_day",
    "parse_moment",
    "period_between",
    "plant_days",
    "shift_names",
    "to_utc",
]
