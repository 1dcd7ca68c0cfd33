from __future__ import annotations

import math

import pytest

from faultml.coaching.rules import LATE_SAVE, Coaching
from faultml.faults.catalogue import Measure, load_catalogue
from faultml.report import text


@pytest.mark.parametrize(
    ("value", "said"),
    [(12.4, "+12°"), (-5.6, "−6°"), (0.3, "0°"), (-0.3, "0°"), (math.nan, "–"), (None, "–")],
)
def test_degrees_carry_their_sign(value: float | None, said: str) -> None:
    assert text.degrees(value) == said


def test_a_moment_of_the_downswing_is_no_angle() -> None:
    assert text.reading(0.5, "share") == "50 % of the downswing"
    assert text.reading(25, "deg") == "+25°"
    assert text.size(9.2, "deg") == "9°" and text.size(0.061, "share") == "0.06 of the downswing"


def test_a_spread_that_rounds_to_nothing_is_not_nothing() -> None:
    assert text.spread(0.002, "share") == "less than 1 % of the downswing"
    assert text.spread(0.08, "share") == "8 % of the downswing" and text.spread(5.6, "deg") == "6°"
    assert text.plus_minus(0.03, "share") == " ± 3" and text.plus_minus(0.001, "share") == ""


def test_how_often_falls_from_always_to_never() -> None:
    said = [text.often(share) for share in (1.0, 0.9, 0.7, 0.5, 0.2, 0.1, 0.0)]
    assert said == [
        "nearly always",
        "nearly always",
        "mostly",
        "about half the time",
        "now and then",
        "seldom",
        "hardly ever",
    ]


def test_lists_and_counts_read_as_english() -> None:
    assert text.listed(["a"]) == "a" and text.listed(["a", "b", "c"]) == "a, b and c"
    assert text.count(1, "swing") == "1 swing" and text.count(12000, "swing") == "12,000 swings"


def test_every_fault_has_its_clause_and_its_part(coaching: Coaching) -> None:
    words = text.load_words()
    assert set(words.clause) == set(coaching.fault_ids)
    assert sorted(fault for part in words.part for fault in part.faults) == sorted(coaching.catalogue.ids)
    assert LATE_SAVE not in words.clause


@pytest.mark.parametrize("fault", load_catalogue().faults, ids=lambda fault: fault.id)
def test_every_measure_can_be_said(fault: object) -> None:
    said = text.measure_words(fault.measure)  # type: ignore[attr-defined]
    assert len(said) > 15 and "b0" not in said and "_deg" not in said


def test_a_stretch_within_one_phase_is_said_once() -> None:
    assert text.span_words("b0.2", "b0.6") == "20 to 60 % of the backswing"
    assert text.span_words("b0.8", "d0.2") == "80 % of the backswing to 20 % of the downswing"
    assert text.span_words("b0.2", "b1.0") == "20 % of the backswing to the top"
    measure = Measure(stat="at", channel="flexion_deg", start="d1.0")
    assert text.measure_words(measure) == "wrist bend at impact"


def test_a_change_that_the_catalogue_reads_backwards_is_shown_forward_in_time(coaching: Coaching) -> None:
    """The catalogue's hold-off falls below +10: from impact on the forearm does not roll closed by 10 degrees."""
    hold, roll = coaching.catalogue["hold_off"], coaching.catalogue["early_roll"]
    said = text.measure_words(hold.measure)
    assert said == "change of forearm roll from impact to 30 % of a downswing's time after impact"
    assert text.edge_words(hold, 10.0) == "above −10°"
    assert text.hand_words(hold, 6.0) == "−6° (rolled closed)"
    assert text.hand_words(hold, -4.0) == "+4° (rolled open)"
    assert text.measure_words(roll.measure) == "change of forearm roll from the top to 40 % of the downswing"
    assert text.edge_words(roll, 15.0) == "below −15°"
    assert text.hand_words(coaching.catalogue["recupping"], 14.0) == "+14° (toward cupped)"
    assert text.hand_words(coaching.catalogue["early_ulnar_release"], 0.4) == "40 % of the downswing"
    assert text.measure_words(coaching.catalogue["flexing_downswing"].measure).startswith(
        "change of wrist bend from"
    )


def test_what_cannot_be_seen_is_made_visible() -> None:
    assert text.shown("a\u202eb\x00\u200bc") == "a\ufffdb\ufffd\ufffdc"
    assert len(text.shown("x" * 500)) == text.LONGEST_ID
    assert text.shown("Zoë 李 007") == "Zoë 李 007"


def test_right_and_left_are_said_for_a_left_hander_too() -> None:
    assert text.handed("right, with loft") == "right (left-hander: left), with loft"
    assert text.handed("closes") == "closes"
