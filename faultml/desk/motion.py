"""Curves of any swing, made anew from the recordings with the landmarks that the results hold."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from faultml.channels import CHANNELS, LANDMARKS
from faultml.faults.measure import PHASE_GRID, phase_times
from faultml.motion.curves import Curves
from faultml.motion.landmark_model import Landmarks
from faultml.motion.window import OFFSETS_S, Windows, make_windows
from faultml.recordings.of_player import read_player
from faultml.recordings.same_names import SameName

Array = NDArray[np.float64]

MAX_PLAYERS: Final = 6
"""Players whose recordings are kept in memory."""


@dataclass(frozen=True)
class SwingCurves:
    """The motion of one swing.

    Attributes
    ----------
    phase
        ``(n_phases,)``.
    d_deg
        ``(n_channels, n_phases)`` relative to address, NaN where not recorded.
    speed_dps
        ``(n_channels, n_phases)`` degrees a second.
    landmarks_s, landmarks_sd_s
        ``(4,)`` on the recording's clock.
    """

    phase: Array
    d_deg: Array
    speed_dps: Array
    landmarks_s: Array
    landmarks_sd_s: Array

    def at(self, phase: float) -> Array:
        """Angles at a phase, ``(n_channels,)``."""
        return np.array([np.interp(phase, self.phase, own) for own in self.d_deg])

    def speed_at(self, phase: float) -> Array:
        """Speeds at a phase, ``(n_channels,)``."""
        return np.array([np.interp(phase, self.phase, own) for own in self.speed_dps])

    def moment_s(self, phase: float) -> float:
        """The moment of a phase on the recording's clock."""
        return float(phase_times(self.landmarks_s[None, :], np.array([phase]))[0, 0])

    @property
    def landmarks_sd(self) -> tuple[float, float, float]:
        """How surely takeaway, top and impact are known, in phase."""
        takeaway, top, impact = self.landmarks_s[:3]
        back, down = max(top - takeaway, 1e-6), max(impact - top, 1e-6)
        sd = self.landmarks_sd_s
        return float(sd[0] / back), float(sd[1] * (1 / back + 1 / down) / 2), float(sd[2] / down)


@dataclass(frozen=True)
class RawCurves:
    """A swing over time as recorded.

    Attributes
    ----------
    t_s
        ``(n_samples,)`` seconds from the fastest moment.
    angles_deg
        ``(n_channels, n_samples)``, NaN where not recorded.
    fastest_s
        The fastest moment on the recording's clock.
    """

    t_s: Array
    angles_deg: Array
    fastest_s: float


class _Player:
    """One player's recordings on the even clock."""

    def __init__(self, season: Sequence[Path], player: str, names: Sequence[SameName]) -> None:
        batch = read_player(season, player, names)
        ids = batch.table[["session", "swing"]].itertuples(index=False, name=None)
        self.rows = {(str(session), str(swing)): row for row, (session, swing) in enumerate(ids)}
        self.windows: Windows = make_windows(batch)
        self.n_samples = batch.n_samples


class Recordings:
    """Recordings of a season, a few players' at a time.

    Attributes
    ----------
    names
        Names of the recordings that are read as a player of another name, as the results were made with.
    """

    def __init__(self, season: Sequence[Path]) -> None:
        self._season = tuple(season)
        self.names: tuple[SameName, ...] = ()
        self._players: OrderedDict[str, _Player] = OrderedDict()
        self._lock = Lock()

    def forget(self) -> None:
        """Read anew from now on, since the files have changed."""
        self._players.clear()

    def curves(self, row: pd.Series) -> SwingCurves | RawCurves | None:
        """The motion of a swing.

        Parameters
        ----------
        row
            The swing's row of the table ``swings``.

        Returns
        -------
        Raw samples where it was not assessed; None where the recording is not in the season, or holds no samples.
        """
        found = self._find(row)
        if found is None:
            return None
        player, at = found
        if not row["assessed"]:
            return _raw(player.windows, at)
        landmarks_s = np.array([row[f"{name}_s"] for name in LANDMARKS], dtype=float)
        sd_s = np.array([row[f"{name}_sd_s"] for name in LANDMARKS], dtype=float)
        one = _one(player.windows, at)
        offset_s = (landmarks_s - one.anchor_s[0])[None, :]
        curves = Curves.read(one, Landmarks(offset_s, sd_s[None, :]))
        speed = one.rates_at(phase_times(offset_s))[0]
        return SwingCurves(
            PHASE_GRID,
            curves.d_deg[0],
            np.where(np.isfinite(curves.d_deg[0]), speed, np.nan),
            landmarks_s,
            sd_s,
        )

    def over_time(self, row: pd.Series) -> RawCurves | None:
        """The recorded angles of a swing over time; None as in `curves`."""
        found = self._find(row)
        return None if found is None else _raw(found[0].windows, found[1])

    def _find(self, row: pd.Series) -> tuple[_Player, int] | None:
        with self._lock:
            player = self._player(str(row["player"]))
        at = player.rows.get((str(row["session"]), str(row["swing"])))
        return None if at is None or not player.n_samples[at] else (player, at)

    def _player(self, name: str) -> _Player:
        if name not in self._players:
            self._players[name] = _Player(self._season, name, self.names)
            while len(self._players) > MAX_PLAYERS:
                self._players.popitem(last=False)
        self._players.move_to_end(name)
        return self._players[name]


def _one(windows: Windows, at: int) -> Windows:
    return Windows(**{name: value[at : at + 1] for name, value in vars(windows).items()})


def _raw(windows: Windows, at: int) -> RawCurves:
    inside = (windows.start_s[at] <= OFFSETS_S) & (windows.end_s[at] >= OFFSETS_S)
    angles = windows.angles_deg[at][:, inside].copy()
    if not windows.has_pronation[at]:
        angles[CHANNELS.index("pronation_deg")] = np.nan
    return RawCurves(OFFSETS_S[inside], angles, float(windows.anchor_s[at]))
