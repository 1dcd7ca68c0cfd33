"""A practice window reads its fault, swing by swing, in the player's own numbers."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from care_fakes import HEALTHY, TODAY, known_of

from faultml.care.rules import Setup, load_care
from faultml.channels import CHANNELS
from faultml.coaching.lesson import Lesson
from faultml.coaching.met import KEYS, WINDOW_MET, Met, count_met, met_by_player
from faultml.coaching.place import OwnNumbers, place
from faultml.coaching.prescribe import prescribe
from faultml.coaching.ranking import FaultWorth, Situation, rank_drills
from faultml.coaching.rules import Coaching
from faultml.coaching.summary import add_sums, decode_sums, sum_up
from faultml.coaching.window import SpreadWindow, Window, at_edge, fitted, inside, problems_of, unhinging
from faultml.errors import CatalogueError
from faultml.exact import add_tables, table_of
from faultml.faults.catalogue import load_catalogue, parse_position
from faultml.faults.measure import PHASE_GRID, coordinate

LIMITS = load_care().limits
SETUP = Setup(flexion_deg=-20.0, ulnar_deg=10.0, pronation_deg=0.0)


def curves(channel: str, *swings: dict[str, float]) -> np.ndarray:
    """Swings by straight lines through the given moments; the other channels stay at 0."""
    made = np.zeros((len(swings), 3, len(PHASE_GRID)))
    for swing, points in zip(made, swings, strict=True):
        places = {coordinate(parse_position(moment)): value for moment, value in points.items()}
        swing[CHANNELS.index(channel)] = np.interp(PHASE_GRID, list(places), list(places.values()))
    return made


def window_of(coaching: Coaching, drill: str) -> Window:
    window = coaching.book[drill].window
    assert isinstance(window, Window)
    return window


@pytest.mark.parametrize(
    ("drill", "channel", "swing", "met"),
    [
        # Stays on a side all along the stretch, and not beyond it.
        ("same_shape_to_hip", "flexion_deg", {"b0.2": 0, "b0.4": 9, "b0.6": 0}, 0),
        ("same_shape_to_hip", "flexion_deg", {"b0.6": 0, "b0.7": 30, "b1.0": 30}, 1),
        # Reaches the bound somewhere in the stretch.
        ("set_at_the_belt", "ulnar_deg", {"b0.0": 0, "d0.4": -19, "d1.0": 0}, 1),
        ("set_at_the_belt", "ulnar_deg", {"b0.0": 0, "b0.5": -30, "b0.7": -10, "d1.0": 0}, 0),
        # From the swing's own top, where the guard does not excuse it.
        ("three_small_starts", "flexion_deg", {"b0.0": 0, "b1.0": 5, "d0.3": -5, "d1.0": 10}, 0),
        ("three_small_starts", "flexion_deg", {"b0.0": 0, "b1.0": 20, "d0.3": 1, "d1.0": 10}, 1),
        ("three_small_starts", "flexion_deg", {"b0.0": 0, "b1.0": -20, "d0.3": -27, "d1.0": 10}, 1),
        ("halfway_down_stop", "flexion_deg", {"b0.0": 0, "b1.0": 10, "d0.6": 33, "d1.0": 0}, 0),
        ("halfway_down_stop", "flexion_deg", {"b0.0": 0, "b1.0": 10, "d0.6": 31, "d1.0": 60}, 1),
        # From impact, and no bound on the other side.
        ("toe_up_through", "pronation_deg", {"b0.0": 0, "d1.0": -5, "f0.30": -13}, 0),
        ("toe_up_through", "pronation_deg", {"b0.0": 0, "d1.0": -5, "f0.30": -80}, 1),
        # At impact alone: on the way there it may lie anywhere.
        ("gate_for_the_start", "pronation_deg", {"b0.0": 0, "d0.9": -60, "d1.0": -24}, 1),
        ("gate_for_the_start", "pronation_deg", {"b0.0": 0, "d0.9": 0, "d1.0": -26}, 0),
        ("impact_picture", "flexion_deg", {"b0.0": 0, "d1.0": -6}, 0),
        ("hands_under_the_note", "ulnar_deg", {"b0.0": 0, "d1.0": 17}, 0),
    ],
)
def test_a_swing_is_judged_by_the_statistic_of_its_fault(coaching, drill, channel, swing, met) -> None:
    assert inside(window_of(coaching, drill), curves(channel, swing)).tolist() == [met]


def test_casting_is_judged_by_a_share_of_the_players_own_unhinging(coaching) -> None:
    window = window_of(coaching, "brush_past_the_line")
    swing = curves("ulnar_deg", {"b0.0": 0, "b1.0": -30, "d0.1": -32, "d0.5": -24, "d1.0": 8})
    assert unhinging(swing).tolist() == [40.0]
    assert inside(window, swing).tolist() == [0], "the fallback is 6 degrees"
    assert inside(window, swing, unhinging_deg=40.0).tolist() == [1], "a quarter of 40"
    assert inside(window, swing, unhinging_deg=30.0).tolist() == [0]
    assert np.isnan(inside(window, swing, unhinging_deg=14.9)), "too little unhinging to have a window"


def test_what_cannot_be_judged_is_not_a_number(coaching) -> None:
    swing = curves("flexion_deg", {"b0.0": 0})
    setup, spread = coaching.book["setup_less_cup"].window, coaching.book["ten_same_pictures"].window
    assert np.isnan(inside(setup, swing)), "relative to its own setup a setup is always 0"
    assert inside(setup, swing, address_deg=np.array([[-27.0, 0, 0]])).tolist() == [1]
    assert inside(setup, swing, address_deg=np.array([[-29.0, 0, 0]])).tolist() == [0]
    assert np.isnan(inside(spread, swing)), "one swing has no spread"
    swing[0, 0, 120:] = np.nan
    assert np.isnan(inside(window_of(coaching, "impact_picture"), swing))
    assert inside(window_of(coaching, "two_stops_to_the_top"), swing).tolist() == [1]


def test_an_edge_that_is_moved_moves_the_window(tmp_path: Path, coaching) -> None:
    file = tmp_path / "edges.toml"
    edges = {"flexed_top": 15.0, "recupping": 20.0, "early_ulnar_release": 0.45, "underset": -10.0}
    file.write_text(
        'owner = "Ostrowa club"\n'
        + "".join(f'[[edge]]\nfault = "{f}"\nvalue = {v}\n' for f, v in edges.items())
    )
    moved = load_catalogue(file)
    assert fitted(window_of(coaching, "pause_then_go"), moved, "p1").bound_deg == 10.0
    assert fitted(window_of(coaching, "three_small_starts"), moved, "p1").bound_deg == -16.0
    assert fitted(window_of(coaching, "set_at_the_belt"), moved, "p1").bound_deg == -13.0
    assert fitted(window_of(coaching, "brush_past_the_line"), moved, "p1").start == "d0.45"
    assert fitted(window_of(coaching, "impact_picture"), moved, "p1") == window_of(coaching, "impact_picture")
    for drill in coaching.book.drills:
        window = drill.window
        if isinstance(window, Window) and window.fault and coaching.catalogue[window.fault].unit == "deg":
            fault = coaching.catalogue[window.fault]
            stricter = at_edge(window, fault, fault.edge - 5 * fault.sign)
            assert stricter.sign * (stricter.bound_deg - window.bound_deg) == -5.0, drill.id


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"bound_deg": 19.0}, "the fault's edge with the margin"),
        ({"channel": "ulnar_deg"}, "another channel"),
        ({"start": "b0.9"}, "outside the moments"),
        ({"reference": "top"}, "another reference"),
        ({"guard_deg": 0.0}, "guard"),
        ({"fault": "bowed"}, "unknown fault"),
        ({"start": "x1"}, "bad-position"),
    ],
)
def test_a_window_that_does_not_fit_its_fault_is_refused(coaching, change, said) -> None:
    window = msgspec.structs.replace(window_of(coaching, "pause_then_go"), **change)
    assert any(said in problem for problem in problems_of(window, "", coaching.catalogue))


def test_a_setup_window_is_the_catalogues_address_band(coaching) -> None:
    for drill, bound in (("setup_less_cup", -28.0), ("setup_more_cup", -12.0)):
        window, when = window_of(coaching, drill), coaching.book[drill].when
        assert window.bound_deg == bound
        assert problems_of(window, when, coaching.catalogue) == []
        wrong = msgspec.structs.replace(window, bound_deg=bound + 1)
        assert problems_of(wrong, when, coaching.catalogue)
        assert coaching.book[drill].trains, "it says that it trains the setup"


def test_a_spread_is_not_allowed_to_be_wider_than_its_edge(coaching) -> None:
    spread = SpreadWindow(fault="inconsistent_face", channel="flexion_deg", max_sd=6.5)
    assert problems_of(spread, "", coaching.catalogue)
    assert problems_of(msgspec.structs.replace(spread, fault="flip"), "", coaching.catalogue)


@pytest.mark.parametrize(
    ("drill", "own", "bound", "clipped", "usable"),
    [
        # Flexion is at most 0 absolute where the wrist is fully hinged.
        ("pause_then_go", {"flexion_deg": -13.0}, 13.0, True, True),
        ("pause_then_go", {"flexion_deg": -30.0}, 20.0, False, True),
        ("pause_then_go", {"flexion_deg": 38.0}, -38.0, True, True),
        # Not before and after: the bowing of the downswing is read at d 0.6.
        ("halfway_down_stop", {"flexion_deg": -20.0, "top_flexion_deg": 5.0}, 22.0, False, True),
        ("halfway_down_stop", {"flexion_deg": -20.0, "top_flexion_deg": 58.0}, 2.0, True, False),
        # Extension at most 40 absolute; a bound past the swing's own top could not be met.
        ("three_small_starts", {"flexion_deg": -20.0, "top_flexion_deg": -15.0}, -5.0, True, True),
        ("three_small_starts", {"flexion_deg": -20.0, "top_flexion_deg": -30.0}, 10.0, True, False),
        # Toward the thumb side the player's own hinge, within 12 and 20 absolute.
        ("coin_in_the_heel", {"ulnar_deg": 10.0}, -22.0, True, True),
        ("coin_in_the_heel", {"ulnar_deg": 10.0, "lowest_ulnar_deg": -27.0}, -27.0, True, True),
        ("coin_in_the_heel", {"ulnar_deg": 10.0, "lowest_ulnar_deg": -60.0}, -30.0, True, True),
        ("coin_in_the_heel", {"ulnar_deg": 25.0, "lowest_ulnar_deg": -60.0}, -41.0, False, True),
        # A hinge that has to be reached is brought nearer, and is no window where faulty swings would meet it.
        ("set_at_the_belt", {"ulnar_deg": 10.0}, -18.0, False, True),
        ("set_at_the_belt", {"ulnar_deg": 7.0}, -16.0, True, True),
        ("set_at_the_belt", {"ulnar_deg": 5.0}, -14.0, True, False),
        # Ulnar deviation is at most 22 absolute.
        ("hands_under_the_note", {"ulnar_deg": 14.0}, 8.0, True, True),
        # Casting: a quarter of the player's unhinging, and none where that is under 15.
        ("brush_past_the_line", {"ulnar_deg": 10.0}, 6.0, False, True),
        ("brush_past_the_line", {"lowest_ulnar_deg": -36.0, "impact_ulnar_deg": 4.0}, 10.0, False, True),
        ("brush_past_the_line", {"lowest_ulnar_deg": -12.0, "impact_ulnar_deg": 2.0}, 3.5, False, False),
    ],
)
def test_a_window_is_placed_on_the_players_own_numbers(coaching, drill, own, bound, clipped, usable) -> None:
    setup = msgspec.structs.replace(SETUP, **{name: own[name] for name in CHANNELS if name in own})
    numbers = replace(
        OwnNumbers(setup), **{name: value for name, value in own.items() if name not in CHANNELS}
    )
    placed = place(coaching.book[drill].window, numbers, LIMITS)
    assert placed.window.bound_deg == pytest.approx(bound)
    assert (placed.clipped, placed.usable) == (clipped, usable)


def test_only_one_drill_asks_for_hinge_and_it_asks_for_little(coaching) -> None:
    asks = {
        drill.id: drill.window.bound_deg
        for drill in coaching.book.drills
        if isinstance(drill.window, Window)
        and (drill.window.channel, drill.window.must, drill.window.side) == ("ulnar_deg", "reach", "below")
    }
    assert set(asks) == {"set_at_the_belt", "heavy_head_swing"}
    assert set(asks.values()) == {-18.0}


def test_a_cut_window_is_reported(made, coach) -> None:
    reported = coach(made(past={"flexed_top": 12.0}, address=(-5.0, 10.0, 0.0)))
    row = reported.drills[reported.drills["drill"] == "two_stops_to_the_top"].iloc[0]
    assert (row["window_must"], row["window_side"], row["window_bound_deg"]) == ("stay", "below", 5.0)
    assert (row["window_reference"], row["window_from"], row["window_to"]) == ("setup", "b1.0", "b1.0")
    assert any(note.startswith("window-clipped:") for note in row["notes"])


# ------------------------------------------------------------ windows that are met already


def _counted(n_faulty: int, n_met: int, drill: str = "two_stops_to_the_top") -> pa.Table:
    keys = {"player": ["lp-01"], "drill": [drill], "fault": ["flexed_top"]}
    return table_of(keys, {"n_faulty": np.array([n_faulty]), "n_met": np.array([n_met])})


def _first(coaching: Coaching, season, windows: pa.Table):
    sums = sum_up(season.swings, season.faults, coaching.catalogue, windows)
    known = known_of(pd.DataFrame([{"player": "lp-01", **HEALTHY}]))
    return prescribe(decode_sums(add_sums([sums])), known, coaching, TODAY)


def _met(counted: pa.Table) -> dict[str, dict[tuple[str, str], Met]]:
    return met_by_player(counted.to_pandas())


@pytest.mark.parametrize(
    ("n_faulty", "n_met", "given"), [(8, 4, False), (8, 3, True), (7, 7, True), (40, 20, False)]
)
def test_a_first_drill_whose_window_is_met_already_is_not_given(
    made, coaching, n_faulty, n_met, given
) -> None:
    season = made(past={"flexed_top": 12.0}, shots=[("hook",)])
    reported = _first(coaching, season, _counted(n_faulty, n_met))
    first = reported.drills.iloc[0]
    assert (first["drill"] == "two_stops_to_the_top") == given
    assert first["rank"] == 1 and "flexed_top" in first["faults"], "the next one is given"
    options = {option.drill: option for option in reported.explanations["lp-01"].options}
    if not given:
        assert (options["two_stops_to_the_top"].status, options["two_stops_to_the_top"].why) == (
            "barred",
            WINDOW_MET,
        )
        note = next(note for note in first["notes"] if note.startswith(WINDOW_MET))
        assert f"{n_met} of {n_faulty} faulty swings" in note and "Two stops to the top" in note


def test_a_reserve_is_held_against_the_fault_it_is_given_for(coaching) -> None:
    """After the first drill the second is worth most for the takeaway, though alone it would be for the top."""
    worths = [
        FaultWorth("flexed_top", rate=0.9, severity=12.3, explains=1.0),
        FaultWorth("flexed_takeaway", rate=0.7, severity=6.0, explains=1.0),
    ]
    kept = {"two_stops_to_the_top", "same_shape_to_hip"}
    refused = {drill: "level-experienced" for drill in coaching.serving if drill not in kept}
    free = {each.drill: each for each in rank_drills(worths, Situation(refused=refused), coaching)}
    reserve = next(each for each in free.values() if each.rank == 2)
    met = frozenset({(reserve.drill, reserve.main)})
    held = {each.drill: each for each in rank_drills(worths, Situation(refused=refused, met=met), coaching)}
    assert (held[reserve.drill].status, held[reserve.drill].why) == ("barred", WINDOW_MET)


def test_a_drill_in_progress_whose_window_is_met_says_so(made, coaching) -> None:
    season = made(past={"flexed_top": 12.0}, shots=[("hook",)])
    sums = sum_up(season.swings, season.faults, coaching.catalogue, _counted(20, 12))
    known = known_of(pd.DataFrame([{"player": "lp-01", **HEALTHY}]))
    lesson = Lesson("two_stops_to_the_top", "flexed_top", "2031-04-01", "2031-04-20")
    reported = prescribe(
        decode_sums(add_sums([sums])), known, coaching, TODAY, lessons={"lp-01": lesson}
    ).drills.iloc[0]
    assert (reported["drill"], reported["retest_due"]) == ("two_stops_to_the_top", "2031-04-20")
    (note,) = [note for note in reported["notes"] if note.startswith("window-met-meanwhile")]
    assert "12 of 20 faulty swings" in note


@pytest.mark.parametrize(("fault", "code"), [("underset", "seldom-now"), ("early_roll", "not-assessed-now")])
def test_a_drill_in_progress_whose_fault_is_none_now_says_so(made, coaching, fault: str, code: str) -> None:
    """It is not a finding that one could be sure of: the confidence is low, and a style is not left alone by it."""
    rolls = made(past={"flexed_top": 12.0}, shots=[("hook",)])
    seen = rolls.faults["fault"].isin(["early_roll"])
    faults = rolls.faults.assign(
        status=rolls.faults["status"].where(~seen, "not_assessed"),
        probability=rolls.faults["probability"].where(~seen),
        measure=rolls.faults["measure"].where(~seen),
    )
    sums = sum_up(rolls.swings, faults, coaching.catalogue, _counted(20, 0))
    known = known_of(pd.DataFrame([{"player": "lp-01", **HEALTHY}]))
    drill = next(each for each, served in coaching.serving.items() if max(served, key=served.get) == fault)
    lessons = {"lp-01": Lesson(drill, fault, "2031-04-01", "2031-04-20")}
    reported = prescribe(decode_sums(add_sums([sums])), known, coaching, TODAY, lessons=lessons).drills.iloc[
        0
    ]
    assert reported["drill"] == drill
    assert [note for note in reported["notes"] if note.startswith(code)]
    assert reported["confidence"] == "low"


def test_where_every_window_is_met_the_reason_is_given(made, coaching) -> None:
    season = made(past={"flexed_top": 12.0}, shots=[("hook",)])
    drills = [drill for drill, served in coaching.serving.items() if "flexed_top" in served]
    reported = _first(coaching, season, add_tables([_counted(20, 15, drill) for drill in drills], KEYS))
    assert reported.drills["reason"].tolist() == ["drills-ruled-out"]
    assert "most of the faulty swings already meet" in reported.drills["notes"][0][0]


def test_a_reserve_does_not_come_after_a_leading_fault_that_gets_no_drill(made, coaching) -> None:
    season = made(past={"flexed_top": 14.0, "roll_over": 7.0}, shots=[("hook",), ("straight",)])
    drills = [drill for drill, served in coaching.serving.items() if "flexed_top" in served]
    reported = _first(coaching, season, add_tables([_counted(20, 15, drill) for drill in drills], KEYS))
    assert reported.players.set_index("fault")["leading"]["flexed_top"]
    assert len(reported.drills) > 1
    for notes, faults in zip(reported.drills["notes"], reported.drills["faults"], strict=True):
        codes = {note.split(":")[0] for note in notes}
        assert faults[0] == "roll_over"
        assert "serves-other" in codes and "serves-next" not in codes


def test_faulty_swings_that_meet_a_window_are_counted_by_player_drill_and_fault(coaching) -> None:
    """Three swings bowed at the top; of the last one the takeaway is bowed as well."""
    bowed = {"b0.0": 0, "b0.6": 2, "b1.0": 35, "d1.0": 20}
    early = {"b0.0": 0, "b0.4": 30, "b1.0": 35, "d1.0": 20}
    swings = curves("flexion_deg", bowed, bowed, early, bowed)
    faults, edges = coaching.catalogue.ids, [fault.edge for fault in coaching.catalogue.faults]
    flagged = np.zeros((4, len(faults)), dtype=bool)
    flagged[:3, faults.index("flexed_top")] = True
    counted = count_met(["a", "a", "a", "b"], flagged, np.tile(edges, (4, 1)), swings, coaching)
    met = _met(counted)
    assert set(met) == {"a"}
    assert met["a"]["pause_then_go", "flexed_top"] == (3, 0)
    assert met["a"]["same_shape_to_hip", "flexed_top"] == (3, 2), "its window reads the takeaway"
    assert ("setup_less_cup", "flexed_top") not in met["a"], "no swing is judged by it"
    own = np.tile(edges, (4, 1))
    own[:, faults.index("flexed_top")] = 45.0
    assert _met(count_met(["a"] * 4, flagged, own, swings, coaching))["a"]["pause_then_go", "flexed_top"] == (
        3,
        3,
    )


def test_every_stretch_of_the_book_lies_on_the_grid(coaching) -> None:
    for drill in coaching.book.drills:
        if isinstance(drill.window, Window):
            for moment in drill.window.span:
                assert np.isclose(PHASE_GRID, coordinate(moment)).any(), drill.id


def test_the_book_is_refused_where_a_window_has_no_room(coaching) -> None:
    from faultml.coaching.book import DrillBook, _BookFile

    drill = coaching.book["set_at_the_belt"]
    far = msgspec.structs.replace(drill, window=msgspec.structs.replace(drill.window, bound_deg=-30.0))
    with pytest.raises(CatalogueError, match=re.escape("set_at_the_belt")):
        DrillBook(_BookFile(schema=1, drill=(far,)), load_care())
