"""What was learned from a coach's verdicts: edges that moved, how it does on golfers held out, adopt or not."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

from nicegui import ui

from faultml.classifier.coach_adaptation import CoachAdaptation, load_adaptation
from faultml.desk.desk import Desk
from faultml.desk.folder import Adaptation, Remembered
from faultml.desk.jobs import Job
from faultml.desk.plain_words import error_words, moment
from faultml.desk.progress import JobView
from faultml.desk.words import Words, bullets, heading, para, table
from faultml.errors import FaultmlError
from faultml.faults.catalogue import Catalogue
from faultml.labels.other import named_faults, named_line
from faultml.labels.verdict import verdicts
from faultml.report.text import count, percent, shown, shown_reading

FEWEST_GOLFERS: Final = 20
"""To hold golfers out; a test holds it against `faultml.pipelines.retraining.adapt`."""
_Z95: Final = 1.96


class LearningPart:
    """How many answers there are, what they taught, and which adaptation is in use."""

    def __init__(self, desk: Desk, coach: str, on_assessed: Callable[[], None]) -> None:
        self._desk = desk
        self._coach = coach
        self._on_assessed = on_assessed
        self._remembered: Remembered | None = None
        heading(2, "What is learned from it")
        self._counted = para("").mark("counted")
        self._others = ui.element("div")
        self._button = ui.button("Learn from these answers", on_click=self._retrain)
        self._jobs = ui.element("div")
        self._versions = ui.element("div")
        self.refresh()

    def refresh(self) -> None:
        """Say what holds now."""
        self.count()
        if self._desk.remembered != self._remembered:
            self._show_versions()

    def count(self) -> None:
        """Say how many answers there are and what they are enough for."""
        held = verdicts(self._desk.store, coach=self._coach)
        sure = held[held["verdict"].isin(("yes", "no"))]
        golfers, swings = sure["player"].nunique(), len(sure.drop_duplicates(["player", "session", "swing"]))
        on = f"{count(swings, 'swing')} of {count(golfers, 'golfer')}"
        lines = [f"{count(len(sure), 'answer')} of {shown(self._coach)} on {on}."]
        if golfers < FEWEST_GOLFERS:
            lines.append(
                f"From {FEWEST_GOLFERS} golfers on, what is learned can be tried on golfers held out: "
                f"{FEWEST_GOLFERS - golfers} to go."
            )
        else:
            lines.append("Enough to try what is learned on golfers held out.")
        self._counted.set_text(" ".join(lines))
        self._button.set_enabled(len(sure) > 0 and self._desk.jobs.active is None)
        self._others.clear()
        named = named_faults(self._desk.store)
        if named:
            with self._others:
                heading(3, "Named outside the catalogue")
                bullets([named_line(each) for each in named])

    def _follow(self, job: Job, on_end: Callable[[], None]) -> None:
        self._jobs.clear()
        with self._jobs:
            JobView(self._desk, job, on_end=lambda _: on_end())
        self._button.disable()

    def _retrain(self) -> None:
        self._follow(self._desk.retrain(self._coach), self.refresh)

    def _adopt(self, adaptation: Adaptation) -> None:
        self._follow(self._desk.adopt(adaptation), self._on_assessed)

    def _roll_back(self) -> None:
        self._follow(self._desk.roll_back(), self._on_assessed)

    def _show_versions(self) -> None:
        self._remembered = known = self._desk.remembered
        used = known.used[-1] if known.used else ""
        self._versions.clear()
        with self._versions:
            if known.learned:
                heading(3, "Learned so far")
            for number, adaptation in enumerate(reversed(known.learned)):
                with ui.element("div").classes("card"):
                    self._version(adaptation, used, is_latest=number == 0)
            if used:
                ui.button("Go back to what was used before", on_click=self._roll_back).props("outline")

    def _version(self, adaptation: Adaptation, used: str, *, is_latest: bool) -> None:
        when = moment(adaptation.learned)
        try:
            learned, _ = load_adaptation(self._desk.folder.coaches / adaptation.folder)
        except FaultmlError as error:
            para(f"Learned on {when}: cannot be read, {error_words(error)}.")
            return
        about = f"{count(learned.swings, 'swing')} of {count(learned.golfers, 'golfer')}"
        para(f"Learned from {shown(adaptation.coach)} on {when}: {about}.", "lead")
        _held_out(learned)
        if not learned.adopted:
            para(f"It would move nothing: {learned.why}.", "said")
        elif adaptation.folder == used:
            para("In use.", "said")
        elif not learned.held_out:
            para(
                "It has not been tried on golfers held out, so it is not offered for use: verdicts on more golfers "
                "make that possible.",
                "said",
            )
        else:
            ui.button("Use it from now on", on_click=lambda: self._adopt(adaptation))
            para("Every swing is then assessed again with these edges. It can be taken back.", "note")
        # What was found wanting is shown too, so that it can be seen why.
        in_use = adaptation.folder == used
        if is_latest:
            self._edges(learned, in_use=in_use)
        else:
            with ui.element("details"):
                Words("summary", "The edges")
                self._edges(learned, in_use=in_use)

    def _edges(self, learned: CoachAdaptation, *, in_use: bool) -> None:
        # Against the catalogue's own edges, whatever is in use now.
        rows = edge_rows(learned, self._desk.season.own_catalogue, self._desk.coaching.words)
        if rows:
            moved = "Where the edges lie" if in_use else "Where the edges would lie"
            table(
                moved,
                ["fault", "the catalogue's edge", "yours", "95 % sure between", "answers", "golfers"],
                rows,
            )
        other = "Every other edge stays" if rows else "Every edge stays"
        para(f"{other} the catalogue's: the answers to it do not show another.", "note")


def edge_rows(learned: CoachAdaptation, catalogue: Catalogue, words: dict[str, str]) -> list[list[str]]:
    """A row for each edge of the coach's own: name, the catalogue's edge, the coach's, interval, answers, golfers."""
    rows = []
    for name, seen in learned.faults.items():
        if seen.rung not in ("edges", "residual") or name not in catalogue.ids:
            continue
        fault = catalogue[name]
        yours, *ends = (
            fault.edge + fault.sign * (seen.shift + side * _Z95 * seen.shift_sd) for side in (0, -1, 1)
        )
        low, high = sorted(ends, key=lambda value: fault.measure.shown_sign * value)
        between = f"{shown_reading(fault, low)} and {shown_reading(fault, high)}"
        rows.append(
            [
                words[name],
                shown_reading(fault, fault.edge),
                shown_reading(fault, yours),
                between,
                str(seen.swings),
                str(seen.golfers),
            ]
        )
    return rows


def _held_out(learned: CoachAdaptation) -> None:
    """How far the answers of golfers held out were met, as the chance that was given to them."""
    tried = learned.held_out
    if not tried:
        return
    rows = [
        [who, percent(math.exp(-tried[what]))]
        for who, what in (("the tool as it comes", "default"), ("with this", "adapted"))
    ]
    table("On golfers held out: the chance given to your own answers, typically", ["", "chance"], rows)
    clear = (
        "The difference is clear" if tried["high"] < 0 or tried["low"] > 0 else "The difference is not clear"
    )
    para(
        f"{clear} (log loss, less is better: {tried['default']:.3f} and {tried['adapted']:.3f}, difference "
        f"{tried['difference']:+.3f}, 95 % {tried['low']:+.3f} to {tried['high']:+.3f}).",
        "note",
    )
