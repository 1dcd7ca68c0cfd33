"""Samples from a stream of the Lab Streaming Layer, the open standard by which motion sensors stream."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, Final

from faultml.errors import InputError, MissingExtraError
from faultml.practice.frames import Sample

CHANNELS: Final = ("flexion_deg", "ulnar_deg", "pronation_deg", "elevation_deg")
"""Labels of the channels, degrees in anatomical signs of the lead wrist; the first two are needed."""

FIND_S: Final = 5.0
_PULL_S: Final = 0.05
_MOST: Final = 64


def stream_samples(name: str, *, find_s: float = FIND_S) -> Iterator[Sample | float]:
    """Samples of the stream of a name, and the time where none come; it does not end by itself.

    Times are on this machine's LSL clock: the offset of the sender's is measured and taken out. An outlet that is
    gone and returns with the same source id is taken up again.

    Raises
    ------
    MissingExtraError
        Where ``pylsl`` or its library is not there.
    InputError
        ``no-stream`` where no stream has that name, ``two-streams`` where two have, ``bad-channels`` where its
        description does not name flexion and ulnar deviation in degrees.
    """
    lsl = _library()
    found = lsl.resolve_byprop("name", name, 1, find_s)
    if not found:
        raise InputError("no-stream", where=f"lsl:{name}", expected="a stream of that name in this network")
    found = lsl.resolve_byprop("name", name, 2, 0.5)
    if len({each.uid() for each in found}) > 1:
        where = ", ".join(sorted(each.hostname() for each in found))
        raise InputError("two-streams", where=f"lsl:{name}", expected="one stream of that name", found=where)
    inlet = lsl.StreamInlet(found[0], max_buflen=10, recover=True, processing_flags=lsl.proc_clocksync)
    places = _places(inlet.info(find_s), name)
    return _pull(inlet, places, lsl.local_clock)


def _pull(inlet: Any, places: list[int], clock: Any) -> Iterator[Sample | float]:
    last_s = came_s = math.nan
    try:
        while True:
            rows, stamps = inlet.pull_chunk(timeout=_PULL_S, max_samples=_MOST)
            for row, t_s in zip(rows, stamps, strict=True):
                values = [float(row[place]) if place >= 0 else math.nan for place in places]
                yield Sample(float(t_s), *values)
            now_s = float(clock())
            if stamps:
                last_s, came_s = float(stamps[-1]), now_s
            elif not math.isnan(last_s):
                # A sender may stamp by a clock of its own: time goes on from its last sample.
                yield last_s + now_s - came_s
    finally:
        inlet.close_stream()


def _places(info: Any, name: str) -> list[int]:
    """Where each channel stands in a row; -1 where the stream has none."""
    labels = []
    channel = info.desc().child("channels").child("channel")
    while not channel.empty():
        labels.append(channel.child_value("label"))
        channel = channel.next_sibling("channel")
    places = [labels.index(label) if label in labels else -1 for label in CHANNELS]
    if min(places[:2]) < 0:
        expected = (
            f"channels labelled {', '.join(CHANNELS[:2])}, and where recorded {', '.join(CHANNELS[2:])}"
        )
        raise InputError(
            "bad-channels", where=f"lsl:{name}", expected=expected, found=", ".join(labels) or "none"
        )
    return places


def _library() -> Any:
    try:
        import pylsl
    except (ImportError, RuntimeError, OSError) as error:
        raise MissingExtraError(
            "missing-extra",
            expected="pylsl and its library: pip install 'faultml[practice]'",
            found=str(error),
        ) from error
    return pylsl
