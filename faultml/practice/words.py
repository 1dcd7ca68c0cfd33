"""What the events of practice say, in a line that is read at a glance."""

from __future__ import annotations

from typing import Final

from faultml.practice.events import FullSwing, NotJudged, Repetition, TroubleCode

WHY: Final[dict[NotJudged, str]] = {
    "setup-differs": "set up again: the setup was not the usual one",
    "no-stop": "no stop that shows where the club was",
    "broken-off": "broken off before the stop that is judged",
    "samples-lost": "samples were lost",
    "sensor-turned": "the sensor moved",
    "no-window": "no window inside the limits of care from this setup",
    "no-channel": "the recorder has no forearm rotation",
    "no-full-swing": "neither a rehearsal nor a full swing",
    "unproven": "in tests a sensor was wrong too often about this drill; use its own check",
}

TROUBLES: Final[dict[TroubleCode, str]] = {
    "lost": "samples are missing",
    "silent": "no samples come in",
    "late": "samples come late or twice",
    "turned": "the sensor has turned: seat it again, then set up",
    "moved": "the setup stands off the usual one each time: the sensor may have moved (faultml baseline)",
    "drift": "the sensor creeps while the wrist stands still",
    "dead": "the sensor repeats itself",
}


def repetition_words(repetition: Repetition | FullSwing) -> str:
    """A repetition's verdict in words."""
    if repetition.why:
        return f"not judged: {WHY[repetition.why]}"
    margin = repetition.margin_deg or 0.0
    return f"{repetition.verdict}, by {abs(margin):.0f}°"
