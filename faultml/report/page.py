"""The page itself: one HTML file that opens offline, runs nothing and loads nothing."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Collection
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Final

from markupsafe import Markup

from faultml.coaching.rules import Coaching
from faultml.errors import InputError, MissingExtraError
from faultml.report.player_tables import PlayerTables, player_tables
from faultml.report.player_view import player_view
from faultml.report.season_view import season_view
from faultml.report.source import ReportSource
from faultml.report.text import load_words, shown

if TYPE_CHECKING:
    import jinja2

FULL_PLAYERS: Final = 60
"""Players shown with figures; in a larger roster those with the most to gain, and everybody else in words."""

FOLDED_FROM: Final = 31
"""From this many players on, each one's figures are folded away until asked for."""

LINE_BREAKS: Final = re.compile(r"\n\s*")


def write_report(
    source: ReportSource,
    out: Path,
    coaching: Coaching,
    *,
    only: Collection[str] = (),
    full: int = FULL_PLAYERS,
) -> None:
    """Write the season's report to `out`, whole or not at all.

    Parameters
    ----------
    source
        The season's tables.
    out
        The file to write; its folder exists.
    coaching
        Catalogue, drill book and rules, as in the run that made the tables.
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
    text = render_report(source, coaching, only=only, full=full)
    part = out.with_name(f".{out.name}.part")
    try:
        part.write_text(text, encoding="utf-8")
        part.replace(out)
    except OSError as error:
        raise InputError("not-writable", where=str(out), found=error.strerror or str(error)) from error


def render_report(
    source: ReportSource, coaching: Coaching, *, only: Collection[str] = (), full: int = FULL_PLAYERS
) -> str:
    """The page as text; see `write_report`."""
    players = _chosen(player_tables(source), only)
    anchors = {player.name: f"p{number}" for number, player in enumerate(players, 1)}
    drawn = _most_to_gain(players, full)
    promise = source.run.get("promise", {})
    views = [
        player_view(player, anchors[player.name], coaching, promise, with_figures=player.name in drawn)
        for player in players
    ]
    reserves = {card.drill.id: card.drill for view in views for card in view.reserves}
    return _fill(
        season=season_view(source, players, anchors, coaching),
        players=views,
        reserves=list(reserves.values()),
        words=load_words().limits,
        folded=len(players) >= FOLDED_FROM,
        full=full,
    )


def render_player(source: ReportSource, coaching: Coaching, player: str, *, card: bool = False) -> Markup:
    """One player's part of the page, or with `card` the drill to work on next alone, as the player gets it.

    For a page that brings `style` itself.

    Raises
    ------
    InputError
        ``unknown-player``, or ``no-drill`` where a card is asked for and there is no drill.
    """
    tables = player_tables(source)
    (chosen,) = _chosen(tables, [player])
    view = player_view(chosen, "p1", coaching, source.run.get("promise", {}), with_figures=not card)
    if card and view.drill is None:
        raise InputError("no-drill", where="card", expected="a drill to work on next", found="none")
    content = {
        "season": season_view(source, [chosen], {player: "p1"}, coaching),
        "players": [view],
        "words": load_words().limits,
        "folded": False,
        "alone": True,
        "full": FULL_PLAYERS,
        "card": card,
    }
    return Markup(LINE_BREAKS.sub("\n", _environment().get_template("one_player.html").render(**content)))


@lru_cache(maxsize=1)
def style() -> str:
    """The page's style sheet."""
    sheet = resources.files("faultml.report").joinpath("templates/style.css").read_text(encoding="utf-8")
    return LINE_BREAKS.sub("\n", sheet)  # as it will stand on the page, or the policy's hash would not fit


def _chosen(players: list[PlayerTables], only: Collection[str]) -> list[PlayerTables]:
    unknown = sorted(set(only) - {player.name for player in players})
    if unknown:
        names = ", ".join(shown(player.name) for player in players[:10])
        raise InputError(
            "unknown-player", where="report", expected=f"players such as {names}", found=shown(unknown[0])
        )
    return [player for player in players if not only or player.name in only]


def _most_to_gain(players: list[PlayerTables], full: int) -> set[str]:
    """The players shown with figures: who is paused, then by the priority of the first drill."""

    def gain(player: PlayerTables) -> tuple[bool, float]:
        first = player.first_drill
        return player.paused, first.priority if first else -1.0

    return {player.name for player in sorted(players, key=gain, reverse=True)[:full]}


def _fill(**content: object) -> str:
    digest = base64.b64encode(hashlib.sha256(style().encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    template = _environment().get_template("report.html")
    page = template.render(style=Markup(style()), policy=policy, alone=False, **content)
    return LINE_BREAKS.sub("\n", page)


def _environment() -> jinja2.Environment:
    try:
        import jinja2
    except ImportError as error:
        install = "pip install 'faultml[report]'"
        raise MissingExtraError(
            "missing-extra", where="report", expected=install, found="no Jinja2"
        ) from error
    return jinja2.Environment(
        loader=jinja2.PackageLoader("faultml.report"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
