"""Roll, pitch and yaw of one segment are no joint's angles: they get a question of their own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from plain_files import recording, values, written

from faultml.importing.propose.proposal import as_toml, propose_layout


@pytest.mark.parametrize(
    "names",
    [
        ("roll", "pitch", "yaw"),
        ("wrist_roll_deg", "wrist_pitch_deg", "wrist_yaw_deg"),
        ("Forearm Roll", "Forearm Pitch", "Forearm Heading"),
    ],
)
@pytest.mark.parametrize("with_angles", [True, False])
def test_three_turns_of_a_segment_are_asked_about(
    names: tuple[str, str, str], with_angles: bool, tmp_path: Path
) -> None:
    t_s, angles = recording()
    turns = dict(zip(names, (angles["roll"], 0.5 * angles["roll"], np.sin(t_s) * 40), strict=True))
    columns = {"time": t_s, **turns}
    if with_angles:
        columns |= {"flexion": angles["flexion"], "deviation": angles["deviation"]}
    proposal = propose_layout([written(tmp_path, columns)])
    stated = {guess.path: guess for guess in proposal.guesses}
    assert stated["angles.pronation.column"].doubt == "open"
    asked = [guess for guess in proposal.questions if "turning of one segment" in guess.reason]
    assert {guess.path for guess in asked} == (
        {"angles.pronation.column"}
        if with_angles
        else {"angles.flexion.column", "angles.ulnar.column", "angles.pronation.column"}
    )
    assert "leave [angles.pronation] out" in as_toml(proposal)


def test_a_roll_alone_is_the_forearms(tmp_path: Path) -> None:
    t_s, angles = recording()
    proposal = propose_layout([written(tmp_path, {"time": t_s, **angles})])
    assert values(proposal)["angles.pronation.column"] == "roll"
