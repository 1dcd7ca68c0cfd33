"""The checks of recordings: raw swings in, a padded batch with reasons and findings out."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from faultml.channels import CHANNELS, ID_COLUMNS
from faultml.recordings.clock import check_clock, check_rate
from faultml.recordings.findings import Limits, limits
from faultml.recordings.gaps import fill_gaps, settle_numbers
from faultml.recordings.ledger import Ledger
from faultml.recordings.problems import Problem
from faultml.recordings.ranges import check_ranges
from faultml.recordings.raw import RawSwings, Samples
from faultml.recordings.schema import IMPACT_COLUMN, MOUNTING_COLUMN, RATE_COLUMN
from faultml.recordings.spikes import drop_spikes
from faultml.recordings.swings import SwingBatch
from faultml.recordings.words import settle_impact, settle_mounting, settle_words


class Checked(NamedTuple):
    """A batch and what is wrong in the input it came from."""

    batch: SwingBatch
    problems: list[Problem]


def check_swings(raw: RawSwings, repeated: np.ndarray | None = None) -> Checked:
    """Check every swing of a batch on its own and pad the sound ones.

    Parameters
    ----------
    raw
        Swings as read.
    repeated
        ``(n_swings,)`` mask of swings whose id stands more than once in the season.
    """
    bounds, ledger = limits(), Ledger(raw.table)
    ids = {name: [text or "" for text in raw.table[name].to_pylist()] for name in ID_COLUMNS}
    unnamed = np.flatnonzero([not all(parts) for parts in zip(*ids.values(), strict=True)])
    ledger.note(unnamed, "missing-id", "a player, a session and a swing", "an empty cell")
    if repeated is not None:
        copies = np.setdiff1d(np.flatnonzero(repeated), unnamed)
        ledger.note(copies, "repeated-id", "each player, session and swing once", "another swing with these")

    samples = _check_sizes(raw, ledger, bounds)
    if len(samples):
        samples = settle_numbers(samples, ledger, bounds)
    if len(samples):
        samples, step_s = check_clock(samples, ledger, bounds)
    if len(samples):
        declared_hz = raw.table[RATE_COLUMN].to_numpy().astype(float)
        check_rate(declared_hz[samples.rows], step_s, samples.rows, ledger, bounds)
        drop_spikes(samples, step_s, ledger, bounds)
        samples = fill_gaps(samples, step_s, ledger, bounds)
    if len(samples):
        samples = check_ranges(samples, ledger, bounds)

    t_s, angles_deg, n_samples = samples.pad(len(raw))
    words = settle_words(raw.table, ledger)
    impact_s = raw.table[IMPACT_COLUMN].to_numpy().astype(float)
    impact_s = settle_impact(impact_s, t_s, n_samples, ledger)
    numbers = {IMPACT_COLUMN: impact_s, MOUNTING_COLUMN: settle_mounting(raw.table, ledger)}
    numbers[RATE_COLUMN] = raw.table[RATE_COLUMN].to_numpy().astype(float)
    columns = {**ids, **words, **numbers, "reason": ledger.reasons, "findings": ledger.codes}
    shot, codes = columns.pop("shot"), columns.pop("findings")
    table = pd.DataFrame(columns)
    for name in ("file", "row"):
        table[name] = pd.Series(raw.table[name].to_pylist(), dtype=object)
    table["shot"] = pd.Series(shot, dtype=object)
    table["findings"] = pd.Series(codes, dtype=object)
    return Checked(SwingBatch(table, t_s, angles_deg, n_samples), ledger.problems)


def _check_sizes(raw: RawSwings, ledger: Ledger, bounds: Limits) -> Samples:
    """The samples of swings that have a fair number of them."""
    open_rows = np.flatnonzero([not reason for reason in ledger.reasons])
    counts = raw.lengths[open_rows]
    few, many = open_rows[counts < bounds.least_samples], open_rows[counts > bounds.most_samples]
    ledger.note(
        few, "too-short", f"at least {bounds.least_samples} samples", [f"{raw.lengths[row]}" for row in few]
    )
    ledger.note(
        many, "too-long", f"at most {bounds.most_samples} samples", [f"{raw.lengths[row]}" for row in many]
    )
    angles_deg = np.empty((len(CHANNELS), len(raw.t_s)))
    with np.errstate(over="ignore"):  # what float32 cannot hold is infinite, and refused as such
        for channel, flat in enumerate(raw.angles_deg):
            # The same numbers from every layout: angles are float32, as in the season table.
            angles_deg[channel] = flat.astype(np.float32, copy=False)
    everything = Samples(np.arange(len(raw)), raw.lengths, np.asarray(raw.t_s, dtype=float), angles_deg)
    return everything.select(np.array([not reason for reason in ledger.reasons], dtype=bool))
