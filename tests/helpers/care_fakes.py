"""What is known of players, made from roster cells as a test writes them."""

from __future__ import annotations

import os
from collections.abc import Iterable
from datetime import date, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pandas as pd

from faultml.care.known import Known, known_from_file, known_now
from faultml.care.rules import load_care
from faultml.recordings.roster import ROSTER_COLUMNS, read_roster
from faultml.recordings.roster_match import match_roster

TODAY = date(2031, 6, 2)
RULES = load_care()

ALL_NO = dict.fromkeys((name for name in ROSTER_COLUMNS if name.endswith("_history")), "no")
HEALTHY = {"pain": "none", "birth_year": "1990", **ALL_NO}
"""Cells of an adult who was asked, and has nothing."""


def known_of(rows: pd.DataFrame | None, players: Iterable[str] = (), on: date = TODAY) -> Known:
    """What is known from a roster with these cells, read as a file is read; without one nothing is."""
    if rows is None:
        return known_now(match_roster(read_roster(None), players), players, on)
    with TemporaryDirectory() as folder:
        path = Path(folder, "roster.csv")
        rows.map(_cell).to_csv(path, index=False)
        noon = datetime(on.year, on.month, on.day, 12).timestamp()
        os.utime(path, (noon, noon))
        return known_from_file(path, players or rows["player"].tolist(), on)


def _cell(value: Any) -> str:
    if value is None or (pd.api.types.is_scalar(value) and pd.isna(value)):
        return ""
    return {"True": "yes", "False": "no"}.get(str(value), str(value))
