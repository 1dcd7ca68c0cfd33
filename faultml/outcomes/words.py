"""Outcomes in words: a table for the season, sentences for one player, plain records for programs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Final

import pandas as pd

from faultml.faults.catalogue import Catalogue, Fault
from faultml.outcomes.effects import DrillEffect, Effects


def _listed(numbers: Iterable[int]) -> str:
    *most, last = map(str, numbers)
    return f"{', '.join(most)} or {last}"


def _percents(shares: Mapping[int, float]) -> list[int]:
    return [round(100 * share) for share in shares.values()]


VERDICTS: Final = {
    "held": "held",
    "no-change": "no change worth claiming",
    "worse": "worse",
    "not-yet": "not yet",
    "too-few": "too few",
    "no-controls": "nobody to compare with",
}
SENTENCES: Final = {
    "held": "It got better, and held without feedback.",
    "no-change": "No change worth claiming: it is smaller, or less sure, than so many swings and sessions can show.",
    "worse": "It got worse. Leave the drill, and look again.",
    "not-yet": "Not yet: since then it was assessed in no swing of a day without practice. Record ten on such a day.",
    "too-few": "Too few swings without feedback, before or after, to tell.",
    "no-controls": "Nothing is claimed: nobody went without a drill for this fault over the same time, and a "
    "drift of the whole group cannot be distinguished from the drill's effect.",
}
CLAIMED: Final = {3: {4: 0.27, 8: 0.79, 12: 0.99}, 5: {4: 0.14, 8: 0.44, 12: 0.77}}
"""Share of players of whom a true gain is claimed, by session SD and gain, degrees: simulated groups of 12, three
sessions a side; measured by `pipelines/benchmarks/outcome_power.py`."""
POWER: Final = (
    f"Small gains are often missed: in simulated groups of 12, with three sessions a side, a true gain of "
    f"{_listed(CLAIMED[3])} degrees is claimed in {_listed(_percents(CLAIMED[3]))} % of players "
    f"({_listed(_percents(CLAIMED[5]))} % where sessions differ more)."
)
"""What a claim can miss, at a session SD of 3 (and 5) degrees."""
GONE_BELOW: Final = 0.15
"""A fault is gone where it shows in less than this share of the swings."""

_HEAD: Final = (
    "player", "drill", "fault", "from", "before", "after", "better by", "claim from", "chance", "kept", "shows",
    "verdict",
)  # fmt: skip
_LEGEND: Final = (
    "before, after: mean of the measure without feedback (degrees, or share of the downswing).",
    "better by: what the drill may have brought, with a 90 % interval; - is worse. Chance and what changed in players",
    "without the drill are taken out. claim from: the smallest change worth claiming with so many swings and sessions.",
    "It is not before less after: sessions are weighed, too.",
    "chance: how much of the look before was a bad day that would have passed by itself (- a good day).",
    "kept: the part of the gain in practice that remained without feedback. shows: share of swings, before and after.",
)


def as_lines(
    table: pd.DataFrame,
    effects: Effects,
    faults: Mapping[str, str],
    drills: Mapping[str, str],
    catalogue: Catalogue,
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
    catalogue
        Says which way each measure gets worse.
    """
    if not len(table):
        return ["No drill was given yet: note one with faultml assign."]
    lines = _columns([_HEAD, *(_row(row, catalogue) for row in _rows(table))])
    return [*lines, "", *_LEGEND, *_effect_lines(effects.values(), faults, drills)]


def player_lines(
    table: pd.DataFrame,
    effects: Effects,
    faults: Mapping[str, str],
    drills: Mapping[str, str],
    catalogue: Catalogue,
) -> list[str]:
    """One player's outcomes in sentences."""
    lines: list[str] = []
    for row in _rows(table):
        lines.append(f"{row['player']}: {drills.get(row['drill'], row['drill'])} [{row['drill']}]")
        lines.append(f"  for {faults[row['fault']]} [{row['fault']}], from {row['since']}")
        lines += [f"  {sentence}" for sentence in sentences(row, catalogue[row["fault"]])]
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


