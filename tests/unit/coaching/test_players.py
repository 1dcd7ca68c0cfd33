"""One row a player and fault, and what its notes say."""

from __future__ import annotations

import re
from importlib import resources

import numpy as np
import pandas as pd
import pytest
from care_fakes import TODAY, known_of

from faultml.coaching.explain import as_lines, decode, encode, explain_player
from faultml.coaching.notes import confidence, note_text, wordings, write
from faultml.coaching.prescribe import prescribe
from faultml.coaching.rules import load_coaching, load_rules
from faultml.coaching.summary import add_sums, decode_sums, summarise
from faultml.coaching.tables import DRILL_COLUMNS, PLAYER_COLUMNS
from faultml.errors import InputError

SAMPLES = {
    **dict.fromkeys(("share", "deg", "amount", "number"), 0.5),
    **{"": "x", "unit": "deg", "fault": "flip", "faults": ("flip", "recupping"), "drill": "impact_picture"},
    **{"reason": "practice-day", "reasons": ("paused",), "list": ("this", "that"), "sessions": 3},
    **{"channels": {"flexion_deg": 7.0}, "miss": "pull", "misses": ("push",), "balls": 5},
    **{"known": 66, "straight": 60, "findings": {"gap-filled": 7, "jump": 2}},
}
"""A figure of each kind that a note's sentence can ask for."""


def _row(reported, fault: str) -> pd.Series:
    return reported.players[reported.players["fault"] == fault].iloc[0]


def _codes(notes: list[str]) -> set[str]:
    return {note.split(":")[0] for note in notes}


def test_the_tables_have_the_columns_of_the_contract(made, coach, coaching) -> None:
    reported = coach(made("b", past={"flexed_top": 12.0}) + made("a", shots=[("hook",)]))
    assert list(reported.players.columns) == PLAYER_COLUMNS
    assert list(reported.drills.columns) == DRILL_COLUMNS
    assert reported.players.groupby("player").size().tolist() == [len(coaching.fault_ids) + 1] * 2
    assert reported.players.groupby("player")["leading"].sum().tolist() == [0, 1]
    contract = "player rank drill priority care confidence notes note_data faults "
    contract += "window_fault window_channel window_reference window_from window_to window_must window_side "
    contract += "window_bound_deg window_guard_deg window_max_sd dose retest"
    assert DRILL_COLUMNS[:21] == contract.split()


def test_every_player_has_drills_or_one_row_that_says_why(made, coach) -> None:
    reported = coach(made("a", past={"overset": 9.0}) + made("b") + made("c", assessed=False))
    ranks = reported.drills.groupby("player")["rank"].apply(list).to_dict()
    assert ranks["a"][0] == 1
    assert ranks["b"] == ranks["c"] == [0]
    assert reported.drills.set_index("player")["reason"][["b", "c"]].tolist() == [
        "nothing-flagged",
        "no-swing-assessed",
    ]
    assert reported.drills["priority"].notna().tolist() == [rank > 0 for rank in reported.drills["rank"]]


def test_an_empty_season_leaves_empty_tables(made, coaching) -> None:
    season = made()
    empty = summarise(season.swings.iloc[:0], season.faults.iloc[:0], coaching.catalogue)
    for summary in (decode_sums(add_sums([])), empty):
        reported = prescribe(summary, known_of(None), coaching, TODAY)
        assert reported.players.empty
        assert reported.drills.empty
        assert list(reported.players.columns) == PLAYER_COLUMNS


def test_the_figures_are_those_of_the_swings(made, coach) -> None:
    season = made(past={"flexed_top": 9.0}, scatter=3.0)
    reported = _row(coach(season), "flexed_top")
    own = season.faults[season.faults["fault"] == "flexed_top"]
    assert reported["swings"] == len(own)
    assert reported["sessions"] == 4
    assert reported["measure"] == pytest.approx(own["measure"].mean())
    weighed = (own["severity"] * own["probability"]).sum() / own["probability"].sum()
    assert reported["severity"] == pytest.approx(weighed)
    assert reported["rate_lo"] < reported["rate"] < reported["rate_hi"]
    assert reported["rate"] == pytest.approx(own["probability"].mean(), abs=0.12)
    assert (reported["onset_phase"], reported["onset_at"]) == ("d", 0.0)
    assert (reported["edge"], reported["unit"]) == (25.0, "deg")


