"""What coaching keeps of a batch of swings: sums, so that memory does not grow with the season.

Sums add up exactly: those of any split of a season into batches, added in any order, are the same. Their tables have
one row a player, session, context and fault, or fewer. A `Summary` is what they hold in numbers, as coaching reads it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from faultml.channels import ID_COLUMNS
from faultml.coaching.rules import LATE_SAVE
from faultml.errors import InputError
from faultml.exact import Columns, RunningTables, add_groups, from_units, table_of
from faultml.faults.catalogue import PHASE_STARTS, Catalogue, load_catalogue
from faultml.results import Results

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

MAX_COUNTED: Final = 4
"""Up to so many possible groups a row, groups are counted instead of sorted."""

ON_GUARD: Final = (0.1, 0.9)
"""A swing sits on its guard where the chance that the guard holds lies between these (practice, no source)."""

REFUSED: Final = "refused"
IMPACT_FROM: Final = "impact-from"
"""Kinds of the sums of codes: why a swing was refused, and what placed the impact of one that was assessed."""
"""Kind of a code that is the reason why a swing was not assessed."""

KEYS: Final = {
    "faults": ("player", "session", "context", "fault"),
    "shots": ("player", "shot", "fault"),
    "spread": ("player", "session", "club", "fault"),
    "sessions": ("player", "session", "context"),
    "codes": ("player", "kind", "code"),
    "windows": ("player", "drill", "fault"),
}
SUMS: Final = {
    "faults": (
        "n", "n_unassessed", "n_unlearned", "n_flagged", "n_borderline", "n_inside", "n_measured", "n_on_guard",
        "p", "pq", "p_severity", "p_severity2", "measure", "measure2", "error2", "n_onset", "onset",
    ),
    "shots": ("n", "p"),
    "spread": ("n", "measure", "measure2", "error2"),
    "sessions": (
        "n_swings", "n_assessed", "n_address", "n_pronation",
        "address_flexion_deg", "address_ulnar_deg", "address_pronation_deg",
    ),
    "codes": ("n",),
    "windows": ("n_faulty", "n_met"),
}  # fmt: skip
COLUMNS: Final = {name: Columns(keys, SUMS[name]) for name, keys in KEYS.items()}


@dataclass(frozen=True)
class Summary:
    """Sums over assessed swings, per group; every frame has its `KEYS`, then its `SUMS`.

    Attributes
    ----------
    faults
        Per player, session, context and fault (the late save stands beside the faults): counts of assessed,
        not assessed and not learned swings, of calls, of swings inside the corridor, of
        swings past the edge that sit on the fault's guard; sums of the
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
    windows
        Per player, drill and fault it serves: how many faulty swings the drill's window could judge, and how many of
        them meet it (`faultml.coaching.met`). Empty where the curves were not at hand.
    """

    faults: pd.DataFrame
    shots: pd.DataFrame
    spread: pd.DataFrame
    sessions: pd.DataFrame
    codes: pd.DataFrame
    windows: pd.DataFrame


def sum_up(
    swings: pd.DataFrame,
    faults: pd.DataFrame,
    catalogue: Catalogue | None = None,
    windows: pa.Table | None = None,
) -> dict[str, pa.Table]:
    """Sum up one batch: the frames of a `Summary` by name, as tables of integers (see `faultml.exact`).

    Tables of several batches are added by `faultml.exact.RunningTables` or `add_sums`.

    Parameters
    ----------
    swings
        One row a swing, with the columns of `swings.parquet`.
    faults
        One row a swing and fault, with the columns of `faults.parquet`, in any order.
    catalogue
        Says which faults the session faults watch; the default catalogue where not given.
    windows
        What `faultml.coaching.met.count_met` counted in this batch; unknown where not given.

    Raises
    ------
    InputError
        Where a row of `faults` belongs to no swing of `swings`; ``sum-overflow`` where a number is too large.
    """
    read = _read_swings(swings)
    rows = _read_faults(swings, faults, read)
    watched = {fault for entry in (catalogue or load_catalogue()).session_faults for fault in entry.of}
    return {
        "faults": _sum_faults(read, rows),
        "shots": _sum_shots(read, rows),
        "spread": _sum_spread(read, rows, watched),
        "sessions": _sum_sessions(swings, read),
        "codes": _sum_codes(swings, read),
        "windows": COLUMNS["windows"].empty() if windows is None else windows,
    }


def summarise(swings: pd.DataFrame, faults: pd.DataFrame, catalogue: Catalogue | None = None) -> Summary:
    """The summary of swings that are all in memory; parameters and errors are those of `sum_up`."""
    return decode_sums(add_sums([sum_up(swings, faults, catalogue)]))


def add_sums(parts: Iterable[Mapping[str, pa.Table]]) -> dict[str, pa.Table]:
    """Add the sums of several batches; none at all give those of no swing."""
    running = RunningTables(COLUMNS)
    for part in parts:
        running.add(part)
    return running.total()


def decode_sums(tables: Mapping[str, pa.Table]) -> Summary:
    """The summary that tables of `sum_up` hold, in numbers."""
    return Summary(**{name: _frame(name, tables[name]) for name in KEYS})


def decode_faults(table: pa.Table) -> pd.DataFrame:
    """Sums of ``faults`` in numbers."""
    return _frame("faults", table)


def read_summary(results: Results) -> Summary:
    """The summary of a results folder, from the sums that lie in it.

    Raises
    ------
    InputError
        Where they are missing or damaged.
    """
    return decode_sums({name: results.sums(name) for name in KEYS})


def _frame(name: str, table: pa.Table) -> pd.DataFrame:
    text = {key: pd.array(table[key].to_pylist(), dtype="str") for key in KEYS[name]}
    numbers = {column: from_units(column, table[column].to_numpy()) for column in SUMS[name]}
    return pd.DataFrame(text | numbers)


class _Text(NamedTuple):
    """A column of text as numbers: each row's number, and the text of each number."""

    codes: Ints
    labels: list[str]


