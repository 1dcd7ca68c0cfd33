"""Coded findings: what was noticed about a recording, how much it matters, and the limits behind it.

Findings are data (`findings.toml`). A finding never changes the data in silence: whatever was filled, trimmed
or left out carries a code.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Literal

from faultml.rules_file import Record, load_data

Severity = Literal["refuse", "widen", "report"]
Need = Literal[
    "",
    "rows",
    "mark",
    "pronation",
    "full-swing",
    "declared-rate",
    "earlier-session",
    "layout",
    "mounting",
    "coach-landmark",
    "run",
]


class Finding(Record, frozen=True):
    """One kind of finding.

    ``refuse`` means the swing is not assessed, ``widen`` that what is said of it is less sure, ``report`` only
    that. `problem` says that the input itself is wrong and gets a row in ``problems.csv``. `widens` is how many
    times as wide uncertainty is taken for it, `needs` what the check cannot be made without.
    """

    code: str
    severity: Severity
    words: str
    docs: str
    problem: bool = False
    needs: Need = ""
    widens: float = 1.4
    expected: str = ""

    @property
    def widening(self) -> float:
        """How many times as wide the uncertainty of every measure is taken; 1 where the finding does not widen."""
        return self.widens if self.severity == "widen" else 1.0

    @property
    def means(self) -> str:
        """What it means for the result, as a sentence."""
        if self.severity == "refuse":
            return "The swing is not assessed."
        if self.severity == "widen":
            return f"The swing is assessed, and everything said of it is {self.widens:g} times as uncertain."
        return "The swing is assessed as usual."


class Range(Record, frozen=True):
    """Lowest and highest angle in degrees: beyond `reported` a finding, beyond `refused` a refusal."""

    reported: tuple[float, float]
    refused: tuple[float, float]


class MotionLimits(Record, frozen=True):
    """The figures behind the checks of what the motion says, explained in `findings.toml`."""

    back_s: tuple[float, float]
    about_s: float
    opening_s: float
    longest_back_s: float
    wrong_deg: float
    wrong_turn_deg: float
    unclear_deg: float
    bowed_address_deg: float
    bows_after_deg: float
    after_s: tuple[float, float]
    address_moves_deg: float
    min_address_s: float
    drift_deg: tuple[float, float, float]
    drift_z: float
    drift_min_swings: int


class Limits(Record, frozen=True):
    """The figures behind the checks; units are in the names, sources in `findings.toml`."""

    min_samples: int
    max_samples: int
    shortest_s: float
    longest_s: float
    longest_gap_s: float
    max_missing_share: float
    slowest_hz: float
    coarse_hz: float
    fastest_hz: float
    slowest_seconds_hz: float
    uneven_share: float
    still_deg: float
    dead_deg: float
    frozen_others_deg: float
    fine_deg: float
    radian_most: float
    radian_min_span: float
    moving_span_deg: float
    moving_sd_deg: float
    clip_deg_s: float
    clip_min_s: float
    clip_flatness: float
    jump_deg_s: float
    jump_deg: float
    noisy_deg: float
    spike_deg: float
    spike_deg_s2: float
    spike_max_samples: int
    rate_differs_share: float
    not_full_share: float
    layout_min_swings: int
    motion: MotionLimits
    flexion_deg: Range
    ulnar_deg: Range
    pronation_deg: Range


class _FindingsFile(Record, frozen=True):
    schema: Literal[1]
    limits: Limits
    finding: tuple[Finding, ...]


@lru_cache(maxsize=1)
def _file() -> _FindingsFile:
    return load_data(__package__, "findings.toml", _FindingsFile)


def findings() -> dict[str, Finding]:
    """Every finding of recordings by its code, in the order of the file."""
    return {finding.code: finding for finding in _file().finding}


def limits() -> Limits:
    """The limits of the checks."""
    return _file().limits
