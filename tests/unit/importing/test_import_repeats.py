"""Rows that stand twice are dropped with a finding; a clock that starts anew begins another swing."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from importing_one import SEASON, read, text
from msgspec.structs import replace
from recorder_files import layout_of

from faultml.importing.layout import Ids, Swings

Edit = Callable[[list[str]], list[str]]


@pytest.mark.parametrize(
    "edit",
    [
        lambda rows: [row for row in rows for _ in range(2)],
        lambda rows: [*rows[:30], *rows[20:]],
        lambda rows: [*rows[:50], rows[49], *rows[50:]],
    ],
    ids=["each row twice", "a stretch twice", "one row twice"],
)
def test_exact_copies_are_dropped(edit: Edit, tmp_path: Path) -> None:
    names, *rows = text(layout_of()).split("\n")[:-1]
    half = len(rows) // 2
    content = "\n".join([names, *edit(rows[:half]), *rows[half:], ""])
    got = read(content.encode(), layout_of(), tmp_path)
    assert got.run.n_sound == 2
    assert got.problems[["swing", "code"]].to_numpy().tolist() == [["001", "duplicate-rows"]]
    np.testing.assert_array_equal(got.season["t_s"][0], SEASON["t_s"][0])
    np.testing.assert_array_equal(got.season["flexion_deg"][0], SEASON["flexion_deg"][0])


def test_the_same_time_with_other_angles_is_no_copy(tmp_path: Path) -> None:
    names, *rows = text(layout_of()).split("\n")[:-1]
    cells = rows[49].split(",")
    cells[4] = "7.5"
    content = "\n".join([names, *rows[:50], ",".join(cells), *rows[50:], ""])
    got = read(content.encode(), layout_of(), tmp_path)
    assert got.codes == {"time-stands"}


def test_a_clock_that_starts_anew_splits_and_drops_nothing(tmp_path: Path) -> None:
    layout = replace(layout_of(), ids=Ids("ann", "day"), swings=Swings("clock"))
    names, *rows = text(layout_of()).split("\n")[:-1]
    got = read("\n".join([names, *rows, *rows[: len(rows) // 2], ""]).encode(), layout, tmp_path)
    assert got.run.n_swings == 3 and got.run.n_problems == 0
