"""What a player practises, from the results of a season: the drill's window in the player's own numbers."""

from __future__ import annotations

from faultml.care.rules import load_care
from faultml.coaching.book import Drill
from faultml.coaching.place import own_numbers
from faultml.coaching.rules import Coaching
from faultml.coaching.setup import player_setups
from faultml.coaching.summary import read_summary
from faultml.coaching.window import SpreadWindow, Window, fitted
from faultml.errors import InputError
from faultml.practice.judge import Target
from faultml.results import Results

ALONE = "no-sensor"
"""Code of a drill that no sensor judges."""


def target_of_results(
    results: Results, player: str, drill: Drill, coaching: Coaching, mounting_sd_deg: float | None = None
) -> Target:
    """What a player of a season practises with a drill.

    Raises
    ------
    InputError
        ``unknown-player``; ``no-sensor`` where no sensor judges the drill; ``no-setup`` where the player's own setup
        was not measured; ``no-room-in-limits`` where care leaves no window.
    """
    window = drill.window
    if isinstance(window, SpreadWindow) or not drill.rehearsal.stations:
        raise InputError(
            ALONE,
            where=drill.id,
            expected=f"the player alone: {drill.check}",
            found=drill.rehearsal.why_alone,
        )
    care = load_care()
    rows = results.of_player("players", player)
    if not len(rows):
        raise InputError(
            "unknown-player", where=str(results.folder), expected="a player of the season", found=player
        )
    setups = player_setups(
        read_summary(results).sessions,
        care.reference_setup,
        coaching.catalogue.address,
        coaching.rules.address,
    )
    if player not in setups or not setups[player].measured:
        raise InputError("no-setup", where=player, expected="assessed swings, which show the usual setup")
    measures = zip(rows["fault"].astype(str), rows["measure"].astype(float), strict=True)
    own = own_numbers(setups[player].setup, dict(measures), coaching.catalogue)
    placed = fitted(window, coaching.catalogue, player)
    assert isinstance(placed, Window)
    target = Target(drill, placed, own, care.limits, mounting_sd_deg)
    if not target.placed_at(target.usual_setup_deg).usable:
        raise InputError(
            "no-room-in-limits", where=f"{player} {drill.id}", expected="a window inside the limits of care"
        )
    return target
