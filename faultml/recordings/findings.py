"""Coded findings: what was noticed about a recording, how much it matters, and the limits behind it.

Findings are data (`findings.toml`). A finding never changes the data in silence: whatever was filled, trimmed
or left out carries a code.
"""

from __future__ import annotations

from functools import lru_cache
from importlib import resources
from typing import Literal

import msgspec

Severity = Literal["refuse", "widen", "tell"]


class Finding(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One kind of finding.

    ``refuse`` means the swing is not assessed, ``widen`` that what is said of it is less sure, ``tell`` only
    that. `problem` says that the input itself is wrong and gets a row in ``problems.csv``.
    """

    code: str
    severity: Severity
    words: str
    docs: str
    problem: bool = False


class Range(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Lowest and highest angle in degrees: beyond `told` a finding, beyond `refused` a refusal."""

    told: tuple[float, float]
    refused: tuple[float, float]


class Limits(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The figures behind the checks; units are in the names, sources in `findings.toml`."""

    least_samples: int
    most_samples: int
    shortest_s: float
    longest_s: float
    longest_gap_s: float
    most_missing_share: float
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
    radian_least_span: float
    moving_span_deg: float
    moving_sd_deg: float
    clip_deg_s: float
    clip_least_s: float
    clip_flatness: float
    jump_deg_s: float
    jump_deg: float
    flexion_deg: Range
    ulnar_deg: Range
    pronation_deg: Range


class _FindingsFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    schema: Literal[1]
    limits: Limits
    finding: tuple[Finding, ...]


@lru_cache(maxsize=1)
def _file() -> _FindingsFile:
    text = resources.files(__package__).joinpath("findings.toml").read_text(encoding="utf-8")
    return msgspec.toml.decode(text, type=_FindingsFile)


def findings() -> dict[str, Finding]:
    """Every finding of recordings by its code, in the order of the file."""
    return {finding.code: finding for finding in _file().finding}


def limits() -> Limits:
    """The limits of the checks."""
    return _file().limits
