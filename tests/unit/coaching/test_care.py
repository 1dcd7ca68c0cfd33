"""Care comes first: the section of that name in the design, case by case."""

from __future__ import annotations

import pytest
from care_fakes import HEALTHY

BOWED = {"flexed_top": 12.0}
CASTING = {"early_ulnar_release": 15.0}


@pytest.mark.parametrize(
    "said",
    [
        "wrist",
        "hand",
        "forearm",
        "elbow",
        "numb",
        "clicks",
        "weak",
        "knee",
        "a bit sore",
        "Wrist (2031-03-01)",
    ],
)
def test_pain_anywhere_stops_every_drill(made, coach, said: str) -> None:
    reported = coach(made(past=BOWED, shots=[("hook",)]), {"pain": said})
    assert reported.drills["reason"].tolist() == ["paused"]
    assert reported.drills["drill"].tolist() == [""]
    assert reported.drills["rank"].tolist() == [0]
    assert reported.drills["notes"][0] == [
        "paused: Paused: speak with the player before any drill; faultml players care says what is open."
    ]
    leading = reported.players[reported.players["leading"]]
    assert leading["fault"].tolist() == ["flexed_top"], "the finding is reported all the same"


@pytest.mark.parametrize("said", ["none", "None", "cleared", " CLEARED "])
def test_no_pain_and_a_clearance_let_drills_through(made, coach, said: str) -> None:
    reported = coach(made(past=BOWED), HEALTHY | {"pain": said})
    assert reported.drills["rank"].tolist()[0] == 1
    codes = [note.split(":")[0] for note in reported.drills["notes"][0]]
    assert ("half-dose" in codes) == (said.strip().lower() == "cleared")
    assert (reported.drills["care"] == "give").all()
    assert "ask-pain" not in codes


@pytest.mark.parametrize("roster", [None, {}, {"pain": None}, {"pain": ""}, {"pain": float("nan")}])
def test_unknown_pain_is_asked_about_first(made, coach, roster) -> None:
    reported = coach(made(past=BOWED), roster)
    for notes in reported.drills["notes"]:
        assert any(note.startswith("ask-pain:") for note in notes)
    assert (reported.drills["care"] == "show").all()


def test_nobody_asked_is_not_no(made, coach) -> None:
    reported = coach(made(past={"underset": 14.0}), {"pain": "none"})
    hinge = reported.drills[reported.drills["drill"] == "set_at_the_belt"].iloc[0]
    assert any(note.startswith("ask-history:") for note in hinge["notes"])
    assert hinge["care"] == "show"


def test_ulnar_history_leaves_only_what_does_not_load_that_side(made, coach, coaching) -> None:
    reported = coach(made(past=CASTING), HEALTHY | {"ulnar_history": "yes"})
    bars = {"lag", "forced_roll", "ulnar_side", "flexion_with_ulnar", "unhinging"}
    assert len(reported.drills)
    for drill in reported.drills["drill"]:
        assert not bars & set(coaching.book[drill].loads)
    barred = {o.drill: o.why for o in reported.explanations["lp-01"].options if o.status == "barred"}
    assert barred == dict.fromkeys(
        ("brush_past_the_line", "corner_to_the_thigh", "hands_apart_swing"), "paused"
    )


def test_where_every_drill_is_ruled_out_a_row_says_why(made, coach) -> None:
    season = made(past={"underset": 14.0})
    reported = coach(season, HEALTHY | {"thumb_history": "yes"})
    assert reported.drills["reason"].tolist() == ["drills-ruled-out"]
    note = reported.drills["notes"][0][0]
    assert "the care check (faultml players care says more)" in note
    assert "thumb" not in note


def test_a_beginner_gets_no_drill_for_the_experienced(made, coach, coaching) -> None:
    reported = coach(made(past=CASTING), HEALTHY | {"level": "Beginner"})
    assert all(coaching.book[drill].level == "any" for drill in reported.drills["drill"])


@pytest.mark.parametrize("usual", ["fat", "thin, fat", "Fat"])
def test_who_hits_fat_is_kept_off_hard_mats(made, coach, usual: str) -> None:
    reported = coach(made(past=CASTING), {"pain": "none", "usual_miss": usual})
    assert any(note.startswith("no-hard-mats:") for note in reported.drills["notes"][0])


def test_fat_shots_that_were_seen_count_as_well(made, coach) -> None:
    reported = coach(made(past=CASTING, shots=[("fat",), ("straight",)]))
    assert any(note.startswith("no-hard-mats:") for note in reported.drills["notes"][0])
