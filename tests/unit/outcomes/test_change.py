"""Which sessions are before and after, what is claimed, and what is not."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pandas as pd
import pytest
from outcome_fakes import DRILL, FAULT, day, given, sums_of

from faultml.faults.catalogue import load_catalogue
from faultml.outcomes.change import CHANGE_COLUMNS, all_changes, changes
from faultml.outcomes.effects import drill_effects
from faultml.outcomes.periods import is_after, rows_for, season_sessions
from faultml.outcomes.table import read_changes, write_changes
from faultml.outcomes.words import VERDICTS, as_lines, as_records, player_lines, sentences

CATALOGUE = load_catalogue()
EDGE = CATALOGUE[FAULT].edge


def season(
    *sessions: tuple[float, str], swings: int = 12, player: str = "lp-01", seed: int = 3
) -> list[dict[str, Any]]:
    """Sessions of ``(degrees past the edge, context)``, a day apart."""
    random = np.random.default_rng(seed)
    return [
        sums_of(player, day(at), EDGE + past + random.normal(0, 2, swings), context)
        for at, (past, context) in enumerate(sessions)
    ]


def others() -> list[dict[str, Any]]:
    """Ten players nobody gave a drill."""
    random = np.random.default_rng(4)
    return [
        row
        for number in range(10)
        for row in season(
            *((past, "play") for past in random.normal(-6, 2, 6) + number - 5),
            player=f"o{number}",
            seed=number,
        )
    ]


def one(rows: list[dict[str, Any]], since: str = day(2), swings_of_others: bool = True) -> Any:
    sums = pd.DataFrame(rows + (others() if swings_of_others else []))
    table = changes(sums, given(("lp-01", since)), CATALOGUE)
    assert list(table.columns) == CHANGE_COLUMNS
    return table.iloc[0]


def test_a_large_change_that_stays_is_claimed() -> None:
    reported = one(season(*[(12, "play")] * 3, *[(-2, "play")] * 3))
    assert reported["verdict"] == "held"
    assert reported["change_lo"] < -14 < reported["change_hi"] or reported["change"] == pytest.approx(
        -14, abs=3
    )
    assert reported["before_sessions"] == reported["after_sessions"] == 3
    assert reported["before"] - reported["after"] == pytest.approx(14, abs=2)
    assert reported["rate_change"] < -0.5


def test_it_can_get_worse() -> None:
    assert one(season(*[(2, "play")] * 3, *[(16, "play")] * 3))["verdict"] == "worse"


def test_a_small_change_is_not_claimed() -> None:
    assert one(season(*[(8, "play")] * 3, *[(6.5, "play")] * 3))["verdict"] == "no-change"


def test_practice_alone_tells_nothing_yet_though_its_gain_is_shown() -> None:
    reported = one(season(*[(12, "play")] * 3, (-4, "practice"), (-4, "practice")))
    assert reported["verdict"] == "not-yet"
    assert reported["practice_hi"] < 0
    assert np.isnan(reported["change"])
    assert np.isnan(reported["kept"])


def test_a_day_with_practice_is_no_day_without_feedback() -> None:
    rows = season(*[(12, "play")] * 3, (-4, "practice"))
    rows.append(sums_of("lp-01", day(3), np.full(12, EDGE - 4.0), "play"))
    assert one(rows)["verdict"] == "not-yet"
    kept = rows_for(season_sessions(pd.DataFrame(rows)), given(("lp-01", day(2))))
    assert list(kept.loc[kept["session"] == day(3), "practice"]) == [True]


@pytest.mark.parametrize("labels", [("", ""), (" am", " pm"), (" pm", " am")])
def test_what_was_there_on_the_day_a_drill_was_given_is_before_it(labels: tuple[str, str]) -> None:
    """Play of that day counts as before, also beside practice and in whatever order; it is nobody's gain."""
    rows = season((12, "play"), *[(-3, "play")] * 4)[1:]
    practice = season((12, "play"), (-4, "practice"), seed=7)[1]
    for label, row in zip(labels, (rows[0], practice), strict=True):
        row["session"] = f"{day(1)}{label}"
    reported = one([*rows, practice], since=day(1))
    assert (reported["before_sessions"], reported["before_swings"], reported["after_swings"]) == (1, 12, 36)
    assert reported["verdict"] == "no-change", "on the day of the drill it was there already"
    earlier = one([*rows, practice], since=day(0))
    assert (earlier["before_swings"], earlier["after_swings"]) == (0, 36), "else the day is on neither side"


