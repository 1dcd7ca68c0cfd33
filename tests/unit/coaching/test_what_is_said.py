"""What a sentence may say: counts, the fault of every drill, causes, the setup, and why there is no drill."""

from __future__ import annotations

import msgspec
import pytest

from faultml.coaching.explain import as_lines
from faultml.coaching.note_rules import drawn_notes
from faultml.coaching.notes import ball_words, note_text
from faultml.coaching.ranking import FaultWorth, Situation, rank_drills, worth_training
from faultml.coaching.records import PlayerPlan
from faultml.coaching.tables import read_plans


def _plan(reported) -> PlayerPlan:
    (plan,) = read_plans(reported.players, reported.drills)
    return plan


def _fault(plan: PlayerPlan, fault: str):
    return next(row for row in plan.faults if row.fault == fault)


def _texts(notes, coaching) -> dict[str, str]:
    return {note.code: note_text(note, coaching) for note in notes}


def test_the_balls_behind_a_miss_are_counted(made, coach, coaching) -> None:
    shots = [("pull",), ("straight",), ("straight",), ("draw",)]
    plan = _plan(coach(made(past={"roll_over": 9.0}, shots=shots)))
    row = _fault(plan, "roll_over")
    assert (row.miss, row.miss_balls, row.straight_balls, row.known_balls) == ("pull", 12, 24, 48)
    assert _texts(row.notes, coaching)["miss-balls"] == "12 of 48 balls were pulls, 24 straight."
    assert ball_words("pull", 1, 65, 66) == "1 of 66 balls was a pull, 65 straight"


def test_a_compound_shot_is_a_ball_with_each_of_its_misses(made, coach) -> None:
    row = _fault(
        _plan(coach(made(past={"roll_over": 9.0}, shots=[("push", "hook"), ("straight",)]))), "roll_over"
    )
    assert row.known_balls == 48
    assert row.miss_balls == 24


def test_roster_and_balls_that_disagree_are_both_stated(made, coach, coaching) -> None:
    healthy = {"pain": "none", "under_16": False, "ulnar_history": False, "thumb_history": False}
    season = made(past={"hold_off": 9.0}, shots=[("push",), ("straight",)])
    apart = _plan(coach(season, {**healthy, "usual_miss": "pull"}))
    said = _texts(_fault(apart, "hold_off").notes, coaching)
    assert "names pull as the usual miss; 24 of 48 balls were pushes, 24 straight" in said["miss-disagrees"]
    assert "miss-balls" not in said
    assert _fault(apart, "hold_off").usual_miss == "pull"
    agree = _texts(
        _fault(_plan(coach(season, {**healthy, "usual_miss": "push"})), "hold_off").notes, coaching
    )
    assert "miss-disagrees" not in agree and "miss-balls" in agree
    alone = made(past={"hold_off": 9.0})
    only = _texts(_fault(_plan(coach(alone, {**healthy, "usual_miss": "push"})), "hold_off").notes, coaching)
    assert "miss-from-roster" in only


def test_a_cause_that_is_worth_no_drill_holds_nothing_back(coaching) -> None:
    effect = FaultWorth("flexed_top", rate=0.82, severity=12.0, explains=1.0)
    weak = FaultWorth("fanned_takeaway", rate=0.31, severity=0.4, explains=0.05)
    strong = FaultWorth("fanned_takeaway", rate=0.8, severity=12.0, explains=0.8)
    inside = _placed(strong, inside=True)
    free = Situation(refused={})
    assert "fanned_takeaway" in coaching.brings and "flexed_top" in coaching.brings["fanned_takeaway"]
    for cause, holds in ((weak, False), (inside, False), (strong, True)):
        first = rank_drills([cause, effect], free, coaching)[0]
        assert first.main == ("fanned_takeaway" if holds else "flexed_top"), cause
        assert ("fanned_takeaway" in worth_training([cause, effect], free, coaching)) is holds


def _placed(worth: FaultWorth, *, inside: bool) -> FaultWorth:
    """The same worth with the measure inside or outside its edge."""
    return FaultWorth(worth.fault, worth.rate, worth.severity, worth.explains, inside=inside)


def test_a_cause_whose_drills_care_rules_out_still_comes_first(coaching) -> None:
    cause = FaultWorth("fanned_takeaway", rate=0.8, severity=12.0, explains=0.8)
    effect = FaultWorth("flexed_top", rate=0.82, severity=12.0, explains=1.0)
    barred = {drill: "under-16" for drill, served in coaching.serving.items() if "fanned_takeaway" in served}
    options = rank_drills([cause, effect], Situation(refused=barred), coaching)
    assert not [option for option in options if option.status == "picked"]


