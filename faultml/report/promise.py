"""What the page says of flags that are wrong: the share promised, on whom it is shown, and where it is an estimate."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from faultml.coaching.rules import Coaching
from faultml.report.player_tables import PlayerTables
from faultml.report.text import count, listed, percent, shown


def promise_words(run: Mapping[str, Any], coaching: Coaching, players: Sequence[PlayerTables] = ()) -> str:
    """A few sentences from ``run.json``; "" where it says nothing of it. `players` tell whose the edges are."""
    promise = run.get("promise")
    if not isinstance(promise, Mapping) or "shown_on" not in promise:
        return ""
    share, own = percent(promise["false_share"]), promise.get("own")
    default = coaching.catalogue.owner
    owners = {
        row.edge_owner
        for each in players
        for row in each.faults.values()
        if row.fault in coaching.catalogue.ids
    }
    moved = listed(sorted(map(shown, owners - {default, ""})))
    if moved and default not in owners and own is None:
        return (
            f"How many flags are wrong has not been shown for the edges of {moved}: "
            "judge your own players' swings (faultml labels promise)."
        )
    words = (
        f"Of the swings flagged for a fault at most {share} are wrong: shown with {percent(promise['confidence'])} "
        f"confidence on {shown(promise['shown_on'])}{f', and not for the edges of {moved}' if moved else ''}."
    )
    if promise["not_promised"]:
        words += f" It is not promised for every recording of {_named(promise['not_promised'], coaching)}."
    if own is None:
        needed = promise["golfers_needed"]
        return f"{words} For your own players it is an estimate, until some {needed} of them are judged."
    judged = f"{shown(own['coach'])} has judged {count(own['golfers'], 'player')}"
    seen = f"{own['wrong']} of {count(own['flagged'], 'judged flag')} wrong"
    if own["shown"]:
        faults = _named(own["shown"], coaching)
        return f"{words} {judged} ({seen}): on them it is shown for {faults}; for the other faults it is an estimate."
    if own["shown_together"]:
        return (
            f"{words} {judged} ({seen}): on them it is shown of all flags together, and an estimate by fault."
        )
    return f"{words} {judged} ({seen}): for your own players it is an estimate so far."


def _named(faults: list[str], coaching: Coaching) -> str:
    return listed([coaching.words[fault] for fault in faults])