@dataclass(frozen=True)
class _Swings:
    """What the sums need of the swings of a batch, in their order."""

    text: dict[str, _Text]
    assessed: Bools
    play: Bools
    practice: Bools
    shot_known: Bools


@dataclass(frozen=True)
class _Rows:
    """Fault rows as arrays, the late save's at the end; `swing` is the position of each row's swing."""

    swing: Ints
    fault: _Text
    assessed: Bools
    not_assessed: Bools
    not_learned: Bools
    yes: Bools
    borderline: Bools
    probability: Floats
    severity: Floats
    measure: Floats
    measure_sd: Floats
    guard_chance: Floats
    onset: Floats


def _code(column: pd.Series | list[str]) -> _Text:
    if isinstance(column, pd.Series) and isinstance(column.dtype, pd.CategoricalDtype):
        return _Text(column.cat.codes.to_numpy(np.int64), list(column.cat.categories))
    codes, labels = pd.factorize(pd.Series(column, dtype="str").fillna(""))
    return _Text(codes, [str(label) for label in labels])


def _read_swings(swings: pd.DataFrame) -> _Swings:
    context = swings["context"].fillna("").replace("", "play")
    shots = _shot_keys(swings["shot"])
    club = swings["club"].fillna("").astype("str").str.casefold()
    columns = {"player": swings["player"], "session": swings["session"], "context": context, "club": club}
    return _Swings(
        text={name: _code(column) for name, column in columns.items()} | {"shot": _code(shots)},
        assessed=swings["assessed"].to_numpy(bool),
        play=(context == "play").to_numpy(bool),
        practice=(context == "practice").to_numpy(bool),
        shot_known=np.array([shot != "" for shot in shots], dtype=bool),
    )


def _read_faults(swings: pd.DataFrame, faults: pd.DataFrame, read: _Swings) -> _Rows:
    names = _code(faults["fault"])
    number = {
        name: faults[name].to_numpy(float)
        for name in ("probability", "severity", "measure", "measure_sd", "guard_chance")
    }
    status = {
        name: faults["status"].eq(name).to_numpy(bool) for name in ("assessed", "not_assessed", "not_learned")
    }
    call = {name: faults["call"].eq(name).to_numpy(bool) for name in ("yes", "borderline")}
    onset = faults["onset_at"].to_numpy(float) + _starts(faults["onset_phase"])
    save = swings["late_save_probability"].to_numpy(float)
    saved = swings["late_save"].eq(True).to_numpy(bool)
    none, unknown = np.zeros(len(swings), dtype=bool), np.full(len(swings), np.nan)
    known = read.assessed & np.isfinite(save)
    both = np.concatenate
    return _Rows(
        swing=both([_positions(swings, faults), np.arange(len(swings))]),
        fault=_Text(both([names.codes, np.full(len(swings), len(names.labels))]), [*names.labels, LATE_SAVE]),
        assessed=both([status["assessed"] & np.isfinite(number["probability"]), known]),
        not_assessed=both([status["not_assessed"], ~known]),
        not_learned=both([status["not_learned"], none]),
        yes=both([call["yes"], saved]),
        borderline=both([call["borderline"], none]),
        probability=both([number["probability"], save]),
        severity=both([number["severity"], unknown]),
        measure=both([number["measure"], unknown]),
        measure_sd=both([number["measure_sd"], unknown]),
        guard_chance=both([number["guard_chance"], unknown]),
        onset=both([onset, unknown]),
    )


