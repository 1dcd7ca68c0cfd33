"""What is known of a player's body and what it means, in words for the coach alone."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Final

from faultml.care.body import PlayerBody, Said, pain_state
from faultml.care.check import CareAnswer, Demands, care_check
from faultml.care.rules import CareRules, load_care
from faultml.recordings.roster_cells import HISTORIES

_SAID: Final = {
    "hurts": "pain",
    "none": "asked, nothing hurts",
    "practised": "practised, nothing hurt",
    "return": "return to practice",
}
_LACKS: Final = {
    "name": "the name of who says so",
    "clinician": "a clinician's advice",
    "guardian": "a guardian's word",
}
_LEVELS: Final = {True: "yes", False: "no", None: "not known"}


def care_lines(body: PlayerBody, demands: Mapping[str, Demands], on: date) -> list[str]:
    """What is known, what it means now, and what it means for each of the drills that it touches.

    Parameters
    ----------
    body
        The player.
    demands
        Drill, as it is to be named -> what it asks for.
    on
        The day.
    """
    rules = load_care()
    state = pain_state(body, on, rules)
    answers = {name: care_check(each, body, on, rules) for name, each in demands.items()}
    lines = [f"{body.player}, {on.isoformat()}. For the coach's eyes only.", "Said about pain:"]
    said = sorted(body.said, key=lambda each: (each.on, each.kind == "hurts"))
    lines += [f"  {_line(each)}" for each in said] or ["  nothing"]
    lines += [f"Asked: {name.replace('_', ' ')}: {_answer(body, name)}" for name in HISTORIES]
    lines.append(f"Age: {_age(body, on)}")
    lines.append(f"Experienced: {_LEVELS[body.experienced]}")
    stopped = {answer.reason for answer in answers.values() if answer.verdict == "no"}
    lines += [f"Paused: {rules.reasons[reason].why}" for reason in sorted(stopped) if reason]
    lines += [
        f"  the roster's name {name!r}: mend it there, or faultml players not-a-player"
        for name in body.held_for
    ]
    lines += [f"  the return of {state.since} lacks {_LACKS[lack]}" for lack in state.lacks]
    if state.halved:
        days = f"{state.pain_free_days} of {rules.time.return_days} practice days without pain so far"
        lines.append(f"Half the dose: {days}, within {rules.time.return_within_days} days")
    asks = dict.fromkeys(code for answer in answers.values() for code in answer.ask)
    lines += [f"Ask: {rules.questions[code]}" for code in asks]
    counts = {
        verdict: sum(each.verdict == verdict for each in answers.values())
        for verdict in ("give", "show", "no")
    }
    lines.append(
        f"Drills: {counts['give']} may be given, {counts['show']} shown until somebody has asked, {counts['no']} not"
    )
    if counts["give"] or counts["show"]:
        lines += [
            f"  {_drill(name, answer, rules)}" for name, answer in answers.items() if answer.verdict != "give"
        ]
    return lines


def _line(said: Said) -> str:
    words = f"{said.on.isoformat()} {_SAID[said.kind]}"
    if said.where and said.kind == "hurts":
        words += f": {said.where}"
    who = ", ".join(part for part in (said.by, said.role) if part)
    words += f" (by {who})" if who else ""
    words += f" on the advice of {said.advice}" if said.advice else ""
    return words + (f", guardian {said.guardian}" if said.guardian else "")


def _answer(body: PlayerBody, history: str) -> str:
    answers = {str(name): "yes" if answer else "no" for name, answer in body.histories.items()}
    return answers.get(history, "not asked")


def _age(body: PlayerBody, on: date) -> str:
    minor = body.is_minor(on)
    if minor is None:
        return "not known"
    born = f", born {body.birth_year}" if body.birth_year is not None else ""
    return ("under 16, as far as is known" if minor else "16 or older") + born


def _drill(name: str, answer: CareAnswer, rules: CareRules) -> str:
    if answer.reason:
        return f"{name}: not, {rules.reasons[answer.reason].why}"
    return f"{name}: ask first"
