"""States given as words or numbers: on and off, the mode of the press, or any set of words."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

from trendkit.exports.block import BAD
from trendkit.plant.model import Tag
from trendkit.series.segments import Floats

ON_WORDS = {
    "1",
    "on",
    "true",
    "run",
    "running",
    "yes",
    "y",
    "t",
    "start",
    "started",
    "active",
    "trip",
    "tripped",
    "alarm",
    "ein",
    "an",
    "ja",
    "läuft",
    "betrieb",
    "störung",
    "gestört",
}
OFF_WORDS = {
    "0",
    "off",
    "false",
    "stop",
    "stopped",
    "no",
    "n",
    "f",
    "idle",
    "inactive",
    "ready",
    "normal",
    "ok",
    "clear",
    "aus",
    "nein",
    "halt",
    "steht",
    "bereit",
}
NO_STATE = {
    "bad",
    "no data",
    "i/o timeout",
    "shutdown",
    "comm fail",
    "not connected",
    "null",
    "nan",
    "n/a",
    "na",
    "none",
    "",
}
SWITCHES = ("running", "belt_trip")
MOST_UNREAD = 0.05  # share of a switch's readings with words that say neither state, from which it is of no use
# What the messages of an event list call the beginning and the end of a trip (common practice).
TRIP_BEGINS = {"trip", "tripped", "alarm", "alm", "fault", "faulted", "active", "misaligned"}
TRIP_ENDS = {"return", "returned", "rtn", "normal", "reset", "clear", "cleared", "ok", "ended", "inactive"}


def _plain(word: str) -> str:
    """Return a word without case and outer spaces; a whole number without its decimals."""
    text = " ".join(word.split()).casefold()
    try:
        number = float(text)
    except ValueError:
        return text
    return str(int(number)) if number.is_integer() else text


def mode_word(word: str) -> str | None:
    """Return the mode a plant's word means, None when it says neither.

    Examples
    --------
    >>> mode_word("THICKEN"), mode_word("Dewatering"), mode_word("CIP")
    ('thickening', 'dewatering', None)
    """
    text = _plain(word)
    if text.startswith(("thick", "eindick")):
        return "thickening"
    return "dewatering" if text.startswith(("dewat", "press", "entwäss", "entwaess")) else None


def words_unread(tag: Tag, counts: Mapping[str, int]) -> tuple[str, ...]:
    """Return the words of a switch or of the mode that are not understood, most frequent first.

    Empty when the tag can be used: of a switch nearly all readings must say on or off (of a list of trips some), of
    the mode some must name one. `counts` holds how often each word came.
    """
    if tag.name not in (*SWITCHES, "mode"):
        return ()
    words = {word: count for word, count in counts.items() if _plain(word) not in NO_STATE}
    reader = StateWords(tag)
    unread = {word: count for word, count in words.items() if np.isnan(reader.codes_of([word])[0])}
    missed, seen = sum(unread.values()), sum(words.values())
    most = MOST_UNREAD if tag.name == "running" else 1.0
    if not seen or missed < most * seen:
        return ()
    return tuple(sorted(unread, key=lambda word: (-unread[word], word)))


def trip_message(message: str) -> float:
    """Return 1.0 for the message of a trip, 0.0 for that of its end, NaN when it says neither.

    Examples
    --------
    >>> trip_message("Belt 2 off track - ALARM"), trip_message("ALARM returned to normal")
    (1.0, 0.0)
    """
    words = set(re.findall(r"[a-z]+", message.casefold()))
    if words & TRIP_ENDS:
        return 0.0
    return 1.0 if words & TRIP_BEGINS else float("nan")


@dataclass
class StateWords:
    """The words of one state tag and the numbers they are counted under; `unknown` ones with counts.

    A switch (on or off) has the codes 1 and 0. Any other state gets a code per word, its text in `texts`.
    """

    tag: Tag
    texts: list[str] = field(default_factory=list)
    unknown: dict[str, int] = field(default_factory=dict)
    _codes: dict[str, float] = field(default_factory=dict)

    @property
    def is_switch(self) -> bool:
        """True for a state that is on or off."""
        return self.tag.name in SWITCHES or bool(self.tag.on_values)

    def codes(
        self,
        values: Floats | None,
        texts: npt.NDArray[np.object_] | None,
        quality: npt.NDArray[np.uint8] | None,
    ) -> tuple[Floats, npt.NDArray[np.uint8] | None]:
        """Return the code of every cell: NaN where empty, NaN of bad quality where the word says nothing."""
        cells = texts if texts is not None else values
        assert cells is not None
        places, words = pd.factorize(cells, use_na_sentinel=True)
        per_word = np.array([self._code(str(word)) for word in words] + [np.nan])
        codes = per_word[places]
        is_wordless = np.isnan(codes) & (places >= 0)
        counts = np.bincount(places[is_wordless], minlength=len(words)) if is_wordless.any() else ()
        for word, count in zip(words, counts, strict=False):
            if count:
                self.unknown[str(word)] = self.unknown.get(str(word), 0) + int(count)
        if is_wordless.any():
            quality = np.zeros(len(codes), np.uint8) if quality is None else quality.copy()
            quality[is_wordless] = BAD
        return codes, quality

    def codes_of(self, words: Sequence[str]) -> list[float]:
        """Return the code of each word, NaN where it says nothing."""
        return [self._code(word) for word in words]

    def _code(self, word: str) -> float:
        if word not in self._codes:
            self._codes[word] = self._new_code(word)
        return self._codes[word]

    def _new_code(self, word: str) -> float:
        text = _plain(word)
        if self.tag.on_values and text in {_plain(on) for on in self.tag.on_values}:
            return 1.0
        if text in NO_STATE:
            return np.nan
        if self.is_switch:
            if self.tag.on_values:
                return 0.0
            if self.tag.name == "belt_trip" and text not in ON_WORDS | OFF_WORDS:
                return trip_message(word)
            return 1.0 if text in ON_WORDS else 0.0 if text in OFF_WORDS else np.nan
        shown = self._mode(text) if self.tag.name == "mode" else " ".join(word.split())
        if shown is None:
            return np.nan
        if shown not in self.texts:
            self.texts.append(shown)
        return float(self.texts.index(shown))

    def _mode(self, text: str) -> str | None:
        named = {_plain(word): mode for word, mode in self.tag.mode_words}
        return named.get(text) or mode_word(text)
