"""Each tag given the role it most likely plays: by its name, its readings, and what it moves with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from trendkit.drafting.facts import Facts, increments, together
from trendkit.drafting.name_clues import Name, presses_in, read_name
from trendkit.drafting.role_clues import (
    CLUES,
    COUNTERS,
    SETPOINTS,
    STATES,
    SWITCHES,
    SYSTEM_OF,
    TELLING,
    UNSCALED,
    Clue,
)
from trendkit.plant.roles import ROLES, Kind

SINGLE_PRESS = "Press 1"
LEAST_SCORE = 2.3  # below it a tag keeps no role: readings alone, without a word of its name, do not reach it
CLEAR = 1.5  # lead over the next role from which a proposal is called likely
STEADY_SHARE = 0.95  # of minutes without a change, from which readings are steps


@dataclass(frozen=True)
class Proposal:
    """What a tag is taken for: press, role (None: none fits), kind and unit (None: cannot be told), with reasons."""

    tag: str
    press: str | None  # None: names no press where others do
    role: str | None
    kind: Kind
    unit: str | None
    reasons: tuple[str, ...]
    could_be: str | None = None  # the next likely role, where it is close
    words_unread: tuple[str, ...] = ()  # of a state: words whose meaning the plant file has to say


@dataclass(frozen=True)
class _Candidate:
    facts: Facts
    name: Name
    press: str | None
    closeness: dict[str, float] = field(default_factory=dict, compare=False)  # to other tags, as far as asked for

    def close_to(self, other: _Candidate) -> float:
        """Return how closely this tag moves with another (rank correlation); of counters the increments count."""
        if other.facts.tag not in self.closeness:
            pair = [increments(one.values) if one.is_counter else one.values for one in (self.facts, other.facts)]
            self.closeness[other.facts.tag] = other.closeness[self.facts.tag] = together(*pair)
        return self.closeness[other.facts.tag]


def propose(facts: Sequence[Facts]) -> list[Proposal]:
    """Return a proposal for every tag, by press and then in the order of the roles.

    A role is given once per press. Nothing here is certain: every proposal is for a person to confirm.
    """
    named = presses_in(each.tag for each in facts)
    candidates = [_candidate(each, named) for each in facts if each.has_readings]
    presses = sorted({each.press for each in candidates if each.press is not None})
    first: dict[str, dict[str, _Candidate]] = {}
    for press in presses:
        first[press] = _assigned([each for each in candidates if each.press == press], {})
    system = _system(first)
    found: list[Proposal] = []
    for press in presses:
        own = [each for each in candidates if each.press == press]
        roles = _assigned(own, first[press])
        found += [_proposal(each, clue, roles, system) for clue in CLUES if (each := roles.get(clue.role)) is not None]
        taken = {each.facts.tag for each in roles.values()}
        found += [_without_role(each) for each in own if each.facts.tag not in taken]
    return found + [_without_role(each) for each in candidates if each.press is None]


def _candidate(facts: Facts, named: Mapping[str, tuple[str, str]]) -> _Candidate:
    press, token = named.get(facts.tag, (None if named else SINGLE_PRESS, ""))
    return _Candidate(facts, read_name(facts.tag, token), press)


def _assigned(candidates: Sequence[_Candidate], known: Mapping[str, _Candidate]) -> dict[str, _Candidate]:
    """Return the tag of each role: those pairs of the greatest sum of scores; `known` are roles given before."""
    from scipy.optimize import linear_sum_assignment

    if not candidates:
        return {}
    scores = np.array([[_score(each, clue, known) for clue in CLUES] for each in candidates])
    worth = np.maximum(scores - LEAST_SCORE, 0.0)
    rows, columns = linear_sum_assignment(worth, maximize=True)
    return {CLUES[c].role: candidates[r] for r, c in zip(rows, columns, strict=True) if worth[r, c] > 0.0}


def _score(each: _Candidate, clue: Clue, known: Mapping[str, _Candidate]) -> float:
    score = _name_score(each.name, clue) + _value_score(each, clue)
    if score < 0.0:
        return score  # not to be saved by a companion
    partner = _companion(each, clue, known)
    return score + (partner[1] if partner else 0.0)


def _name_score(name: Name, clue: Clue) -> float:
    has_stream = any(clue.streams & word for word in name.concepts)
    has_quantity = any(clue.quantities & word for word in name.concepts)
    telling = TELLING.get(clue.role)
    if telling is not None:
        has_quantity = any(telling in word for word in name.concepts)
    foreign = sum(not (clue.concepts & word) for word in name.concepts)
    if clue.streams:
        return 1.5 * has_stream + 1.5 * has_quantity - 1.2 * foreign
    return 3.0 * has_quantity - 1.2 * foreign


def _value_score(each: _Candidate, clue: Clue) -> float:
    facts, impossible = each.facts, -9.0
    if clue.role in STATES:
        if clue.role in SWITCHES:
            if not (facts.is_switch or facts.is_worded):
                return impossible
            is_rare = facts.is_switch and facts.on_share < 0.05
            return (1.0 if is_rare else -1.0) if clue.role == "belt_trip" else (-0.5 if is_rare else 1.0)
        return 1.0 if facts.is_worded else -0.5 if _has_few_levels(facts) else impossible
    if facts.is_worded:
        return impossible
    if clue.role in COUNTERS:
        return 2.0 if facts.is_counter else -4.0
    if facts.is_counter or facts.is_switch:
        return -2.5
    score = -0.5 if clue.usual is None else 1.2 if _fitting_units(each, clue) else -2.5
    if clue.role in SETPOINTS:
        score += 1.0 if facts.held_share > STEADY_SHARE else -1.0
    return score


def _has_few_levels(facts: Facts) -> bool:
    known = facts.values[np.isfinite(facts.values)]
    return len(np.unique(known[:: max(len(known) // 5000, 1)])) <= 6


def _fitting_units(each: _Candidate, clue: Clue) -> list[str]:
    """Return the units of a role in which the tag's readings are usual; only the stated one where there is one."""
    stated = each.facts.stated_unit or each.name.unit
    if stated and clue.role in UNSCALED.get(stated, ()):
        return [stated]
    units = [stated] if stated else list(clue.units)
    return [unit for unit in units if _is_usual(each.facts.usual, unit, clue)]


