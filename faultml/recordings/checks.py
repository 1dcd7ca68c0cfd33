"""The checks of recordings: raw swings in, a padded batch with reasons and findings out."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from faultml.channels import CHANNELS, ID_COLUMNS
from faultml.recordings.clock import check_clock, check_rate
from faultml.recordings.findings import Limits, limits
from faultml.recordings.gaps import fill_gaps, settle_numbers
from faultml.recordings.ledger import Ledger
from faultml.recordings.problems import Problem
from faultml.recordings.ranges import check_ranges
from faultml.recordings.raw import RawSwings, Samples
from faultml.recordings.schema import MOUNTING_COLUMN, RATE_COLUMN
from faultml.recordings.screen import Flat, flat_samples, pad_flat, screen
from faultml.recordings.spikes import drop_spikes
from faultml.recordings.swings import SwingBatch
from faultml.recordings.unwrap import leave_out_jumps, unwrap_pronation
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

    flat = flat_samples(raw.lengths, raw.t_s, raw.angles_deg)
    declared_hz = raw.table[RATE_COLUMN].to_numpy().astype(float)
    sound = screen(flat, bounds) & np.isnan(declared_hz)
    sound &= np.array([not reason for reason in ledger.reasons], dtype=bool)
    samples = _check_sizes(raw, flat, ~sound, ledger, bounds)
    if len(samples):
        samples = settle_numbers(samples, ledger, bounds)
    if len(samples):
        samples, step_s = check_clock(samples, ledger, bounds)
    if len(samples):
        check_rate(declared_hz[samples.rows], step_s, samples.rows, ledger, bounds)
        unwrap_pronation(samples, ledger, bounds)
        drop_spikes(samples, step_s, ledger, bounds)
        leave_out_jumps(samples, ledger)
        samples = fill_gaps(samples, step_s, ledger, bounds)
    if len(samples):
        samples = check_ranges(samples, ledger, bounds)
    rows = np.flatnonzero(sound)
    ledger.note(rows[np.isnan(flat.pronation_deg[flat.starts[rows]])], "pronation-missing")

    t_s, angles_deg, n_samples = _pad(samples, flat, rows)
    words = settle_words(raw.table, ledger)
    marks = settle_impact(raw.table, t_s, n_samples, ledger)
    numbers = {MOUNTING_COLUMN: settle_mounting(raw.table, ledger), RATE_COLUMN: declared_hz}
    columns = {**ids, **words, **marks, **numbers, "reason": ledger.reasons, "findings": ledger.codes}
    shot, codes = columns.pop("shot"), columns.pop("findings")
    table = pd.DataFrame(columns)
    for name in ("file", "row"):
        table[name] = pd.Series(raw.table[name].to_pylist(), dtype=object)
    table["shot"] = pd.Series(shot, dtype=object)
    table["findings"] = pd.Series(codes, dtype=object)
    return Checked(SwingBatch(table, t_s, angles_deg, n_samples), ledger.problems)


def _check_sizes(
    raw: RawSwings, flat: Flat, checked: NDArray[np.bool_], ledger: Ledger, bounds: Limits
) -> Samples:
    """The samples of swings to be judged that have a fair number of them."""
    open_rows = np.flatnonzero(checked & ~ledger.refused(np.arange(len(raw))))
    counts = raw.lengths[open_rows]
    few, many = open_rows[counts < bounds.min_samples], open_rows[counts > bounds.max_samples]
    ledger.note(
        few, "too-short", f"at least {bounds.min_samples} samples", [f"{raw.lengths[row]}" for row in few]
    )
    ledger.note(
        many, "too-long", f"at most {bounds.max_samples} samples", [f"{raw.lengths[row]}" for row in many]
    )
    kept = checked & ~ledger.refused(np.arange(len(raw)))
    samples = np.repeat(kept, raw.lengths)
    channels = (flat.flexion_deg, flat.ulnar_deg, flat.pronation_deg)
    angles_deg = np.stack([channel[samples].astype(float) for channel in channels])
    return Samples(np.flatnonzero(kept), raw.lengths[kept], flat.t_s[samples], angles_deg)


def _pad(
    checked: Samples, flat: Flat, sound: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Padded times, angles and lengths of all swings, from the samples that were judged and those that passed."""
    n_rows, n_samples = len(flat.lengths), np.zeros(len(flat.lengths), dtype=np.int64)
    n_samples[checked.rows], n_samples[sound] = checked.lengths, flat.lengths[sound]
    width = int(n_samples.max(initial=0))
    t_s, angles_deg = np.empty((n_rows, width)), np.empty((n_rows, len(CHANNELS), width))
    others = np.setdiff1d(np.arange(n_rows), sound)
    t_s[others], angles_deg[others] = np.nan, np.nan
    pad_flat(flat, sound, t_s, angles_deg)
    if len(checked):
        own_t_s, own_deg, _ = replace(checked, rows=np.arange(len(checked))).pad(len(checked))
        t_s[checked.rows, : own_t_s.shape[1]] = own_t_s
        angles_deg[checked.rows, :, : own_t_s.shape[1]] = own_deg
    return t_s, angles_deg, n_samples