def _positions(swings: pd.DataFrame, faults: pd.DataFrame) -> Ints:
    """Each fault row's swing. Copies of a repeated id are all refused, so the first may stand for them."""
    each = len(faults) // max(len(swings), 1)
    if each * len(swings) == len(faults) and all(
        _repeats(swings[name], faults[name], each) for name in ID_COLUMNS
    ):
        return np.repeat(np.arange(len(swings)), each)
    of_swings, of_faults = np.zeros(len(swings), dtype=np.int64), np.zeros(len(faults), dtype=np.int64)
    for name in ID_COLUMNS:
        labels = pd.Index(swings[name].unique())
        found = labels.get_indexer(faults[name])
        of_swings = of_swings * (len(labels) + 1) + labels.get_indexer(swings[name])
        of_faults = of_faults * (len(labels) + 1) + np.where(found < 0, len(labels), found)
    keys, first = np.unique(of_swings, return_index=True)
    place = np.minimum(np.searchsorted(keys, of_faults), max(len(keys) - 1, 0))
    stray = keys[place] != of_faults if len(keys) else np.ones(len(faults), dtype=bool)
    if stray.any():
        found = " / ".join(faults.loc[stray, list(ID_COLUMNS)].iloc[0])
        raise InputError("unknown-swing", where="faults", expected="a swing of the same batch", found=found)
    return first[place] if len(keys) else place


def _repeats(swings: pd.Series, faults: pd.Series, each: int) -> bool:
    """Whether coded fault rows stand swing by swing, `each` a swing."""
    if not isinstance(faults.dtype, pd.CategoricalDtype):
        return False
    codes, labels = pd.factorize(swings)
    same = faults.cat.categories.equals(pd.Index(labels, dtype="str"))
    return same and bool((faults.cat.codes.to_numpy().reshape(-1, each) == codes[:, None]).all())


def _starts(phases: pd.Series) -> Floats:
    """Where each phase begins on the one axis, NaN where no phase is given."""
    places = np.full(len(phases), np.nan)
    for phase, start in PHASE_STARTS.items():
        places[phases.eq(phase).to_numpy(bool)] = start
    return places


def _shot_keys(shots: pd.Series) -> list[str]:
    """Each swing's shot words in alphabetical order as one string, "" where the shot is not known."""
    made: dict[tuple[str, ...], str] = {}
    keys = []
    for words in shots:
        words = () if words is None or isinstance(words, float) else tuple(words)
        if words not in made:
            made[words] = " ".join(sorted(set(words)))
        keys.append(made[words])
    return keys


def _sum_faults(read: _Swings, rows: _Rows) -> pa.Table:
    p = np.where(rows.assessed, rows.probability, 0.0)
    severity = np.where(rows.assessed, np.nan_to_num(rows.severity), 0.0)
    measured = rows.assessed & np.isfinite(rows.measure)
    low, high = ON_GUARD
    measure = np.where(measured, rows.measure, 0.0)
    yes = rows.assessed & rows.yes
    begun = yes & np.isfinite(rows.onset)
    sums = {
        "n": rows.assessed,
        "n_unassessed": rows.not_assessed,
        "n_unlearned": rows.not_learned,
        "n_flagged": yes,
        "n_borderline": rows.assessed & rows.borderline,
        "n_inside": measured & (severity <= 0),
        "n_measured": measured,
        "n_on_guard": measured & (severity > 0) & (rows.guard_chance > low) & (rows.guard_chance < high),
        "p": p,
        "pq": p * (1 - p),
        "p_severity": p * severity,
        "p_severity2": p * severity**2,
        "measure": measure,
        "measure2": measure**2,
        "error2": np.where(measured, np.nan_to_num(rows.measure_sd), 0.0) ** 2,
        "n_onset": begun,
        "onset": np.where(begun, rows.onset, 0.0),
    }
    return _add_up("faults", _keys(("player", "session", "context"), read, rows), sums)


