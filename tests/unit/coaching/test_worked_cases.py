"""The worked cases of faults.md, and its order: common practice, no source."""

from __future__ import annotations

import pandas as pd
import pytest

from faultml.coaching.ranking import FaultWorth, Situation, rank_drills

WAITING = {"hold_off", "flip", "recupping"}
SAVED = {"flexed_top": 12.0, "hold_off": 8.0}
"""37 degrees of movement toward flexion by the top, 12 past the edge, and the forearm held off."""


def _codes(notes: list[str]) -> list[str]:
    return [note.split(":")[0] for note in notes]


def _row(reported, fault: str):
    return reported.players[reported.players["fault"] == fault].iloc[0]


@pytest.mark.parametrize(
    "shots",
    [[("hook",), ("straight",)], [("straight",)], [()], [("push",), ("straight",)]],
    ids=["hooks", "straight", "shots not known", "pushes"],
)
def test_bowed_at_the_top_and_saved_late_is_a_cause_at_the_top_whatever_the_ball_did(
    made, coach, coaching, shots
) -> None:
    reported = coach(made(past=SAVED, late_save=0.95, shots=shots))
    assert _row(reported, "flexed_top")["kind"] == "fault"
    assert _row(reported, "flexed_top")["leading"]
    assert _row(reported, "late_save")["kind"] == "pattern"
    first = reported.drills.iloc[0]
    assert "flexed_top" in first["faults"][0]
    assert coaching.book[first["drill"]].phase in ("takeaway", "top")
    assert {"late-save-seen", "expect-pushes-meanwhile", "waiting"} <= set(_codes(first["notes"]))
    for faults in reported.drills["faults"]:
        assert not WAITING & set(faults)
    waits = {option.drill for option in reported.explanations["lp-01"].options if option.status == "waits"}
    assert {"toe_up_through", "shake_hands_through", "hands_apart_toe_over"} <= waits


def test_the_wait_ends_when_the_re_test_of_the_top_passes(made, coach) -> None:
    season = made(past=SAVED, late_save=0.95, shots=[("push",)])
    again = made(
        past={"hold_off": 8.0}, sessions=["2031-06-20"], late_save=0.95, context="retest", shots=[("push",)]
    )
    reported = coach(season + again)
    assert reported.retests.query("fault == 'flexed_top'")["passed"].tolist() == [True]
    assert not reported.explanations["lp-01"].waiting
    assert "waits" not in {option.status for option in reported.explanations["lp-01"].options}
    assert reported.drills["faults"].map(lambda faults: "hold_off" in faults).any()


def test_a_re_test_on_the_day_of_practice_does_not_end_the_wait(made, coach) -> None:
    season = made(past=SAVED | {"flexed_top": 20.0}, late_save=0.95, shots=[("push",)])
    practised = made(past={}, sessions=["2031-06-20"], context="practice", swings=5)
    practised.swings["swing"] = "p" + practised.swings["swing"]
    practised.faults["swing"] = "p" + practised.faults["swing"]
    again = made(past={"hold_off": 8.0}, sessions=["2031-06-20"], late_save=0.95, context="retest")
    reported = coach(season + practised + again)
    assert reported.explanations["lp-01"].waiting
    note = [note for note in reported.drills["notes"][0] if note.startswith("retest-not-passed")]
    assert "not on the day of practice" in note[0]


def test_three_degrees_past_an_edge_is_borderline_and_said_so(made, coach) -> None:
    reported = coach(made(past={"flexed_top": 1.5}, scatter=1.0, shots=[("hook",)]))
    assert "borderline" in _codes(_row(reported, "flexed_top")["notes"])
    assert _row(reported, "flexed_top")["confidence"] != "high"
    clear = coach(made(past={"flexed_top": 12.0}, shots=[("hook",)]))
    assert "borderline" not in _codes(_row(clear, "flexed_top")["notes"])


def test_who_hooks_with_a_shut_takeaway_practises_to_keep_the_setups_extension(made, coach, coaching) -> None:
    reported = coach(made(past={"flexed_takeaway": 10.0}, shots=[("hook",), ("straight",)]))
    first = reported.drills.iloc[0]
    assert first["drill"] == "same_shape_to_hip"
    assert (first["window_channel"], first["window_from"], first["window_to"]) == (
        "flexion_deg",
        "b0.2",
        "b0.6",
    )
    assert coaching.book[first["drill"]].without_ball
    assert coaching.book[first["drill"]].with_ball


