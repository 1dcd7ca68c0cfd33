"""Every number behind a player's ranking, as a structure and as lines of text."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Final

import msgspec

from faultml.care.check import CareAnswer
from faultml.care.rules import Question, load_care
from faultml.coaching.lesson import CARRY_ON
from faultml.coaching.notes import reasons
from faultml.coaching.plan import PlayerCase
from faultml.coaching.ranking import DrillOption, Part
from faultml.coaching.rules import Coaching
from faultml.coaching.window import AnyWindow, SpreadWindow
from faultml.errors import InputError
from faultml.rules_file import Record

ORDERS: Final = {
    "order-setup": "the setup comes before the motion",
    "order-cause": "a cause comes before what it brings with it",
    "order-closers": "for this miss, what closes the face comes first",
}

EXPLANATIONS_FILE: Final = "explanations.json"
"""Where a run keeps all explanations beside its tables."""


class WindowFacts(Record, frozen=True):
    """A drill's window in the player's own numbers.

    Attributes
    ----------
    drill
        The drill.
    window
        The window, placed and cut.
    absolute_deg
        Its bound as an angle of the wrist itself; None where that is not known.
    clipped, usable
        Whether care cut it, and whether it is a window at all.
    faults
        The player's faults whose flagged swings were held against it, with ``(swings, of them inside)``.
    """

    drill: str
    window: AnyWindow
    absolute_deg: float | None
    clipped: bool
    usable: bool
    faults: dict[str, tuple[int, int]]


class PlayerExplanation(Record, frozen=True):
    """One player's ranking with all its factors.

    Attributes
    ----------
    swings, assessed
        Recorded and assessed swings.
    setup_deg
        The usual address by channel; `setup_measured` says whether it is the player's own.
    warnings
        Codes of the setup's warnings.
    balls, straight, known_balls, usual_miss
        Balls in play with each miss, straight ones, all that were noted, and the misses that the roster names.
    miss_known, miss_level, misses
        Whether the misses are known, how much they count (0 to 1), and each miss's share.
    late_save, waiting
        Whether a late save shows, and the faults whose drills wait because of it.
    closers_first
        Whether what closes the face comes before anything that opens it.
    leading
        The fault most worth working on.
    reason
        Why there is no drill, "" where there is one.
    order
        Code of what puts the first drill before one worth more, "" where none is.
    options
        Every drill that serves one of the faults, the picked ones first.
    windows
        The window of each of these drills.
    ask
        What has to be asked before the picked drills are given: codes of `faultml.care.rules.Question`.
    """

    player: str
    swings: int
    assessed: int
    setup_deg: dict[str, float]
    setup_measured: bool
    warnings: tuple[str, ...]
    balls: dict[str, int]
    straight: int
    known_balls: int
    usual_miss: tuple[str, ...]
    miss_known: bool
    miss_level: float
    misses: dict[str, float]
    late_save: bool
    waiting: tuple[str, ...]
    closers_first: bool
    faults: tuple[str, ...]
    styles: tuple[str, ...]
    leading: str
    reason: str
    order: str
    options: tuple[DrillOption, ...]
    windows: tuple[WindowFacts, ...]
    ask: tuple[Question, ...] = ()


def explanation(case: PlayerCase) -> PlayerExplanation:
    """Take the numbers out of a player's case."""
    facts = case.facts
    return PlayerExplanation(
        player=case.player,
        swings=facts.swings,
        assessed=facts.assessed,
        setup_deg=msgspec.structs.asdict(facts.setup.setup),
        setup_measured=facts.setup.measured,
        warnings=case.warnings,
        balls=dict(facts.misses.balls),
        straight=facts.misses.straight,
        known_balls=round(facts.misses.swings),
        usual_miss=facts.misses.usual,
        miss_known=facts.misses.known,
        miss_level=facts.misses.level,
        misses=dict(facts.misses.shares),
        late_save=facts.late_save,
        waiting=tuple(sorted(case.waiting)),
        closers_first=case.situation.closers_first,
        faults=case.faults,
        styles=case.styles,
        leading=case.leading,
        reason=case.reason,
        order=case.order,
        options=tuple(case.options),
        ask=asked_first(case.answers[option.drill] for option in case.picked) if not case.reason else (),
        windows=tuple(_window_facts(case, option.drill) for option in case.options),
    )


