"""Outcomes in words: a table for the season, sentences for one player, plain records for programs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

import pandas as pd

from faultml.outcomes.effects import DrillEffect, Effects

VERDICTS: Final = {
    "held": "held",
    "no-change": "no change worth claiming",
    "worse": "worse",
    "not-yet": "not yet",
    "too-few": "too few",
}
SENTENCES: Final = {
    "held": "It got better, and held without feedback.",
    "no-change": "No change worth claiming: what there is could be chance.",
    "worse": "It got worse. Leave the drill, and look again.",
    "not-yet": "Not yet: there is no day without feedback since. Record ten swings without it on another day.",
    "too-few": "Too few swings without feedback, before or after, to tell.",
}
_HEAD: Final = (
    "player", "drill", "fault", "from", "before", "after", "better by", "claim from", "chance", "kept", "shows",
    "verdict",
)  # fmt: skip
_LEGEND: Final = (
    "before, after: mean of the measure without feedback (degrees, or share of the downswing).",
    "better by: what the drill may have brought, with a 90 % interval; - is worse. Chance and what changed in players",
    "without the drill are taken out. claim from: the smallest change worth claiming with so many swings and sessions.",
    "chance: how much of the look before was a bad day that would have passed by itself (- a good day).",
    "kept: the part of the gain in practice that remained without feedback. shows: share of swings, before and after.",
)


def as_lines(
    table: pd.DataFrame, effects: Effects, faults: Mapping[str, str], drills: Mapping[str, str]
) -> list[str]:
    """A line an assignment, what the columns mean, and what each drill has brought so far.

    Parameters
    ----------
    table
        Of `changes`.
    effects
        Of `drill_effects`.
    faults, drills
        Names by id.
    """
    if not len(table):
        return ["No drill was given yet: note one with faultml assign."]
    lines = _columns([_HEAD, *(_row(row) for row in _rows(table))])
    return [*lines, "", *_LEGEND, *_effect_lines(effects.values(), faults, drills)]


def player_lines(
    table: pd.DataFrame, effects: Effects, faults: Mapping[str, str], drills: Mapping[str, str]
) -> list[str]:
    """One player's outcomes in sentences."""
    lines: list[str] = []
    for row in _rows(table):
        lines.append(f"{row['player']}: {drills.get(row['drill'], row['drill'])} [{row['drill']}]")
        lines.append(f"  for {faults[row['fault']]} [{row['fault']}], from {row['since']}")
        lines += [f"  {sentence}" for sentence in _sentences(row)]
    own = [
        effects[key]
        for key in dict.fromkeys(zip(table["drill"], table["fault"], strict=True))
        if key in effects
    ]
    return lines + _effect_lines(own, faults, drills)


def as_records(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows as plain values, None where there is nothing."""
    return [
        {name: None if isinstance(value, float) and value != value else value for name, value in row.items()}
        for row in _rows(table)
    ]


def _rows(table: pd.DataFrame) -> Iterator[dict[str, Any]]:
    for row in table.to_dict("records"):
        yield {str(name): value for name, value in row.items()}


def _row(row: Mapping[str, Any]) -> tuple[str, ...]:
    unit = str(row["unit"])
    shows = (
        ""
        if _none(row["rate_change"])
        else f"{_percent(row['rate_before'])} -> {_percent(row['rate_after'])}"
    )
    return (
        row["player"],
        row["drill"],
        row["fault"],
        row["since"],
        _number(row["before"], unit),
        _number(row["after"], unit),
        _interval(-row["change"], -row["change_hi"], -row["change_lo"], unit),
        _number(row["smallest"], unit),
        _number(row["allowance"], unit, "+"),
        "" if _none(row["kept"]) else _percent(row["kept"]),
        shows,
        VERDICTS[row["verdict"]],
    )


def _sentences(row: Mapping[str, Any]) -> list[str]:
    unit = str(row["unit"])
    told = [SENTENCES[row["verdict"]]]
    if not _none(row["before"]):
        told.append(f"Before: {_size(row['before'], unit)}, {_rest(row, 'before')}.")
    if not _none(row["after"]):
        retest = f", {row['retest_swings']} of them re-test" if row["retest_swings"] else ""
        told.append(f"After: {_size(row['after'], unit)}, {_rest(row, 'after')}{retest}.")
    if not _none(row["change"]):
        interval = _interval(-row["change"], -row["change_hi"], -row["change_lo"], unit)
        told.append(
            f"Better by {interval} (90 %); the smallest change worth claiming here is {_size(row['smallest'], unit)}."
        )
        told.append(
            f"Taken out: {_size(row['allowance'], unit)} that would have come back by chance, and "
            f"{_size(-row['trend'], unit)} by which players without the drill got better."
        )
        told.append(
            f"It shows in {_percent(row['rate_after'])} of the swings after {_percent(row['rate_before'])} before "
            f"(change {100 * row['rate_change']:+.0f} points, 90 % interval {100 * row['rate_lo']:+.0f} to "
            f"{100 * row['rate_hi']:+.0f})."
        )
    if not _none(row["practice_change"]):
        interval = _interval(-row["practice_change"], -row["practice_hi"], -row["practice_lo"], unit)
        kept = "" if _none(row["kept"]) else f"; {_percent(row['kept'])} of it was kept without"
        told.append(
            f"In practice with feedback: better by {interval}{kept}. A gain in practice is not yet learning."
        )
    return told


def _effect_lines(
    effects: Sequence[DrillEffect] | Any, faults: Mapping[str, str], drills: Mapping[str, str]
) -> list[str]:
    told = list(effects)
    if not told:
        return ["", "No drill has been tried long enough to say what it brings."]
    lines = [
        "",
        "What the drills have brought so far (degrees; 0.01 of the downswing counts as one; 90 % interval):",
    ]
    for each in told:
        weak = "" if each.told else "; too few players to speak in place of the mechanism"
        lines.append(
            f"  {drills.get(each.drill, each.drill)} [{each.drill}], for {faults[each.fault]}: {each.held} of "
            f"{each.players} of your players improved and held it, expect {each.improvement_deg:+.0f} "
            f"[{each.improvement_lo_deg:+.0f}, {each.improvement_hi_deg:+.0f}]"
            f" (by mechanism {each.prior_deg:+.0f}){weak}"
        )
    return lines


def _columns(rows: Sequence[Sequence[str]]) -> list[str]:
    """Rows as lines whose cells stand under each other."""
    widths = [max(map(len, cells)) for cells in zip(*rows, strict=True)]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]


def _rest(row: Mapping[str, Any], side: str) -> str:
    swings, sessions = row[f"{side}_swings"], row[f"{side}_sessions"]
    return f"{swings} swings in {sessions} session{'' if sessions == 1 else 's'}"


def _interval(middle: float, low: float, high: float, unit: str) -> str:
    if _none(middle):
        return ""
    return f"{_number(middle, unit, '+')} [{_number(low, unit, '+')}, {_number(high, unit, '+')}]"


def _number(value: float, unit: str, sign: str = "") -> str:
    if _none(value):
        return ""
    digits = 0 if unit == "deg" else 2
    return f"{round(value, digits) + 0.0:{sign}.{digits}f}"  # + 0.0: no "-0"


def _size(value: float, unit: str) -> str:
    return f"{_number(value, unit)} {'degrees' if unit == 'deg' else 'of the downswing'}"


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _none(value: float) -> bool:
    """Whether there is no number."""
    return value != value