def test_the_day_of_a_second_drill_is_before_it_and_not_after_the_first() -> None:
    rows = season(*[(12, "play")] * 2, (12, "play"), (-3, "play"), (-3, "play"))
    rows.append(season(*[(-4, "practice")] * 4, seed=7)[3])
    sums = pd.DataFrame(rows + others())
    table = changes(sums, given(("lp-01", day(1)), ("lp-01", day(3)), ("o1", day(1))), CATALOGUE)
    assert list(table["before_swings"]) == [24, 24, 24]
    assert list(table["after_swings"]) == [12, 12, 48]
    assert table["after"][0] - EDGE > 8 and table["after"][1] - EDGE < 0


def test_sessions_of_one_day_are_one() -> None:
    rows = season(*[(12, "play")] * 3, *[(-2, "play")] * 2)
    rows[4]["session"], rows[3]["session"] = f"{day(3)} pm", f"{day(3)} am"
    reported = one(rows)
    assert (reported["after_swings"], reported["after_sessions"]) == (24, 1)


def test_few_swings_tell_too_little() -> None:
    rows = season(*[(12, "play")] * 3) + season(*[(0, "play")] * 4, swings=3)[3:]
    assert one(rows)["verdict"] == "too-few"


def test_retest_swings_are_counted() -> None:
    reported = one(season(*[(12, "play")] * 3, (0, "retest")))
    assert reported["retest_swings"] == 12


def test_single_readings_need_what_a_goniometer_needs() -> None:
    """8-11 degrees between two single readings, less from many (facts.md; in Wirth 2019)."""
    single = one(season((12, "play"), (0, "play"), swings=1), since=day(0), swings_of_others=False)
    many = one(season(*[(12, "play")] * 3, *[(0, "play")] * 3))
    assert 8 <= single["smallest"] <= 14
    assert 3 <= many["smallest"] < 7


def test_a_measure_that_is_worse_when_smaller_has_the_same_signs() -> None:
    entry = CATALOGUE["cupped_top"]
    random = np.random.default_rng(5)
    rows = [
        sums_of("lp-01", day(at), entry.edge - past + random.normal(0, 2, 12), fault="cupped_top")
        for at, past in enumerate([12, 12, 12, -2, -2, -2])
    ]
    reported = changes(pd.DataFrame(rows), given(("lp-01", day(2)), fault="cupped_top"), CATALOGUE).iloc[0]
    assert reported["change"] < -8
    assert reported["after"] > reported["before"]


def test_what_changes_in_everybody_is_not_the_drills() -> None:
    random, drift = np.random.default_rng(6), -5.0
    rows = season(*[(8, "play")] * 3, *[(8 + drift, "play")] * 3)
    for number in range(12):
        level = random.normal(-6, 4)
        rows += season(
            *[(level, "play")] * 3, *[(level + drift, "play")] * 3, player=f"o{number}", seed=number + 20
        )
    reported = changes(pd.DataFrame(rows), given(("lp-01", day(2))), CATALOGUE).iloc[0]
    assert reported["trend"] < -2.5
    assert abs(reported["change"]) < 2.5
    assert reported["verdict"] == "no-change"


def test_the_next_drill_ends_the_period_of_the_first() -> None:
    rows = season(*[(12, "play")] * 2, *[(11, "play")] * 2, *[(-4, "play")] * 2) + others()
    table = changes(pd.DataFrame(rows), given(("lp-01", day(1)), ("lp-01", day(3))), CATALOGUE)
    assert list(table["after_sessions"]) == [2, 2]
    assert list(table["before_sessions"]) == [2, 2]
    assert table["change"].iloc[1] < -10 < table["change"].iloc[0]


