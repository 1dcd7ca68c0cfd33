"""A practice window in words: what is judged, from where, and what is not."""

from __future__ import annotations

import re

import msgspec
import pytest

from faultml.coaching.book import load_book
from faultml.coaching.records import PlayerDrill, window_cells
from faultml.coaching.rules import load_coaching
from faultml.coaching.window import SpreadWindow, Window
from faultml.faults.catalogue import load_catalogue
from faultml.report.window_words import window_words

COACHING = load_coaching(load_catalogue())


@pytest.mark.parametrize(
    ("drill", "words"),
    [
        ("impact_picture", "wrist bend at impact stays above −5° from your own setup."),
        (
            "three_small_starts",
            "wrist bend from the top to 50 % of the downswing stays above −8° from its own place at the top,"
            " or above 0° from your own setup.",
        ),
        (
            "set_at_the_belt",
            "wrist hinge from 80 % of the backswing to 50 % of the downswing reaches below −18° from your own setup.",
        ),
        (
            "brush_past_the_line",
            "wrist hinge at 50 % of the downswing at most +6° above its lowest since 80 % of the backswing"
            " (25 % of your own unhinging where that is known).",
        ),
    ],
)
def test_a_window_is_one_sentence(drill: str, words: str) -> None:
    assert window_words(COACHING.book[drill].window, COACHING) == words


def test_a_setup_drill_and_a_spread_say_what_is_not_judged() -> None:
    setup = window_words(COACHING.book["setup_less_cup"].window, COACHING)
    assert "absolute angle" in setup and "not moved since" in setup and "by the mirror alone" in setup
    assert "What the swing does with it is not judged here" in setup
    spread = window_words(COACHING.book["ladder_of_lengths"].window, COACHING)
    assert "0.08 of the downswing" in spread and "one swing is not judged" in spread
    assert not COACHING.book["ladder_of_lengths"].feedback_plan.startswith("Only outside the window")


@pytest.mark.parametrize("drill", load_book().drills, ids=lambda drill: drill.id)
def test_a_row_of_the_results_holds_the_whole_window(drill) -> None:
    reported = PlayerDrill(
        player="p001",
        rank=1,
        drill=drill.id,
        priority=0.1,
        care="give",
        confidence="high",
        notes=(),
        faults=(),
        dose=str(drill.dose),
        retest=str(drill.retest),
        retest_due="",
        **window_cells(drill.window),
    ).window
    if isinstance(drill.window, SpreadWindow):
        assert reported == drill.window
    else:
        assert isinstance(reported, Window)
        kept = msgspec.structs.replace(drill.window, share=None, margin_deg=0.0, min_unhinging_deg=0.0)
        assert reported == kept


@pytest.mark.parametrize("drill", load_book().drills, ids=lambda drill: drill.id)
def test_no_window_claims_a_club_face_or_a_ball(drill) -> None:
    assert not re.search(r"\b(face|ball|shot)\b", window_words(drill.window, COACHING))
