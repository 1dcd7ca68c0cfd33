"""How many of the flags may be wrong: thresholds with a proof, where what counts is golfers and not swings.

Learn then test (Angelopoulos, Bates, Candes, Jordan & Lei 2021, arXiv:2110.01052). For each threshold of a short list
the hypothesis "more than the promised share of the flags are wrong" is tested on golfers whom nothing was learned from,
from the strictest on until one is not rejected (fixed-sequence testing: so none has to be paid for the others), and the
last rejected is kept. A golfer's swings stand together: for golfer g

    z_g = mean over the swings of flag * (wrong - share),      -share <= z_g <= 1 - share,

whose expectation is at most 0 just where the share holds. It is tested by betting (Waudby-Smith & Ramdas 2024, J R Stat
Soc B 86:1-27): a gambler who may only win where the hypothesis is false multiplies the capital golfer by golfer, and by
Ville's inequality it exceeds 1 / p with a chance of p at most.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from faultml.errors import BundleError

Array = NDArray[np.float64]

CONFIDENCE: Final = 0.95
FALSE_SHARES: Final = (0.05, 0.10, 0.15, 0.20, 0.30)
DEFAULT_FALSE_SHARE: Final = 0.10
THRESHOLDS: Final = tuple(round(0.50 + 0.05 * k, 2) for k in range(10))
"""Thresholds on the probability that may be kept: from where a call can be yes at all."""

OWN_SCHEMA: Final = 1

_MAX_STAKE: Final = 0.75
_PRIOR_GOLFERS: Final = 10.0


class FaultPromise(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Of one fault: the lowest probability that may be flagged for each of `FALSE_SHARES`; None where none may."""

    marked: tuple[float | None, ...]
    not_marked: tuple[float | None, ...]