def test_a_players_result_does_not_depend_on_the_order_of_rows() -> None:
    rows = season(*[(12, "play")] * 3, *[(2, "play")] * 3) + others()
    sums = pd.DataFrame(rows)
    reported = [
        changes(each, given(("lp-01", day(2))), CATALOGUE)
        for each in (sums, sums.sample(frac=1, random_state=1))
    ]
    pd.testing.assert_frame_equal(reported[0], reported[1])


def test_days_and_names_of_sessions_are_in_the_order_of_time() -> None:
    assert is_after("2031-03-02", "2031-03-01")
    assert not is_after("2031-03-01 evening", "2031-03-01")
    assert is_after("s10", "s2")


def test_nobody_and_strangers() -> None:
    sums = pd.DataFrame(others())
    assert list(changes(sums, given(), CATALOGUE).columns) == CHANGE_COLUMNS
    reported = changes(sums, given(("nobody", day(2))), CATALOGUE).iloc[0]
    assert reported["verdict"] == "not-yet"
    assert reported["before_swings"] == 0
    assert drill_effects(changes(sums, given(), CATALOGUE), {}, CATALOGUE) == {}


def test_a_drill_nobody_has_data_for_is_what_the_mechanism_hopes_and_data_move_it() -> None:
    sums = pd.DataFrame(season(*[(12, "play")] * 3, *[(-2, "play")] * 3) + others())
    table = changes(sums, given(("lp-01", day(2))), CATALOGUE)
    reported = drill_effects(table, {DRILL: {FAULT: 0.5}}, CATALOGUE)[DRILL, FAULT]
    assert reported.prior_deg < reported.improvement_deg < -table["change"].iloc[0]
    assert (reported.players, reported.held, reported.enough_players) == (1, 1, False)
    assert reported.share == 0.5, "one player does not yet weigh"


@pytest.mark.parametrize("suffix", [".parquet", ".csv"])
def test_the_table_comes_back_from_a_file_and_can_be_reported(tmp_path: Any, suffix: str) -> None:
    sums = pd.DataFrame(season(*[(12, "play")] * 3, *[(-2, "play")] * 3) + others())
    table = changes(sums, given(("lp-01", day(2)), ("nobody", day(2))), CATALOGUE)
    write_changes(table, tmp_path / f"outcomes{suffix}")
    back = read_changes(tmp_path / f"outcomes{suffix}")
    pd.testing.assert_frame_equal(back, table, check_dtype=False)
    effects = drill_effects(back, {DRILL: {FAULT: 0.5}}, CATALOGUE)
    lines = as_lines(back, effects, {FAULT: "bowed top"}, {}, CATALOGUE)
    assert lines[1].endswith(VERDICTS["held"])
    assert lines[2].endswith(VERDICTS["not-yet"])
    assert any("1 of 1 of your players" in line for line in lines)
    assert not any(
        "nan" in line for line in [*lines, *player_lines(back, effects, {FAULT: "bowed top"}, {}, CATALOGUE)]
    )
    assert as_records(back)[1]["change"] is None


def test_a_fault_that_is_never_assessed_is_not_reported_as_a_day_that_is_missing() -> None:
    """Without a forearm sensor more days tell no more of a fault of the roll."""
    sums = pd.DataFrame(season(*[(12, "play")] * 6) + others())
    table = changes(sums, given(("lp-01", day(2)), fault="roll_over"), CATALOGUE)
    reported = player_lines(table, {}, {"roll_over": "rolling over"}, {}, CATALOGUE)
    assert table["verdict"].tolist() == ["not-yet"]
    assert any("Nor was it assessed in any swing before" in line for line in reported)
    practised = season(*[(12, "play")] * 3, (-4, "practice"))
    table = changes(pd.DataFrame(practised + others()), given(("lp-01", day(2))), CATALOGUE)
    assert not any(
        "Nor was it" in line for line in player_lines(table, {}, {FAULT: "bowed top"}, {}, CATALOGUE)
    )


