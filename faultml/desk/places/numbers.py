"""Every number behind a player's drills, as a table."""

from __future__ import annotations

from typing import Final

from nicegui import ui

from faultml.coaching.explain import PlayerExplanation
from faultml.coaching.notes import reasons
from faultml.coaching.ranking import DrillOption
from faultml.coaching.rules import Coaching
from faultml.desk.plain_words import without_commands
from faultml.desk.words import Words, bullets, para, table
from faultml.report.text import count, listed, percent

HEAD: Final = [
    "drill", "for", "shows now", "past the edge", "explains the miss", "early", "takes away", "left of it", "benefit"
]  # fmt: skip
_STATUS: Final = {
    "picked": "in reserve",
    "left": "worth less, or other drills come before it",
    "later": "later, after {}",
    "waits": "waits for the re-test of {}",
    "barred": "ruled out: {}",
}


def numbers_part(explanation: PlayerExplanation, coaching: Coaching) -> None:
    """The table, folded away until it is asked for."""
    with ui.element("details"):
        Words("summary", "Every number behind the drill")
        bullets(_facts(explanation, coaching))
        rows = [row for option in explanation.options for row in _rows(option, coaching)]
        if rows:
            para(
                "The benefit is the product of what stands before it: how often the fault shows now, how far past the "
                "edge it goes, how well it explains the miss, how early in the swing it begins, what the drill may "
                "take away of it, and what earlier drills leave of it.",
                "note",
            )
            table("What each drill is worth", HEAD, rows)


def _facts(explanation: PlayerExplanation, coaching: Coaching) -> list[str]:
    named = coaching.words
    lines = [f"{explanation.assessed} of {count(explanation.swings, 'swing')} assessed."]
    if explanation.known_balls:
        what = ", ".join(
            f"{n} {miss}" for miss, n in sorted(explanation.balls.items(), key=lambda each: -each[1])
        )
        lines.append(
            f"{explanation.straight} straight of {count(explanation.known_balls, 'ball')} noted"
            + (f"; {what}." if what else ".")
        )
    else:
        lines.append("No ball is noted.")
    if explanation.miss_known and explanation.misses:
        lines.append(
            "The miss: "
            + listed([f"{miss} {percent(share)}" for miss, share in explanation.misses.items()])
            + "."
        )
    faults = [named[fault] for fault in explanation.faults]
    lines.append(f"Faults: {listed(faults)}." if faults else "No fault leads.")
    if explanation.styles:
        lines.append(f"Styles, left alone: {listed([named[fault] for fault in explanation.styles])}.")
    return lines


def _rows(option: DrillOption, coaching: Coaching) -> list[list[str]]:
    drill = f"{coaching.book[option.drill].name} ({_status(option, coaching)})"
    return [
        [
            drill if number == 0 else "",
            coaching.words.get(part.fault, part.fault),
            percent(part.rate),
            *(
                f"{value:.2f}"
                for value in (part.severity_factor, part.explains, part.earliness, part.effect, part.left)
            ),
            f"{part.benefit:.2f}",
        ]
        for number, part in enumerate(option.parts)
    ]


def _status(option: DrillOption, coaching: Coaching) -> str:
    if option.status == "picked" and option.rank == 1:
        return "next"
    why = coaching.words.get(option.why, reasons().get(option.why, option.why))
    return without_commands(_STATUS[option.status].format(why))
