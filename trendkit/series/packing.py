"""What is known of the tags half-way through a record, as plain numbers and words, and back.

Only the kinds of thing named in `_KINDS` are packed, and only they can come out: what was kept beside an archive is
read as numbers, never run as a program.
"""

from __future__ import annotations

import io
import json
from dataclasses import replace
from typing import Any

import numpy as np

from trendkit.series.accumulate import Accumulator
from trendkit.series.channel import Channel
from trendkit.series.counters import Counting
from trendkit.series.recording import Recording
from trendkit.series.segments import Bins
from trendkit.series.signal import Holding, Observations
from trendkit.series.spans import SpanLog, Spans
from trendkit.series.tracks import StateTrack, Track
from trendkit.series.wild import Usual

Arrays = dict[str, np.ndarray[Any, Any]]

_KINDS: dict[str, type] = {
    kind.__name__: kind
    for kind in (Bins, Counting, Holding, Recording, Observations, SpanLog, Spans, StateTrack, Track, Usual)
}
_IN_A_CHANNEL = (
    "recording",
    "tracks",
    "faults",
    "observations",
    "outside",
    "lists_moments",
    "_inside_until_us",
    "_holding",
    "_waiting",
    "_usual",
)
_IN_WORDS = ("texts", "unknown", "_codes")
_IN_ALL = ("first_us", "last_us", "rows_inside", "_row_step_us")


def packed(accumulator: Accumulator) -> bytes:
    """Return an accumulator's state as bytes; the tags themselves are not in it."""
    arrays: Arrays = {}
    channels = []
    for channel in accumulator.channels.values():
        told = {name: _plain(getattr(channel, name), arrays) for name in _IN_A_CHANNEL}
        words = channel.words
        channels.append(
            [told, None if words is None else {name: _plain(getattr(words, name), arrays) for name in _IN_WORDS}]
        )
    said = {name: getattr(accumulator, name) for name in _IN_ALL}
    document = json.dumps({"bins": _plain(accumulator.bins, arrays), "all": said, "channels": channels})
    plain = io.BytesIO()
    np.savez(plain, document=np.frombuffer(document.encode(), np.uint8), **arrays)  # type: ignore[arg-type]
    return _compressed(plain.getvalue())


def unpack_into(accumulator: Accumulator, content: bytes) -> None:
    """Bring a fresh accumulator of the same tags to the state that was packed.

    Raises
    ------
    ValueError, KeyError
        When the content is not what `packed` writes for as many tags.
    """
    with np.load(io.BytesIO(_uncompressed(content)), allow_pickle=False) as stored:
        arrays = {name: stored[name] for name in stored.files}
    document = json.loads(arrays["document"].tobytes())
    bins = _thing(document["bins"], arrays, None)
    if bins == accumulator.bins:
        bins = accumulator.bins
    accumulator.bins = bins
    for name in _IN_ALL:
        setattr(accumulator, name, document["all"][name])
    for channel, (told, words) in zip(accumulator.channels.values(), document["channels"], strict=True):
        _restore(channel, told, words, arrays, bins)


def _compressed(plain: bytes) -> bytes:
    """Return bytes as zstd has them: the bins still to come are all zero."""
    import pyarrow as pa

    sink = pa.BufferOutputStream()
    with pa.CompressedOutputStream(sink, "zstd") as stream:
        stream.write(plain)
    found: bytes = sink.getvalue().to_pybytes()
    return found


def _uncompressed(content: bytes) -> bytes:
    import pyarrow as pa

    with pa.CompressedInputStream(pa.BufferReader(content), "zstd") as stream:
        found: bytes = stream.read()
    return found


def _restore(channel: Channel, told: Any, words: Any, arrays: Arrays, bins: Bins) -> None:
    channel.bins = bins
    for name in _IN_A_CHANNEL:
        setattr(channel, name, _thing(told[name], arrays, bins))
    if channel.words is not None:
        for name in _IN_WORDS:
            setattr(channel.words, name, _thing(words[name], arrays, bins))


def _plain(thing: Any, arrays: Arrays) -> Any:
    """Return a thing as JSON has it; arrays go to `arrays` under the number that stands for them."""
    if thing is None or isinstance(thing, (bool, int, float, str)):
        return thing
    if isinstance(thing, np.generic):
        return thing.item()
    if isinstance(thing, np.ndarray):
        name = f"a{len(arrays)}"
        arrays[name] = thing
        return {"array": name}
    if isinstance(thing, (list, tuple)):
        return {"list": [_plain(each, arrays) for each in thing]}
    if isinstance(thing, dict):
        return {"pairs": [[_plain(key, arrays), _plain(value, arrays)] for key, value in thing.items()]}
    if type(thing).__name__ not in _KINDS:
        raise TypeError(f"{type(thing).__name__} is not packed")
    if isinstance(thing, Observations):
        thing = replace(thing, timeline=None)  # shared with other tags only while a block is worked on
    return {"kind": type(thing).__name__, "of": {name: _plain(value, arrays) for name, value in vars(thing).items()}}


def _thing(plain: Any, arrays: Arrays, bins: Bins | None) -> Any:
    """Return what `_plain` made plain; equal bins become `bins` itself, which is told apart by identity."""
    if not isinstance(plain, dict):
        return plain
    if "array" in plain:
        return arrays[plain["array"]]
    if "list" in plain:
        return [_thing(each, arrays, bins) for each in plain["list"]]
    if "pairs" in plain:
        return {_thing(key, arrays, bins): _thing(value, arrays, bins) for key, value in plain["pairs"]}
    thing: Any = object.__new__(_KINDS[plain["kind"]])
    for name, value in plain["of"].items():
        object.__setattr__(thing, name, _thing(value, arrays, bins))
    return bins if isinstance(thing, Bins) and thing == bins else thing