def test_what_earlier_seasons_showed_stands_beside_this_ones() -> None:
    sums = pd.DataFrame(season(*[(12, "play")] * 3, *[(-2, "play")] * 3) + others())
    assigned = given(("lp-01", day(2)), ("nobody", day(2)))
    now = changes(sums, assigned, CATALOGUE)
    measured_once = all_changes(sums, assigned, None, CATALOGUE)
    assert measured_once is not None
    pd.testing.assert_frame_equal(measured_once, now)
    earlier = now.assign(verdict=["worse", "held"])  # nobody's was known then
    both = all_changes(sums, assigned, earlier, CATALOGUE)
    assert both is not None
    assert dict(zip(both["player"], both["verdict"], strict=True)) == {"nobody": "held", "lp-01": "held"}
    assert all_changes(sums, given(), None, CATALOGUE) is None
    assert all_changes(sums, None, None, CATALOGUE) is None


def test_a_table_with_a_fault_that_is_not_followed_tells_nothing_of_it() -> None:
    sums = pd.DataFrame(season(*[(12, "play")] * 3, *[(-2, "play")] * 3) + others())
    table = changes(sums, given(("lp-01", day(2))), CATALOGUE).assign(fault="no_such_fault")
    assert drill_effects(table, {DRILL: {FAULT: 0.5}}, CATALOGUE) == {}


@pytest.mark.parametrize("fault", ["flexed_top", "held_hinge", "hold_off", "early_ulnar_release"])
@pytest.mark.parametrize("luck", [0.0, 1.6, -2.4])
@pytest.mark.parametrize("others", [0.0, 1.5, -3.0])
def test_the_printed_numbers_of_a_change_add_up(fault: str, luck: float, others: float) -> None:
    """Before less after, less what is taken out, is what is left: as printed, whatever the rounding and the sign."""
    entry = CATALOGUE[fault]
    scale = 1.0 if entry.unit == "deg" else 0.01
    before, after, left = 31.4, 19.7, 10.2
    row = {
        "verdict": "held", "unit": entry.unit, "found_verdict": "",
        "before": entry.sign * before * scale, "after": entry.sign * after * scale,
        "before_swings": 20, "before_sessions": 2, "after_swings": 20, "after_sessions": 2, "retest_swings": 0,
        "change": -left * scale, "change_lo": -14 * scale, "change_hi": -6 * scale, "smallest": 5 * scale,
        "allowance": luck * scale, "trend": -others * scale,
        "rate_before": 0.934, "rate_after": 0.406, "rate_change": -0.46, "rate_lo": -0.73, "rate_hi": -0.19,
        "practice_swings": 0, "practice_change": float("nan"), "kept": float("nan"),
    }  # fmt: skip
    said = sentences(row, entry)
    reported = next(line for line in said if line.startswith("Without feedback it read"))
    number = r"(-?\d+(?:\.\d+)?)"
    read = [
        float(each)
        for each in re.findall(rf"{number} (?:degrees?|of the downswing) (?:before|after)", reported)
    ]
    (raw,) = (
        float(each) for each in re.findall(rf": {number} (?:degrees?|of the downswing) better", reported)
    )
    less = sum(float(each) for each in re.findall(rf"{number} worse for", reported))
    plus = sum(float(each) for each in re.findall(rf"{number} better for", reported))
    (final,) = (float(each) for each in re.findall(rf"leaves {number}", reported))
    turn = entry.sign * entry.measure.shown_sign
    assert turn * (read[0] - read[1]) == pytest.approx(raw)
    assert raw - less + plus == pytest.approx(final) == pytest.approx(round(left) * scale)
    shares = next(line for line in said if line.startswith("The fault shows in an estimated 93 %"))
    assert (
        "41 % after: 52 points fewer; with the same taken out 46 points fewer (90 %: 19 points fewer to 73"
        in shares
    )