def _is_usual(reading: float, unit: str, clue: Clue) -> bool:
    value = _in_si(reading, unit, clue.role)
    return value is not None and clue.usual is not None and clue.usual[0] <= value <= clue.usual[1]


def _in_si(reading: float, unit: str, role: str) -> float | None:
    from trendkit.errors import InputError
    from trendkit.plant.units import conversion

    try:
        return conversion(unit, ROLES[role].unit, 1000.0)(reading)
    except InputError:
        return None


def _companion(each: _Candidate, clue: Clue, known: Mapping[str, _Candidate]) -> tuple[str, float] | None:
    """Return the tag this one moves with as its role should, and how closely (rank correlation above 0.6)."""
    best = None
    for role in clue.moves_with:
        partner = known.get(role)
        if partner is None or partner.facts.tag == each.facts.tag or each.facts.is_worded or partner.facts.is_worded:
            continue
        closeness = each.close_to(partner)
        if closeness > 0.6 and (best is None or closeness > best[1]):
            best = partner.facts.tag, closeness
    return best


def _system(first: Mapping[str, Mapping[str, _Candidate]]) -> str | None:
    """Return "us" or "si" by the readings that are usual in the units of one system alone, None when none tells."""
    votes = {"us": 0, "si": 0}
    for roles in first.values():
        for clue in CLUES:
            if clue.role in roles:
                systems = {SYSTEM_OF[unit] for unit in _fitting_units(roles[clue.role], clue) if unit in SYSTEM_OF}
                if len(systems) == 1:
                    votes[systems.pop()] += 1
    return None if votes["us"] == votes["si"] else max(votes, key=lambda system: votes[system])


