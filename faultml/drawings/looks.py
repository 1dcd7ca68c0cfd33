"""How a line or mark looks, by its name. Two looks that meet on one drawing differ in more than colour.

The report's style sheet says the same for SVG; a test holds both against each other.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class Look:
    """Colour as ``#rrggbb``, and the dash of a line in pixels (empty: drawn through)."""

    colour: str
    dash: tuple[float, ...] = ()


LOOKS: Final = {
    "straight": Look("#0072b2"),
    "miss": Look("#b8460b", (6, 3)),
    "unknown": Look("#50555d"),
    "pinned": Look("#b8460b", (6, 3)),
    "bend": Look("#0072b2"),
    "hinge": Look("#b8460b", (6, 3)),
    "roll": Look("#50555d", (2, 2)),
    "open": Look("#1e2126"),
}

INK: Final = "#1e2126"
SOFT: Final = "#565b63"
RULE: Final = "#d8d2c4"
FAINT: Final = "#8b8778"
PAPER: Final = "#fffefa"
CORRIDOR: Final = "#ebe5d6"
EDGE: Final = "#6f6858"