class Promises(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What is promised of a bundle's flags.

    Attributes
    ----------
    held_on
        Whose golfers it was shown on.
    golfers
        How many of them.
    false_shares, confidence
        What each threshold is for.
    faults
        By fault.
    """

    held_on: str
    golfers: int
    false_shares: tuple[float, ...]
    confidence: float
    faults: dict[str, FaultPromise]

    def thresholds(self, faults: Sequence[str], false_share: float) -> Array:
        """``(2, n_faults)`` for contact not marked and marked; NaN where nothing is promised.

        Raises
        ------
        ValueError
            Where `false_share` is none of those that were tested.
        """
        if false_share not in self.false_shares:
            shares = ", ".join(f"{share:g}" for share in self.false_shares)
            raise ValueError(f"expected a share of {shares}; found {false_share:g}")
        at = self.false_shares.index(false_share)
        thresholds = [self.faults.get(fault) for fault in faults]
        not_marked = [None if one is None else one.not_marked[at] for one in thresholds]
        marked = [None if one is None else one.marked[at] for one in thresholds]
        return np.array([not_marked, marked], dtype=float)


class JudgedFlags(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How flags fared before a coach, of one fault or of all.

    Attributes
    ----------
    golfers
        Whose swings were judged, flagged or not.
    flagged, wrong
        Judged swings that were flagged, and those of them to which the coach said no.
    shown
        Whether the share is shown to be kept.
    edge
        The edge that was judged by, in the fault's unit; None for all faults together.
    """

    golfers: int
    flagged: int
    wrong: int
    shown: bool
    edge: float | None = None


class OwnPromise(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a coach's own verdicts show of the flags on that coach's golfers.

    Attributes
    ----------
    coach, golfers
        Whose verdicts, and on how many golfers.
    model_sha256, false_share, confidence
        The model and the share that its flags were made with, and how surely what is shown is shown.
    needed
        Golfers below which nothing is shown, only estimated.
    faults, together
        By fault, and over all of them.
    """

    schema: int
    coach: str
    golfers: int
    model_sha256: str
    false_share: float
    confidence: float
    needed: int
    faults: dict[str, JudgedFlags]
    together: JudgedFlags


def golfers_needed(false_share: float, faults: int, confidence: float = CONFIDENCE) -> int:
    """Fewest golfers, each with one flag and none wrong, that show a share for that many faults at once.

    The exact binomial: the chance that none of n flags is wrong where a share `a` is, ``(1 - a) ** n``, must not exceed
    ``(1 - confidence) / faults``. For a tenth and 17 faults: 56.
    """
    return math.ceil(math.log((1 - confidence) / faults) / math.log(1 - false_share))


def betting_p_value(z: Array, most: float) -> float:
    """How surely the mean of independent `z`, bounded by `most` from above, is below 0.

    Parameters
    ----------
    z
        ``(n,)`` one number a golfer, in an order that does not depend on them.
    most
        The largest value that any may take; above 0.

    Returns
    -------
    float
        A p-value of the hypothesis "the mean is 0 or more", valid for any n.
    """
    count = np.arange(len(z))
    before = np.concatenate([[0.0], np.cumsum(z)[:-1]])
    squares = np.concatenate([[0.0], np.cumsum(z**2)[:-1]])
    mean = before / (count + _PRIOR_GOLFERS)
    spread = (squares + _PRIOR_GOLFERS * most**2 / 20) / (count + _PRIOR_GOLFERS)
    # What would win most if the past were the truth; never against it, and never the whole stake.
    bet = np.clip(-mean / np.maximum(spread, 1e-12), 0.0, _MAX_STAKE / most)
    capital = np.cumsum(np.log1p(-bet * z))
    return float(min(1.0, np.exp(-capital.max(initial=0.0))))


def read_own_promise(path: Path) -> OwnPromise:
    """What ``faultml labels promise`` has left.

    Raises
    ------
    BundleError
        ``bad-promise`` where the file is no such thing.
    """
    try:
        own = msgspec.json.decode(path.read_bytes(), type=OwnPromise)
    except (OSError, msgspec.MsgspecError) as error:
        expected = "what faultml labels promise leaves"
        raise BundleError("bad-promise", where=str(path), expected=expected, found=str(error)) from error
    if own.schema != OWN_SCHEMA:
        raise BundleError(
            "bad-promise", where=str(path), expected=f"schema {OWN_SCHEMA}", found=str(own.schema)
        )
    return own


def lowest_threshold(
    chance: Array,
    may_flag: NDArray[np.bool_],
    wrong: Array,
    golfers: NDArray[np.object_],
    false_share: float,
    *,
    confidence: float = CONFIDENCE,
    seed: int = 0,
) -> float | None:
    """The lowest of `THRESHOLDS` at which, as at all above it, flags keep to the share; None where none does.

    Parameters
    ----------
    chance
        ``(n_swings,)`` probability of the fault.
    may_flag
        ``(n_swings,)`` whether a swing may be flagged at all (its estimate lies far enough past the edge).
    wrong
        ``(n_swings,)`` 1 where the coach says no, 0 where yes, or the chance of a no.
    golfers
        ``(n_swings,)`` whose swing it is.
    """
    kept = None
    for threshold in reversed(THRESHOLDS):
        flagged = may_flag & (chance >= threshold)
        if not keeps_to(flagged, wrong, golfers, false_share, confidence=confidence, seed=seed):
            break
        kept = threshold
    return kept


def keeps_to(
    flagged: NDArray[np.bool_],
    wrong: Array,
    golfers: NDArray[np.object_],
    false_share: float,
    *,
    confidence: float = CONFIDENCE,
    seed: int = 0,
) -> bool:
    """Whether it is shown that at most `false_share` of what is flagged is wrong; all ``(n_swings,)``."""
    names, owner = np.unique(golfers, return_inverse=True)
    order = np.random.default_rng(seed).permutation(len(names))
    swings = np.bincount(owner, minlength=len(names))
    z = np.bincount(owner, flagged * (wrong - false_share), minlength=len(names)) / swings
    return betting_p_value(z[order], 1 - false_share) <= 1 - confidence