def test_the_trend_follows_the_measure(made, coach) -> None:
    assert _row(coach(made(past={"flexed_top": 14.0}, trend=-4.0)), "flexed_top")["trend"] == "improving"
    assert _row(coach(made(past={"cupped_top": 4.0}, trend=+4.0)), "cupped_top")["trend"] == "worsening"
    assert _row(coach(made(past={"flexed_top": 9.0})), "flexed_top")["trend"] == "steady"
    assert (
        _row(coach(made(past={"flexed_top": 9.0}, sessions=["a", "b"])), "flexed_top")["trend"] == "unknown"
    )


def test_a_fault_that_is_gone_no_longer_leads(made, coach) -> None:
    cured = made(past={"flexed_top": 12.0, "overset": 6.0}) + made(
        past={"overset": 6.0}, sessions=["2031-07-01", "2031-07-08"]
    )
    reported = coach(cured)
    assert _row(reported, "flexed_top")["rate"] > 0.3
    assert _row(reported, "flexed_top")["rate_now"] < 0.1
    assert _row(reported, "overset")["leading"]
    row = _row(reported, "flexed_top")
    assert (row["sessions_now"], row["swings_now"], row["flagged_now"]) == (2, 24, 0)
    assert row["flagged"] > 20 and row["kind"] == "none"
    assert row["measure_now"] < row["edge"] < row["measure_now"] + 30


def test_what_shows_now_rests_on_two_sessions_and_on_more_where_they_hold_few_swings(made, coach) -> None:
    few = made(past={"flexed_top": 12.0}, swings=4)
    row = _row(coach(few), "flexed_top")
    assert (row["sessions_now"], row["swings_now"]) == (3, 12)
    assert _row(coach(made(past={"flexed_top": 12.0}, swings=12)), "flexed_top")["sessions_now"] == 2


def test_a_day_that_holds_practice_shows_nothing_of_now(made, coach) -> None:
    """Swings without feedback on a day with practice are none of the last sessions, as in plan and outcomes."""
    days = ["2031-07-01", "2031-07-08"]
    play = made(past={"flexed_top": 12.0}) + made(sessions=days)
    practised = play + made(sessions=days, context="practice", swings=5)
    free, mixed = _row(coach(play), "flexed_top"), _row(coach(practised), "flexed_top")
    assert (free["swings_now"], free["flagged_now"]) == (24, 0)
    assert mixed["swings_now"] == 24 and mixed["flagged_now"] > 20
    assert mixed["flagged"] == free["flagged"], "the season counts them"
    only = made(past={"flexed_top": 12.0}, sessions=days)
    row = _row(coach(only + made(sessions=days, context="practice", swings=5)), "flexed_top")
    assert row["sessions_now"] == 2, "where every day holds practice they are all there is"


def test_a_moved_edge_says_whose_it_is(made, coach) -> None:
    row = _row(coach(made(past={"flexed_top": 9.0})), "flexed_top")
    assert any(row["edge_owner"] in note for note in row["notes"])


def test_without_forearm_rotation_the_faults_that_need_it_are_not_assessed(made, coach) -> None:
    reported = coach(made(past={"flexed_top": 9.0}, pronation=False))
    for fault in ("fanned_takeaway", "early_roll", "roll_over", "hold_off"):
        assert _row(reported, fault)["kind"] == "not_assessed"
        assert np.isnan(_row(reported, fault)["rate"])
    assert _row(reported, "flexed_top")["kind"] == "fault"


