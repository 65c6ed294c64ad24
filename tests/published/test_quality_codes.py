"""Quality codes against the published bit layouts.

OPC UA: severity in bits 31 and 30 and the code values, OPC Foundation UA-Nodeset, Schema/StatusCode.csv (release
1.05). OPC DA: QQSSSSLL, OPC UA Part 8 (IEC 62541-8) A.3.2.3; the decimal byte values are values from memory and
follow from that layout.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trendkit.exports.block import BAD, GOOD, UNCERTAIN
from trendkit.exports.quality import possible_schemes, quality_of

UA_CODES = {
    "Good": (0x00000000, GOOD),
    "GoodClamped": (0x00300000, GOOD),
    "GoodLocalOverride": (0x00960000, GOOD),
    "GoodNoData": (0x00A50000, GOOD),
    "Uncertain": (0x40000000, UNCERTAIN),
    "UncertainNoCommunicationLastUsableValue": (0x408F0000, UNCERTAIN),
    "UncertainSubstituteValue": (0x40910000, UNCERTAIN),
    "UncertainSensorNotAccurate": (0x40930000, UNCERTAIN),
    "UncertainEngineeringUnitsExceeded": (0x40940000, UNCERTAIN),
    "UncertainSubNormal": (0x40950000, UNCERTAIN),
    "UncertainDataSubNormal": (0x40A40000, UNCERTAIN),
    "Bad": (0x80000000, BAD),
    "BadNoCommunication": (0x80310000, BAD),
    "BadOutOfRange": (0x803C0000, BAD),
    "BadConfigurationError": (0x80890000, BAD),
    "BadNotConnected": (0x808A0000, BAD),
    "BadDeviceFailure": (0x808B0000, BAD),
    "BadSensorFailure": (0x808C0000, BAD),
    "BadOutOfService": (0x808D0000, BAD),
    "BadNoData": (0x809B0000, BAD),
    "BadDataLost": (0x809D0000, BAD),
}
LIMIT_AND_HISTORIAN_BITS = (0x0100, 0x0200, 0x0300, 0x01, 0x02, 0x04, 0x08, 0x10)

DA_BYTES = {
    BAD: (0, 4, 8, 12, 16, 20, 24, 28, 32),
    UNCERTAIN: (64, 68, 80, 84, 88),
    GOOD: (192, 216),
}


@pytest.mark.parametrize(("code", "expected"), UA_CODES.values(), ids=UA_CODES)
@pytest.mark.parametrize("notation", ["unsigned", "signed", "hexadecimal"])
def test_status_codes_in_every_notation(code, expected, notation):
    signed = code - 2**32 if code >= 2**31 else code
    text = {"unsigned": str(code), "signed": str(signed), "hexadecimal": f"0x{code:08X}"}[notation]
    assert quality_of(text, "opc_ua") == expected


@pytest.mark.parametrize("bits", LIMIT_AND_HISTORIAN_BITS)
def test_the_lower_half_of_a_status_code_changes_nothing(bits):
    for code, expected in UA_CODES.values():
        assert quality_of(str(code | bits), "opc_ua") == expected


@pytest.mark.parametrize(("expected", "byte"), [(q, b) for q, own in DA_BYTES.items() for b in own])
@pytest.mark.parametrize("limit", [0, 1, 2, 3])
@pytest.mark.parametrize("vendor", [0, 0x1200])
def test_da_bytes_with_limit_bits_and_a_vendor_byte(expected, byte, limit, vendor):
    assert quality_of(str(byte + limit + vendor), "opc_da") == expected


def test_the_undefined_da_quality_is_not_guessed():
    assert quality_of("128", "opc_da") is None


def test_a_flag_is_not_taken_for_a_byte():
    # 100 & 0xC0 is 64, which as a byte would be uncertain
    assert possible_schemes(["100", "0"]) == {"hundred_is_good"}
    assert possible_schemes(["0", "1"]) == {"one_is_good"}


def test_each_published_set_is_told_from_its_values():
    assert possible_schemes([str(code) for code, _ in UA_CODES.values()]) == {"opc_ua"}
    assert possible_schemes([str(byte) for own in DA_BYTES.values() for byte in own]) == {"opc_da"}


@given(st.integers(0, 2**32 - 1))
def test_severity_is_the_two_top_bits_whatever_the_rest(code):
    expected = {0: GOOD, 1: UNCERTAIN, 2: BAD}.get(code >> 30)
    assert quality_of(str(code), "opc_ua") == expected
