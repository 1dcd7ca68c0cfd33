"""What the page says of a player in sentences: what happens, what to leave alone, what to look at first."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from faultml.coaching.notes import ball_words, miss_noun
from faultml.coaching.records import PlayerFault
from faultml.coaching.rules import LATE_SAVE, Coaching
from faultml.coaching.setup import EXTENSION_HIGH, EXTENSION_LOW
from faultml.report.closures import hand
from faultml.report.player_tables import PlayerTables
from faultml.report.text import count, degrees, listed, load_words, of_ten, percent, shown, size

SOUND_BELOW: Final = 0.25
"""A part of the swing is sound where each of its faults shows in less than this share, 95 % certain."""


def sentence(tables: PlayerTables, coaching: Coaching) -> str:
    """What happens, in one sentence: the cause, the save and the miss."""
    main = tables.main_fault
    if not tables.assessed:
        return f"None of {count(tables.swings, 'swing')} could be assessed."
    if main is None:
        return f"{_nothing(tables, coaching)}{_unexplained(tables)}."
    fault = main.fault
    things = "swings" if fault in coaching.catalogue.ids else "sessions"
    cause = f"In {of_ten(main.rate, things)} the player {load_words().clause[fault]}"
    return f"{cause}{_typical(main, coaching)}{_save(fault, tables, coaching)}{_miss(main)}."


def _nothing(tables: PlayerTables, coaching: Coaching) -> str:
    styles = [coaching.words[fault] for fault, row in tables.faults.items() if row.kind == "style"]
    if styles:
        return f"What stands out ({listed(styles)}) is repeatable and goes with no miss"
    return "No fault shows often enough to work on"


def _typical(main: PlayerFault, coaching: Coaching) -> str:
    if main.fault not in coaching.catalogue.ids:
        return ""
    if main.unit == "share":
        return f" (at {percent(main.measure)} of it on average, the edge is {percent(main.edge)})"
    return f" ({degrees(main.measure)} on average, the edge is {degrees(main.edge)})"


def _save(main: str, tables: PlayerTables, coaching: Coaching) -> str:
    row = tables.faults.get(LATE_SAVE)
    if row is None or row.kind != "pattern":
        return ""
    often = of_ten(row.rate, "swings")
    if LATE_SAVE in coaching.brings.get(main, ()):
        return f", then gives most of the bow back before impact (a late save, in {often})"
    return f"; a strong bow is given back before impact (a late save) in {often}"


def _miss(main: PlayerFault) -> str:
    known, miss = main.explains_miss, main.miss
    if known is None or not miss:
        return ""
    fits = "that fits" if known else "it does not explain"
    if known and main.known_balls and not main.miss_balls:
        fits = "that would fit"  # on the roster's word alone
    return f"; {fits} the {miss_noun(miss)}{_balls(main)}"


def _balls(row: PlayerFault) -> str:
    """What the balls say of the miss, and the roster where it says another."""
    usual = row.usual_miss.split()
    told = (
        ball_words(row.miss, row.miss_balls, row.straight_balls, row.known_balls)
        if row.known_balls
        else "the roster's word; no ball was noted"
    )
    if usual and row.miss not in usual:
        told += f"; the roster names {listed([miss_noun(miss) for miss in usual])} as the usual miss"
    return f" ({told})"


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
    for fault, row in rows.items():
        if row.kind == "style":
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
    told = {
        EXTENSION_HIGH: f"more than {band.extension_high:.0f}°",
        EXTENSION_LOW: f"less than {band.extension_low:.0f}°",
    }
    words = load_words().warning
    bend = size(-float(tables.address_deg[0]), "deg")
    return [words[code].format(extension=bend, edge=told.get(code, "")) for code in codes if code in words]


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
