"""Did it work? Each drill that was given, with its change drawn, and what every drill has brought so far."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from markupsafe import Markup

from faultml.coaching.rules import Coaching
from faultml.outcomes.effects import DrillEffect, Effects, drill_effects
from faultml.outcomes.words import VERDICTS, sentences
from faultml.plan.table import PlanRow
from faultml.report.charts import WIDTH
from faultml.report.player_tables import Row
from faultml.report.source import ReportSource
from faultml.report.text import degrees, shown
from faultml.svg import Drawing, Scale, padded_range, x_axis

_LEFT: Final = 92


@dataclass(frozen=True)
class GivenDrill:
    """A drill a player was given, and what became of it; `chart` is None where there is no change to draw."""

    drill: str
    fault: str
    since: str
    verdict: str
    chart: Markup | None
    lines: list[str]


@dataclass(frozen=True)
class BroughtLine:
    """What a drill has brought for a fault, over all players who were given it."""

    drill: str
    fault: str
    held: str
    better: str
    hoped: str
    weak: bool


def effects_of(source: ReportSource, coaching: Coaching) -> Effects:
    """What the drills of the page have brought."""
    if source.outcomes is None:
        return {}
    return drill_effects(source.outcomes, coaching.serving, coaching.catalogue)


def given_drills(rows: Sequence[Row], coaching: Coaching, lesson: PlanRow | None = None) -> list[GivenDrill]:
    """A player's drills in the order they were given; one the book no longer has goes by its id.

    Where the plan counts the drill from a later day, its change is another one, and that is said.
    """
    names = {drill.id: drill.name for drill in coaching.book.drills}
    return [
        GivenDrill(
            drill=names.get(row["drill"], shown(row["drill"])),
            fault=coaching.words[row["fault"]],
            since=shown(row["since"]),
            verdict=VERDICTS[row["verdict"]],
            chart=_chart(row, coaching) if row["change"] == row["change"] else None,
            lines=[*sentences(row, coaching.catalogue[row["fault"]]), *_counted_anew(row, lesson)],
        )
        for row in rows
        if row["fault"] in coaching.catalogue.ids
    ]


def _counted_anew(row: Row, lesson: PlanRow | None) -> list[str]:
    if lesson is None or lesson.counted_from <= lesson.given:
        return []
    if (lesson.drill, lesson.fault, lesson.given) != (row["drill"], row["fault"], row["since"]):
        return []
    return [
        f"Angles began anew on {lesson.counted_from}: this compares across that day, and may show the setup, sensor or "
        "grip. The plan's change counts from there."
    ]


def brought_lines(effects: Effects, coaching: Coaching) -> list[BroughtLine]:
    """A line a drill and fault, the surest first."""
    names = {drill.id: drill.name for drill in coaching.book.drills}
    ordered = sorted(effects.values(), key=lambda each: (-each.players, each.drill, each.fault))
    return [
        BroughtLine(
            drill=names.get(each.drill, shown(each.drill)),
            fault=coaching.words[each.fault],
            held=f"{each.held} of {each.players}",
            better=_better(each, coaching),
            hoped=_number(each.prior_deg, each, coaching),
            weak=not each.enough_players,
        )
        for each in ordered
    ]


def _better(effect: DrillEffect, coaching: Coaching) -> str:
    middle, low, high = (
        _number(value, effect, coaching)
        for value in (effect.improvement_deg, effect.improvement_lo_deg, effect.improvement_hi_deg)
    )
    return f"{middle if effect.gains else f'no gain so far, {middle}'} ({low} to {high})"


def _number(value_deg: float, effect: DrillEffect, coaching: Coaching) -> str:
    """In the fault's own unit: ``+7°``, or ``+0.04`` of the downswing."""
    if coaching.units[effect.fault] == "deg":
        return degrees(value_deg)
    value = round(value_deg / coaching.to_degrees(effect.fault), 2)
    return f"{value + 0.0:+.2f}"  # + 0.0: no "-0.00"


def _chart(row: Row, coaching: Coaching) -> Markup:
    """The change in practice and without feedback, with 90 % intervals, over the band that chance can fill."""
    practised = row["practice_change"] == row["practice_change"]
    changes = {"without feedback": ("change", "change_lo", "change_hi")}
    if practised:
        changes = {"in practice": ("practice_change", "practice_lo", "practice_hi"), **changes}
    figures = {name: [-float(row[end]) for end in ends] for name, ends in changes.items()}
    step = 5.0 if row["unit"] == "deg" else 0.05
    smallest = float(row["smallest"])
    values = np.array([*figures.values()]).ravel()
    lo, hi = padded_range(values, (-1.5 * smallest, 1.5 * smallest), step)
    x = Scale(lo, hi, _LEFT, WIDTH - 14)
    top, each = 22, 24
    bottom = top + each * len(figures)
    drawing = Drawing(WIDTH, bottom + 20, _label(figures, row))
    drawing.rect(x(-smallest), top, x(smallest), bottom, class_="corridor")
    ticks = x.ticks(step if (hi - lo) / step <= 8 else 2 * step)
    x_axis(drawing, x, bottom, [(tick, _tick(tick, row["unit"])) for tick in ticks], top)
    drawing.line(x(0), top, x(0), bottom, class_="axis")
    drawing.text(x(0) - 5, 12, "◂ worse", class_="small", text_anchor="end")
    drawing.text(x(0) + 5, 12, "better ▸", class_="small")
    for place, (name, (middle, high, low)) in enumerate(figures.items()):
        y = top + each * (place + 0.5)
        drawing.text(0, y + 4, name, class_="small")
        drawing.line(x(low), y, x(high), y, class_="whisker")
        for end in (low, high):
            drawing.line(x(end), y - 4, x(end), y + 4, class_="whisker")
        drawing.mark(
            "circle", x(middle), y, 4.5, class_=f"mark {'open' if name == 'in practice' else 'solid'}"
        )
    return drawing.markup()


def _tick(value: float, unit: str) -> str:
    return degrees(value) if unit == "deg" else f"{value:+.2f}" if value else "0"


def _label(figures: Mapping[str, Sequence[float]], row: Row) -> str:
    digits = 0 if row["unit"] == "deg" else 2
    parts = [
        f"{name} {middle:+.{digits}f}, {low:+.{digits}f} to {high:+.{digits}f}"
        for name, (middle, high, low) in figures.items()
    ]
    return f"Change, + better: {'; '.join(parts)}; within {row['smallest']:.{digits}f} it could be chance"
