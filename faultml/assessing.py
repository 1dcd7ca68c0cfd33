"""Assess swings in memory: what a program calls for one swing, or for a few."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd
import pyarrow as pa

from faultml.channels import CHANNELS, ID_COLUMNS
from faultml.classifier.assess import Assessor
from faultml.classifier.bundle import load_bundle
from faultml.classifier.tables import faults_frame, swings_frame
from faultml.errors import InputError
from faultml.faults.catalogue import load_catalogue
from faultml.quality.notice import motion_problems
from faultml.recordings.columns import check_names
from faultml.recordings.problems import Problem, shorten
from faultml.recordings.read import read_frame, read_swings
from faultml.recordings.schema import KNOWN_COLUMNS, SAMPLE_COLUMNS, SEASON_SCHEMA
from faultml.recordings.swings import SwingBatch

UNNAMED: Final = "unnamed"
"""Player and session of swings that come without."""


class AssessedSwings(NamedTuple):
    """What is known of some swings.

    Attributes
    ----------
    swings, faults
        The tables of these names, with the columns of `faultml.results.SWINGS` and `faultml.results.FAULTS`; a row
        a swing, and a row a swing and fault, in the order given.
    problems
        What is wrong in the input.
    """

    swings: pd.DataFrame
    faults: pd.DataFrame
    problems: list[Problem]


def assess_swings(
    swings: Sequence[Mapping[str, Any]] | pd.DataFrame | pa.Table | SwingBatch,
    *,
    assessor: Assessor | None = None,
) -> AssessedSwings:
    """Assess swings that are in memory; the numbers are those of `faultml.classify_season`.

    Parameters
    ----------
    swings
        One mapping a swing with the names of the season table: ``t_s`` (s), ``flexion_deg``, ``ulnar_deg`` and,
        where recorded, ``pronation_deg`` (degrees, as many as times; None or NaN where a sample is missing), and
        as far as known ``impact_s, hand, club, shot, context`` and ids. Or a season table of pandas or Arrow, or a
        batch that was read.
    assessor
        The package's own model and catalogue where not given; loaded once.

    Raises
    ------
    InputError
        Where a column is missing, unknown, doubled or of another type. A swing that cannot be assessed is no
        error: it says why.
    """
    assessor = assessor or default_assessor()
    batch, problems = _read(swings)
    if not len(batch):
        raise InputError("no-rows", where="swings", expected="a swing at least", found="none")
    assessment = assessor.assess(batch)
    return AssessedSwings(
        swings_frame(assessment),
        faults_frame(assessor, assessment),
        [*problems, *motion_problems(batch, assessment.findings)],
    )


@lru_cache(maxsize=1)
def default_assessor() -> Assessor:
    """The model and the catalogue that come along, loaded once."""
    return Assessor(load_bundle(), load_catalogue())


def compile_kernels() -> None:
    """Compile what is not compiled yet for this machine, by assessing a swing that is none."""
    t_s = np.arange(0.0, 2.5, 0.005)
    assess_swings([{"t_s": t_s, **{name: 40 * np.sin(3 * t_s) for name in CHANNELS}}])


def season_table(swings: Sequence[Mapping[str, Any]]) -> pa.Table:
    """Swings as a season table; those without ids are numbered, from 1.

    Raises
    ------
    InputError
        ``missing-column``, ``unknown-column`` or ``wrong-type``.
    """
    names = [name for name in KNOWN_COLUMNS if any(name in swing for swing in swings)]
    unknown = sorted({str(name) for swing in swings for name in swing} - set(KNOWN_COLUMNS))
    if unknown:
        raise InputError(
            "unknown-column", expected=", ".join(KNOWN_COLUMNS), found=shorten(", ".join(unknown))
        )
    check_names([*names, *(name for name in ID_COLUMNS if name not in names)])
    columns = {name: [swing.get(name) for swing in swings] for name in {*names, *ID_COLUMNS}}
    numbers = (str(at) for at in range(1, len(swings) + 1))
    columns["swing"] = [name or number for name, number in zip(columns["swing"], numbers, strict=True)]
    for name in ("player", "session"):
        columns[name] = [each or UNNAMED for each in columns[name]]
    return pa.table({name: _column(name, columns[name]) for name in KNOWN_COLUMNS if name in columns})


def _read(swings: Any) -> tuple[SwingBatch, list[Problem]]:
    if isinstance(swings, SwingBatch):
        return swings, []
    if isinstance(swings, pd.DataFrame):
        return read_frame(swings)
    return read_swings(swings if isinstance(swings, pa.Table) else season_table(swings))


def _column(name: str, values: list[Any]) -> pa.Array:
    kind = SEASON_SCHEMA.field(name).type
    try:
        if name in SAMPLE_COLUMNS:
            values = [None if each is None else np.asarray(each, dtype=float) for each in values]
            return pa.array(values, pa.list_(pa.float64()))
        return pa.array(values, kind)
    except (pa.ArrowException, TypeError, ValueError) as error:
        raise InputError(
            "wrong-type", where=name, expected=f"{name} of the season table", found=shorten(error)
        ) from error
