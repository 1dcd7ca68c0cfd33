"""What the player misses with, and what explains it."""

from __future__ import annotations

import pytest

from faultml.coaching.misses import Shot, explains, fits, label_shot, listed_faults, pass_back, profile
from faultml.coaching.rules import load_rules

RULES = load_rules()


def _shots(fault: str = "flexed_top", **swings: tuple[float, float]) -> list[Shot]:
    """`swings` are shot (underscores for spaces) -> (number of swings, share in which the fault shows)."""
    return [Shot(shot.replace("_", " "), fault, n, n * share) for shot, (n, share) in swings.items()]


@pytest.mark.parametrize(
    ("words", "counts", "path"),
    [
        (["straight"], {}, False),
        (["hook"], {"hook": 1}, False),
        (["hook", "push"], {"hook": 0.7}, True),
        (["pull", "hook"], {"hook": 1, "pull": 0.5}, False),
        (["slice", "pull"], {"slice": 0.7}, True),
        (["fat", "hook"], {"fat": 1, "hook": 1}, False),
        (["draw", "thin"], {"thin": 1}, False),
        (["zebra"], {}, False),
    ],
)
def test_two_words_are_read_together(words: list[str], counts: dict[str, float], path: bool) -> None:
    """A push hook tells of the path, a pull hook of the face (common practice, no source)."""
    labels = label_shot(words, RULES)
    assert labels.counts == counts
    assert labels.path == path


def test_without_shots_or_the_rosters_word_the_miss_is_not_known() -> None:
    nothing = profile([], "", RULES)
    assert not nothing.known
    assert explains(nothing, [], ["flexed_top", "underset"], RULES) == {"flexed_top": 0.5, "underset": 0.5}
    assert not profile(_shots(hook=(4, 1.0)), "", RULES).known, "four shots are no habit"


def test_the_roster_word_stands_in_and_gives_way_to_shots() -> None:
    assert profile([], "push hook", RULES).shares == {"hook": 0.7}
    assert profile([], "push hook", RULES).path
    mixed = profile(_shots(straight=(60, 0), slice=(40, 0)), "hook", RULES)
    assert mixed.main == "slice"
    assert mixed.shares["hook"] < 0.2


def test_a_miss_once_in_a_while_counts_for_little() -> None:
    rare = profile(_shots(straight=(98, 0.5), hook=(2, 0.5)), "", RULES)
    often = profile(_shots(straight=(60, 0.5), hook=(40, 0.5)), "", RULES)
    assert rare.level == pytest.approx(0.1)
    assert often.level == 1
    hook = {
        "rare": _shots(straight=(98, 0.5), hook=(2, 0.5)),
        "often": _shots(straight=(60, 0.5), hook=(40, 0.5)),
    }
    assert explains(rare, hook["rare"], ["flexed_top"], RULES)["flexed_top"] == pytest.approx(0.1)
    assert explains(often, hook["often"], ["flexed_top"], RULES)["flexed_top"] == pytest.approx(1.0)


def test_only_good_shots_leave_nothing_to_explain() -> None:
    fine = profile(_shots(straight=(30, 1.0), draw=(10, 1.0)), "", RULES)
    assert fine.known
    assert fine.main == ""
    assert explains(fine, [], ["flexed_top"], RULES) == {"flexed_top": 0.0}


def test_a_fault_that_comes_with_the_miss_explains_more_than_one_that_does_not() -> None:
    with_it = _shots(fault="flexed_takeaway", straight=(40, 0.1), hook=(40, 0.9))
    without = _shots(fault="flexed_takeaway", straight=(40, 0.9), hook=(40, 0.1))
    always = _shots(fault="flexed_takeaway", straight=(40, 0.9), hook=(40, 0.9))
    reported = [
        explains(profile(each, "", RULES), each, ["flexed_takeaway"], RULES)["flexed_takeaway"]
        for each in (with_it, always, without)
    ]
    assert reported[0] > reported[1] > reported[2]
    assert reported[1] == pytest.approx(0.6)


def test_what_the_rules_do_not_know_of_has_to_be_clear() -> None:
    clear = _shots(fault="underset", straight=(40, 0.1), hook=(40, 0.9))
    faint = _shots(fault="underset", straight=(40, 0.45), hook=(40, 0.55))
    assert explains(profile(clear, "", RULES), clear, ["underset"], RULES)["underset"] > 0.1
    assert explains(profile(faint, "", RULES), faint, ["underset"], RULES)["underset"] == 0.0


def test_a_cause_explains_what_it_brings_only_where_that_is_seen() -> None:
    brings = {"fanned_takeaway": ("flexed_top",), "flexed_top": ("late_save",)}
    own = {"fanned_takeaway": 0.0, "flexed_top": 0.2, "late_save": 0.8}
    seen = pass_back(own, brings, {"flexed_top", "late_save"}, 0.9)
    assert seen == pytest.approx({"fanned_takeaway": 0.648, "flexed_top": 0.72, "late_save": 0.8})
    assert pass_back(own, brings, {"flexed_top"}, 0.9)["flexed_top"] == 0.2


@pytest.mark.parametrize(
    ("fault", "with_it", "without", "word"),
    [
        ("roll_over", (20, 0.9), (20, 0.2), "agree"),
        ("roll_over", (20, 0.9), (20, 0.9), "catalogue"),
        ("roll_over", (5, 0.9), (20, 0.1), "catalogue"),  # too few balls to tell
        ("roll_over", (20, 0.2), (20, 0.9), "against"),
        ("hold_off", (20, 0.9), (20, 0.2), "data"),
        ("hold_off", (20, 0.5), (20, 0.5), ""),
        ("hold_off", (20, 0.2), (20, 0.9), ""),
    ],
)
def test_what_ties_a_fault_to_the_miss(fault: str, with_it: tuple, without: tuple, word: str) -> None:
    """By the weights a roll-over brings the pull, and a hold-off does not."""
    rows = _shots(fault=fault, pull=with_it, straight=without)
    misses = profile(rows, "", RULES)
    assert misses.main == "pull"
    listed = listed_faults(misses, {}, frozenset(), [fault], RULES)
    fit = fits(misses, rows, fault in listed, RULES)
    assert fit.word == word
    assert (fit.n_with, fit.n_without) == (with_it[0], without[0])
    assert (fit.rate_with, fit.rate_without) == pytest.approx((with_it[1], without[1]))


def test_a_cause_is_tied_to_what_it_brings_where_that_is_seen() -> None:
    misses = profile(_shots(push=(20, 0.5), straight=(20, 0.5)), "", RULES)
    brings = {"fanned_takeaway": ("flexed_top",), "flexed_top": ("late_save",)}
    everybody = ["fanned_takeaway", "flexed_top", "late_save"]
    seen = listed_faults(misses, brings, frozenset({"flexed_top", "late_save"}), everybody, RULES)
    assert seen == frozenset(everybody)
    assert listed_faults(misses, brings, frozenset(), everybody, RULES) == {"late_save"}


def test_the_balls_say_what_the_miss_is_where_enough_were_noted() -> None:
    few = profile(_shots(slice=(3, 0), straight=(5, 0)), "push", RULES)
    enough = profile(_shots(slice=(6, 0), push=(4, 0), straight=(5, 0)), "push", RULES)
    assert (few.main, enough.main) == ("push", "slice")
    assert enough.disagrees and enough.common == enough.main
