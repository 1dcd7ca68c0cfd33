"""The two pictures of the motion itself as SVG: flexion against ulnar deviation, and the channels over the swing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from markupsafe import Markup

from faultml.drawings import motion
from faultml.drawings.corridor import CorridorBand
from faultml.drawings.svg import as_svg
from faultml.drawings.traces import Traces
from faultml.svg import Drawing


def angle_angle(traces: Traces, corridor: Sequence[CorridorBand]) -> Markup:
    """`faultml.drawings.motion.angle_angle` for the page."""
    return as_svg(motion.angle_angle(traces, corridor))


def channel_curves(traces: Traces, corridor: Sequence[CorridorBand], label: str) -> Markup:
    """`faultml.drawings.motion.channel_curves` for the page."""
    return as_svg(motion.channel_curves(traces, corridor, label))


def key(groups: Sequence[str], words: dict[str, str]) -> list[tuple[str, Markup]]:
    """Line samples for the groups drawn: ``(words, sample)``."""
    return [(words[group], _sample(group)) for group in groups]


def _sample(group: str) -> Markup:
    drawing = Drawing(28, 10, "", class_="inline")
    drawing.trace(np.array([1, 27]), np.array([5, 5]), class_=f"trace median {group}")
    return drawing.markup()