def _window_facts(case: PlayerCase, drill: str) -> WindowFacts:
    placed = case.windows[drill]
    return WindowFacts(
        drill=drill,
        window=placed.window,
        absolute_deg=placed.absolute_deg if math.isfinite(placed.absolute_deg) else None,
        clipped=placed.clipped,
        usable=placed.usable,
        faults={
            fault: (met.n_faulty, met.n_met)
            for (other, fault), met in case.met.items()
            if other == drill and fault in case.faults
        },
    )


def asked_first(answers: Iterable[CareAnswer]) -> tuple[Question, ...]:
    """What the answers about several drills ask for, each question once."""
    return tuple(dict.fromkeys(code for answer in answers for code in answer.ask))


def explain_player(explanations: Mapping[str, PlayerExplanation], player: str) -> PlayerExplanation:
    """One player's explanation; raises `InputError` naming the players there are."""
    if player not in explanations:
        some = ", ".join(list(explanations)[:10]) + (", ..." if len(explanations) > 10 else "")
        raise InputError(
            "unknown-player",
            where="results",
            expected=f"one of: {some or 'no player at all'}",
            found=repr(player),
        )
    return explanations[player]


def encode(explanations: Mapping[str, PlayerExplanation]) -> bytes:
    """All explanations as JSON, to be kept beside the result tables."""
    return msgspec.json.encode(list(explanations.values()))


def decode(content: bytes) -> dict[str, PlayerExplanation]:
    """Read what `encode` wrote; raises `InputError` where it is something else."""
    try:
        explanations = msgspec.json.decode(content, type=list[PlayerExplanation])
    except msgspec.MsgspecError as error:
        raise InputError(
            "bad-explanations",
            where="explanations",
            expected="what a run of classify leaves",
            found=str(error),
        ) from error
    return {each.player: each for each in explanations}


def as_lines(explanation: PlayerExplanation, coaching: Coaching) -> list[str]:
    """The explanation as text, a line a fact."""
    named = coaching.words
    lines = [f"{explanation.player}: {explanation.assessed} of {explanation.swings} swings assessed"]
    own = "own" if explanation.setup_measured else "not measured, a neutral one stands for it"
    lines.append(
        f"setup ({own}): "
        + ", ".join(f"{name} {value:+.1f}" for name, value in explanation.setup_deg.items())
    )
    lines += [f"warning: {code}" for code in explanation.warnings]
    lines.append(_balls_line(explanation))
    if explanation.miss_known:
        shares = ", ".join(f"{miss} {share:.2f}" for miss, share in explanation.misses.items()) or "none"
        lines.append(f"misses: {shares}; they count {explanation.miss_level:.2f}")
    else:
        lines.append(
            f"misses: not known, every fault explains {coaching.rules.explaining.unknown:.2f} of them"
        )
    if explanation.late_save:
        waits = ", ".join(named[fault] for fault in explanation.waiting)
        cause = named[coaching.rules.late_save.cause]
        lines.append(
            f"late save seen; these wait for the re-test of {cause}: {waits}"
            if waits
            else "late save seen; nothing waits for it"
        )
    if explanation.closers_first:
        lines.append("for this miss, what closes the face comes before anything that opens it")
    lines.append("faults: " + (", ".join(named[fault] for fault in explanation.faults) or "none"))
    if explanation.styles:
        lines.append("styles, left alone: " + ", ".join(named[fault] for fault in explanation.styles))
    lines.append(
        f"no drill: {reasons().get(explanation.reason, explanation.reason)}"
        if explanation.reason
        else f"leading: {named.get(explanation.leading, '-')}"
    )
    lines += [f"ask first: {load_care().questions[code]}" for code in explanation.ask]
    if explanation.order:
        lines.append(f"the first drill is not the one worth most: {ORDERS[explanation.order]}")
    lines.append(
        "benefit = how often it shows now x how far past the edge x how well it explains the miss"
        " x how early in the swing x what the drill may take away x what earlier drills leave of it"
    )
    windows = {each.drill: each for each in explanation.windows}
    least = min((option.benefit for option in explanation.options if option.status == "picked"), default=0.0)
    for option in explanation.options:
        lines += _option_lines(option, windows.get(option.drill), least, coaching)
    return lines


