"""What coaching keeps of a batch of swings: sums, so that memory does not grow with the season.

A `Summary` adds up: the summaries of any split of a season into batches, merged in any order, are the same
summary (to rounding). Its frames have one row a player, session, context and fault, or fewer.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from faultml.channels import ID_COLUMNS
from faultml.coaching.rules import LATE_SAVE
from faultml.errors import InputError
from faultml.faults.catalogue import PHASE_STARTS, Catalogue, load_catalogue

KEYS: Final = {
    "faults": ("player", "session", "context", "fault"),
    "shots": ("player", "shot", "fault"),
    "spread": ("player", "session", "club", "fault"),
    "sessions": ("player", "session", "context"),
    "codes": ("player", "kind", "code"),
}
SUMS: Final = {
    "faults": (
        "n", "n_unassessed", "n_unlearned", "n_flagged", "n_borderline", "n_inside", "n_measured",
        "p", "pq", "p_severity", "p_severity2", "measure", "measure2", "error2", "n_onset", "onset",
    ),
    "shots": ("n", "p"),
    "spread": ("n", "measure", "measure2", "error2"),
    "sessions": (
        "n_swings", "n_assessed", "n_address", "n_pronation", "n_marked", "n_findings",
        "address_flexion_deg", "address_ulnar_deg", "address_pronation_deg",
    ),
    "codes": ("n",),
}  # fmt: skip


@dataclass(frozen=True)
class Summary:
    """Sums over assessed swings, per group; every frame has its `KEYS`, then its `SUMS`.

    Attributes
    ----------
    faults
        Per player, session, context and fault (the late save stands beside the faults): counts of assessed,
        not assessed and not learned swings, of calls, of swings inside the corridor; sums of the
        probability ``p``, of ``p(1-p)``, of severity weighted by it, of measure and measure squared, of the
        measure's error variance, and of the onset of flagged swings on one axis (backswing 0-1, downswing
        1-2, after impact from 2).
    shots
        Per player, shot (words in alphabetical order, one string) and fault, over swings in play whose shot
        is known.
    spread
        Per player, session, club and fault watched by a session fault: what its SD needs. Practice with
        feedback is left out.
    sessions
        Per player, session and context: counts of swings and sums of the address angles.
    codes
        Per player: how many swings carry each finding (kind ``finding``) or were refused for each reason
        (``refused``).
    """

    faults: pd.DataFrame
    shots: pd.DataFrame
    spread: pd.DataFrame
    sessions: pd.DataFrame
    codes: pd.DataFrame


def summarise(swings: pd.DataFrame, faults: pd.DataFrame, catalogue: Catalogue | None = None) -> Summary:
    """Sum up one batch.

    Parameters
    ----------
    swings
        One row a swing, with the columns of `swings.parquet`.
    faults
        One row a swing and fault, with the columns of `faults.parquet`, in any order.
    catalogue
        Says which faults the session faults watch; the default catalogue where not given.

    Raises
    ------
    InputError
        Where a row of `faults` belongs to no swing of `swings`.
    """
    swings = swings.reset_index(drop=True)
    context = swings["context"].fillna("").replace("", "play")
    rows = _fault_rows(swings, faults)
    watched = {fault for entry in (catalogue or load_catalogue()).session_faults for fault in entry.of}
    return Summary(
        faults=_sum_faults(swings, context, rows),
        shots=_sum_shots(swings, context, rows),
        spread=_sum_spread(swings, context, rows, watched),
        sessions=_sum_sessions(swings, context),
        codes=_sum_codes(swings),
    )


def merge(summaries: Iterable[Summary]) -> Summary:
    """Add summaries up; none at all give the empty summary."""
    parts = list(summaries)
    frames = {name: [getattr(part, name) for part in parts] for name in KEYS}
    return Summary(
        **{name: _add_up(name, pd.concat(frame) if frame else _empty(name)) for name, frame in frames.items()}
    )


def _empty(name: str) -> pd.DataFrame:
    text = {key: pd.Series(dtype="str") for key in KEYS[name]}
    return pd.DataFrame(text | {column: pd.Series(dtype=float) for column in SUMS[name]})


def _add_up(name: str, rows: pd.DataFrame) -> pd.DataFrame:
    """Sum rows of equal keys, in the order of the keys."""
    if rows.empty:
        return _empty(name)
    keys = list(KEYS[name])
    summed = rows.groupby(keys, sort=True, observed=True)[list(SUMS[name])].sum()
    return summed.astype(float).reset_index()


@dataclass(frozen=True)
class _Rows:
    """The fault rows of a batch as arrays, the late save included, each with the position of its swing."""

    swing: NDArray[np.int64]
    fault: NDArray[np.int64]
    names: tuple[str, ...]
    values: pd.DataFrame

    @property
    def assessed(self) -> NDArray[np.bool_]:
        return self.values["status"].to_numpy() == "assessed"


def _fault_rows(swings: pd.DataFrame, faults: pd.DataFrame) -> _Rows:
    ids = list(ID_COLUMNS)
    first = ~swings.duplicated(
        ids
    ).to_numpy()  # copies of a repeated id are all refused: any of them stands for it
    where = pd.MultiIndex.from_frame(swings.loc[first, ids]).get_indexer(
        pd.MultiIndex.from_frame(faults[ids])
    )
    if (where < 0).any():
        stray = faults.loc[where < 0, ids].iloc[0]
        raise InputError(
            "unknown-swing", where="faults", expected="a swing of the same batch", found=" / ".join(stray)
        )
    position = np.flatnonzero(first)[where]
    codes, names = pd.factorize(faults["fault"])
    columns = [
        "status",
        "probability",
        "call",
        "severity",
        "measure",
        "measure_sd",
        "onset_phase",
        "onset_at",
    ]
    late = pd.DataFrame(
        {
            "status": np.where(swings["assessed"].astype(bool), "assessed", "not_assessed"),
            "probability": swings["late_save_probability"].to_numpy(float),
            "call": np.where(swings["late_save"].fillna(False).astype(bool), "yes", "no"),
        }
    )
    late.loc[late["probability"].isna(), "status"] = "not_assessed"
    values = pd.concat(
        [faults[columns].reset_index(drop=True), late.reindex(columns=columns)], ignore_index=True
    )
    return _Rows(
        swing=np.concatenate([position, np.arange(len(swings))]),
        fault=np.concatenate([codes, np.full(len(swings), len(names))]),
        names=(*map(str, names), LATE_SAVE),
        values=values,
    )


def _sum_faults(swings: pd.DataFrame, context: pd.Series, rows: _Rows) -> pd.DataFrame:
    values, assessed = rows.values, rows.assessed
    number = {
        name: values[name].to_numpy(float)
        for name in ("probability", "severity", "measure", "measure_sd", "onset_at")
    }
    p = np.where(assessed, number["probability"], 0.0)
    severity = np.where(assessed, np.nan_to_num(number["severity"]), 0.0)
    measured = assessed & np.isfinite(number["measure"])
    measure = np.where(measured, number["measure"], 0.0)
    error = np.where(measured, np.nan_to_num(number["measure_sd"]), 0.0)
    yes = assessed & (values["call"].to_numpy() == "yes")
    start = values["onset_phase"].map(PHASE_STARTS).to_numpy(float)
    begun = yes & np.isfinite(start + number["onset_at"])
    table = pd.DataFrame(
        {
            "n": assessed,
            "n_unassessed": values["status"].to_numpy() == "not_assessed",
            "n_unlearned": values["status"].to_numpy() == "not_learned",
            "n_flagged": yes,
            "n_borderline": assessed & (values["call"].to_numpy() == "borderline"),
            "n_inside": measured & (severity <= 0),
            "n_measured": measured,
            "p": p,
            "pq": p * (1 - p),
            "p_severity": p * severity,
            "p_severity2": p * severity**2,
            "measure": measure,
            "measure2": measure**2,
            "error2": error**2,
            "n_onset": begun,
            "onset": np.where(begun, start + number["onset_at"], 0.0),
        }
    )
    group, keys = _number(swings.assign(context=context), ["player", "session", "context"])
    return _sum_by(table, keys, group[rows.swing], rows.names, rows.fault)


def _sum_shots(swings: pd.DataFrame, context: pd.Series, rows: _Rows) -> pd.DataFrame:
    shot = _shot_keys(swings["shot"])
    use = rows.assessed & ((context == "play").to_numpy() & (shot != ""))[rows.swing]
    group, keys = _number(swings.assign(shot=shot), ["player", "shot"])
    table = pd.DataFrame({"n": 1.0, "p": rows.values["probability"].to_numpy(float)[use]})
    return _sum_by(table, keys, group[rows.swing[use]], rows.names, rows.fault[use])


def _sum_spread(swings: pd.DataFrame, context: pd.Series, rows: _Rows, watched: set[str]) -> pd.DataFrame:
    measure = rows.values["measure"].to_numpy(float)
    error = np.nan_to_num(rows.values["measure_sd"].to_numpy(float))
    watches = np.array([name in watched for name in rows.names])[rows.fault]
    use = rows.assessed & watches & np.isfinite(measure) & (context != "practice").to_numpy()[rows.swing]
    club = swings["club"].fillna("").astype("str").str.casefold()
    group, keys = _number(swings.assign(club=club), ["player", "session", "club"])
    table = pd.DataFrame(
        {"n": 1.0, "measure": measure[use], "measure2": measure[use] ** 2, "error2": error[use] ** 2}
    )
    return _sum_by(table, keys, group[rows.swing[use]], rows.names, rows.fault[use])


def _sum_sessions(swings: pd.DataFrame, context: pd.Series) -> pd.DataFrame:
    assessed = swings["assessed"].astype(bool)
    angles = {
        name: swings[name].astype(float).where(assessed)
        for name in SUMS["sessions"]
        if name.startswith("address_")
    }
    pronation, known = angles["address_pronation_deg"].notna(), angles["address_flexion_deg"].notna()
    table = swings[["player", "session"]].assign(
        context=context,
        n_swings=1.0,
        n_assessed=assessed,
        n_address=known,
        n_pronation=pronation,
        n_marked=assessed & swings["impact_marked"].fillna(False).astype(bool),
        n_findings=assessed & (swings["findings"].map(len) > 0),
        **{name: angle.fillna(0.0) for name, angle in angles.items()},
    )
    return _add_up("sessions", table)


def _sum_codes(swings: pd.DataFrame) -> pd.DataFrame:
    found = swings[["player", "findings"]].explode("findings").dropna().rename(columns={"findings": "code"})
    refused = swings.loc[~swings["assessed"].astype(bool), ["player", "reason"]].rename(
        columns={"reason": "code"}
    )
    table = pd.concat([found.assign(kind="finding"), refused.assign(kind="refused")], ignore_index=True)
    return _add_up("codes", table.assign(n=1.0))


def _shot_keys(shots: pd.Series) -> NDArray[np.object_]:
    """Each swing's shot words in alphabetical order as one string, "" where the shot is not known."""
    made = {}
    keys = []
    for words in shots:
        words = () if words is None or isinstance(words, float) else tuple(words)
        if words not in made:
            made[words] = " ".join(sorted(set(words)))
        keys.append(made[words])
    return np.array(keys, dtype=object)


def _number(table: pd.DataFrame, keys: list[str]) -> tuple[NDArray[np.int64], pd.DataFrame]:
    """Number the groups of `keys`: each row's group, and one row of keys a group."""
    grouped = table.groupby(keys, sort=False, observed=True, dropna=False)
    return grouped.ngroup().to_numpy(), table[~table.duplicated(keys)][keys].reset_index(drop=True)


def _sum_by(
    table: pd.DataFrame,
    keys: pd.DataFrame,
    group: NDArray[np.int64],
    names: tuple[str, ...],
    fault: NDArray[np.int64],
) -> pd.DataFrame:
    """Sum the table's columns per group and fault, leaving out what never occurs."""
    cell = group * len(names) + fault
    size = len(keys) * len(names)
    seen = np.flatnonzero(np.bincount(cell, minlength=size))
    summed = {
        name: np.bincount(cell, weights=column.to_numpy(float), minlength=size)[seen]
        for name, column in table.items()
    }
    named = keys.iloc[seen // len(names)].reset_index(drop=True)
    return named.assign(fault=np.array(names, dtype=object)[seen % len(names)], **summed).astype(
        {"fault": "str"}
    )