@pytest.mark.parametrize(("fault", "style"), [("flexed_top", "bowed"), ("cupped_top", "cupped")])
def test_bowed_and_cupped_players_who_hit_it_straight_have_a_style(
    made, coach, fault: str, style: str
) -> None:
    reported = coach(made(past={fault: 10.0}, shots=[("straight",), ("draw",)]))
    assert _row(reported, fault)["kind"] == "style"
    assert reported.drills["reason"].tolist() == ["only-styles"]
    said = [note for note in reported.drills["notes"][0] if note.startswith("style-not-fault")]
    assert style in said[0].lower()


def test_what_wanders_is_no_style(made, coach) -> None:
    reported = coach(made(past={"flexed_top": 12.0}, scatter=9.0, shots=[("straight",)]))
    assert _row(reported, "flexed_top")["kind"] == "fault"


def test_a_compensation_of_a_fault_is_no_style(made, coach) -> None:
    reported = coach(made(past=SAVED, shots=[("hook",)]))
    assert _row(reported, "hold_off")["kind"] == "fault"
    assert "comes-first" in _codes(reported.drills["notes"][0])


def test_the_save_itself_is_no_style_though_the_ball_flies_straight(made, coach) -> None:
    reported = coach(made(past={"recupping": 8.0}, late_save=0.9, shots=[("straight",)]))
    assert _row(reported, "recupping")["kind"] == "fault"
    first = reported.drills.iloc[0]
    assert "recupping" in first["faults"] and not reported.explanations["lp-01"].waiting
    assert "late-save-seen" in _codes(first["notes"])
    assert not {"waiting", "expect-pushes-meanwhile"} & set(_codes(first["notes"]))


def test_the_hook_gets_worse_only_where_the_hook_is_the_miss(made, coach) -> None:
    for shots, warned in (([("hook",)], True), ([("push",)], False)):
        reported = coach(made(past=SAVED, late_save=0.95, shots=shots))
        waiting = next(note for note in reported.drills["notes"][0] if note.startswith("waiting"))
        assert ("makes the hook worse" in waiting) == warned


def test_nothing_waits_for_a_cause_without_a_drill(made, coach) -> None:
    reported = coach(made(past=SAVED, late_save=0.95, shots=[("hook",)]), {"pain": "wrist"})
    assert not reported.explanations["lp-01"].waiting


def test_a_change_that_holds_is_reported(made, coach) -> None:
    again = made(sessions=["2031-06-20"], context="retest")
    passed = coach(made(past={"flexed_top": 12.0}) + again)
    row = passed.retests.query("fault == 'flexed_top'").iloc[0]
    assert row["passed"] and row["rate_before"] > 0.9 and row["held"] is pd.NA
    for later, held in (({}, True), ({"flexed_top": 12.0}, False)):
        reported = coach(made(past={"flexed_top": 12.0}) + again + made(past=later, sessions=["2031-07-01"]))
        assert bool(reported.retests.query("fault == 'flexed_top'")["held"].iloc[0]) is held


def test_what_lies_inside_on_average_is_watched_and_not_trained(made, coach) -> None:
    reported = coach(made(past={"flexed_top": -0.5}, scatter=8.0, shots=[("hook",)]))
    first = reported.drills.iloc[0]
    assert _codes(first["notes"])[0] == "weak-finding"
    assert first["confidence"] == "low"


def test_a_flagged_fault_that_does_not_explain_the_miss_says_so(made, coach) -> None:
    reported = coach(
        made(past={"underset": 8.0}, swings=2, pronation=False), {"pain": "none", "usual_miss": "hook"}
    )
    codes = _codes(reported.drills["notes"][0])
    assert "nothing-explains-miss" in codes
    assert "roll-not-ruled-out" in codes
    assert "hook" in next(note for note in reported.drills["notes"][0] if note.startswith("nothing-explains"))


def test_nothing_flagged_and_a_miss_says_what_is_not_seen(made, coach) -> None:
    reported = coach(made(shots=[("hook",), ("straight",)]))
    assert reported.drills["reason"].tolist() == ["nothing-explains-miss"]
    assert "Grip, ball position, path and body" in reported.drills["notes"][0][0]


def test_a_push_hook_says_the_path_is_not_seen(made, coach) -> None:
    reported = coach(made(past={"flexed_top": 10.0}, shots=[("push", "hook"), ("straight",)]))
    assert reported.drills["faults"][0][0] == "flexed_top"
    assert "path-not-seen" in _codes(reported.drills["notes"][0])


