"""What is known half-way through a record comes back from its bytes as it was; nothing else can come out of them."""

import numpy as np
import pytest
from exports_files import a_tag

from trendkit.exports import Block
from trendkit.series import packing
from trendkit.series.accumulate import Accumulator
from trendkit.series.segments import Bins

MINUTE_US = 60_000_000
TAGS = [a_tag("feed_flow"), a_tag("energy", "counter"), a_tag("mode", "state"), a_tag("polymer_flow")]


def fresh(widens: bool = False) -> Accumulator:
    bins = Bins(0, MINUTE_US, 0 if widens else 600)
    return Accumulator([(place, tag) for place, tag in enumerate(TAGS)], bins, 600.0, widens)


def block(first: int, past: int) -> Block:
    """Rows every 10 s: a flow with a spike, bad cells and a reading out of all bounds, a counter that rolls, words."""
    at = np.arange(first, past)
    flow = 40.0 + np.sin(at / 30.0)
    flow[at % 501 == 250] = 400.0
    quality = np.where(at % 97 < 3, 2, 0).astype(np.uint8)
    words = np.where(at % 400 < 300, "Dewatering", "THICKEN").astype(object)
    sparse = np.where(at % 240 == 0, 5.0 + at / 1000.0, np.nan)
    return Block(
        at * 10_000_000,
        {"feed_flow": flow, "energy": (9_000.0 + 2.0 * at) % 10_000.0, "polymer_flow": sparse},
        {"feed_flow": quality},
        {"mode": words},
    )


@pytest.mark.parametrize("widens", [False, True])
@pytest.mark.parametrize("until", [1, 50, 1700])
def test_a_record_broken_off_and_taken_up_gives_the_same_bins(widens: bool, until: int) -> None:
    whole, before, after = fresh(widens), fresh(widens), fresh(widens)
    for each in (whole, before):
        each.add(block(0, until))
    packing.unpack_into(after, packing.packed(before))
    for each in (whole, after):
        each.add(block(until, 3000))
    found = after.finish()
    for key, track in whole.finish().items():
        for name in ("sloped", "bend", "good_s", "lowest", "highest"):
            np.testing.assert_array_equal(getattr(found[key], name), getattr(track, name), err_msg=f"{key} {name}")
    for key, channel in whole.channels.items():
        assert after.channels[key].recording == channel.recording
        assert after.channels[key].faults.keys() == channel.faults.keys()
    words = [each.channels[2].words for each in (whole, after)]
    assert words[0] is not None and words[1] is not None and words[0].texts == words[1].texts


def test_only_what_is_known_of_tags_is_packed() -> None:
    strange = fresh()
    strange.channels[0].faults["spike"] = object()  # type: ignore[assignment]
    with pytest.raises(TypeError, match="object is not packed"):
        packing.packed(strange)


def test_what_was_kept_cannot_name_anything_else() -> None:
    with pytest.raises(KeyError):
        packing._thing({"kind": "Popen", "of": {}}, {}, None)
