"""Lab Streaming Layer with real outlets on this machine (``pylsl``, https://labstreaminglayer.readthedocs.io)."""

from __future__ import annotations

import math
import os
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import islice, pairwise
from typing import Any

import pytest

from faultml.errors import InputError
from faultml.practice.frames import Sample
from faultml.practice.lsl import stream_samples

try:
    import pylsl
except (ImportError, RuntimeError, OSError) as error:  # the wheel without its library, or none
    pytest.skip(f"pylsl and its library: {error}", allow_module_level=True)

LABELS = ("flexion_deg", "ulnar_deg", "pronation_deg")
PATIENCE_S = 20.0


def outlet(name: str, source: str, labels: tuple[str, ...] = LABELS) -> Any:
    info = pylsl.StreamInfo(name, "MoCap", len(labels), 100, "float32", source)
    channels = info.desc().append_child("channels")
    for label in labels:
        channels.append_child("channel").append_child_value("label", label)
    return pylsl.StreamOutlet(info)


@contextmanager
def sending(made: list[Any], values: list[float], offset_s: float = 0.0, lose: int = 0) -> Iterator[None]:
    """Send at 100 Hz from the first of `made`; every `lose`-th sample is lost; the list may be emptied and filled."""
    stop = threading.Event()

    def send() -> None:
        count = 0
        while not stop.is_set():
            count += 1
            if made and not (lose and count % lose == 0):
                made[0].push_sample(values, pylsl.local_clock() + offset_s)
            time.sleep(0.01)

    thread = threading.Thread(target=send)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def unique(name: str) -> str:
    return f"{name}-{os.getpid()}-{time.monotonic_ns()}"


def take(stream: Iterator[Sample | float], count: int) -> list[Sample]:
    until, found = time.monotonic() + PATIENCE_S, []
    for item in stream:
        if isinstance(item, Sample):
            found.append(item)
        if len(found) == count or time.monotonic() > until:
            break
    return found


def test_of_two_streams_the_named_one_is_read_and_its_channels_by_their_labels() -> None:
    name = unique("wrist")
    mixed = outlet(name, name, ("pronation_deg", "ulnar_deg", "flexion_deg"))
    other = outlet(unique("ankle"), "b")
    with sending([mixed], [5.0, 8.0, -20.0]), sending([other], [1.0, 2.0, 3.0]):
        samples = take(stream_samples(name), 40)
    assert len(samples) == 40
    assert {each[1:4] for each in samples} == {(-20.0, 8.0, 5.0)}
    assert all(math.isnan(each.elevation_deg) for each in samples)
    steps = [after.t_s - before.t_s for before, after in pairwise(samples)]
    assert min(steps) > 0


def test_lost_samples_are_gaps_of_the_clock() -> None:
    name = unique("lossy")
    with sending([outlet(name, name)], [-20.0, 8.0, 0.0], lose=3):
        samples = take(stream_samples(name), 40)
    steps = [after.t_s - before.t_s for before, after in pairwise(samples)]
    assert len(samples) == 40
    assert max(steps) > 1.5 * min(steps)


def test_a_clock_that_is_off_keeps_its_pace() -> None:
    """A sender's own stamps may be ahead by a constant: samples keep order and distances, and silence goes on from
    them.
    """
    name = unique("ahead")
    made = [outlet(name, name)]
    stream = stream_samples(name)
    with sending(made, [-20.0, 8.0, 0.0], offset_s=40.0):
        samples = take(stream, 60)
    silent = [item for item in islice(stream, 40) if not isinstance(item, Sample)]
    assert samples[-1].t_s < silent[-1] < samples[-1].t_s + 10
    assert 0.4 < samples[-1].t_s - samples[0].t_s < 10
    assert all(after.t_s > before.t_s for before, after in pairwise(samples))


def test_an_outlet_that_dies_is_silent_and_one_that_returns_is_read_again() -> None:
    name = unique("dying")
    made = [outlet(name, name)]
    with sending(made, [-20.0, 8.0, 0.0]):
        stream = stream_samples(name)
        assert take(stream, 20)
    # A new inlet on the same generator: the silence is the time on the clock.
    stream = stream_samples(name)
    with sending(made, [-20.0, 8.0, 0.0]):
        first = next(each for each in stream if isinstance(each, Sample))
        made.clear()
        silent = []
        for item in stream:
            if not isinstance(item, Sample):
                silent.append(item)
            if len(silent) >= 12:
                break
        assert silent[-1] - first.t_s > 0.3
        assert silent == sorted(silent)
        made.append(outlet(name, name))
        until = time.monotonic() + PATIENCE_S
        again = next((each for each in stream if isinstance(each, Sample) or time.monotonic() > until), None)
    assert isinstance(again, Sample)
    assert again.t_s > silent[-1]


def test_no_stream_two_streams_and_other_channels_are_refused() -> None:
    with pytest.raises(InputError, match="no-stream"):
        next(stream_samples(unique("nobody"), find_s=0.3))
    name = unique("twice")
    both = [outlet(name, f"{name}-1"), outlet(name, f"{name}-2")]
    with pytest.raises(InputError, match="two-streams"):
        next(stream_samples(name))
    assert both
    name = unique("other")
    wrong = outlet(name, name, ("x", "y", "z"))
    with pytest.raises(InputError, match="bad-channels"):
        next(stream_samples(name))
    assert wrong