def _sum_shots(read: _Swings, rows: _Rows) -> pa.Table:
    use = rows.assessed & (read.play & read.shot_known)[rows.swing]
    sums = {"n": np.ones(use.sum()), "p": rows.probability[use]}
    return _add_up("shots", _keys(("player", "shot"), read, rows, use), sums)


def _sum_spread(read: _Swings, rows: _Rows, watched: set[str]) -> pa.Table:
    watches = np.array([name in watched for name in rows.fault.labels])[rows.fault.codes]
    use = rows.assessed & watches & np.isfinite(rows.measure) & ~read.practice[rows.swing]
    measure, error = rows.measure[use], np.nan_to_num(rows.measure_sd[use])
    sums = {"n": np.ones(use.sum()), "measure": measure, "measure2": measure**2, "error2": error**2}
    return _add_up("spread", _keys(("player", "session", "club"), read, rows, use), sums)


def _sum_sessions(swings: pd.DataFrame, read: _Swings) -> pa.Table:
    names = ("address_flexion_deg", "address_ulnar_deg", "address_pronation_deg")
    angles = {name: np.where(read.assessed, swings[name].to_numpy(float), np.nan) for name in names}
    sums = {
        "n_swings": np.ones(len(swings)),
        "n_assessed": read.assessed,
        "n_address": np.isfinite(angles["address_flexion_deg"]),
        "n_pronation": np.isfinite(angles["address_pronation_deg"]),
        **{name: np.nan_to_num(angle) for name, angle in angles.items()},
    }
    return _add_up("sessions", {name: read.text[name] for name in KEYS["sessions"]}, sums)


def _sum_codes(swings: pd.DataFrame, read: _Swings) -> pa.Table:
    found = [(place, str(code)) for place, codes in enumerate(swings["findings"]) for code in codes]
    refused = [(int(place), str(swings["reason"].iloc[place])) for place in np.flatnonzero(~read.assessed)]
    placed = [(int(place), str(swings["impact_from"].iloc[place])) for place in np.flatnonzero(read.assessed)]
    player = read.text["player"]
    every = (*found, *refused, *placed)
    places = np.array([place for place, _ in every], dtype=np.int64)
    kind = np.repeat([0, 1, 2], [len(found), len(refused), len(placed)])
    keys = {
        "player": _Text(player.codes[places], player.labels),
        "kind": _Text(kind, ["finding", REFUSED, IMPACT_FROM]),
        "code": _code([code for _, code in every]),
    }
    return _add_up("codes", keys, {"n": np.ones(len(places))})


def _keys(names: tuple[str, ...], read: _Swings, rows: _Rows, use: Bools | None = None) -> dict[str, _Text]:
    """Keys of the swing, and the fault, for the rows in use."""
    swing, fault = (rows.swing, rows.fault.codes) if use is None else (rows.swing[use], rows.fault.codes[use])
    keys = {name: _Text(read.text[name].codes[swing], read.text[name].labels) for name in names}
    return keys | {"fault": _Text(fault, rows.fault.labels)}


def _add_up(name: str, keys: Mapping[str, _Text], sums: Mapping[str, NDArray]) -> pa.Table:
    """Sum columns over rows of equal keys."""
    sizes = [max(len(key.labels), 1) for key in keys.values()]
    number = np.ravel_multi_index([key.codes for key in keys.values()], sizes)
    seen, group = _groups(number, int(np.prod(sizes)))
    codes = np.unravel_index(seen, sizes)
    text = {
        label: [key.labels[each] for each in code]
        for (label, key), code in zip(keys.items(), codes, strict=True)
    }
    numbers = {column: add_groups(column, group, values, len(seen)) for column, values in sums.items()}
    return table_of(text, numbers).select([*KEYS[name], *SUMS[name]])


def _groups(number: Ints, size: int) -> tuple[Ints, Ints]:
    """The numbers that occur, in order, and which of them each row has, as `numpy.unique`; all are below `size`."""
    if size > MAX_COUNTED * max(len(number), 1):
        return np.unique(number, return_inverse=True)
    occurs = np.bincount(number, minlength=size) > 0
    return np.flatnonzero(occurs), (np.cumsum(occurs) - 1)[number]
