"""The result tables of an assessed batch: a row a swing, a row a swing and fault, and curves for pictures."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pandas.api.extensions import ExtensionArray

from faultml.channels import CHANNELS, ID_COLUMNS, LANDMARKS, PRONATION
from faultml.classifier.assess import CALLS, Assessment, Assessor
from faultml.classifier.closure_doubt import closure_sd
from faultml.classifier.coded import Coded
from faultml.faults.catalogue import Catalogue
from faultml.faults.measure import IMPACT_INDEX, PHASE_GRID, TOP_INDEX
from faultml.faults.onset import PHASE_LETTERS, all_onset_phases, phase_parts
from faultml.motion.closure import PHASES
from faultml.recordings.corrections import MOVABLE

Array = NDArray[np.float64]

CURVE_POINTS: Final = np.r_[0:TOP_INDEX:3, TOP_INDEX:IMPACT_INDEX:5, IMPACT_INDEX : len(PHASE_GRID) : 3]
"""Points of the phase grid that pictures are drawn from."""


def swings_frame(assessment: Assessment) -> pd.DataFrame:
    """The ``swings`` table of a batch; numbers are null where a swing was not assessed."""
    table, assessed = assessment.batch.table, assessment.assessed
    times, sd_s = assessment.landmarks_s, assessment.landmarks.sd_s
    seen = {name: table[name] for name in (*ID_COLUMNS, "hand", "club", "context")}
    frame: dict[str, object] = {
        **seen,
        "shot": [list(words) for words in table["shot"]],
        "assessed": assessed,
        "reason": assessment.reason,
        "findings": [list(codes) for codes in assessment.findings],
    }

    def finite_or_none(values: Array) -> Array:
        return np.where(assessed, values, np.nan)

    frame |= {f"{name}_s": times[:, k] for k, name in enumerate(LANDMARKS)}
    frame |= {
        f"{name}_sd_s": np.where(np.isnan(times[:, k]), np.nan, sd_s[:, k])
        for k, name in enumerate(LANDMARKS)
    }
    frame["impact_marked"] = assessment.windows.marked & assessed
    frame["impact_from"] = np.where(assessed, assessment.impact_from, "")
    frame["timing_offset_s"] = finite_or_none(assessment.timing_s)
    moved: list[list[str]] = [[] for _ in range(len(table))]
    for row, name in zip(*np.nonzero(assessment.by_coach & assessed[:, None]), strict=True):
        moved[row].append(MOVABLE[name])
    frame["coach_landmarks"] = moved
    frame["tempo"] = finite_or_none((times[:, 1] - times[:, 0]) / (times[:, 2] - times[:, 1]))
    address = assessment.curves.address_deg.copy()
    address[~assessment.windows.has_pronation, CHANNELS.index("pronation_deg")] = np.nan
    frame |= {f"address_{name}": finite_or_none(address[:, k]) for k, name in enumerate(CHANNELS)}
    closure = assessment.closure
    for k, phase in enumerate(PHASES):
        frame[f"closure_{phase}_bend_deg"] = finite_or_none(closure.bend_deg[:, k])
        frame[f"closure_{phase}_roll_deg"] = finite_or_none(closure.roll_deg[:, k])
    frame["closure_total_deg"] = finite_or_none(closure.total_deg.sum(axis=1))
    closure_sds = closure_sd(assessment.windows, assessment.landmarks, assessment.curves, closure)
    for k, phase in enumerate(PHASES):
        frame[f"closure_{phase}_bend_sd_deg"] = finite_or_none(closure_sds.bend_deg[:, k])
        frame[f"closure_{phase}_roll_sd_deg"] = finite_or_none(closure_sds.roll_deg[:, k])
    frame["closure_total_sd_deg"] = finite_or_none(closure_sds.total_deg)
    frame["late_save"] = assessment.late_save
    frame["late_save_probability"] = assessment.late_save_probability
    return pd.DataFrame(frame)


def faults_frame(assessor: Assessor, assessment: Assessment, *, coded: bool = False) -> pd.DataFrame:
    """The ``faults`` table of a batch, swing by swing in catalogue order.

    `coded` leaves text as categories, which are made, summed and written much faster.
    """
    catalogue, ids = assessor.catalogue, assessment.batch.table[list(ID_COLUMNS)]
    count = len(catalogue.ids)
    known = assessment.fault_assessed
    severity = [np.where(known, values, np.nan) for values in assessor.severity(assessment)]
    calls = assessor.calls(assessment)
    guards = assessor.bundle.classifier.guard_chance(assessment.posterior)
    phases, fractions = _onsets(assessor, assessment)
    past = known & (severity[0] > 0)
    each = {name: pd.factorize(ids[name]) for name in ID_COLUMNS}
    text = _category if coded else _spelt
    units = [fault.unit for fault in catalogue.faults]
    columns = {
        **{name: text(np.repeat(codes, count), words) for name, (codes, words) in each.items()},
        "fault": text(np.tile(np.arange(count), len(ids)), catalogue.ids),
        "status": text(*_used(assessment.coded_status)),
        "reason": text(*_used(assessment.coded_reason)),
        "probability": assessment.probability.reshape(-1),
        "call": text(*_used(calls)),
        "flagged": (calls.codes == CALLS.index("yes")).reshape(-1),
        "promised": assessor.promised(assessment).reshape(-1),
        "measure": np.where(known, assessment.posterior.mean, np.nan).reshape(-1),
        "severity": severity[0].reshape(-1),
        "severity_lo": severity[1].reshape(-1),
        "severity_hi": severity[2].reshape(-1),
        "unit": text(
            np.tile(pd.factorize(np.array(units, dtype=object))[0], len(ids)),
            pd.unique(np.array(units, dtype=object)),
        ),
        "edge": assessment.edges.reshape(-1),
        "edge_owner": text(*_owners(catalogue, *each["player"])),
        "measure_sd": np.where(known, assessment.posterior.sd, np.nan).reshape(-1),
        "guard_chance": np.where(known, guards, np.nan).reshape(-1),
        "onset_phase": text(*_used(Coded(np.where(past, phases, len(PHASE_LETTERS)), (*PHASE_LETTERS, "")))),
        "onset_at": np.where(past, fractions, np.nan).reshape(-1),
    }
    return pd.DataFrame(columns, copy=False)


_Words: TypeAlias = Sequence[str] | NDArray[np.object_] | pd.Index


def _owners(
    catalogue: Catalogue, players: NDArray[np.int64], names: pd.Index
) -> tuple[NDArray[np.int64], _Words]:
    """Whose edge each one is, swing by swing, as codes and words."""
    owners = [[catalogue.edge(fault, name).owner for fault in catalogue.ids] for name in names]
    codes, words = pd.factorize(np.array(owners, dtype=object).reshape(-1))
    return codes.reshape(len(names), -1)[players].reshape(-1), words


def _used(coded: Coded) -> tuple[NDArray[np.int64], _Words]:
    """Codes in one row, and the words that occur, in alphabetical order: the same for any batch with these words."""
    codes = coded.codes.reshape(-1)
    occurs = np.flatnonzero(np.bincount(codes, minlength=len(coded.words)))
    words = sorted({coded.words[code] for code in occurs})
    place = np.zeros(len(coded.words), dtype=np.int64)
    place[occurs] = [words.index(coded.words[code]) for code in occurs]
    return place[codes], words


def _category(codes: NDArray[np.int64], words: _Words) -> pd.Categorical:
    return pd.Categorical.from_codes(codes, pd.Index(words, dtype="str"), validate=False)


def _spelt(codes: NDArray[np.int64], words: _Words) -> ExtensionArray:
    return pd.Index(words, dtype="str").array.take(codes, allow_fill=True)


def _onsets(assessor: Assessor, assessment: Assessment) -> tuple[NDArray[np.int8], Array]:
    """Places in `PHASE_LETTERS` and fractions, ``(n_swings, n_faults)``."""
    return phase_parts(
        all_onset_phases(
            assessor.catalogue.faults, assessment.curves.d_deg, assessment.posterior.mean, assessment.edges
        )
    )


def curves_frame(assessment: Assessment, rows: NDArray[np.int64]) -> pd.DataFrame:
    """Curves of some swings relative to address, as far as recorded; null where forearm rotation was not."""
    table, d_deg = assessment.batch.table.iloc[rows], assessment.curves.d_deg[rows][:, :, CURVE_POINTS]
    recorded = np.isfinite(d_deg[:, 0]).sum(axis=1)
    forearm = assessment.windows.has_pronation[rows]
    phases = PHASE_GRID[CURVE_POINTS]
    frame: dict[str, object] = {name: table[name].to_numpy(object) for name in (*ID_COLUMNS, "club")}
    frame["shot"] = [list(words) for words in table["shot"]]
    frame["phase"] = [phases[:last] for last in recorded]
    for k, name in enumerate(CHANNELS):
        kept = [curve[k, :last] for curve, last in zip(d_deg, recorded, strict=True)]
        seen = forearm if k == PRONATION else np.ones_like(forearm)
        frame[name] = [curve if has else None for curve, has in zip(kept, seen, strict=True)]
    return pd.DataFrame(frame)
