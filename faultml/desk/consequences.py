"""What an answer would mean for the files that were dropped, in numbers that a coach can compare with a wrist."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.desk.answers import Answers
from faultml.drawings.words import degrees
from faultml.importing.layout import OPEN, POSITIVE
from faultml.importing.propose.angles import DEGREES_SPAN, FAINT_DEG
from faultml.importing.propose.clock import PER_S, RATES_HZ
from faultml.importing.propose.further import TO_DEG
from faultml.report.text import shown

Array = NDArray[np.float64]

NAMES: Final = {"flexion": "wrist bend", "ulnar": "wrist hinge", "pronation": "forearm roll"}
DIRECTIONS: Final = {
    "flexion": "it bows: the palm goes toward the forearm (flexion)",
    "extension": "it cups: the back of the hand goes toward the forearm (extension)",
    "ulnar": "it unhinges: toward the little finger (ulnar)",
    "radial": "it hinges: toward the thumb (radial)",
    "pronation": "it rolls open: the palm turns down (pronation)",
    "supination": "it rolls closed: the palm turns up (supination)",
}
_MAX_DEG: Final = {"flexion": 110.0, "ulnar": 80.0, "pronation": 200.0}
"""No wrist or forearm goes further from its middle; practice, no source."""
FIRST_SAMPLES: Final = 20
_STANDS: Final = ("bowed", "cupped")


def span_words(answers: Answers, column: str) -> str:
    """A column and from where to where it goes."""
    low, high = _ends(answers.source.numbers[column])
    return f"{shown(column)}, which goes from {low:.3g} to {high:.3g}"


def unit_words(answers: Answers, angle: str, unit: str) -> str:
    """A unit of an angle and how far the wrist would have moved."""
    low, high = (end * TO_DEG[unit] for end in _ends(answers.source.numbers[answers.angles[angle].column]))
    name = {"deg": "degrees", "rad": "radians"}[unit]
    words = f"{name}: your {NAMES[angle]} then ran from {low:.0f} to {high:.0f} degrees"
    if max(abs(low), abs(high)) > _MAX_DEG[angle]:
        return f"{words}, more than a wrist can do"
    return f"{words}, less than in any full swing" if high - low < DEGREES_SPAN else words


def straight_words(answers: Answers, angle: str, straight: float) -> str:
    """A straight wrist's reading and how far the wrist would have moved from straight."""
    layout = answers.angles[angle]
    per_deg = TO_DEG.get(layout.unit, 1.0)
    low, high = ((end - straight) * per_deg for end in _ends(answers.source.numbers[layout.column]))
    return f"{straight:g}: your {NAMES[angle]} then ran from {low:.0f} to {high:.0f} degrees from straight"


def sign_words(answers: Answers, angle: str, positive: str) -> str:
    """A direction and what the swing would then have done, where one is found in the file."""
    says = DIRECTIONS[positive]
    so_far, layout = answers.so_far, answers.angles[angle]
    turned = 1.0 if positive == POSITIVE[angle][0] else -1.0
    per_deg = TO_DEG.get(layout.unit)
    if angle == "flexion":
        if per_deg is None or layout.straight == OPEN:
            return says
        first = answers.source.numbers[layout.column]
        start = float(np.median(first[np.isfinite(first)][:FIRST_SAMPLES]))
        return f"{says}. The recording then starts {_stands(turned * (start - float(layout.straight)) * per_deg)}"
    if angle not in so_far.order or not len(so_far.moves):
        return says
    channel = so_far.order.index(angle)
    back = turned * float(np.median(so_far.moves.back_deg[:, channel]))
    if abs(back) < FAINT_DEG:
        return f"{says}. Going back it hardly moves in this swing"
    way = {"ulnar": ("unhinges", "hinges"), "pronation": ("rolls open", "rolls closed")}[angle][back < 0]
    usual = {"ulnar": "hinges", "pronation": "rolls open"}[angle]
    beside = "as a lead wrist does" if way == usual else f"where a lead wrist {usual}"
    return f"{says}. Going back it then {way} by {abs(back):.0f} degrees, {beside}"


def rate_words(answers: Answers, unit: str, name: str) -> str:
    """A unit of time and how often the recorder would have measured."""
    values = answers.source.numbers[str(answers.layout.time.column)]
    steps = np.diff(values[np.isfinite(values)])
    steps = steps[steps > 0]
    if not len(steps):
        return name
    rate_hz = PER_S[unit] / float(np.median(steps))
    words = f"{name}: the recorder then took {rate_hz:,.4g} samples a second"
    if rate_hz < RATES_HZ[0]:
        return f"{words}, too few for a swing"
    return f"{words}, more than any recorder" if rate_hz > RATES_HZ[1] else words


def _stands(flexion_deg: float) -> str:
    if round(flexion_deg) == 0:
        return "straight"
    return f"{degrees(abs(flexion_deg)).lstrip('+')} {_STANDS[flexion_deg < 0]}"


def _ends(values: Array) -> tuple[float, float]:
    finite = values[np.isfinite(values)]
    return (float(finite.min()), float(finite.max())) if len(finite) else (float("nan"), float("nan"))