def _row(row: Mapping[str, Any], catalogue: Catalogue) -> tuple[str, ...]:
    unit = str(row["unit"])
    turn = catalogue[row["fault"]].measure.shown_sign
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
        _number(turn * row["before"], unit),
        _number(turn * row["after"], unit),
        _interval(-row["change"], -row["change_hi"], -row["change_lo"], unit),
        _number(row["smallest"], unit),
        _number(row["allowance"], unit, "+"),
        "" if _none(row["kept"]) else _kept(row["kept"]),
        shows,
        VERDICTS[row["verdict"]],
    )


def sentences(row: Mapping[str, Any], fault: Fault) -> list[str]:
    """What became of one drill, a row of `changes`: the verdict first, then what it rests on."""
    unit = str(row["unit"])
    lines = [SENTENCES[row["verdict"]]]
    if row["verdict"] == "no-change":
        lines.append(POWER)
    if not any(row[f"{side}_swings"] for side in ("before", "practice", "after")):
        lines.append("Nor was it assessed in any swing before: faultml check tells what recordings lack.")
    if row["verdict"] == "held" and row["rate_after"] >= GONE_BELOW:
        lines.append(
            "It is not gone yet; re-tests, which count swings inside the corridor, decide when it is done."
        )
    if not _none(row["change"]):
        lines += [
            f"{_compared(row, fault)} A change can be claimed here from {_size(row['smallest'], unit)} on.",
            _shows(row),
        ]
    if not _none(row["practice_change"]):
        lines.append(_practised(row, unit))
    if _none(row["change"]) and not _none(row["before"]):
        before = _size(fault.measure.shown_sign * row["before"], unit)
        lines.append(f"Before, it read {before} on average ({_rest(row, 'before')}).")
    if row["found_verdict"]:
        without = VERDICTS[row["found_verdict"]]
        if not _none(row["found_change"]):
            figures = _better(row["found_change"], row["found_change_lo"], row["found_change_hi"], unit)
            without = f"{without}; {figures}"
        lines.append(f"With the landmarks as they were found, before a coach moved any: {without}.")
    return lines


def _practised(row: Mapping[str, Any], unit: str) -> str:
    """What changed in practice; of no gain nothing can be left."""
    words = _better(row["practice_change"], row["practice_lo"], row["practice_hi"], unit)
    line = f"In practice, with feedback: {words}."
    if row["practice_change"] >= 0 or _number(row["practice_change"], unit) == _number(0.0, unit):
        return line
    kept = "" if _none(row["kept"]) else f" Without feedback {_kept(row['kept'])} of that is left."
    return f"{line}{kept} A gain in practice is not yet learning."


def _effect_lines(
    effects: Sequence[DrillEffect] | Any, faults: Mapping[str, str], drills: Mapping[str, str]
) -> list[str]:
    listed = list(effects)
    if not listed:
        return ["", "No drill has been tried long enough to say what it brings."]
    lines = [
        "",
        "What the drills have brought so far (degrees; 0.01 of the downswing counts as one; 90 % interval):",
    ]
    for each in listed:
        weak = "" if each.enough_players else "; too few players to speak in place of the mechanism"
        lines.append(
            f"  {drills.get(each.drill, each.drill)} [{each.drill}], for {faults[each.fault]}: {each.held} of "
            f"{each.players} of your players improved and kept it; {_expected(each)}"
            f" where the mechanism alone hoped for {_number(each.prior_deg, 'deg', '+')}{weak}"
        )
    return lines


def _expected(effect: DrillEffect) -> str:
    """``expect +4 [+1, +7]``; an average that is no gain is not one to expect."""
    middle, low, high = (
        _number(value, "deg", "+")
        for value in (effect.improvement_deg, effect.improvement_lo_deg, effect.improvement_hi_deg)
    )
    return f"{'expect' if effect.gains else 'no gain is expected so far,'} {middle} [{low}, {high}]"


def _columns(rows: Sequence[Sequence[str]]) -> list[str]:
    """Rows as lines whose cells stand under each other."""
    widths = [max(map(len, cells)) for cells in zip(*rows, strict=True)]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]


