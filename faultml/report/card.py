"""The practice card: one printed page for the player, with the drill as care allows it and nothing about the body."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches
from pathlib import Path
from typing import Final

from markupsafe import Markup

from faultml.coaching.book import Drill
from faultml.coaching.records import PlayerDrill
from faultml.coaching.rules import Coaching
from faultml.coaching.window import SpreadWindow
from faultml.drawings.traces import stack
from faultml.errors import InputError
from faultml.plan.records import LastRetest
from faultml.plan.table import PlanRow
from faultml.report.card_chart import window_on_curve
from faultml.report.card_words import load_card_words, plain_window
from faultml.report.offline import fill, fill_part, write_page
from faultml.report.player_tables import PlayerTables, player_tables
from faultml.report.player_view import DRAWN_SWINGS
from faultml.report.source import ReportSource
from faultml.report.text import shown

MAX_STEPS: Final = 5
SOFT_GROUND: Final = "no-hard-mats"


@dataclass(frozen=True)
class Practice:
    """What the card says of a drill: the book's words, and the player's own window, dose and re-test."""

    drill: Drill
    standing: str
    steps: tuple[str, ...]
    window: str
    chart: Markup
    figure: str
    meaning: str
    dose: str
    soft: str
    ball: str
    retest: str


@dataclass(frozen=True)
class PlayerCard:
    """One player's card; `instead` stands where there is no practice to print, and is empty where there is."""

    name: str
    day: str
    practice: Practice | None
    instead: str


def write_card(source: ReportSource, player: str, out: Path, coaching: Coaching, on: date) -> None:
    """Write a player's card to `out`, whole or not at all.

    Parameters
    ----------
    source
        The season's tables, with the care check asked for the day `on`.
    player
        The player's id.
    out
        The file to write; its folder exists.
    coaching
        Catalogue, drill book and rules.
    on
        The day the card is for.

    Raises
    ------
    InputError
        ``unknown-player``, or ``not-writable``.
    MissingExtraError
        Where Jinja2 is not installed.
    """
    write_page(render_card(source, player, coaching, on), out)


def render_card(source: ReportSource, player: str, coaching: Coaching, on: date) -> str:
    """The card as text; see `write_card`."""
    return fill("card.html", "card.css", card=player_card(_tables_of(source, player), coaching, on))


def render_card_part(source: ReportSource, player: str, coaching: Coaching, on: date) -> Markup:
    """The card without the page around it, for a page that brings ``card.css`` itself."""
    return fill_part("card_body.html", card=player_card(_tables_of(source, player), coaching, on))


def _tables_of(source: ReportSource, player: str) -> PlayerTables:
    players = {tables.name: tables for tables in player_tables(source)}
    if player not in players:
        near = get_close_matches(player, list(players), 3, 0.6) or list(players)[:10]
        expected = f"players such as {', '.join(map(shown, near))}"
        raise InputError("unknown-player", where="card", expected=expected, found=shown(player))
    return players[player]


def player_card(player: PlayerTables, coaching: Coaching, on: date) -> PlayerCard:
    """Put a player's card into words. Whatever has to be asked first leaves the drill out altogether."""
    instead, first = load_card_words().instead, player.first_drill
    practice = None
    # Of a season ahead of the clock the card bears the plan's day: its dates are of one calendar.
    on = max(on, date.fromisoformat(player.lesson.on)) if player.lesson else on
    state = player.lesson.state if player.lesson else "start"
    if player.paused or state == "waits":
        why = instead.paused
    elif first is None:
        why = {"change": instead.change, "done": instead.done}.get(state, instead.none)
    elif first.care != "give":
        why = instead.ask
    else:
        why, practice = "", _practice(first, player, coaching, on)
    return PlayerCard(shown(player.name), _day(on), practice, why)


def card_file(player: str) -> str:
    """The file name of a player's card: safe in any folder, and another one for every player."""
    plain = re.sub(r"[^A-Za-z0-9-]+", "_", player)[:60]
    if plain == player:
        return f"card-{plain}.html"
    return f"card-{plain}-{hashlib.sha256(player.encode()).hexdigest()[:8]}.html"


def _practice(row: PlayerDrill, player: PlayerTables, coaching: Coaching, on: date) -> Practice:
    words, drill, window = load_card_words(), coaching.book[row.drill], row.window
    say, sentence = words.sentence, plain_window(window)
    chart = Markup("")
    if not player.curves.empty:
        traces = stack(player.curves.head(DRAWN_SWINGS), coaching.rules.shots.good)
        chart = window_on_curve(window, traces, player.address_deg, sentence)
    if isinstance(window, SpreadWindow):
        figure = say.alike_figure
    else:
        # At a single moment, to reach a place is to be there.
        figure = say.reach_figure if window.must == "reach" and window.end else say.stay_figure
    return Practice(
        drill=drill,
        standing=_standing(row, player),
        steps=drill.without_ball[:MAX_STEPS],
        window=sentence,
        chart=chart,
        figure=figure if chart else "",
        meaning=words.channel[window.channel].meaning,
        dose=row.dose,
        soft=say.soft if any(note.code == SOFT_GROUND for note in row.notes) else "",
        ball=say.ball,
        retest=f"{_retest(row, drill, on)} {_last_retest(drill, player.lesson)}".rstrip(),
    )


def _standing(row: PlayerDrill, player: PlayerTables) -> str:
    """Where the drill stands in the plan, as far as the coach's notes are known."""
    words, lesson = load_card_words().standing, player.lesson
    if lesson is None:
        return ""
    if lesson.active and lesson.drill == row.drill and lesson.given:
        return words.on.format(day=_day(date.fromisoformat(lesson.given)))
    return words.new


def _retest(row: PlayerDrill, drill: Drill, on: date) -> str:
    say = load_card_words().sentence
    what = say.retest.format(inside=drill.retest.inside, of=drill.retest.of)
    if not row.retest_due:
        return f"{say.retest_open} {what}"
    due = date.fromisoformat(row.retest_due)
    when = say.retest_on if due > on else say.retest_due
    return f"{when.format(day=_day(due))} {what}"


def _last_retest(drill: Drill, lesson: PlanRow | None) -> str:
    """The last re-test of the drill that the player is on; "" where there is none."""
    if lesson is None or not lesson.active or lesson.drill != drill.id or lesson.retest_inside is None:
        return ""
    say, swings = load_card_words().sentence, lesson.retest_swings or 0
    test = LastRetest(
        date.fromisoformat(lesson.retest_on),
        swings,
        lesson.retest_inside,
        drill.retest.inside,
        drill.retest.of,
    )
    closer = lesson.gain_lo is not None and lesson.gain_lo > 0
    words = say.retest_passed if test.passed else say.retest_closer if closer else say.retest_failed
    return words.format(day=_day(test.day), inside=test.inside, swings=test.swings)


def _day(day: date) -> str:
    """``9 June 2031``."""
    return f"{day.day} {day:%B %Y}"
