"""Risk against coverage as a picture beside the card: one line for each kind of golfers, the surest answers first."""

from __future__ import annotations

from typing import Any, Final

from faultml.svg import Drawing, Scale, x_axis, y_axis

RISK_FIGURE: Final = "risk_coverage.svg"

_WIDTH, _HEIGHT = 640, 360
_LEFT, _RIGHT, _TOP, _BOTTOM = 56, 470, 40, 306
_LINES: Final = ("", "7 4", "2 4")
"""Dashes, so that lines are distinguished without colour."""
_MIN_APART: Final = 15.0
_STEP: Final = 0.02
_STYLE: Final = """
text{font:12px sans-serif;fill:#222}.tick{font-size:11px;fill:#555}.grid{stroke:#ddd;fill:none}
.curve{stroke:#1f4e79;stroke-width:2;fill:none;vector-effect:non-scaling-stroke}
"""


def risk_figure(coverage: dict[str, Any]) -> str:
    """A standalone SVG file of what `risk_coverage` found.

    A line ends where the answers end: what the swing filter refuses is not answered.
    """
    highest = max(max(row["curve"]["wrong"]) for row in coverage.values())
    across = Scale(0, 1, _LEFT, _RIGHT)
    up = Scale(0, max(_STEP, _STEP * -(-highest // _STEP)), _BOTTOM, _TOP)
    label = "Share of wrong answers against the share of all questions that is answered, the surest first"
    drawing = Drawing(_WIDTH, _HEIGHT, label)
    drawing.rect(0, 0, _WIDTH, _HEIGHT, fill="#fff")
    drawing.text(_LEFT, 20, "Wrong, of the answers given (synthetic golfers, contact not marked)")
    y_axis(drawing, up, _LEFT, [(tick, f"{tick:.0%}") for tick in up.ticks(_STEP)], _RIGHT)
    x_axis(drawing, across, _BOTTOM + 2, [(tick, f"{tick:.0%}") for tick in across.ticks(0.2)])
    drawing.text((_LEFT + _RIGHT) / 2, _BOTTOM + 36, "answered, the surest first", text_anchor="middle")
    ends = []
    for (name, row), dash in zip(coverage.items(), _LINES, strict=True):
        curve = row["curve"]
        dashed = {"stroke_dasharray": dash} if dash else {}
        drawing.trace(across.array(curve["answered"]), up.array(curve["wrong"]), class_="curve", **dashed)
        ends.append((up(curve["wrong"][-1]), across(curve["answered"][-1]), name, curve["wrong"][-1]))
    lowest = float("-inf")
    for y, x, name, wrong in sorted(ends):
        at = max(y + 4, lowest + _MIN_APART)
        drawing.text(max(x, _RIGHT) + 8, at, f"{name}: {wrong:.1%}")
        lowest = at
    return drawing.file(_STYLE)
