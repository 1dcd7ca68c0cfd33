"""The figures and the landmark table of one player, from the drawn swings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from faultml.channels import CHANNELS
from faultml.drawings.corridor import CorridorBand
from faultml.drawings.traces import Traces
from faultml.report.figures import angle_angle, channel_curves, key
from faultml.report.text import CHANNEL_NAMES, count, degrees, plus_minus, shown

LANDMARK_ROWS: Final = (
    (0.51, "shaft level going back"),
    (0.69, "arm level going back"),
    (1.0, "top"),
    (1.56, "arm level coming down"),
    (2.0, "impact"),
    (2.30, "shaft level after impact"),
)
"""Body positions at the median fractions of the GolfDB labels (McNally 2019)."""

MAX_CLUBS: Final = 3
MIN_FOR_CLUB: Final = 2
GROUP_WORDS: Final = {"straight": "ball went straight", "miss": "ball missed", "unknown": "ball not recorded"}


@dataclass(frozen=True)
class Panel:
    """One figure with its caption."""

    svg: Markup
    caption: str


@dataclass(frozen=True)
class LandmarkRow:
    """One moment: for each channel the angle from address with its spread, and the absolute angle."""

    name: str
    cells: list[tuple[str, str]]


@dataclass(frozen=True)
class Evidence:
    """What the page shows of a player's motion."""

    angle_angle: Markup
    curves: list[Panel]
    key: list[tuple[str, Markup]]
    landmark_caption: str
    landmark_channels: list[str]
    landmarks: list[LandmarkRow] = field(default_factory=list)


def evidence_for(
    traces: Traces, corridor: Sequence[CorridorBand], address_deg: NDArray[np.float64]
) -> Evidence:
    """Figures and table of the drawn swings.

    Parameters
    ----------
    traces
        The player's drawn swings, at least one.
    corridor
        The corridor that holds for the player.
    address_deg
        ``(3,)`` mean angles at address, NaN where not recorded.
    """
    channels = [
        channel for index, channel in enumerate(CHANNELS) if np.isfinite(traces.curves_deg[:, index]).any()
    ]
    drawn = count(len(traces), "swing")
    return Evidence(
        angle_angle=angle_angle(traces, corridor),
        curves=_by_club(traces, corridor),
        key=key(traces.groups(), GROUP_WORDS),
        landmark_caption=f"The {drawn} drawn: median from address ± how far they differ (one standard deviation), "
        "in brackets the absolute angle.",
        landmark_channels=[CHANNEL_NAMES[channel] for channel in channels],
        landmarks=_landmarks(traces, [CHANNELS.index(channel) for channel in channels], address_deg),
    )


def _by_club(traces: Traces, corridor: Sequence[CorridorBand]) -> list[Panel]:
    """One panel a club, the most used first; what is left over shares the last."""
    names, counts = np.unique(traces.club.astype(str), return_counts=True)
    order = [str(name) for name in names[np.argsort(-counts, kind="stable")]]
    often = [name for name in order if (traces.club == name).sum() >= MIN_FOR_CLUB]
    if len(order) == 1 or not often:
        return [_panel(traces, corridor, listed_clubs(order))]
    kept = often if len(often) == len(order) <= MAX_CLUBS else often[: MAX_CLUBS - 1]
    rest = np.array([club not in kept for club in traces.club])
    panels = [_panel(traces.of(traces.club == club), corridor, listed_clubs([club])) for club in kept]
    return [*panels, _panel(traces.of(rest), corridor, "Other clubs")] if rest.any() else panels


def listed_clubs(clubs: Sequence[str]) -> str:
    """Names of clubs for a caption."""
    return ", ".join(shown(club).capitalize() if club else "Club not recorded" for club in clubs)


def _panel(traces: Traces, corridor: Sequence[CorridorBand], clubs: str) -> Panel:
    caption = f"{clubs}: {count(len(traces), 'swing')}, bold the median of three or more."
    return Panel(
        channel_curves(traces, corridor, f"Angles over the swing, with the corridor. {caption}"), caption
    )


def _landmarks(
    traces: Traces, channels: Sequence[int], address_deg: NDArray[np.float64]
) -> list[LandmarkRow]:
    rows = [LandmarkRow("address", [("0°", degrees(address_deg[channel])) for channel in channels])]
    for moment, name in LANDMARK_ROWS:
        values = traces.at(moment)
        cells = []
        for channel in channels:
            finite = values[np.isfinite(values[:, channel]), channel]
            middle = float(np.median(finite)) if len(finite) else np.nan
            spread = plus_minus(finite.std(ddof=1), "deg") if len(finite) > 1 else ""
            cells.append((degrees(middle) + spread, degrees(middle + address_deg[channel])))
        rows.append(LandmarkRow(name, cells))
    return rows
