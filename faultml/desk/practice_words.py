"""What a player reads of practice from three metres away: a word, a sentence and a bar."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from faultml.channels import CHANNELS
from faultml.desk.plain_words import without_commands
from faultml.drawings.words import CHANNEL_ENDS, CHANNEL_NAMES
from faultml.practice.events import CareStop, CueOff, CueOn, FullSwing, SetUpAgain, SetupTaken, Trouble
from faultml.practice.session import (
    Counted,
    GuessAsked,
    Held,
    Refused,
    Result,
    SessionEvent,
    SetBegins,
    SetEnds,
)
from faultml.practice.words import TROUBLES, WHY, repetition_words

Sound = Literal["", "above", "below", "off", "stop"]

_AGAIN: Final = "Stand at the ball as usual, and wait for READY."
_NOTICEABLE_DEG: Final = 6.0


@dataclass(frozen=True)
class Sign:
    """What is shown and sounded.

    Attributes
    ----------
    word
        One or two words, large.
    says
        A sentence below it, "" for none.
    inside_deg
        How far inside the bound (negative: outside), for the bar; None for no bar.
    sound
        What to do with the sound; "" leaves it as it is.
    """

    word: str
    says: str = ""
    inside_deg: float | None = None
    sound: Sound = ""


def sign_of(event: SessionEvent, channel: str) -> Sign | None:
    """What an event shows; `channel` is the angle that the drill's window reads. None for nothing new."""
    match event:
        case SetBegins():
            return Sign("SET UP", _begins(event), sound="off")
        case SetupTaken():
            return Sign("READY", "Begin the repetition.", sound="off")
        case SetUpAgain():
            return Sign("SET UP AGAIN", _setup_words(event.off_deg), sound="off")
        case CueOn():
            end = CHANNEL_ENDS[channel][event.direction == "above"]
            return Sign("OUT", f"Too {end}.", -event.past_deg, event.direction)
        case CueOff():
            return Sign("IN" if event.why == "inside" else "…", sound="off")
        case CareStop():
            says = (
                "Near the end of usual wrist motion. Let your coach have a look; this is no medical finding."
            )
            return Sign("STOP", says, sound="stop")
        case GuessAsked():
            return Sign("IN OR OUT?", "Say what you think; then comes the result.", sound="off")
        case Counted():
            return Sign(f"{event.number} DONE", f"{event.left} to do.", sound="off")
        case Result():
            return _result(event)
        case FullSwing():
            return Sign("FULL SWING", f"{repetition_words(event).capitalize()}.", event.margin_deg, "off")
        case Trouble():
            says = f"{without_commands(TROUBLES[event.code]).capitalize()}. No cue until the next good setup."
            return Sign("SENSOR", says, sound="off")
        case SetEnds():
            says = f"{event.repetitions} repetitions, {event.inside} of {event.judged} judged were inside."
            return Sign("SET OVER", says, sound="off")
        case Refused():
            return Sign("STOP", "No drill now. Speak with your coach first.", sound="off")
        case Held():
            return Sign("STOP", "Every drill is held as of now.", sound="off")
    return None


def _begins(event: SetBegins) -> str:
    if event.quiet:
        return f"Quiet set of {event.repetitions}: nothing is judged aloud, and nothing is drawn. {_AGAIN}"
    cue = "A sound says when the wrist is outside." if event.live else "No sound during the repetition."
    share = (
        "each repetition" if event.feedback_share == 1 else f"{event.feedback_share:.0%} of the repetitions"
    )
    return f"{event.repetitions} repetitions. {cue} The result comes after {share}. {_AGAIN}"


def _result(event: Result) -> Sign:
    said = {True: "As you said.", False: "You said the other.", None: ""}[event.guess_right]
    if event.margin_deg is None:
        why = {str(key): words for key, words in WHY.items()}.get(event.why, event.why)
        return Sign("NOT JUDGED", f"Repetition {event.number}: {why}.", sound="off")
    word = "IN" if event.verdict == "inside" else "OUT"
    by = f"Repetition {event.number}: {event.verdict} by {abs(event.margin_deg):.0f}°."
    return Sign(word, f"{by} {said}".strip(), event.margin_deg, "off")


def _setup_words(off_deg: tuple[float, float, float]) -> str:
    off = [
        f"{CHANNEL_NAMES[channel]} {abs(angle):.0f}° more {CHANNEL_ENDS[channel][angle > 0]}"
        for channel, angle in zip(CHANNELS, off_deg, strict=True)
        if abs(angle) > _NOTICEABLE_DEG
    ]
    return (
        f"The setup is not your usual one: {', '.join(off)}." if off else "The setup is not your usual one."
    )
