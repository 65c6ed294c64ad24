"""The cautions that stand on every page which could lead to a hand on the machine (common practice)."""

from __future__ import annotations

AT_THE_PRESS: tuple[str, ...] = (
    "Belts, rolls and doctor blades draw in hands, hair and clothing: keep the guards on, and stop, lock out "
    "and tag out every drive, the hydraulic or air supply included, before reaching in.",
    "Polymer makes floors, steps and gratings slippery when wet: contain and clean up spills at once.",
    "Sludge gives off hydrogen sulphide and other gases: keep the room ventilated, test the air before "
    "entering pits and closed rooms, and follow the plant's confined-space rules.",
    "Change one setting at a time, in small steps, write it down with the time, and wait until the press has settled.",
    "These figures advise; they do not decide. Local codes, permits, the makers' instructions and licensed staff do.",
)
