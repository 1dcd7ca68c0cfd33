"""Forearm rotation that a recorder wraps at a half turn: taken up again where its jumps are whole turns."""

from __future__ import annotations

from typing import Final

import numpy as np

from faultml.channels import PRONATION
from faultml.recordings.findings import Limits
from faultml.recordings.ledger import Ledger
from faultml.recordings.raw import Samples

TURN_DEG: Final = 360.0


def unwrap_pronation(samples: Samples, ledger: Ledger, limits: Limits) -> None:
    """Take whole turns out of forearm rotation, in place, with the finding ``pronation-unwrapped``.

    Only where every jump of more than half a turn is a whole turn but for what a forearm can turn in between. The
    channel is left about zero by whole turns; where it then lies beyond a forearm's arc, its zero was the recorder's
    own, and it begins at zero.
    """
    found = []
    for at, own in _jumping(samples):
        flat, t_s = samples.angles_deg[PRONATION][own], samples.t_s[own]
        there = np.flatnonzero(np.isfinite(flat))
        steps = np.diff(flat[there])
        turns = np.round(steps / TURN_DEG)
        can_turn = np.maximum(limits.jump_deg, limits.jump_deg_s * np.diff(t_s[there]))
        jumps = np.abs(steps) > TURN_DEG / 2
        if (np.abs(steps - TURN_DEG * turns)[jumps] <= can_turn[jumps]).all():
            whole = np.concatenate([[0.0], np.cumsum(np.where(jumps, turns, 0.0))])
            flat[there] -= TURN_DEG * whole
            low, high = flat[there].min(), flat[there].max()
            flat -= TURN_DEG * np.round((low + high) / 2 / TURN_DEG)
            if max(-flat[there].min(), flat[there].max()) > limits.pronation_deg.refused[1]:
                flat -= np.median(flat[there][:5])
            found.append(at)
    ledger.note(samples.rows[found], "pronation-unwrapped")


def leave_out_jumps(samples: Samples, ledger: Ledger) -> None:
    """Set forearm rotation to NaN, in place, where it still jumps by more than half a turn: ``pronation-unusable``."""
    left_out = []
    for at, own in _jumping(samples):
        samples.angles_deg[PRONATION][own] = np.nan
        left_out.append(at)
    ledger.note(samples.rows[left_out], "pronation-unusable")


def _jumping(samples: Samples) -> list[tuple[int, slice]]:
    """Swings, by place and samples, whose forearm rotation has a step of more than half a turn; gaps are bridged."""
    found = []
    flat = samples.angles_deg[PRONATION]
    lowest = np.fmin.reduceat(flat, samples.starts)
    highest = np.fmax.reduceat(flat, samples.starts)
    for at in np.flatnonzero(highest - lowest > TURN_DEG / 2):
        own = slice(samples.starts[at], samples.starts[at] + samples.lengths[at])
        values = flat[own][np.isfinite(flat[own])]
        if (np.abs(np.diff(values)) > TURN_DEG / 2).any():
            found.append((int(at), own))
    return found