def test_a_drill_for_another_fault_than_the_leading_one_says_why(made, coach, coaching) -> None:
    season = made(past={"overset": 14.0, "roll_over": 6.0}, shots=[("hook",), ("straight",)])
    careful = {"pain": "none", "under_16": False, "ulnar_history": False, "thumb_history": "yes"}
    plan = _plan(coach(season, careful))
    for drill in plan.drills:
        codes = {note.code for note in drill.notes}
        leads = _fault(plan, drill.faults[0]).leading
        assert leads or codes & {"serves-other", "serves-instead", "serves-next"}
    free = _plan(coach(season))
    assert _fault(free, free.drills[0].faults[0]).leading
    assert not {"serves-other", "serves-instead"} & {note.code for note in free.drills[0].notes}


def test_the_ruling_out_of_the_leading_faults_drills_is_named(made, coach, coaching) -> None:
    season = made(
        past={"early_ulnar_release": 30.0, "roll_over": 6.0}, shots=[("fat",), ("thin",), ("pull",)]
    )
    careful = {"pain": "none", "under_16": False, "ulnar_history": "yes", "thumb_history": False}
    plan = _plan(coach(season, careful))
    leading = next(row.fault for row in plan.faults if row.leading)
    if not plan.drills:
        assert plan.no_drill is not None and plan.no_drill.reason == "drills-ruled-out"
        return
    said = _texts(plan.drills[0].notes, coaching)
    assert plan.drills[0].faults[0] == leading or "ruled out by" in said["serves-other"]


@pytest.mark.parametrize(
    ("made_with", "reason", "words"),
    [
        (
            {"past": {"recupping": 0.0}, "shots": [("pull",), ("straight",)], "scatter": 4.0},
            "explains-little",
            "hardly goes with the pull",
        ),
        (
            {"past": {"flexed_takeaway": 0.2}, "shots": [("hook",), ("straight",)], "scatter": 0.3},
            "near-edge",
            "past its edge",
        ),
    ],
)
def test_the_reason_for_no_drill_is_the_factor_that_decided_it(
    made, coach, coaching, made_with: dict, reason: str, words: str
) -> None:
    plan = _plan(coach(made(**made_with)))
    assert plan.no_drill is not None
    assert plan.no_drill.reason == reason
    assert words in note_text(plan.no_drill.notes[0], coaching)


def test_that_the_setup_moved_is_said_only_where_it_matters(made, coach, coaching) -> None:
    moved = {"address_by_session": (0.0, 0.0, -9.0, -9.0), "shots": [("hook",)]}
    far = _plan(coach(made(past={"flexed_top": 14.0}, **moved)))
    near = _plan(coach(made(past={"flexed_top": 4.0}, **moved)))
    other = _plan(coach(made(past={"roll_over": 4.0}, **moved)))  # the forearm did not move
    assert "address-drift" in _fault(near, "flexed_top").warnings
    assert "address-drift" in _texts(_fault(near, "flexed_top").notes, coaching)
    for plan in (far, other):
        assert all("address-drift" not in row.warnings for row in plan.faults)
        assert all(note.code != "address-drift" for drill in plan.drills for note in drill.notes)
    changing = _plan(coach(made(past={"flexed_top": 22.0}, trend=-2.0, **moved)))
    row = _fault(changing, "flexed_top")
    assert row.trend == "improving" and abs(row.trend_change) < 9.0
    assert "address-drift" in row.warnings


def test_a_reading_that_sits_on_its_guard_is_not_high(made, coach, coaching) -> None:
    season = {"past": {"recupping": 9.0}, "shots": [("slice",), ("straight",)]}
    sure = _fault(_plan(coach(made(**season))), "recupping")
    assert sure.confidence == "high"
    for guard in (0.15, 0.5, 0.85):
        doubted = _fault(_plan(coach(made(**season, guard=guard))), "recupping")
        assert doubted.confidence != "high"
        assert "100 % of the swings" in _texts(doubted.notes, coaching)["on-its-guard"]
    out = _fault(_plan(coach(made(**season, guard=0.95))), "recupping")
    assert "on-its-guard" not in _texts(out.notes, coaching)


def test_explain_counts_the_balls_and_names_the_roster(made, coach, coaching) -> None:
    healthy = {"pain": "none", "under_16": False, "ulnar_history": False, "thumb_history": False}
    season = made(past={"hold_off": 9.0}, shots=[("push",), ("straight",)])
    reported = coach(season, {**healthy, "usual_miss": "pull"}).explanations["lp-01"]
    line = next(line for line in as_lines(reported, coaching) if line.startswith("balls: "))
    assert line == "balls: 24 straight of 48 noted; push 24; the roster's usual miss: pull"


