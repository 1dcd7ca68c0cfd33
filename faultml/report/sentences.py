"""What the page says of a player in sentences: what happens, what to leave alone, what to look at first."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from faultml.coaching.misses import FitWord
from faultml.coaching.note_rules import drawn_notes
from faultml.coaching.notes import ball_words, miss_noun, note_text
from faultml.coaching.records import PlayerFault
from faultml.coaching.rules import LATE_SAVE, Coaching
from faultml.coaching.setup import EXTENSION_HIGH, EXTENSION_LOW
from faultml.report.closures import hand
from faultml.report.player_tables import PlayerTables
from faultml.report.text import (
    count,
    hand_words,
    interval,
    listed,
    load_words,
    percent,
    shown,
    size,
)

SOUND_BELOW: Final = 0.25
"""A part of the swing is sound where each of its faults shows in less than this share, 95 % certain."""


def sentence(tables: PlayerTables, coaching: Coaching) -> str:
    """What happens, in one sentence: the cause, the save and the miss."""
    main = tables.main_fault
    if not tables.assessed:
        return f"None of {count(tables.swings, 'swing')} could be assessed."
    if main is None:
        return f"{_nothing(tables, coaching)}{_unexplained(tables)}."
    if not main.leading:
        shows_most = f"what shows most is {coaching.words[main.fault]}{_calls(main, coaching)}"
        return f"No fault is worth a new drill now; {shows_most}{_miss(main)}."
    cause = f"The player {load_words().clause[main.fault]}{_calls(main, coaching)}"
    return f"{cause}{_save(main.fault, tables, coaching)}{_miss(main)}."


def basis(tables: PlayerTables, coaching: Coaching) -> list[str]:
    """The figures behind `sentence`: estimated shares, what is read against the edge, and the balls."""
    main = tables.main_fault
    if not tables.assessed or main is None:
        return []
    things = "swings" if main.fault in coaching.catalogue.ids else "sessions"
    span = interval(main.rate_now_lo, main.rate_now_hi)
    lines = [
        f"As a habit now it is estimated at {percent(main.rate_now)} of {things} (90 % interval {span}), "
        f"over the season at {percent(main.rate)}.",
        *(note_text(note, coaching) for note in drawn_notes(main, coaching)),
    ]
    if main.fault in coaching.catalogue.ids:
        fault = coaching.catalogue[main.fault]
        lines.append(
            f"The mean of all these {main.swings_now} swings, those that do not show it too, is "
            f"{hand_words(fault, main.measure_now)}; the edge is {hand_words(fault, main.edge)}."
        )
    if main.fit_balls and main.fit_others:
        lines.append(
            f"It shows in an estimated {percent(main.fit_rate)} of {count(main.fit_balls, 'ball')} with the "
            f"{miss_noun(main.miss)} and {percent(main.fit_others_rate)} of {main.fit_others} others{_CLEAR[main.fit]}."
        )
    return lines


def _calls(row: PlayerFault, coaching: Coaching) -> str:
    """What is counted: calls. A fault of a session has none."""
    if row.fault in coaching.catalogue.ids:
        return f" (the call is yes in {row.flagged_now} of the last {row.swings_now} swings)"
    return f" (estimated, in {percent(row.rate_now)} of the last {count(row.sessions_now, 'session')})"


def _nothing(tables: PlayerTables, coaching: Coaching) -> str:
    styles = [coaching.words[fault] for fault, row in tables.faults.items() if row.kind == "style"]
    if styles:
        return f"What stands out ({listed(styles)}) is repeatable and goes with no miss"
    return "No fault shows often enough now to work on"


def _save(main: str, tables: PlayerTables, coaching: Coaching) -> str:
    row = tables.faults.get(LATE_SAVE)
    if row is None or row.kind != "pattern":
        return ""
    share = f"(a late save, in an estimated {percent(row.rate_now)} of the last {row.swings_now} swings)"
    if LATE_SAVE in coaching.brings.get(main, ()):
        return f", then gives most of the bow back before impact {share}"
    return f"; a strong bow is given back before impact {share}"


_CLEAR: Final[dict[FitWord, str]] = {
    "agree": "",
    "catalogue": ": the balls alone do not tie it to the miss",
    "data": "",
    "against": "",
    "": ": no clear difference",
}


def _miss(main: PlayerFault) -> str:
    """How it fits the miss: only where catalogue and balls agree it is said to fit."""
    known, miss = main.explains_miss, miss_noun(main.miss)
    if known is None or not main.miss:
        return ""
    match main.fit:
        case "agree" if known:
            said = f"that fits the {miss}, by the catalogue and by the balls"
        case "catalogue" if known:
            said = f"by the catalogue it can bring the {miss}"
        case "against":
            said = (
                f"by the catalogue it can bring the {miss}, but here it shows less often with it than without"
            )
        case "data":
            said = f"here it shows more often with the {miss} than without, which the catalogue does not say of it"
        case _:
            said = f"it does not explain the {miss}"
    return f"; {said}{_balls(main)}"


def _balls(row: PlayerFault) -> str:
    """What the balls say of the miss, and the roster where it says another."""
    usual = row.usual_miss.split()
    words_of_balls = (
        ball_words(row.miss, row.miss_balls, row.straight_balls, row.known_balls)
        if row.known_balls
        else "the roster's word; no ball was noted"
    )
    if usual and row.miss not in usual:
        words_of_balls += (
            f"; the roster names {listed([miss_noun(miss) for miss in usual])} as the usual miss"
        )
    return f" ({words_of_balls})"


def _unexplained(tables: PlayerTables) -> str:
    row = next((row for row in tables.faults.values() if row.miss), None)
    return f"; nothing seen here explains the {miss_noun(row.miss)}{_balls(row)}" if row else ""


def keep(tables: PlayerTables, coaching: Coaching) -> list[str]:
    """What not to change: the save while its cause is there, styles, and what is sound."""
    rows, rules = tables.faults, coaching.rules.late_save
    lines = []
    if "waiting" in {note.code for note in tables.notes}:
        waiting = [
            coaching.words[fault] for fault in rules.waits if (row := rows.get(fault)) and row.kind == "fault"
        ]
        what = f"The {listed(waiting)}" if waiting else "The late save itself"
        cause = coaching.words[rules.cause]
        hook = coaching.rules.closers_first.miss
        hooks = any(hook in row.miss.split() for row in rows.values())
        risk = f"Take it away first and the {hook} gets worse. " if hooks else ""
        lines.append(
            f"{what}, for now: that is how the ball is saved while the {cause} is there. {risk}"
            "Expect pushes meanwhile."
        )
    elif (save := rows.get(LATE_SAVE)) and save.kind == "pattern":
        lines.append("The late save was seen; it is no fault by itself, and nothing waits for it.")
    worked_on = tables.lesson.fault if tables.lesson and tables.lesson.active else ""
    for fault, row in rows.items():
        if row.kind == "style" and fault != worked_on:
            lines.append(
                f"{coaching.words[fault].capitalize()}: repeatable, and it goes with no miss. A style, not a fault."
            )
    sound = [part.name for part in load_words().part if _is_sound([rows.get(fault) for fault in part.faults])]
    return [*lines, f"Sound as they are: {listed(sound)}."] if sound else lines


def _is_sound(rows: Sequence[PlayerFault | None]) -> bool:
    return all(row is not None and row.swings > 0 and row.rate_hi < SOUND_BELOW for row in rows)


def warnings(tables: PlayerTables, coaching: Coaching) -> list[str]:
    """What of the setup to look at before the motion, from the codes on the player's rows."""
    codes = next((row.warnings for row in tables.faults.values()), ())
    band = coaching.catalogue.address
    words_of_balls = {
        EXTENSION_HIGH: f"more than {band.extension_high:.0f}°",
        EXTENSION_LOW: f"less than {band.extension_low:.0f}°",
    }
    words = load_words().warning
    bend = size(-float(tables.address_deg[0]), "deg")
    return [
        words[code].format(extension=bend, edge=words_of_balls.get(code, ""))
        for code in codes
        if code in words
    ]


def meta(tables: PlayerTables) -> str:
    """Counts, dates, hand, level and usual miss in one line."""
    roster = tables.roster
    days = count(len(tables.sessions), "session")
    parts = [f"{count(tables.assessed, 'swing')} assessed of {tables.swings:,} in {days}"]
    if tables.sessions:
        first, last = shown(tables.sessions[0]), shown(tables.sessions[-1])
        parts.append(first if first == last else f"{first} to {last}")
    played = hand(tables.closure_sums) or str(roster.get("hand") or "")
    parts += [f"{played}-handed"] if played in {"left", "right"} else []
    parts += [shown(roster["level"])] if roster.get("level") else []
    parts += [f"usual miss: {shown(roster['usual_miss'])}"] if roster.get("usual_miss") else []
    return " · ".join(parts)
