"""Quality columns read by what their values can only be: OPC DA bytes, OPC UA status codes, flags or words.

OPC DA: the byte is QQSSSSLL and its two top bits say good, uncertain or bad (OPC Foundation, OPC UA Part 8,
A.3.2.3). OPC UA: bits 31 and 30 of the status code are its severity, the lower 16 carry no meaning of their own
(IEC 62541-4, 7.39). A column of only 0 and 1, or 0 and 100, is a flag, whatever a byte of that value would mean.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from trendkit.errors import Problem
from trendkit.exports.block import BAD, GOOD, UNCERTAIN
from trendkit.plant.model import QualityScheme

SCHEMES: dict[QualityScheme, str] = {
    "opc_da": "OPC DA quality bytes",
    "opc_ua": "OPC UA status codes",
    "one_is_good": "a flag, 1 is good",
    "hundred_is_good": "a share, 100 is good",
    "words": "words",
}

_GOOD_WORDS = frozenset(
    [
        "good",
        "ok",
        "gut",
        "g",
        "valid",
        "true",
        "yes",
        "y",
        "normal",
        "bueno",
        "bon",
        "goodlocaloverride",
        "goodclamped",
        "good_local_override",
        "good_clamped",
        "archived",
        "captured",
        "measured",
    ]
)
_BAD_WORDS = frozenset(
    [
        "bad",
        "schlecht",
        "b",
        "invalid",
        "false",
        "no",
        "n",
        "fail",
        "failed",
        "fault",
        "error",
        "malo",
        "mauvais",
        "offline",
        "timeout",
        "shutdown",
        "comm_fail",
        "not_connected",
        "no_data",
        "nodata",
        "disconnected",
        "stale",
        "out_of_service",
    ]
)
_UNCERTAIN_WORDS = frozenset(
    [
        "uncertain",
        "unsicher",
        "u",
        "questionable",
        "suspect",
        "doubtful",
        "substituted",
        "estimated",
        "held",
        "interpolated",
        "incierto",
        "incertain",
    ]
)

_DA_KNOWN = frozenset((0, 4, 8, 12, 16, 20, 24, 28, 32, 64, 68, 80, 84, 88, 192, 216))  # limit bits apart


def number_of(text: str) -> int | None:
    """Return the whole number a quality cell holds ("192", "192.0", "0x80000000"), None for a word."""
    clean = text.strip()
    if re.fullmatch(r"0[xX][0-9a-fA-F]{1,8}", clean):
        return int(clean, 16)
    match = re.fullmatch(r"(-?[0-9]{1,10})(\.0*)?", clean)
    return int(match[1]) if match else None


def _plain_word(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", text.strip().casefold()).strip("_")


def word_quality(text: str) -> int | None:
    """Return what a quality word says, None when it is not known.

    Examples
    --------
    >>> word_quality("Good"), word_quality("Bad - comm fail"), word_quality("Uncertain_SubNormal"), word_quality("blue")
    (0, 2, 1, None)
    """
    word = _plain_word(text)
    for words, quality in ((_BAD_WORDS, BAD), (_UNCERTAIN_WORDS, UNCERTAIN), (_GOOD_WORDS, GOOD)):
        if word in words:
            return quality
    for beginning, quality in (("uncertain", UNCERTAIN), ("bad", BAD), ("good", GOOD)):
        if word.startswith(beginning):
            return quality
    return None


def possible_schemes(values: Iterable[str]) -> set[QualityScheme]:
    """Return the schemes under which every distinct value of a quality column makes sense.

    Examples
    --------
    >>> possible_schemes(["192", "0", "64"]), possible_schemes(["0", "1"]), possible_schemes(["0", "2147483648"])
    ({'opc_da'}, {'one_is_good'}, {'opc_ua'})
    >>> possible_schemes(["100", "0"]), possible_schemes(["Good", "Bad"]), sorted(possible_schemes(["0"]))
    ({'hundred_is_good'}, {'words'}, ['one_is_good', 'opc_da', 'opc_ua'])
    """
    texts = {text.strip() for text in values if text.strip()}
    if not texts:
        return set()
    numbers = [number_of(text) for text in texts]
    if any(number is None for number in numbers):
        return {"words"} if all(word_quality(t) is not None or number_of(t) is not None for t in texts) else set()
    found = {number for number in numbers if number is not None}
    if found == {0}:
        return {"opc_da", "opc_ua", "one_is_good"}
    if found <= {0, 1}:
        return {"one_is_good"}
    if found <= {0, 100}:
        return {"hundred_is_good"}
    if all(_is_da(number) for number in found):
        return {"opc_da"}
    return {"opc_ua"} if all(_is_ua(number) for number in found) else set()


def _is_da(number: int) -> bool:
    """True for a known byte, or a 16-bit value whose low byte is one (the high byte is the vendor's)."""
    return 0 <= number <= 0xFFFF and (number & 0xFC) in _DA_KNOWN


def _is_ua(number: int) -> bool:
    if not -(2**31) <= number < 2**32:
        return False
    code = number & 0xFFFFFFFF
    return code >> 30 != 3 and (number == 0 or code >= 0x10000 or code & 0x0C00 == 0x0400)


def quality_of(text: str, scheme: QualityScheme) -> int | None:
    """Return GOOD, UNCERTAIN or BAD for one quality cell, None when the scheme does not know it.

    Examples
    --------
    >>> [quality_of(q, "opc_da") for q in ("192", "195", "219", "64", "0", "128")]
    [0, 0, 0, 1, 2, None]
    >>> [quality_of(q, "opc_ua") for q in ("0", "1083113472", "-2147483648", "2147483648")]
    [0, 1, 2, 2]
    """
    clean = text.strip()
    if not clean:  # nothing is said: used, but counted as uncertain
        return UNCERTAIN
    number = number_of(clean)
    if scheme == "words" or number is None:
        return word_quality(clean)
    if scheme == "one_is_good":
        return {1: GOOD, 0: BAD}.get(number)
    if scheme == "hundred_is_good":
        return {100: GOOD, 0: BAD}.get(number)
    if scheme == "opc_da":
        return {0x00: BAD, 0x40: UNCERTAIN, 0xC0: GOOD}.get(number & 0xC0)
    return {0: GOOD, 1: UNCERTAIN, 2: BAD}.get((number & 0xFFFFFFFF) >> 30)


def unknown_quality(file: str, values: Sequence[str]) -> Problem:
    """Return the problem of a quality column whose values do not say what they mean."""
    return Problem(
        "the quality column does not say what its values mean",
        file=file,
        found=", ".join(repr(value) for value in values[:8]),
        expected="OPC DA bytes (192 good), OPC UA status codes (0 good), a flag of 0 and 1, or words such as Good "
        "and Bad",
        hint='add quality = "opc_da", "opc_ua", "one_is_good", "hundred_is_good" or "words" to a [[source]] of the '
        "plant file",
    )
