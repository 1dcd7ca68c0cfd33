"""The report: an index and a page a player, or one page. HTML that opens offline, runs nothing and loads nothing."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from pathlib import Path
from typing import Final
from urllib.parse import quote

from markupsafe import Markup

from faultml.coaching.rules import Coaching
from faultml.errors import InputError
from faultml.report.offline import fill, fill_part, write_page
from faultml.report.player_tables import PlayerTables, player_tables
from faultml.report.player_view import player_view
from faultml.report.season_view import season_view
from faultml.report.source import ReportSource
from faultml.report.text import load_words, shown
from faultml.results.folders import replaced_folder
from faultml.results.pages import PAGES_FOLDER, check_pages, page_name

FULL_PLAYERS: Final = 60
"""Players shown with figures; in a larger roster those with the most to gain, and everybody else in words."""

FOLDED_FROM: Final = 31
"""From this many players on, each one's figures are folded away until asked for."""


def write_report(
    source: ReportSource, out: Path, coaching: Coaching, *, on_page: Callable[[int, int], None] | None = None
) -> None:
    """Write the season's report, an index at `out` and a page a player in ``players`` beside it: all or nothing.

    Parameters
    ----------
    source
        The season's tables.
    out
        The index to write; its folder exists.
    coaching
        Catalogue, drill book and rules, as in the run that made the tables.
    on_page
        Called after each player's page with the number of pages drawn and of all.

    Raises
    ------
    InputError
        ``not-writable``, or ``not-a-pages-folder`` where ``players`` holds something else.
    MissingExtraError
        Where Jinja2 is not installed.
    """
    players = player_tables(source)
    index = render_index(source, coaching, players)
    with replaced_folder(out.parent / PAGES_FOLDER, check_pages) as folder:
        for number, (player, page) in enumerate(_pages(source, coaching, players, quote(out.name)), 1):
            (folder / page_name(player)).write_text(page, encoding="utf-8")
            if on_page is not None:
                on_page(number, len(players))
    write_page(index, out)


def write_one_page(
    source: ReportSource,
    out: Path,
    coaching: Coaching,
    *,
    only: Collection[str] = (),
    full: int = FULL_PLAYERS,
) -> None:
    """Write the season's report as one page, whole or not at all.

    Parameters
    ----------
    source, coaching
        As in `write_report`.
    out
        The file to write; its folder exists.
    only
        Players to show; everybody where empty.
    full
        How many players are shown with figures.

    Raises
    ------
    InputError
        Where `only` names a player who is not there, or the file cannot be written.
    MissingExtraError
        Where Jinja2 is not installed.
    """
    write_page(render_report(source, coaching, only=only, full=full), out)


def render_index(
    source: ReportSource, coaching: Coaching, players: Sequence[PlayerTables] | None = None
) -> str:
    """The season's own page, with a link to every player's; `players` where they are there already."""
    players = player_tables(source) if players is None else players
    links = {player.name: f"{PAGES_FOLDER}/{page_name(player.name)}" for player in players}
    return fill(
        "report.html",
        "style.css",
        season=season_view(source, players, links, coaching),
        players=[],
        reserves=[],
        words=load_words().limits,
    )


def render_report(
    source: ReportSource, coaching: Coaching, *, only: Collection[str] = (), full: int = FULL_PLAYERS
) -> str:
    """The season and its players as one page; see `write_one_page`."""
    players = _chosen(player_tables(source), only)
    anchors = {player.name: f"p{number}" for number, player in enumerate(players, 1)}
    drawn = _largest_gains(players, full)
    promise = source.run.get("promise", {})
    views = [
        player_view(player, anchors[player.name], coaching, promise, with_figures=player.name in drawn)
        for player in players
    ]
    reserves = {card.drill.id: card.drill for view in views for card in view.reserves}
    return fill(
        "report.html",
        "style.css",
        season=season_view(
            source, players, {name: f"#{anchor}" for name, anchor in anchors.items()}, coaching
        ),
        players=views,
        reserves=list(reserves.values()),
        words=load_words().limits,
        folded=len(players) >= FOLDED_FROM,
        heading="h2",
        back="#glance",
        full=full,
        commands=True,
    )


def _pages(
    source: ReportSource, coaching: Coaching, players: Sequence[PlayerTables], index: str
) -> Iterator[tuple[str, str]]:
    """Every player's name and page; `index` is the address of the season's page in the folder above."""
    season = season_view(source, players, dict.fromkeys((player.name for player in players), ""), coaching)
    promise = source.run.get("promise", {})
    for player in players:
        view = player_view(player, "p1", coaching, promise, with_figures=True)
        page = fill(
            "player_page.html",
            "style.css",
            season=season,
            player=view,
            reserves=[card.drill for card in view.reserves],
            words=load_words().limits,
            folded=False,
            heading="h1",
            back=f"../{index}",
            full=FULL_PLAYERS,
            commands=True,
        )
        yield player.name, page


def render_player(source: ReportSource, coaching: Coaching, player: str) -> Markup:
    """One player's part of the page, without commands, for a page that brings the style sheet and the presses itself.

    Raises
    ------
    InputError
        ``unknown-player``.
    """
    (chosen,) = _chosen(player_tables(source), [player])
    return fill_part(
        "one_player.html",
        season=season_view(source, [chosen], {player: "#p1"}, coaching),
        players=[player_view(chosen, "p1", coaching, source.run.get("promise", {}), with_figures=True)],
        words=load_words().limits,
        folded=False,
        heading="h2",
        back="",
        full=FULL_PLAYERS,
        commands=False,
    )


def _chosen(players: list[PlayerTables], only: Collection[str]) -> list[PlayerTables]:
    unknown = sorted(set(only) - {player.name for player in players})
    if unknown:
        names = ", ".join(shown(player.name) for player in players[:10])
        raise InputError(
            "unknown-player", where="report", expected=f"players such as {names}", found=shown(unknown[0])
        )
    return [player for player in players if not only or player.name in only]


def _largest_gains(players: list[PlayerTables], full: int) -> set[str]:
    """The players shown with figures: who is paused, then by the priority of the first drill."""

    def gain(player: PlayerTables) -> tuple[bool, float]:
        first = player.first_drill
        return player.paused, first.priority if first else -1.0

    return {player.name for player in sorted(players, key=gain, reverse=True)[:full]}