def _balls_line(explanation: PlayerExplanation) -> str:
    """What the balls were, and what the roster says."""
    counts = ", ".join(
        f"{miss} {n}" for miss, n in sorted(explanation.balls.items(), key=lambda item: -item[1])
    )
    noted = f"{explanation.straight} straight of {explanation.known_balls} noted" + (
        f"; {counts}" if counts else ""
    )
    roster = ", ".join(explanation.usual_miss) or "none"
    return f"balls: {noted if explanation.known_balls else 'none noted'}; the roster's usual miss: {roster}"


def _option_lines(
    option: DrillOption, window: WindowFacts | None, least: float, coaching: Coaching
) -> list[str]:
    """An option in lines; `least` is the smallest benefit of a drill that was picked."""
    drill = coaching.book[option.drill]
    first = "carry on" if option.why == CARRY_ON else "next"
    head = {
        "picked": first if option.rank == 1 else f"reserve {option.rank - 1}",
        "left": "worth less" if option.benefit <= least else "not now, other drills come before it",
        "later": f"later, after {coaching.words.get(option.why, option.why)}",
        "waits": f"waits for the re-test of {coaching.words.get(option.why, option.why)}",
        "barred": f"ruled out: {reasons().get(option.why, option.why)}",
    }[option.status]
    return [
        f"{drill.name} [{drill.id}] {head}, benefit {option.benefit:.3f}",
        *(_part_line(part, coaching) for part in option.parts),
        *([_window_line(window, coaching)] if window is not None else []),
    ]


def _window_line(facts: WindowFacts, coaching: Coaching) -> str:
    window = facts.window
    met = "".join(
        f"; {inside} of {swings} swings with {coaching.words[fault]} lie inside"
        for fault, (swings, inside) in facts.faults.items()
    )
    if isinstance(window, SpreadWindow):
        return f"    window: {window.channel} of a session, SD at most {window.max_sd:g}"
    stretch = window.start + (f" to {window.end}" if window.end else "")
    guard = "" if window.guard_deg is None else f" or {window.guard_deg:+.1f} from setup"
    state = f"{', cut by care' if facts.clipped else ''}{'' if facts.usable else ', not usable'}"
    bound = f"{window.must} {window.side} {window.bound_deg:+.1f} from {window.reference}{guard}"
    return f"    window: {window.channel} {stretch} {bound}{state}{met}"


def _part_line(part: Part, coaching: Coaching) -> str:
    factors = [
        f"shows {part.rate:.2f}",
        f"severity {part.severity_factor:.2f}",
        f"explains the miss {part.explains:.2f}",
        f"early {part.earliness:.2f}",
        f"effect {part.effect:.2f}{_learned(part)}",
        f"left {part.left:.2f}",
    ]
    return f"    {coaching.words[part.fault]}: {' x '.join(factors)} = {part.benefit:.3f}"


def _learned(part: Part) -> str:
    """What a learned effect rests on."""
    learned = part.learned
    if learned is None:
        return ""
    if not learned.enough_players:
        return f" (by mechanism; {learned.held} of {learned.players} players held it, too few to weigh)"
    middle, low, high = (
        f"{round(value, 1) + 0.0:.1f}"  # + 0.0: no "-0.0"
        for value in (learned.improvement_deg, learned.improvement_lo_deg, learned.improvement_hi_deg)
    )
    gain = f"{middle} degrees better" if learned.gains else f"no gain so far, {middle} degrees on average"
    return (
        f" (learned: {learned.held} of {learned.players} players held it, {gain},"
        f" 90 % interval {low} to {high}; by mechanism {learned.prior_deg:.1f})"
    )
