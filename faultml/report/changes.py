"""What changed for the better, or did not: re-tests, and faults that went away."""

from __future__ import annotations

from faultml.coaching.retest import RetestResult
from faultml.coaching.rules import LATE_SAVE, Coaching
from faultml.outcomes.words import GONE_BELOW
from faultml.report.player_tables import PlayerTables
from faultml.report.text import listed, percent, shown
from faultml.results.sessions import COUNTING


def retest_lines(tables: PlayerTables, coaching: Coaching) -> list[str]:
    """The last re-test of each fault the player had, whether or not it is still flagged."""
    return [_retest_line(row, coaching) for row in _last_retests(tables, coaching)]


def gone_lines(tables: PlayerTables, coaching: Coaching) -> list[str]:
    """Faults that showed over the season, or in its earlier half, and do not show now."""
    tested = {row.fault for row in _last_retests(tables, coaching)}
    shows_at = coaching.rules.shows.rate
    return [
        f"{coaching.words[fault].capitalize()} seldom shows now: in an estimated {percent(row.rate_now)} of the last "
        f"{row.swings_now} swings, after {percent(early)} in the earlier half of the season."
        for fault, row in tables.faults.items()
        if fault not in tested
        and row.kind == "none"
        and fault in (*coaching.catalogue.ids, LATE_SAVE)
        and row.rate_now < GONE_BELOW
        and max(early := _early_rate(tables, fault), row.rate) >= shows_at
    ]


def change_words(tables: PlayerTables, coaching: Coaching) -> list[str]:
    """The same in a word or two each: ``held: bowed top``."""
    named: dict[str, list[str]] = {}
    for row in _last_retests(tables, coaching):
        if row.passed:
            named.setdefault(_outcome(row), []).append(coaching.words[row.fault])
    return [f"{outcome}: {listed(faults)}" for outcome, faults in named.items()]


def _last_retests(tables: PlayerTables, coaching: Coaching) -> list[RetestResult]:
    """Of each fault that showed before it was re-tested, or shows now: the last re-test. A style is left alone."""
    last: dict[str, RetestResult] = {}
    for row in tables.retests:
        fault = row.fault
        kind = tables.faults[fault].kind if fault in tables.faults else ""
        showed = row.rate_before >= coaching.rules.shows.rate
        if kind == "fault" or (showed and kind != "style"):
            last[fault] = row
    return list(last.values())


def _retest_line(row: RetestResult, coaching: Coaching) -> str:
    line = (
        f"{coaching.words[row.fault].capitalize()}, {shown(row.session)}: "
        f"{row.inside} of {row.swings} swings inside the corridor, "
    )
    if not row.passed:
        day = "" if row.later_day else ", and not on the day of practice"
        return f"{line}not passed ({round(10 * row.needed)} in ten needed{day})."
    if row.held is None:
        return f"{line}passed."
    since = f"{row.later_inside} of {row.later_swings} later swings without feedback inside"
    return f"{line}passed; {'held' if row.held else 'not held'} since ({since})."


def _outcome(row: RetestResult) -> str:
    if row.held is None:
        return "passed"
    return "held" if row.held else "passed, not held"


def _early_rate(tables: PlayerTables, fault: str) -> float:
    """Share of swings that showed the fault in the earlier half of the sessions, practice left out."""
    early = tables.sessions[: len(tables.sessions) // 2]
    sums = tables.fault_sums
    rows = sums[(sums["fault"] == fault) & sums["context"].isin(COUNTING) & sums["session"].isin(early)]
    swings = float(rows["n"].sum())
    return float(rows["p"].sum()) / swings if swings else 0.0