def test_a_difference_between_two_later_moments_does_not_feel_the_setup(made, coach) -> None:
    moved = {"address_by_session": (0.0, 0.0, -9.0, -9.0), "shots": [("slice",)]}
    plan = _plan(coach(made(past={"recupping": 3.0}, **moved)))
    assert _fault(plan, "recupping").kind == "fault"
    assert all("address-drift" not in row.warnings for row in plan.faults)


def test_a_bowed_top_that_is_worth_no_drill_holds_no_drill_of_the_save_back(made, coach) -> None:
    season = {"shots": [("push",), ("straight",)], "late_save": 0.8}
    inside = _plan(coach(made(past={"flexed_top": -0.5, "hold_off": 9.0}, **season)))
    past = _plan(coach(made(past={"flexed_top": 9.0, "hold_off": 9.0}, **season)))
    assert _fault(inside, "flexed_top").kind == _fault(past, "flexed_top").kind == "fault"
    assert inside.drills[0].faults[0] == "hold_off"
    assert "waiting" not in {note.code for note in inside.drills[0].notes}
    assert past.drills[0].faults[0] == "flexed_top"
    assert "waiting" in {note.code for note in past.drills[0].notes}


def test_a_disagreement_names_what_the_balls_were_most_often(made, coach, coaching) -> None:
    healthy = {"pain": "none", "under_16": False, "ulnar_history": False, "thumb_history": False}
    season = made(past={"hold_off": 9.0}, shots=[("push",), ("straight",), ("slice",), ("slice",)], swings=4)
    row = _fault(_plan(coach(season, {**healthy, "usual_miss": "push"})), "hold_off")
    assert row.miss == "slice"  # enough balls were noted: the roster's word does not tip the scales
    said = _texts(row.notes, coaching)["miss-disagrees"]
    assert "names push as the usual miss; 8 of 16 balls were slices, 4 straight" in said


def test_a_fault_near_the_end_of_usual_motion_is_no_style(made, coach, coaching) -> None:
    straight = {"past": {"cupped_top": 9.0}, "shots": [("straight",)]}
    usual = _fault(_plan(coach(made(**straight))), "cupped_top")
    assert usual.kind == "style" and "near-end" not in _texts(usual.notes, coaching)
    plan = _plan(coach(made(**straight, address=(-50.0, 10.0, 0.0))))
    extreme = _fault(plan, "cupped_top")  # 50 of extension at address, and 29 more at the top
    assert extreme.kind == "fault"
    words = "cupped top: near the end of usual wrist motion: a coach's look; not a medical finding."
    assert _texts(extreme.notes, coaching)["near-end"].lower() == words
    reported = plan.drills[0].notes if plan.drills else plan.no_drill.notes
    assert "near-end" in {note.code for note in reported}
    assert "style-not-fault" not in {note.code for note in reported}
    moment = _plan(coach(made(past={"recupping": 9.0}, shots=[("straight",)], address=(-70.0, 10.0, 0.0))))
    assert _fault(moment, "recupping").kind == "style"  # a difference is not an angle


def test_an_estimate_that_differs_from_the_calls_is_explained_and_one_that_does_not_is_not(
    made, coach, coaching
) -> None:
    """19 of 19 called reads as an estimate of 80 %: the reason stands beside it, only where it is seen."""
    plan = _plan(coach(made(past={"roll_over": 9.0}), None))
    row = _fault(plan, "roll_over")
    calls = row.flagged_now / row.swings_now
    assert calls == 1.0 and row.rate_now < 0.9, "else it tells nothing"
    said = _texts(row.notes, coaching)["estimate-drawn"]
    assert said.startswith(f"Calls are 100 % of these swings, the estimate is {100 * row.rate_now:.0f} %")
    near = msgspec.structs.replace(row, rate_now=calls - 0.09)
    assert drawn_notes(near, coaching) == [] and drawn_notes(row, coaching) != []


def test_an_edge_is_named_with_the_sign_that_the_tables_show(made, coach, coaching) -> None:
    turned = next(fault for fault in coaching.catalogue.faults if fault.measure.shown_sign < 0)
    row = _fault(_plan(coach(made(past={turned.id: 12.0}), None)), turned.id)
    assert f"the edge of {-turned.edge:.0f} degrees" in _texts(row.notes, coaching)["edge"]
