"""What drills have brought weighs them and speaks in the notes, and changes nothing where nobody was given one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import msgspec
import pandas as pd
import pytest
from care_fakes import HEALTHY, TODAY, known_of

from faultml.coaching.explain import as_lines, decode, encode
from faultml.coaching.prescribe import Prescription, prescribe
from faultml.coaching.rules import Coaching
from faultml.coaching.summary import summarise
from faultml.outcomes.effects import DrillEffect

FAULT = "flexed_top"


def effect(
    drill: str, *, share: float, enough: bool = True, fault: str = FAULT
) -> dict[tuple[str, str], DrillEffect]:
    learned = DrillEffect(
        drill=drill,
        fault=fault,
        players=6 if enough else 1,
        held=4 if enough else 1,
        improvement_deg=6.2,
        improvement_lo_deg=3.1,
        improvement_hi_deg=9.4,
        prior_deg=3.0,
        share=share,
        enough_players=enough,
    )
    return {(drill, fault): learned}


@pytest.fixture
def season(made: Any) -> Any:
    return made(past={FAULT: 12.0}, shots=[["hook"], ["straight"]])


def coached(season: Any, coaching: Coaching, effects: Any = None, **cells: object) -> Prescription:
    summary = summarise(season.swings, season.faults, coaching.catalogue)
    roster = pd.DataFrame([{"player": "lp-01", **HEALTHY, **cells}])
    return prescribe(summary, known_of(roster), coaching, TODAY, effects=effects)


def first(found: Prescription) -> Mapping[str, Any]:
    return found.drills.iloc[0]


def test_without_outcomes_everything_is_as_it_was(season: Any, coaching: Coaching) -> None:
    plain, none = coached(season, coaching), coached(season, coaching, {})
    pd.testing.assert_frame_equal(plain.drills, none.drills)
    pd.testing.assert_frame_equal(plain.players, none.players)
    assert encode(plain.explanations) == encode(none.explanations)
    assert b"learned" not in encode(plain.explanations)
    assert any(note.startswith("low-evidence") for note in first(plain)["notes"])


def test_a_drill_that_worked_comes_first_and_one_that_did_not_falls_back(
    season: Any, coaching: Coaching
) -> None:
    plain = coached(season, coaching)
    best, other = list(plain.drills["drill"][:2])
    assert first(coached(season, coaching, effect(best, share=0.02)))["drill"] != best
    assert first(coached(season, coaching, effect(other, share=0.9)))["drill"] == other


def test_the_coachs_own_players_speak_in_place_of_the_mechanism(season: Any, coaching: Coaching) -> None:
    best = first(coached(season, coaching))["drill"]
    notes = first(coached(season, coaching, effect(best, share=0.9)))["notes"]
    assert not any(note.startswith("low-evidence") for note in notes)
    own = next(note for note in notes if note.startswith("own-evidence"))
    assert "4 of 6 of your players" in own
    assert "6 degrees" in own
    assert "3 to 9" in own


def test_a_drill_that_brought_nothing_so_far_promises_nothing(season: Any, coaching: Coaching) -> None:
    best = first(coached(season, coaching))["drill"]
    ((key, learned),) = effect(best, share=0.9).items()
    nothing = msgspec.structs.replace(
        learned, players=3, held=0, improvement_deg=-0.8, improvement_lo_deg=-4.2, improvement_hi_deg=-0.3
    )
    found = coached(season, coaching, {key: nothing})
    own = next(note for note in first(found)["notes"] if note.startswith("own-evidence"))
    assert "3 of 3 of your players with this drill have not improved" in own
    assert "No gain is expected of it until players show one" in own
    assert "-4 to 0 degrees" in own, "no -0"
    assert "Expect" not in own
    lines = "\n".join(as_lines(found.explanations["lp-01"], coaching))
    assert "no gain so far, -0.8 degrees on average" in lines
    assert "degrees better" not in lines


def test_one_player_is_reported_and_does_not_yet_speak_for_the_drill(season: Any, coaching: Coaching) -> None:
    best = first(coached(season, coaching))["drill"]
    codes = [
        note.partition(":")[0]
        for note in first(coached(season, coaching, effect(best, share=0.9, enough=False)))["notes"]
    ]
    assert {"low-evidence", "tried"} <= set(codes)


def test_the_factor_is_explained_and_kept(season: Any, coaching: Coaching) -> None:
    best = first(coached(season, coaching))["drill"]
    reported = decode(encode(coached(season, coaching, effect(best, share=0.9)).explanations))["lp-01"]
    lines = "\n".join(as_lines(reported, coaching))
    assert "effect 0.90 (learned: 4 of 6 players held it, 6.2 degrees better" in lines
    assert "by mechanism 3.0" in lines


@pytest.mark.parametrize(
    "cells", [{"pain": "wrist"}, {"thumb_history": True, "ulnar_history": True, "hamate_history": True}]
)
def test_no_outcome_stands_against_care(made: Any, coaching: Coaching, cells: Mapping[str, object]) -> None:
    season = made(past={"flip": 12.0})
    plain = coached(season, coaching, **cells)
    barred = {
        option.drill: option.why
        for option in plain.explanations["lp-01"].options
        if option.status == "barred"
    }
    effects: dict[tuple[str, str], DrillEffect] = {}
    for drill in coaching.serving:
        effects |= effect(drill, share=0.9, fault="flip")
    reported = coached(season, coaching, effects, **cells)
    assert not set(reported.drills["drill"]) & set(barred)
    options = {option.drill: option for option in reported.explanations["lp-01"].options}
    assert {drill: options[drill].why for drill in barred} == barred
    if "pain" in cells:
        assert list(reported.drills["rank"]) == [0]
        assert first(reported)["reason"] == "paused"
    else:
        assert barred


def test_a_drill_that_waits_still_waits(coaching: Coaching) -> None:
    from faultml.coaching.ranking import FaultWorth, Situation, rank_drills

    worths = [FaultWorth("hold_off", 0.8, 8.0, 0.8)]
    situation = Situation(refused={}, waiting=frozenset({"hold_off"}))
    drill = rank_drills(worths, situation, coaching)[0].drill
    learned = {(drill, "hold_off"): effect(drill, share=0.9)[drill, FAULT]}
    assert all(
        option.status == "waits"
        for option in rank_drills(worths, replace(situation, effects=learned), coaching)
    )


def test_too_few_players_weigh_nothing_and_say_so(season: Any, coaching: Coaching) -> None:
    best = first(coached(season, coaching))["drill"]
    reported = coached(season, coaching, effect(best, share=0.7, enough=False)).explanations["lp-01"]
    lines = "\n".join(as_lines(reported, coaching))
    assert "(by mechanism; 1 of 1 players held it, too few to weigh)" in lines
    assert "learned" not in lines


def test_a_drill_that_is_worth_more_than_a_picked_one_is_not_said_to_be_worth_less(
    season: Any, coaching: Coaching
) -> None:
    reported = coached(season, coaching).explanations["lp-01"]
    picked, *others = reported.options
    left = msgspec.structs.replace(others[-1], status="left", why="", rank=0, benefit=picked.benefit + 1)
    only = msgspec.structs.replace(reported, options=(picked, left))
    head = next(line for line in as_lines(only, coaching) if line.startswith(coaching.book[left.drill].name))
    assert "worth less" not in head and "not now" in head
