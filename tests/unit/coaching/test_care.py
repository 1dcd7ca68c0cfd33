"""Care comes first: the section of that name in the design, case by case."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from faultml.coaching.care import care_of, load_care, roster_rows
from faultml.errors import InputError

RULES = load_care()
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
    told = coach(made(past=BOWED, shots=[("hook",)]), {"pain": said})
    assert told.drills["reason"].tolist() == ["see-clinician"]
    assert told.drills["drill"].tolist() == [""]
    assert told.drills["rank"].tolist() == [0]
    assert said in told.drills["notes"][0][0]
    assert "clinician" in told.drills["notes"][0][0]
    leading = told.players[told.players["leading"]]
    assert leading["fault"].tolist() == ["flexed_top"], "the finding is told all the same"


@pytest.mark.parametrize("said", ["none", "None", "cleared", " CLEARED "])
def test_no_pain_and_a_clearance_let_drills_through(made, coach, said: str) -> None:
    told = coach(made(past=BOWED), {"pain": said})
    assert told.drills["rank"].tolist()[0] == 1
    codes = [note.split(":")[0] for note in told.drills["notes"][0]]
    assert ("cleared" in codes) == (said.strip().lower() == "cleared")
    assert "ask-pain" not in codes


@pytest.mark.parametrize("roster", [None, {}, {"pain": None}, {"pain": ""}, {"pain": float("nan")}])
def test_unknown_pain_is_asked_about_first(made, coach, roster) -> None:
    told = coach(made(past=BOWED), roster)
    for notes in told.drills["notes"]:
        assert any(note.startswith("ask-pain:") for note in notes)


@pytest.mark.parametrize(
    ("row", "barred"),
    [
        (
            {"ulnar_history": True},
            {"lag", "impact", "forced_roll", "flexion_with_ulnar", "unhinging", "ulnar_side"},
        ),
        (
            {"ulnar_history": "yes"},
            {"lag", "impact", "forced_roll", "flexion_with_ulnar", "unhinging", "ulnar_side"},
        ),
        (
            {"ulnar_history": "TFCC 2029"},
            {"lag", "impact", "forced_roll", "flexion_with_ulnar", "unhinging", "ulnar_side"},
        ),
        ({"thumb_history": np.True_}, {"hinge"}),
        ({"ulnar_history": "no", "thumb_history": False}, set()),
    ],
)
def test_a_history_rules_loads_out(row: dict[str, object], barred: set[str]) -> None:
    assert set(care_of({"under_16": False, **row}, RULES).barred) == barred


@pytest.mark.parametrize(
    "row", [None, {}, {"under_16": None}, {"under_16": True}, {"under_16": "yes"}, {"under_16": 1.0}]
)
def test_under_16_or_unknown_there_is_no_impact_and_no_weight(row: dict[str, object] | None) -> None:
    assert set(care_of(row, RULES).barred) == {"impact", "weighted"}


@pytest.mark.parametrize("value", [False, "no", 0, 0.0, np.False_])
def test_of_age_nothing_is_ruled_out(value: object) -> None:
    assert not care_of({"under_16": value}, RULES).barred


def test_nobody_asked_is_not_no(made, coach) -> None:
    told = coach(made(past={"underset": 14.0}), {"pain": "none"})
    hinge = told.drills[told.drills["drill"] == "set_at_the_belt"]["notes"].iloc[0]
    assert any(note.startswith("ask-history:") for note in hinge)


def test_ulnar_history_leaves_only_what_does_not_load_that_side(made, coach, coaching) -> None:
    told = coach(made(past=CASTING), {"pain": "none", "ulnar_history": "yes", "under_16": "no"})
    bars = {"lag", "impact", "forced_roll", "ulnar_side", "flexion_with_ulnar", "unhinging"}
    assert len(told.drills)
    for drill in told.drills["drill"]:
        assert not bars & set(coaching.book[drill].loads)
    barred = {o.drill: o.why for o in told.explanations["lp-01"].options if o.status == "barred"}
    assert barred == {"corner_to_the_thigh": "ulnar-history", "hands_apart_swing": "ulnar-history"}


def test_where_every_drill_is_ruled_out_a_row_says_why(made, coach) -> None:
    season = made(past={"underset": 14.0}, address=(-20.0, -11.0, 0.0))
    told = coach(season, {"pain": "none", "thumb_history": "yes", "ulnar_history": "no", "under_16": "no"})
    assert told.drills["reason"].tolist() == ["drills-ruled-out"]
    note = told.drills["notes"][0][0]
    assert "thumb side" in note
    assert "no room inside safe angles" in note


def test_a_beginner_gets_no_drill_for_the_experienced(made, coach, coaching) -> None:
    told = coach(
        made(past=CASTING), {"pain": "none", "level": "Beginner", "ulnar_history": "no", "under_16": "no"}
    )
    assert all(coaching.book[drill].level == "any" for drill in told.drills["drill"])


@pytest.mark.parametrize("usual", ["fat", "thin, fat", "Fat"])
def test_who_hits_fat_is_kept_off_hard_mats(made, coach, usual: str) -> None:
    told = coach(made(past=CASTING), {"pain": "none", "usual_miss": usual})
    assert any(note.startswith("no-hard-mats:") for note in told.drills["notes"][0])


def test_fat_shots_that_were_seen_count_as_well(made, coach) -> None:
    told = coach(made(past=CASTING, shots=[("fat",), ("straight",)]))
    assert any(note.startswith("no-hard-mats:") for note in told.drills["notes"][0])


def test_what_was_said_last_holds_and_only_a_clearance_ends_pain() -> None:
    def said(*pains: object) -> object:
        rows = roster_rows(
            pd.DataFrame(
                {"player": ["p"] * len(pains), "pain": list(pains), "level": ["a", "b", "c"][: len(pains)]}
            )
        )
        return rows["p"].get("pain"), rows["p"]["level"]

    assert said("wrist", None) == ("wrist", "b")
    assert said("wrist", "none") == ("wrist", "b")
    assert said("wrist", "none", "cleared") == ("cleared", "c")
    assert said("none", "elbow") == ("elbow", "b")
    assert said("cleared", "none", None) == ("none", "c")


def test_a_roster_without_players_is_refused() -> None:
    with pytest.raises(InputError, match="missing-column"):
        roster_rows(pd.DataFrame({"name": ["p"]}))
