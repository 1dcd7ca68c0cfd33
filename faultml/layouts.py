"""Try a layout on a file: what it reads, whether what it reads can be assessed, and what else the layout could say."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import msgspec

from faultml.check import judge_swings
from faultml.classifier.assess import NOT_FULL, Assessor
from faultml.cutting import cutter
from faultml.errors import InputError
from faultml.importing.layout import AngleLayout, Layout
from faultml.importing.propose.check import Check, check_layout
from faultml.quality.layout import LayoutDoubt
from faultml.recordings.findings import limits

NOTHING, LOOK, RIGHT = 1, 3, 0

_STRAIGHT_DEG: Final = (140.0, 220.0)
"""Where a goniometer stands that reads 180 with the wrist straight; practice, no source."""

replace = msgspec.structs.replace


@dataclass
class Trial:
    """What came of a layout on the beginning of a file.

    Attributes
    ----------
    check
        What was read.
    reasons
        Swings by why they are refused; under "" those that can be assessed.
    hints
        What to look at, where most swings are refused.
    """

    check: Check
    reasons: Counter[str]
    hints: list[str] = field(default_factory=list)

    @property
    def n_swings(self) -> int:
        """Swings that were judged."""
        return self.reasons.total()

    @property
    def doubt(self) -> LayoutDoubt:
        """Whether the layout is suspected."""
        return LayoutDoubt(self.reasons[""] + self.reasons[NOT_FULL], self.reasons[NOT_FULL])

    @property
    def exit_code(self) -> int:
        """0 it looks right, 1 every swing would be refused or there was none to judge, 3 look at what is said."""
        if not self.reasons[""]:
            return NOTHING
        check = self.check
        return LOOK if check.problems or not check.signs_fit or self.doubt.suspected else RIGHT


def try_layout(
    layout: Layout, layout_path: Path, path: Path, hands: dict[str, str], assessor: Assessor
) -> Trial:
    """Read the beginning of a file by a layout without open questions, and judge its swings.

    Raises
    ------
    InputError
        What the reader says of a file that does not fit.
    """
    trial = _try(layout, layout_path, path, hands, assessor)
    if trial.reasons[""] <= trial.n_swings / 2:
        trial.hints += _angle_hints(trial.check, layout)
        trial.hints += _orientation_hints(trial, layout, layout_path, path, hands, assessor)
    return trial


def _try(layout: Layout, layout_path: Path, path: Path, hands: dict[str, str], assessor: Assessor) -> Trial:
    cut = cutter(layout, bundle=assessor.bundle, catalogue=assessor.catalogue)
    check = check_layout(layout, layout_path, path, hands, cut)
    return Trial(check, judge_swings(check.batches, assessor))


def _angle_hints(check: Check, layout: Layout) -> Iterator[str]:
    """What sizes say of units and zeros."""
    for name in ("flexion", "ulnar"):
        angle: AngleLayout | None = getattr(layout.angles, name, None)
        spread = check.ranges_deg.get(f"{name}_deg")
        if angle is None or spread is None:
            continue
        low, high = spread
        middle = abs(check.medians_deg[f"{name}_deg"])
        if max(abs(low), abs(high)) <= limits().radian_most and angle.unit == "deg":
            yield f"{name}: {low:.2f} to {high:.2f} are radians rather than degrees"
        elif _STRAIGHT_DEG[0] <= middle <= _STRAIGHT_DEG[1]:
            yield (
                f"{name}: stands about {middle:.0f}: if the column reads 180 with the wrist straight, "
                f"say straight = {180 if angle.unit == 'deg' else '3.14159'} in [angles.{name}]"
            )


def _orientation_hints(
    trial: Trial, layout: Layout, layout_path: Path, path: Path, hands: dict[str, str], assessor: Assessor
) -> Iterator[str]:
    """Which other order, frame or exchange of segments would make full swings of most: said, and never applied."""
    part = layout.orientation
    if part is None or not trial.n_swings:
        return
    for order in ("wxyz", "xyzw"):
        for frame in ("segment-to-world", "world-to-segment"):
            for exchanged in (False, True):
                forearm, hand = part.forearm, part.hand
                if exchanged:
                    forearm, hand = (
                        replace(part.forearm, columns=part.hand.columns),
                        replace(part.hand, columns=part.forearm.columns),
                    )
                other = replace(part, order=order, frame=frame, forearm=forearm, hand=hand)
                if other == part:
                    continue
                try:
                    tried = _try(replace(layout, orientation=other), layout_path, path, hands, assessor)
                except InputError:
                    continue
                if tried.reasons[""] > max(tried.n_swings / 2, 2 * trial.reasons[""]):
                    settings = f"order = {order!r}, frame = {frame!r}".replace("'", '"')
                    settings += ", the columns of forearm and hand exchanged" if exchanged else ""
                    yield f"{settings}: {tried.reasons['']} of {tried.n_swings} would be full swings"


def as_text(trial: Trial) -> Iterator[str]:
    """The verdict, for a person; what was read is said by `faultml.importing.propose.check.as_text`."""
    refused = [f"{count} {reason}" for reason, count in trial.reasons.most_common() if reason]
    yield f"{trial.reasons['']} of {trial.n_swings} can be assessed" + (
        f"; {', '.join(refused)}." if refused else "."
    )
    if trial.reasons[""] <= trial.n_swings / 2:
        yield "The layout is probably wrong, not the golfer. Look at unit, zero, columns, segments, order and frame."
        yield from (f"  {hint}" for hint in trial.hints)
