"""Five strangers' files, each odd in its own way: proposed, edited at most twice, imported, compared with the truth."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
import stranger_files as strangers
from stranger_files import Swing

from faultml.importing.layout import open_questions, parse_layout
from faultml.importing.propose.proposal import as_toml, propose_layout
from faultml.importing.season import SEASON_FILE, import_season


@pytest.fixture(scope="module")
def swings() -> list[Swing]:
    drawn = strangers.draw_swings(8, 4, 5, rate_hz=120.0)
    return [swing for swing in drawn if np.isfinite(swing.angles_deg).all()]


Edit = tuple[str, str]

CASES: dict[str, tuple[Callable[[Path, list[Swing]], Path], list[int], tuple[Edit, ...]]] = {
    "semicolons and decimal commas": (
        lambda folder, swings: strangers.semicolon_file(folder, swings[4]),
        [4],
        (('positive = "?"', 'positive = "flexion"'), ('hand = "?"', 'hand = "right"')),
    ),
    "quaternions": (
        lambda folder, swings: strangers.quaternion_file(folder, swings[5]),
        [5],
        (('volar = "?"', 'volar = "+y"'), ('proximal = "?"', 'proximal = "+x"')),
    ),
    "spreadsheet": (lambda folder, swings: strangers.spreadsheet_file(folder, swings[2:6]), [2, 3, 4, 5], ()),
    "motion file": (
        lambda folder, swings: strangers.motion_file(folder, swings[6]),
        [6],
        (('hand = "?"', 'hand = "left"'),),
    ),
    "both arms in UTF-16": (
        lambda folder, swings: strangers.both_arms_file(folder, swings[7]),
        [7],
        (('hand = "?"', 'hand = "right"'),),
    ),
}


@pytest.mark.parametrize("case", list(CASES))
def test_a_strangers_file_is_imported_with_two_edits_at_most(
    tmp_path: Path, swings: list[Swing], case: str
) -> None:
    make, numbers, edits = CASES[case]
    assert len(edits) <= 2
    path = make(tmp_path, swings)
    text = as_toml(propose_layout([path]))
    for before, after in edits:
        assert before in text.split("\nschema")[1], f"nothing to edit: {before}"
        text = text.replace(before, after)
    layout = parse_layout(text)
    assert open_questions(layout) == []

    run = import_season([path], layout, tmp_path / "season")

    assert run.exit_code == 0, (tmp_path / "season" / "_problems.csv").read_text()
    rows = pq.read_table(tmp_path / "season" / SEASON_FILE).to_pylist()
    assert len(rows) == len(numbers)
    for row, number in zip(rows, numbers, strict=True):
        truth = swings[number]
        t_s = np.array(row["t_s"])
        if case == "both arms in UTF-16":  # it has no clock but the rate
            assert t_s - t_s[0] == pytest.approx(np.arange(len(truth.t_s)) / 120)
            assert row["impact_s"] - t_s[0] == pytest.approx(truth.impact_s, abs=0.02)
        else:
            assert t_s - t_s[0] == pytest.approx(truth.t_s, abs=1.1e-3 if case == "spreadsheet" else 2e-4)
        assert row["flexion_deg"] == pytest.approx(truth.angles_deg[0], abs=2e-3)
        assert row["ulnar_deg"] == pytest.approx(truth.angles_deg[1], abs=2e-3)
        if case != "quaternions":
            assert row["pronation_deg"] == pytest.approx(truth.angles_deg[2], abs=2e-3)
    assert {row["player"] for row in rows} == {
        "semicolons and decimal commas": {"p07"},
        "quaternions": {"mika"},
        "spreadsheet": {"noor"},
        "motion file": {"ada"},
        "both arms in UTF-16": {"kim"},
    }[case]


def test_a_name_against_the_swing_is_left_to_the_coach(tmp_path: Path, swings: list[Swing]) -> None:
    """Whose deviation is called ulnar but rises where a wrist hinges is asked; nothing is flipped in silence."""
    swing = swings[4]
    lines = ["time_s,wrist_flexion_deg,wrist_ulnar_deg"]
    lines += [
        f"{t:.4f},{-flexion:.3f},{-ulnar:.3f}"
        for t, flexion, ulnar in zip(swing.t_s, *swing.angles_deg[:2], strict=True)
    ]
    path = tmp_path / "ann_2031-01-02_001.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")

    proposal = propose_layout([path])

    asked = {guess.path: guess.reason for guess in proposal.questions}
    assert "the name says ulnar, but going back it rises" in asked["angles.ulnar.positive"]
    assert "the name says flexion" in asked["angles.flexion.positive"]
    assert proposal.layout.angles is not None and proposal.layout.angles.ulnar.positive == "?"
