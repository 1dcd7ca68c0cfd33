"""Each guess of a proposed layout: where it is stated, and where it has to be left open."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from plain_files import BACK_S, DOWN_S, STILL_S, recording, swing, values, written

from faultml.errors import InputError
from faultml.importing.propose.ids import propose_pattern
from faultml.importing.propose.proposal import as_json, as_text, as_toml, propose_layout

ROOT = Path(__file__).parents[3]


@pytest.mark.parametrize(
    ("title", "scale", "unit"),
    [
        ("time", 1.0, "s"),
        ("time", 1e3, "ms"),
        ("t", 1e6, "us"),
        ("stamp", 1e9, "ns"),
        ("time [ms]", 1e3, "ms"),
        ("time [ms]", 1.0, "?"),
    ],
)
def test_the_clocks_unit_follows_from_its_steps_unless_the_name_says_another(
    tmp_path: Path, title: str, scale: float, unit: str
) -> None:
    t_s, angles = recording()
    proposal = propose_layout([written(tmp_path, {title: t_s * scale + 5 * scale} | angles)])
    assert values(proposal)["time.unit"] == unit


def test_steps_of_one_are_a_sample_number_or_a_thousand_hertz(tmp_path: Path) -> None:
    t_s, angles = recording()
    count = np.arange(len(t_s)) + 1.0
    assert values(propose_layout([written(tmp_path, {"time": count} | angles)]))["time.unit"] == "?"
    reported = values(propose_layout([written(tmp_path, {"frame": count} | angles)]))
    assert (reported["time.unit"], reported["time.column"], reported["time.rate_hz"]) == (
        "samples",
        "frame",
        "?",
    )
    head = "Sampling rate (Hz): 100\n"
    assert (
        values(propose_layout([written(tmp_path, {"frame": count} | angles, head=head)]))["time.rate_hz"]
        == 100
    )


@pytest.mark.parametrize("flipped", [False, True])
@pytest.mark.parametrize("scale", [1.0, np.pi / 180])
def test_the_swing_tells_units_and_two_signs_but_not_flexions(
    tmp_path: Path, flipped: bool, scale: float
) -> None:
    t_s, angles = recording()
    turned = {name: channel * scale * (-1 if flipped else 1) for name, channel in angles.items()}
    turned["flex_ext"] = turned.pop("flexion")
    reported = values(propose_layout([written(tmp_path, {"time": t_s} | turned)]))
    assert (
        reported["angles.ulnar.unit"] == reported["angles.pronation.unit"] == ("deg" if scale == 1 else "rad")
    )
    assert reported["angles.ulnar.positive"] == ("radial" if flipped else "ulnar")
    assert reported["angles.pronation.positive"] == ("supination" if flipped else "pronation")
    assert reported["angles.flexion.positive"] == "?"


def test_units_that_the_numbers_contradict_or_that_are_mixed_are_asked(tmp_path: Path) -> None:
    t_s, angles = recording()
    said = {
        "time": t_s,
        "flexion (deg)": np.deg2rad(angles["flexion"]),
        "deviation (deg)": np.deg2rad(angles["deviation"]),
    }
    reported = values(propose_layout([written(tmp_path, said)]))
    assert reported["angles.ulnar.unit"] == "?"
    assert reported["angles.ulnar.positive"] == "?"
    mixed = {"time": t_s, "flexion": np.deg2rad(angles["flexion"]), "deviation": angles["deviation"]}
    reported = values(propose_layout([written(tmp_path, mixed)]))
    assert reported["angles.flexion.unit"] == reported["angles.ulnar.unit"] == "?"


def test_another_joints_angles_and_a_sensors_roll_are_not_taken(tmp_path: Path) -> None:
    t_s, angles = recording()
    others = {
        "elbow_flexion": angles["flexion"],
        "pitch": angles["deviation"],
        "flexion_rate": angles["flexion"],
    }
    reported = values(propose_layout([written(tmp_path, {"time": t_s} | angles | others)]))
    assert reported["angles.flexion.column"] == "flexion"
    assert reported["angles.pronation.column"] == "?"


def test_a_clock_that_starts_anew_and_one_that_jumps_split_swings(tmp_path: Path) -> None:
    t_s, angles = recording()
    twice = {name: np.tile(channel, 3) for name, channel in angles.items()}
    reported = values(propose_layout([written(tmp_path, {"time": np.tile(t_s, 3)} | twice)]))
    assert reported["swings.split"] == "clock"
    assert "swings.gap_s" not in reported
    jumping = np.concatenate([t_s, t_s + 20, t_s + 45])
    reported = values(propose_layout([written(tmp_path, {"time": jumping} | twice)]))
    assert reported["swings.split"] == "clock"
    assert 3 < float(str(reported["swings.gap_s"])) < 17.8


def test_a_long_run_is_a_stream_even_beside_a_column_called_swing(tmp_path: Path) -> None:
    t_s = np.arange(0, 90, 0.01)
    flexion, ulnar, pronation = swing(t_s, 10.0) + swing(t_s, 50.0)
    columns = {
        "time": t_s,
        "swing": np.ones(len(t_s)),
        "flexion": flexion,
        "deviation": ulnar,
        "roll": pronation,
    }
    proposal = propose_layout([written(tmp_path, columns, "ann_2031-01-02.csv")])
    reported = values(proposal)
    assert reported["swings.split"] == "stream"
    assert reported["angles.ulnar.positive"] == "ulnar"
    assert "ids.swing" not in reported


def test_a_mark_beside_the_fastest_moment_is_contact_and_another_is_not(tmp_path: Path) -> None:
    t_s, angles = recording()
    for at_s, taken in ((STILL_S + BACK_S + DOWN_S, True), (0.1, False)):
        mark = (np.abs(t_s - at_s) < 1e-6).astype(int)
        reported = values(propose_layout([written(tmp_path, {"time": t_s, "trigger": mark} | angles)]))
        assert ("contact.event_column" in reported) == taken
    reported = values(
        propose_layout([written(tmp_path, {"time": t_s, "impact": np.full(len(t_s), 1.61)} | angles)])
    )
    assert reported["contact.time_column"] == "impact"
    reported = values(
        propose_layout([written(tmp_path, {"time": t_s, "impact": np.full(len(t_s), 0.2)} | angles)])
    )
    assert reported["contact.time_column"] == "?"


@pytest.mark.parametrize(
    ("names", "pattern"),
    [
        (["p07_2031-04-02_003.csv"], "{player}_{session}_{swing}.csv"),
        (["p07_2031-04-02_003.csv", "p09_2031-04-03_011.csv"], "{player}_{session}_{swing}.csv"),
        (
            ["ann swing12 20310402.csv.gz", "bea swing3 20310403.csv.gz"],
            "{player} swing{swing} {session}.csv.gz",
        ),
        (["wrist_kim_01.csv", "wrist_lee_02.csv"], "wrist_{player}_{swing}.csv"),
        (["data.csv"], None),
        (["a_1.csv", "b-1.csv"], None),
    ],
)
def test_patterns_of_file_names(names: list[str], pattern: str | None) -> None:
    named = propose_pattern([Path(name) for name in names], {"player", "session", "swing"}, one_swing=True)
    assert (named.pattern if named else None) == pattern


def test_arm_and_hand_are_taken_from_words_and_columns_only(tmp_path: Path) -> None:
    t_s, angles = recording()
    reported = values(
        propose_layout([written(tmp_path, {"time": t_s} | angles, "ann_left_2031-01-02_001.csv")])
    )
    assert reported["worn.arm"] == reported["worn.hand"] == "?"
    sides = {
        "arm": np.array(["L"] * len(t_s), dtype=object),
        "handedness": np.array(["right"] * len(t_s), dtype=object),
    }
    reported = values(propose_layout([written(tmp_path, {"time": t_s} | angles | sides)]))
    assert reported["worn.arm"] == {"column": "arm", "words": {"L": "left", "R": "right"}}
    assert reported["worn.hand"] == {
        "column": "handedness",
        "words": {"left": "left", "right": "right"},
    } or reported["worn.hand"] == {"column": "handedness"}


def test_every_open_question_is_reported_everywhere(tmp_path: Path) -> None:
    t_s, angles = recording()
    proposal = propose_layout([written(tmp_path, {"time": t_s} | angles)])
    assert [guess.path for guess in proposal.questions] == ["worn.arm", "worn.hand"]
    for text in (as_text(proposal), as_toml(proposal), as_json(proposal)):
        assert all(guess.path in text for guess in proposal.questions)
        assert "Which arm wore the recorder" in text


def test_prose_is_no_table() -> None:
    with pytest.raises(InputError, match="not-a-table"):
        propose_layout([ROOT / "README.md"])
