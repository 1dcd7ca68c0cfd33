"""Practice on a terminal: a bell, a bar and a word; readable without sound."""

from __future__ import annotations

from typing import Final

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

BELL: Final = "\a"
_HALF: Final = 15
_DEG_A_CELL: Final = 1.0

KEYS: Final = "i in   o out   r result   e end the set   h hurts   m pressed by mistake"


def bar(margin_deg: float) -> str:
    """How far inside the bound, to the left, or outside, to the right: a cell a degree."""
    cells = min(_HALF, round(abs(margin_deg) / _DEG_A_CELL))
    left = ("#" * cells).rjust(_HALF) if margin_deg >= 0 else " " * _HALF
    right = ("#" * cells).ljust(_HALF) if margin_deg < 0 else " " * _HALF
    return f"[{left}|{right}]"


def lines_of(event: SessionEvent) -> list[str]:
    """What a terminal shows of an event; a cue rings the bell."""
    match event:
        case SetBegins():
            kind = (
                "QUIET: nothing is judged aloud" if event.quiet else f"result on {event.feedback_share:.0%}"
            )
            cue = ", cue outside the window" if event.live else ""
            balls = f" Full-speed balls left today: {event.balls_left}."
            return [f"SET {event.number}: {event.repetitions} repetitions, {kind}{cue}.{balls}", KEYS]
        case Refused():
            return [
                f"No set: {event.reason}." + (f" Ask first: {', '.join(event.ask)}." if event.ask else "")
            ]
        case SetupTaken():
            return ["READY"]
        case SetUpAgain():
            return ["SET UP AGAIN"]
        case CueOn():
            word = "TOO FAR" if event.direction == "above" else "TOO LITTLE"
            return [f"{BELL}OUT  {word} {bar(-event.past_deg)}"]
        case CueOff():
            return ["in" if event.why == "inside" else "-"]
        case CareStop():
            return [
                f"{BELL}{BELL}STOP: near the end of usual wrist motion. A coach's look; not a medical finding."
            ]
        case GuessAsked():
            return [f"{event.number}: in or out?"]
        case Counted():
            return [f"{event.number} done, {event.left} to do."]
        case Result():
            right = {True: " You said so.", False: " You said the other.", None: ""}[event.guess_right]
            if event.margin_deg is None:
                return [f"{event.number}: not judged: {_why(event.why)}"]
            return [f"{event.number}: {event.verdict.upper()} {bar(event.margin_deg)}{right}"]
        case FullSwing():
            return [f"Full speed: {repetition_words(event)}"]
        case Trouble():
            return [f"Quiet: {TROUBLES[event.code]}."]
        case SetEnds():
            inside = f"{event.inside} of {event.judged} judged inside"
            return [
                f"SET {event.number} over: {event.repetitions} repetitions, {inside}. Rest {event.rest_s:.0f} s."
            ]
        case Held():
            return [
                "HELD: every drill, as of now. Stop. Where does it hurt? (m: pressed by mistake, within 60 s)"
            ]
    return []


def _why(code: str) -> str:
    return {str(key): words for key, words in WHY.items()}.get(code, code)