def test_practice_with_feedback_tells_nothing_about_the_rate(made, coach) -> None:
    season = made(past={"flexed_top": 12.0})
    practised = made(past={}, sessions=["2031-06-20", "2031-06-21"], context="practice", swings=40)
    with_practice, without = coach(season + practised), coach(season)
    for column in ("swings", "rate", "rate_lo", "rate_now", "severity", "trend_change"):
        assert _row(with_practice, "flexed_top")[column] == pytest.approx(
            _row(without, "flexed_top")[column], nan_ok=True
        )
    only = coach(practised)
    assert only.drills["reason"].tolist() == ["practice-only"]


# ---------------------------------------------------------------- the order


def _worth(fault: str, *, rate: float = 0.9, severity: float = 10.0, explains: float = 0.8) -> FaultWorth:
    return FaultWorth(fault, rate, severity, explains)


def _status(options, fault: str, coaching) -> set[str]:
    """What became of the drills that serve the fault before all else."""
    return {
        o.status
        for o in options
        if max(coaching.serving[o.drill], key=coaching.serving[o.drill].get) == fault
    }


def test_a_cause_comes_before_its_compensation_even_where_that_is_worth_more(coaching) -> None:
    worths = [_worth("early_ulnar_release", severity=0.03), _worth("flip", severity=25.0, explains=1.0)]
    options = rank_drills(worths, Situation(refused={}), coaching)
    assert options[0].main == "early_ulnar_release"
    ranked = [option.main for option in options if option.rank]
    assert ranked.index("early_ulnar_release") < ranked.index("flip")


def test_a_compensation_stays_behind_a_cause_that_care_rules_out(coaching) -> None:
    casting = {
        drill: "ulnar-history"
        for drill, served in coaching.serving.items()
        if "early_ulnar_release" in served
    }
    worths = [FaultWorth("early_ulnar_release", 0.9, 0.15, 0.8), _worth("flip")]
    options = rank_drills(worths, Situation(refused=casting), coaching)
    assert not [option for option in options if option.rank]
    assert _status(options, "flip", coaching) == {"later"}


def test_for_a_hook_closers_come_before_openers(coaching) -> None:
    worths = [_worth("cupped_top", severity=30.0, explains=1.0), _worth("roll_over", severity=6.0)]
    hook = rank_drills(worths, Situation(refused={}, closers_first=True), coaching)
    assert hook[0].main == "roll_over"
    other = rank_drills(worths, Situation(refused={}), coaching)
    assert other[0].main == "cupped_top"


def test_the_hook_rule_is_on_for_who_hooks(made, coach) -> None:
    hooks = coach(made(past={"roll_over": 8.0}, shots=[("hook",), ("straight",)]))
    slices = coach(made(past={"roll_over": 8.0}, shots=[("slice",), ("straight",)]))
    assert hooks.explanations["lp-01"].closers_first
    assert not slices.explanations["lp-01"].closers_first


def test_of_two_equal_faults_the_earlier_comes_first(coaching) -> None:
    options = rank_drills([_worth("raised_wrist_impact"), _worth("overset")], Situation(refused={}), coaching)
    assert options[0].main == "overset"


def test_setup_comes_before_motion(made, coach) -> None:
    reported = coach(made(past={"flexed_top": 14.0}, shots=[("hook",)], address=(-37.0, 10.0, 0.0)))
    assert reported.drills["drill"][0] == "setup_less_cup"
    codes = _codes(reported.drills["notes"][0])
    assert "address-extension-high" in codes
    assert "mimic-seen" in codes
    fine = coach(made(past={"flexed_top": 14.0}, shots=[("hook",)]))
    assert "setup_less_cup" not in set(fine.drills["drill"])


def test_benefit_is_the_product_of_its_factors_and_diminishes(coaching) -> None:
    options = rank_drills(
        [_worth("flexed_top", rate=0.8, severity=12.0, explains=0.9)], Situation(refused={}), coaching
    )
    ranked = [option for option in options if option.rank]
    assert [option.rank for option in ranked] == [1, 2, 3]
    first = ranked[0].parts[0]
    assert first.severity_factor == pytest.approx(1.2)
    assert first.benefit == pytest.approx(0.8 * 1.2 * 0.9 * 0.9 * first.effect)
    assert ranked[1].parts[0].left == pytest.approx(1 - first.effect)
    assert ranked[0].benefit > ranked[1].benefit > ranked[2].benefit


def test_severity_is_capped(coaching) -> None:
    gross, worse = (
        rank_drills([_worth("overset", severity=severity)], Situation(refused={}), coaching)[0].benefit
        for severity in (30.0, 60.0)
    )
    assert gross == worse
    share = rank_drills([FaultWorth("early_ulnar_release", 0.9, 0.10, 0.8)], Situation(refused={}), coaching)[
        0
    ]
    assert share.parts[0].severity_factor == pytest.approx(1.0)