def test_a_wandering_release_is_a_row_of_its_own(made, coach) -> None:
    reported = coach(made(past={"early_ulnar_release": -5.0}, scatter=14.0, shots=[("thin",), ("straight",)]))
    row = _row(reported, "inconsistent_release")
    assert row["kind"] == "fault"
    assert row["sessions"] == 4
    assert row["swings"] == 48
    assert row["measure"] > 0.08
    assert any(note.startswith("rests-on-sessions") for note in row["notes"])
    steady = _row(coach(made(scatter=3.0)), "inconsistent_release")
    assert steady["kind"] == "none"


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"swings": 2}, "few-swings"),
        ({"sessions": ["2031-04-02"]}, "few-sessions"),
        ({"sessions": ["2031-04-02"], "swings": 5}, "wide-interval"),
        ({"past": {"flexed_top": 1.0}}, "borderline"),
        ({"measure_sd": 6.0}, "landmark-uncertain"),
        ({"findings": ["gap-filled"]}, "quality-limited"),
        ({"shots": [()]}, "miss-unknown"),
        ({"past": {"flexed_top": 4.0}, "address_by_session": (0.0, 0.0, -9.0, -9.0)}, "address-drift"),
        ({"address": (-36.0, 10.0, 0.0)}, "mimic-seen"),
    ],
)
def test_doubt_is_reported_and_lowers_confidence(made, coach, changes: dict[str, object], code: str) -> None:
    asked = {"past": {"flexed_top": 9.0}, "shots": [("hook",)]} | changes
    row = _row(coach(made(**asked)), "flexed_top")
    assert code in _codes(row["notes"])
    assert row["confidence"] in ("moderate", "low")


def test_a_clear_finding_is_reported_with_high_confidence_in_the_finding_only(made, coach) -> None:
    reported = coach(made(past={"flexed_top": 9.0}, shots=[("hook",)]))
    assert _row(reported, "flexed_top")["confidence"] == "high"
    assert reported.drills["confidence"][0] == "high"
    assert all("low-evidence" in _codes(notes) for notes in reported.drills["notes"])


def test_what_limits_the_recordings_is_counted(made, coach) -> None:
    row = _row(coach(made(past={"flexed_top": 9.0}, findings=["gap-filled", "jump"])), "flexed_top")
    note = next(note for note in row["notes"] if note.startswith("quality-limited"))
    assert "of 48 swings 48 have gaps and 48 have jumps from one sample to the next" in note


def test_faults_of_the_forearm_are_never_reported_with_high_confidence(made, coach) -> None:
    row = _row(coach(made(past={"roll_over": 15.0}, shots=[("hook",)])), "roll_over")
    assert "forearm-rotation" in _codes(row["notes"])
    assert row["confidence"] != "high"


def test_setup_warnings_stand_on_every_row(made, coach) -> None:
    high = coach(made(address=(-35.0, 10.0, 0.0)))
    low = coach(made(address=(-5.0, 10.0, 0.0)))
    assert high.players["warnings"].map(tuple).unique().tolist() == [("address-extension-high",)]
    assert low.players["warnings"].map(tuple).unique().tolist() == [("address-extension-low",)]
    assert coach(made()).players["warnings"].map(len).sum() == 0


def test_every_note_can_be_written_and_every_code_is_used(coaching) -> None:
    folder = resources.files("faultml.coaching")
    code = "".join(file.read_text(encoding="utf-8") for file in folder.iterdir() if file.name.endswith(".py"))
    for name, wording in wordings().items():
        kinds = dict.fromkeys(wording.figures, "") | dict(re.findall(r"\{(\w+):?(\w*)\}", wording.text))
        figures = {figure: SAMPLES.get(figure, SAMPLES[kind]) for figure, kind in kinds.items()}
        assert "{" not in note_text(write(name, **figures), coaching)
        constant = {
            "paused",
            "whose-row",
            "mend-roster",
            "address-extension-high",
            "address-extension-low",
            "address-drift",
        }
        assert f'"{name}"' in code or name in constant, f"{name} is never written"
    seen = {each for entry in load_rules().mimic for each in entry.seen}
    findings = {"beyond-common-range"}
    assert seen <= set(wordings()) | findings


def test_confidence_counts_the_steps() -> None:
    few, evidence = write("few-sessions", sessions=1), write("low-evidence")
    assert confidence([evidence]) == "high"
    assert confidence([few, evidence]) == "moderate"
    assert confidence([few, few]) == confidence([few, few, few]) == "low"


