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
    assert text.reading(0.5, "share") == "d 0.50"
    assert text.reading(25, "deg") == "+25°"
    assert text.size(9.2, "deg") == "9°" and text.size(0.061, "share") == "0.06 of the downswing"


@pytest.mark.parametrize(
    ("share", "said"),
    [(0.82, "8 of 10 swings"), (0.98, "nearly all swings"), (0.03, "fewer than 1 of 10 swings")],
)
def test_how_many_of_ten_is_honest_at_its_ends(share: float, said: str) -> None:
    assert text.of_ten(share, "swings") == said


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


def test_a_change_read_backwards_is_said_as_a_difference(coaching: Coaching) -> None:
    said = text.measure_words(coaching.catalogue["hold_off"].measure)
    assert said == "forearm roll at impact less that at 30 % of a downswing's time after impact"
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
