"""What the words of a tag name say: the stream it belongs to, what is measured, in which unit, on which press."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

# Concept -> the ways people write it in tag names (common practice of the trade, letters of ISA-type loop tags among
# them). A word may stand for several concepts: PRESS is a pressure, the pressure zone or the machine.
_WORDS: Mapping[str, str] = {
    "feed": "FEED FD SLUDGE SLDG INF INFL INFLUENT RAW",
    "filtrate": "FILT FILTRATE FLT FLTR PRESSATE UNDERFLOW",
    "cake": "CAKE CK DEWATERED DEWAT",
    "thickened": "THK THICK THICKENED THICKEN TWAS",
    "polymer": "POLY POLYMER PLY PLYM FLOCCULANT EMULSION PEL",
    "neat": "NEAT",
    "dilution": "DIL DILUTION DILUT DILN CARRIER",
    "wash": "WASH WASHWATER WSH WW SPRAY SHOWER",
    "gravity": "GRAV GRAVITY GZ GBT UPPER DRAINAGE GRVTY",
    "pressure zone": "PRES PRESS PRESSURE PRS PZ WEDGE LOWER SQUEEZE",
    "flow": "FLOW FLW FLOWRATE FL FI FIT FT Q GPM GPH LPM LPS LPH M3H CMH MGD",
    "solids": "TS SOLIDS SOL SLDS DS SOLID DRYSOLIDS CONC",
    "suspended solids": "TSS SS SUSP",
    "turbidity": "TURB TURBIDITY NTU",
    "temperature": "TEMP TEMPERATURE TT TIT TE DEGC DEGF",
    "rate": "RATE MASS MASSFLOW LBH PPH KGH TPH",
    "total": "TOTAL TOT TOTALIZER TOTALISER TTL CNT COUNT COUNTER ACC SUM FQ FQI WEIGHT WT WEIGH",
    "speed": "SPEED SPD VEL VELOCITY HZ RPM FPM FREQ VFD",
    "setpoint": "SP SETPOINT SETPT STPT SET CMD",
    "drive load": "LOAD AMPS AMP CURRENT TORQUE TRQ CUR",
    "tension": "TENSION TENS TNS",
    "depth": "LEVEL LVL DEPTH LIT LT POND PONDING",
    "spreader": "SPREADER SPREAD DISTRIBUTOR HEADBOX",
    "mixer": "MIXER MIX FLOCCULATOR AGITATOR AGIT",
    "power": "POWER PWR KW",
    "energy": "ENERGY KWH WH",
    "running": "RUN RUNNING RUNS ON ONOFF STATUS STAT",
    "mode": "MODE",
    "trip": "TRIP TRIPPED ALARM ALM FAULT ALIGN TRACK TRACKING MISALIGN ESTOP",
    "source": "TANK SOURCE SRC DIGESTER DIG TK",
    "strength": "STRENGTH STREN STRGTH CONC",
    "pressure": "PRES PRESS PRESSURE PRS PIT PT PI PSI KPA BAR",
}
# The same in German, umlauts bare or written out (AFS: suspended solids; TR: dry residue; FHM: polymer).
_GERMAN: Mapping[str, str] = {
    "feed": "ZULAUF SCHLAMM DUNNSCHLAMM DUENNSCHLAMM BESCHICKUNG",
    "filtrate": "FILTRAT",
    "cake": "KUCHEN",
    "thickened": "DICKSCHLAMM EINDICKSCHLAMM",
    "polymer": "FHM FLOCKUNGSMITTEL FLOCKUNGSHILFSMITTEL",
    "dilution": "VERDUNNUNG VERDUENNUNG VERDUNNUNGSWASSER VERDUENNUNGSWASSER",
    "wash": "SPRITZWASSER WASCHWASSER SPULWASSER SPUELWASSER",
    "gravity": "SEIHBAND SIEBBAND SEIHZONE SIEBZONE",
    "pressure zone": "PRESSBAND PRESSZONE KEILZONE",
    "flow": "MENGE DURCHFLUSS VOLUMENSTROM",
    "solids": "TR FESTSTOFF FESTSTOFFE TROCKENRUCKSTAND TROCKENRUECKSTAND",
    "suspended solids": "AFS",
    "turbidity": "TRUBUNG TRUEBUNG",
    "rate": "AUSTRAG MASSENSTROM DURCHSATZ",
    "total": "ZAHLER ZAEHLER SUMME WAAGE",
    "speed": "GESCHWINDIGKEIT GESCHW DREHZAHL FU",
    "setpoint": "SOLLWERT SOLL",
    "drive load": "LAST STROM DREHMOMENT",
    "tension": "SPANNUNG BANDSPANNUNG",
    "depth": "FULLHOHE FUELLHOEHE FULLSTAND FUELLSTAND NIVEAU",
    "mixer": "RUHRWERK RUEHRWERK MISCHER",
    "power": "LEISTUNG WIRKLEISTUNG JIT",
    "energy": "ENERGIE",
    "running": "BETRIEB",
    "mode": "BETRIEBSART",
    "trip": "STORUNG STOERUNG BANDLAUF",
    "source": "VORLAGE BEHALTER BEHAELTER",
    "strength": "KONZENTRATION KONZ",
    "pressure": "DRUCK",
}
_UNITS: Mapping[str, str] = {
    "GPM": "gal/min", "GPH": "gal/h", "MGD": "MGD", "M3H": "m3/h", "CMH": "m3/h", "LPS": "L/s", "LPM": "L/min",
    "LPH": "L/h", "HZ": "Hz", "PCT": "%", "PERC": "%", "PSI": "psi", "KPA": "kPa", "BAR": "bar", "RPM": "rpm",
    "FPM": "ft/min", "MPM": "m/min", "DEGC": "degC", "DEGF": "degF", "NTU": "NTU", "KW": "kW", "KWH": "kWh",
    "LBH": "lb/h", "PPH": "lb/h", "KGH": "kg/h", "TPH": "t/h", "MGL": "mg/L", "PPM": "mg/L", "MM": "mm", "LB": "lb",
}  # fmt: skip
_SAY_NOTHING = frozenset(
    [
        "BELT",
        "DRIVE",
        "DRV",
        "WATER",
        "WTR",
        "PV",
        "VAL",
        "VALUE",
        "MTR",
        "METER",
        "MOTOR",
        "PUMP",
        "BFP",
        "PLC",
        "AI",
        "DI",
        "ACT",
        "PCT",
        "PERC",
        "WASSER",
        "BAND",
        "ANTRIEB",
        "PUMPE",
    ]
)


def _concepts_of_words() -> dict[str, frozenset[str]]:
    found: dict[str, set[str]] = {}
    for concept, words in (*_WORDS.items(), *_GERMAN.items()):
        for word in words.split():
            found.setdefault(word, set()).add(concept)
    return {word: frozenset(concepts) for word, concepts in found.items()}


_CONCEPTS = _concepts_of_words()
_PRESS_TOKEN = re.compile(r"([A-Za-z]{1,8})0*(\d{1,2})")


@dataclass(frozen=True)
class Name:
    """What a tag name says: the concepts of each of its telling words, and a unit if it names one."""

    concepts: tuple[frozenset[str], ...]
    unit: str | None
    words: tuple[str, ...]  # the telling words as written


def read_name(tag: str, press_token: str = "") -> Name:
    """Return what a tag name says, the words that name its press left aside.

    Examples
    --------
    >>> [sorted(each) for each in read_name("BFP1_GRAV_DRIVE_HZ", "BFP1").concepts]
    [['gravity'], ['speed']]
    >>> read_name("BFP1_GRAV_DRIVE_HZ", "BFP1").unit
    'Hz'
    """
    concepts, words, unit = [], [], None
    composed, place = unicodedata.normalize("NFC", tag), 0
    bare = _bare(composed)
    for word in _split(bare, press_token):
        upper = word.upper()
        place = max(bare.find(word, place), place)
        written = composed[place : place + len(word)] if len(bare) == len(composed) else word
        place += len(word)
        unit = unit or _UNITS.get(upper)
        known = _concepts_of(upper)
        if known:
            concepts.append(known)
            words.append(written)
    return Name(tuple(concepts), unit, tuple(words))


def _bare(tag: str) -> str:
    """Return a name with its letters bare of accents, so that no word ends at one."""
    return "".join(letter for letter in unicodedata.normalize("NFKD", tag) if not unicodedata.combining(letter))


def _split(tag: str, press_token: str) -> list[str]:
    words: list[str] = []
    for token in re.split(r"[^A-Za-z0-9]+", tag):
        if token and token.upper() != press_token.upper():
            parts = re.findall(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+[A-Za-z]*", token)
            known = token.upper() in _CONCEPTS or token.upper() in _UNITS
            words += [token] if known else [half for part in parts for half in _halves(part)]
    return words


def _halves(word: str) -> list[str]:
    """Return the two known words that are written as one ("Filtratmenge"), else the word."""
    upper = word.upper()
    known = _CONCEPTS.keys() | _SAY_NOTHING
    if upper in known:
        return [word]
    cuts = [at for at in range(4, len(word) - 3) if upper[:at] in known and upper[at:] in known]
    return [word[: cuts[-1]], word[cuts[-1] :]] if cuts else [word]


def _concepts_of(word: str) -> frozenset[str]:
    if word in _SAY_NOTHING:
        return frozenset()
    if word in _CONCEPTS:
        return _CONCEPTS[word]
    longest = max((each for each in _CONCEPTS if len(each) >= 4 and word.startswith(each)), key=len, default="")
    return _CONCEPTS.get(longest, frozenset())


def presses_in(tags: Iterable[str]) -> dict[str, tuple[str, str]]:
    """Return for each tag that names a press the press's name and the word that names it.

    The word is letters with a number of one or two digits ("BFP1", "BFP-2"), the same letters in most tags and each
    number in at least two; a tag without it is left out.

    Examples
    --------
    >>> presses_in(["BFP1_FEED", "BFP1_CAKE", "BFP2_FEED", "BFP2_CAKE", "WASH_FLOW"])["BFP2_CAKE"]
    ('BFP-2', 'BFP2')
    """
    tags = list(tags)
    found: dict[str, list[tuple[str, int, str]]] = {tag: _numbered(tag) for tag in tags}
    letters = Counter(word for own in found.values() for word in {letter for letter, _, _ in own})
    if not letters:
        return {}
    family, count = max(letters.items(), key=lambda pair: pair[1])
    numbers = Counter(number for own in found.values() for letter, number, _ in own if letter == family)
    if count < 0.5 * len(tags) or max(numbers.values()) < 2:
        return {}
    named: dict[str, tuple[str, str]] = {}
    for tag, own in found.items():
        for letter, number, token in own:
            if letter == family and numbers[number] >= 2:
                named.setdefault(tag, (f"{family}-{number}", token))
    return named


def _numbered(tag: str) -> list[tuple[str, int, str]]:
    """Return the numbered words of a tag: letters in capitals, number, and the word as it stands."""
    tokens = [token for token in re.split(r"[^A-Za-z0-9]+", tag) if token]
    found = []
    for place, token in enumerate(tokens):
        match = _PRESS_TOKEN.fullmatch(token)
        if match:
            found.append((match[1].upper(), int(match[2]), token))
        elif token.isalpha() and place + 1 < len(tokens) and re.fullmatch(r"0*\d{1,2}", tokens[place + 1]):
            found.append((token.upper(), int(tokens[place + 1]), token))
    return found
