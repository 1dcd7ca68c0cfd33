"""Small results folders and stores for tests of labels, without the model."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from faultml.faults.catalogue import load_catalogue
from faultml.results import FAULTS, PROBLEMS, SWINGS, ResultsWriter
from faultml.results.tables import Kind

BLANK: dict[Kind, object] = {
    "text": "",
    "number": np.nan,
    "whole": 0,
    "flag": False,
    "words": (),
    "numbers": (),
}


def fake_frame(schema: dict[str, Kind], rows: list[dict[str, object]]) -> pd.DataFrame:
    """Rows with every column of a table; what is not said is blank."""
    blank = {name: BLANK[kind] for name, kind in schema.items()}
    return pd.DataFrame([{**blank, **row} for row in rows], columns=list(schema))


def fake_results(folder: Path, golfers: int = 6, swings: int = 10, seed: int = 0, batch: int = 1000) -> Path:
    """A results folder: a session of each golfer, every seventh swing not assessed; measures follow a golfer."""
    rng = np.random.default_rng(seed)
    ids = load_catalogue().ids
    rows, faults = [], []
    for golfer in range(golfers):
        centre = rng.normal(0, 8, len(ids))
        for swing in range(swings):
            name = {"player": f"golfer{golfer}", "session": "2031-04-05", "swing": f"{swing:03d}"}
            assessed = swing % 7 != 6
            rows.append({**name, "assessed": assessed, "club": "7 iron"})
            measures = centre + rng.normal(0, 4, len(ids))
            for fault, measure in zip(ids, measures, strict=True):
                probability = 1 / (1 + np.exp(-measure / 3))
                reported = {"status": "assessed", "probability": probability, "measure": measure}
                faults.append(
                    {**name, "fault": fault, **(reported if assessed else {"status": "not_assessed"})}
                )
    with ResultsWriter(folder) as results:
        for start in range(0, len(rows), batch):
            results.append("swings", fake_frame(SWINGS, rows[start : start + batch]))
            part = faults[start * len(ids) : (start + batch) * len(ids)]
            results.append("faults", fake_frame(FAULTS, part))
        results.append("problems", fake_frame(PROBLEMS, []))
        players = [{"player": f"golfer{golfer}", "fault": "flip"} for golfer in range(golfers)]
        results.write("players", pd.DataFrame(players))
        reported = ", ".join(f'{{"player": "golfer{golfer}"}}' for golfer in range(golfers))
        results.file("explanations.json").write_text(f"[{reported}]")
        results.file("report.html").write_text("the page of golfer0 and all others")
        results.run["counts"] = {"swings": len(rows), "assessed": 0, "players": golfers, "problems": 0}
    return folder


def add_one_by_one(path: Path, coach: str, count: int) -> None:
    """Add so many verdicts, each in a transaction of its own: what a process of its own does in a test."""
    from faultml.labels import Verdict, add
    from faultml.store import open_store

    with open_store(path) as store:
        for at in range(count):
            add(store, [Verdict("golfer0", "2031-04-05", f"{at:03d}", "flip", "yes", coach)])