def _proposal(each: _Candidate, clue: Clue, roles: Mapping[str, _Candidate], system: str | None) -> Proposal:
    others = [(_score(each, other, roles), other.role) for other in CLUES if other.role != clue.role]
    next_score, next_role = max(others)
    lead = _score(each, clue, roles) - next_score
    unit, why_unit = _unit(each, clue, system)
    reasons = [*_name_reason(each.name, clue), *_value_reason(each, clue), *why_unit]
    partner = _companion(each, clue, roles)
    if partner:
        reasons.append(f"moves with {partner[0]} (rank correlation {partner[1]:.2f})")
    kind: Kind = ROLES[clue.role].kind
    return Proposal(
        each.facts.tag,
        each.press,
        clue.role,
        kind,
        unit,
        tuple(reasons),
        next_role if lead < CLEAR and next_score > LEAST_SCORE else None,
        _words_unread(each.facts, clue.role),
    )


def _words_unread(facts: Facts, role: str) -> tuple[str, ...]:
    from trendkit.plant.model import Tag
    from trendkit.series.states import words_unread

    tag = Tag(role, facts.tag, role, "", "", "state")
    return words_unread(tag, dict.fromkeys(facts.words, 1)) if facts.is_worded else ()


def _name_reason(name: Name, clue: Clue) -> list[str]:
    said = [word for word, concepts in zip(name.words, name.concepts, strict=True) if concepts & clue.concepts]
    return [f"the name says {' '.join(said)}"] if said else []


def _value_reason(each: _Candidate, clue: Clue) -> list[str]:
    facts = each.facts
    if facts.is_worded:
        return [f"its states are {', '.join(facts.words[:6])}"]
    if clue.role in SWITCHES:
        return [f"it is 0 or 1, on {100 * facts.on_share:.1f} % of the time"]
    if facts.is_counter:
        return ["its readings only grow"]
    held = " and hold for long" if clue.role in SETPOINTS and facts.held_share > STEADY_SHARE else ""
    return [f"readings run from {facts.low:.4g} to {facts.high:.4g}, usually {facts.usual:.4g}{held}"]


def _unit(each: _Candidate, clue: Clue, system: str | None) -> tuple[str | None, list[str]]:
    """Return the unit proposed and why; None where the readings leave it open or it has none."""
    if clue.role in STATES:
        return None, []
    if each.facts.stated_unit:
        return each.facts.stated_unit, [f"the export states {each.facts.stated_unit}"]
    if each.name.unit:
        needs = " (needs its scale)" if clue.role in UNSCALED.get(each.name.unit, ()) else ""
        return each.name.unit, [f"the name says the unit {each.name.unit}{needs}"]
    fitting = _fitting_units(each, clue) if clue.usual else list(clue.units)
    if not fitting:
        return None, ["in no unit of this role are the readings usual"]
    if system is None and len({SYSTEM_OF.get(unit) for unit in fitting}) > 1:
        return None, [f"its readings would be usual in {' as in '.join(fitting[:3])}: ask which it is"]
    mine = [unit for unit in fitting if SYSTEM_OF.get(unit) in (system, None)]
    unit = (mine or fitting)[0]
    value = _in_si(each.facts.usual, unit, clue.role)
    told = (
        f"in {unit} that is {value:.3g} {ROLES[clue.role].unit}"
        if clue.usual and value is not None
        else f"taken as {unit}"
    )
    others = [other for other in fitting if other != unit]
    if others:
        by_system = " as the other tags are" if mine and SYSTEM_OF.get(unit) == system else ""
        told += f"{by_system}; {' or '.join(others[:2])} would be usual, too"
    return unit, [told]


def _without_role(each: _Candidate) -> Proposal:
    facts = each.facts
    kind: Kind = "state" if facts.is_worded or facts.is_switch else "counter" if facts.is_counter else "analog"
    if facts.is_worded:
        reasons = [f"its states are {', '.join(facts.words[:6])}"]
    else:
        reasons = [f"readings run from {facts.low:.4g} to {facts.high:.4g}, usually {facts.usual:.4g}"]
    if each.press is None:
        reasons.insert(0, "its name names no press")
    return Proposal(facts.tag, each.press, None, kind, facts.stated_unit or each.name.unit, tuple(reasons))