def test_re_tests_are_counted_and_the_next_is_dated(made, coach) -> None:
    season = made(past={"flexed_top": 9.0}, shots=[("hook",)])
    again = made(past={"flexed_top": 9.0}, sessions=["2031-06-20"], context="retest")
    reported = coach(season + again)
    row = reported.retests[reported.retests["fault"] == "flexed_top"].iloc[0]
    assert (row["session"], row["swings"], row["inside"], row["passed"]) == ("2031-06-20", 12, 0, False)
    assert reported.drills["retest_due"].tolist()[0] == "2031-06-27"
    assert "8 of 10" in reported.drills["retest"][0]
    assert "retest-not-passed" in _codes(reported.drills["notes"][0])
    undated = coach(made(past={"flexed_top": 9.0}, sessions=["s1", "s2"]))
    assert undated.drills["retest_due"].tolist()[0] == ""


def test_fewer_than_ten_re_test_swings_pass_nothing(made, coach) -> None:
    reported = coach(made() + made(sessions=["2031-06-20"], swings=9, context="retest"))
    assert not reported.retests["passed"].any()
    reported = coach(made() + made(sessions=["2031-06-20"], swings=10, context="retest"))
    assert reported.retests["passed"].all()


def test_every_number_of_the_ranking_can_be_shown(made, coach, coaching) -> None:
    reported = coach(
        made(
            past={"flexed_top": 12.0, "flexed_takeaway": 6.0, "hold_off": 8.0},
            late_save=0.9,
            shots=[("hook",)],
        )
    )
    shown = explain_player(reported.explanations, "lp-01")
    for option in shown.options:
        for part in option.parts:
            product = (
                part.rate * part.severity_factor * part.explains * part.earliness * part.effect * part.left
            )
            assert part.benefit == pytest.approx(product)
        assert option.benefit == pytest.approx(sum(part.benefit for part in option.parts))
    picked = [option for option in shown.options if option.rank]
    assert [option.drill for option in picked] == reported.drills["drill"].tolist()
    assert [option.benefit for option in picked] == pytest.approx(reported.drills["priority"].tolist())
    text = "\n".join(as_lines(shown, coaching))
    for word in (
        "late save seen",
        "next, benefit",
        "reserve 1",
        "waits for the re-test of bowed top",
        "explains the miss",
    ):
        assert word in text
    assert decode(encode(reported.explanations)) == reported.explanations


def test_an_unknown_player_is_said_with_those_there_are(made, coach) -> None:
    with pytest.raises(InputError, match="lp-01"):
        explain_player(coach(made()).explanations, "nobody")
    with pytest.raises(InputError, match="bad-explanations"):
        decode(b"[1, 2")


def test_only_shots_in_play_tell_of_the_miss(made, coach) -> None:
    season = made(past={"flexed_top": 12.0}, shots=[("straight",)])
    again = made(
        past={"flexed_top": 12.0}, sessions=["2031-06-20"], swings=40, shots=[("hook",)], context="retest"
    )
    assert coach(season + again).explanations["lp-01"].misses == {}


def test_one_call_loads_everything_and_its_hashes(coaching) -> None:
    loaded = load_coaching(coaching.catalogue)
    assert loaded.digests == coaching.digests
    assert set(loaded.digests) == {"catalogue", "drill_book", "care", "rules"}
    assert len(set(loaded.digests.values())) == 4


def test_ids_that_look_like_numbers_or_nothing_stay_text(made, coach) -> None:
    reported = coach(made("007") + made("NA") + made("1e5"))
    assert sorted(reported.drills["player"]) == ["007", "1e5", "NA"]


def test_a_row_of_no_known_swing_is_refused(made, coaching) -> None:
    season = made()
    with pytest.raises(InputError, match="unknown-swing"):
        summarise(season.swings.iloc[1:], season.faults, coaching.catalogue)


def test_copies_of_a_repeated_id_are_refused_and_counted_once(made, coach) -> None:
    season = made(sessions=["2031-04-02"])
    copies = made(sessions=["2031-04-02"], assessed=False, swings=3)
    copies.swings["swing"] = copies.faults["swing"] = "dup"
    reported = coach(season + copies)
    assert reported.explanations["lp-01"].swings == 15
    assert reported.explanations["lp-01"].assessed == 12


def test_a_session_fault_seen_once_is_no_fault_yet(made, coach) -> None:
    row = _row(coach(made(scatter=12.0, sessions=["2031-04-02"])), "inconsistent_face")
    assert row["rate_lo"] < 0.2 < row["rate_hi"]
    assert row["kind"] == "none"