def _rest(row: Mapping[str, Any], side: str) -> str:
    swings, sessions = row[f"{side}_swings"], row[f"{side}_sessions"]
    retest = f", {row['retest_swings']} of them re-test" if side == "after" and row["retest_swings"] else ""
    return f"{swings} swing{_s(swings)} in {sessions} session{_s(sessions)}{retest}"


def _better(change: float, low: float, high: float, unit: str) -> str:
    """A change, + worse, with its interval: ``10 degrees better (90 %: 5 better to 15 better)``."""
    best, least = _signed(-low, unit), _signed(-high, unit)
    return f"{_plain(-change, unit)} (90 %: {least} to {best})"


def _signed(improvement: float, unit: str) -> str:
    """``5 better``, ``5 worse``; nothing is neither."""
    amount = _number(abs(improvement), unit)
    return amount if amount == _number(0.0, unit) else f"{amount} {_way(improvement)}"


def _way(improvement: float) -> str:
    return "better" if improvement >= 0 else "worse"


def _compared(row: Mapping[str, Any], fault: Fault) -> str:
    """Before and after, what is taken out of their difference, and what is left, so that the printed numbers add up.

    Each is rounded as it is printed; what the rounding, and the weighing of sessions, leave over is said as such.
    """
    unit = str(row["unit"])
    step = 1.0 if unit == "deg" else 0.01
    turn = fault.measure.shown_sign

    def steps(value: float) -> int:
        return round(value / step)

    before, after = steps(turn * row["before"]), steps(turn * row["after"])
    read = fault.sign * turn * (before - after)
    luck, others, left = steps(row["allowance"]), steps(-row["trend"]), steps(-row["change"])
    taken = [
        (luck, "luck (who is picked when bad comes back a little by chance)"),
        (others, "what players without the drill changed by"),
        (read - luck - others - left, "the weighing of sessions and swings"),
    ]
    parts = [f"{_signed(-n * step, unit)} for {why}" for n, why in taken if n]
    low, high = _signed(-row["change_hi"], unit), _signed(-row["change_lo"], unit)
    return (
        f"Without feedback it read {_size(before * step, unit)} before ({_rest(row, 'before')}) and "
        f"{_size(after * step, unit)} after ({_rest(row, 'after')}): {_plain(read * step, unit)}"
        f"{''.join(f', {part}' for part in parts)}. That leaves {_plain(left * step, unit)} (90 %: {low} to {high})."
    )


def _plain(improvement: float, unit: str) -> str:
    """``12 degrees better``, ``no change``."""
    if _number(abs(improvement), unit) == _number(0.0, unit):
        return "no change"
    return f"{_size(abs(improvement), unit)} {_way(improvement)}"


def _shows(row: Mapping[str, Any]) -> str:
    """How often it shows before and after, as estimated, and the change with luck and the others taken out."""
    before, after = (round(100 * row[name]) for name in ("rate_before", "rate_after"))
    middle, low, high = (round(-100 * row[name]) for name in ("rate_change", "rate_hi", "rate_lo"))
    return (
        f"The fault shows in an estimated {before} % of the swings before and {after} % after: "
        f"{_points(before - after)}; with the same taken out {_points(middle)} "
        f"(90 %: {_points(low)} to {_points(high)})."
    )


def _points(fewer: int) -> str:
    if not fewer:
        return "no change"
    return f"{abs(fewer)} point{_s(abs(fewer))} {'fewer' if fewer > 0 else 'more'}"


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
    number = _number(value, unit)
    if unit != "deg":
        return f"{number} of the downswing"
    return f"{number} degree{'' if number in ('1', '-1') else 's'}"


def _s(count: int) -> str:
    return "" if count == 1 else "s"


def _kept(share: float) -> str:
    """The part of a gain in practice that is left: no less than nothing and no more than all of it."""
    return _percent(min(max(share, 0.0), 1.0))


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _none(value: float) -> bool:
    """Whether there is no number."""
    return value != value
