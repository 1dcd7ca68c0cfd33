"""Nineteen kinds of strangers' files: proposed, answered, imported, compared with the truth."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from stranger_files import Swing, draw_swings
from stranger_kinds import KINDS, answered

from faultml.importing.entries import find_recordings
from faultml.importing.layout import open_questions
from faultml.importing.propose.proposal import propose_layout
from faultml.importing.season import import_season

MAX_EDITS = 9
"""Two of who wears it and four of how two sensors lie on the arm are asked of any file that does not say them; three
more where a sensor's name does not say whose it is."""


@pytest.fixture(scope="module")
def swings() -> list[Swing]:
    drawn = draw_swings(8, 4, 5, rate_hz=120.0)
    return [swing for swing in drawn if np.isfinite(swing.angles_deg).all()][4:8]


@pytest.mark.parametrize("name", list(KINDS))
def test_a_kind_of_strangers_file(name: str, tmp_path: Path, swings: list[Swing]) -> None:
    kind = KINDS[name]
    if kind.extra:
        pytest.importorskip(kind.extra)
    folder = tmp_path / "files"
    folder.mkdir()
    path = kind.make(folder, swings)
    found = find_recordings([path], unpack_into=tmp_path / "unpacked")
    proposal = propose_layout([found.contents.get(each, each) for each in found.paths])
    asked = set(open_questions(proposal.layout))
    # Whatever is open is asked; only what no file can say has to be put right unasked.
    answers = {path: value for path, value in kind.answers.items() if path in asked}
    layout = answered(proposal.layout, answers | kind.edits)
    assert open_questions(layout) == []
    assert len(answers) + len(kind.edits) <= MAX_EDITS

    run = import_season([folder], layout, tmp_path / "season")

    problems = pd.read_csv(tmp_path / "season" / "_problems.csv")
    assert set(problems["code"]) <= kind.findings | {"missing-value"}, problems
    assert kind.findings <= set(run.findings)
    season = pd.read_parquet(tmp_path / "season" / "season.parquet")
    assert (len(season), run.n_sound) == (kind.swings, kind.swings)
    assert season["player"].unique().tolist() == ["p07"] and season["session"].unique().tolist() == [
        "2031-04-02"
    ]
    for row, truth in zip(season.itertuples(), swings, strict=False):
        np.testing.assert_allclose(row.t_s - row.t_s[0], truth.t_s, atol=1e-3)
        for channel, read in ((0, row.flexion_deg), (1, row.ulnar_deg)):
            lost = np.isnan(read)
            assert lost.sum() <= 2
            error = np.abs(read - truth.angles_deg[channel])[~lost].max()
            assert error <= kind.error_deg, (name, channel, error)
