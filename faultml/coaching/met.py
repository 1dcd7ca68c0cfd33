"""How many of a player's faulty swings meet each window already: counted where the curves are, kept as sums.

A window that swings with the fault meet teaches nothing. Each drill is held against every fault it serves, because a
player may be given it for any of them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from faultml.coaching.rules import Coaching, MetRules
from faultml.coaching.window import AnyWindow, SpreadWindow, at_edge, inside, unhinging
from faultml.exact import add_tables, table_of

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

KEYS: Final = ("player", "drill", "fault")

WINDOW_MET: Final = "window-already-met"
"""Code of what speaks against a drill whose window the player's faulty swings already meet."""
MET_MEANWHILE: Final = "window-met-meanwhile"
"""Code of the same, said of a drill that was given."""


class Met(NamedTuple):
    """Of so many faulty swings that a window could judge, so many lie inside it."""

    n_faulty: int
    n_met: int

    def already(self, rules: MetRules) -> bool:
        """Whether the window is met too often to be practised in; False where there are too few swings to know."""
        return self.n_faulty >= rules.min_swings and self.n_met >= rules.share * self.n_faulty


def count_met(
    players: Sequence[str] | NDArray[np.object_],
    flagged: Bools,
    edges: Array,
    curves_deg: Array,
    coaching: Coaching,
) -> pa.Table:
    """Count the flagged swings of a batch that meet the window of each drill which serves the fault.

    Windows are those of the book, moved with the edges and not cut by care. A window that is a share of the unhinging
    uses the swing's own, because the player's is not known before the season ends. A window on an absolute angle and a
    spread judge no swing here.

    Parameters
    ----------
    players
        The player of each swing, ``(n_swings,)``.
    flagged
        ``(n_swings, n_faults)`` whether the fault is called; False for swings that shall not count, such as practice
        with feedback.
    edges
        ``(n_swings, n_faults)`` edges that hold for each swing's player, in the fault's unit.
    curves_deg
        ``(n_swings, n_channels, n_phases)`` degrees relative to address.
    coaching
        Catalogue, drill book and rules.

    Returns
    -------
    Table
        A row a player, drill and fault with flagged swings that the window could judge: ``player, drill, fault``,
        ``n_faulty`` such swings, and ``n_met`` of them inside.
    """
    faults, own_deg = coaching.catalogue.ids, unhinging(curves_deg)
    codes, names = pd.factorize(np.asarray(players, dtype=object))
    judged: dict[AnyWindow, Array] = {}
    parts = []
    for drill, served in coaching.serving.items():
        window = coaching.book[drill].window
        if window not in judged:
            judged[window] = _inside_each(window, edges, curves_deg, own_deg, coaching)
        for fault in served:
            if fault not in faults:
                continue
            faulty = flagged[:, faults.index(fault)] & np.isfinite(judged[window])
            met = faulty & (judged[window] == 1)
            n_faulty = np.bincount(codes[faulty], minlength=len(names))
            n_met = np.bincount(codes[met], minlength=len(names))
            seen = np.flatnonzero(n_faulty)
            keys = {"player": names[seen], "drill": [drill] * len(seen), "fault": [fault] * len(seen)}
            parts.append(table_of(keys, {"n_faulty": n_faulty[seen], "n_met": n_met[seen]}))
    return add_tables(parts, KEYS)


def _inside_each(
    window: AnyWindow, edges: Array, curves_deg: Array, own_deg: Array, coaching: Coaching
) -> Array:
    """`inside` with the window of each swing's own edge."""
    if isinstance(window, SpreadWindow) or not window.fault:
        return inside(window, curves_deg)
    own_edges = edges[:, coaching.catalogue.ids.index(window.fault)]
    met = np.full(len(curves_deg), np.nan)
    for edge in np.unique(own_edges):
        rows = own_edges == edge
        moved = at_edge(window, coaching.catalogue[window.fault], float(edge))
        met[rows] = inside(moved, curves_deg[rows], unhinging_deg=own_deg[rows])
    return met


def met_by_player(windows: pd.DataFrame) -> dict[str, dict[tuple[str, str], Met]]:
    """Player -> (drill, fault) -> counts, from `Summary.windows`."""
    found: dict[str, dict[tuple[str, str], Met]] = {}
    for row in windows.itertuples():
        counts = Met(int(row.n_faulty), int(row.n_met))
        found.setdefault(str(row.player), {})[str(row.drill), str(row.fault)] = counts
    return found


def already_met(counts: Mapping[tuple[str, str], Met], rules: MetRules) -> frozenset[tuple[str, str]]:
    """The drills, each with the fault it would be given for, whose window is already met."""
    return frozenset(pair for pair, met in counts.items() if met.already(rules))
