"""The drill book keeps its promises, and a drill that breaks one is refused by name."""

from __future__ import annotations

import re
from importlib import resources

import pytest

from faultml.care.rules import load_care
from faultml.coaching.book import DrillBook, _BookFile, load_book
from faultml.coaching.rules import Coaching, Rules, load_rules
from faultml.errors import CatalogueError
from faultml.faults.catalogue import load_catalogue
from faultml.rules_file import decode

BOOK = resources.files("faultml.coaching").joinpath("drills.toml").read_text(encoding="utf-8")
RULES = resources.files("faultml.coaching").joinpath("rules.toml").read_text(encoding="utf-8")


def test_there_are_thirty_drills_and_two_for_every_fault(coaching: Coaching) -> None:
    assert len(coaching.book) >= 30
    for fault in coaching.fault_ids:
        serving = [drill for drill, served in coaching.serving.items() if fault in served]
        assert len([drill for drill in serving if not coaching.book[drill].when]) >= 2, fault


def test_every_fault_has_a_drill_for_who_may_load_nothing(coaching: Coaching) -> None:
    """But for too little hinge, whose drills all repeat the hinge: no drill was invented for it."""
    for fault in set(coaching.fault_ids) - {"underset"}:
        serving = [coaching.book[drill] for drill, served in coaching.serving.items() if fault in served]
        assert any(not drill.loads and drill.level == "any" and not drill.when for drill in serving), fault


@pytest.mark.parametrize("drill", load_book().drills, ids=lambda drill: drill.id)
def test_a_drill_can_be_followed_alone(drill) -> None:
    assert len(drill.without_ball) >= 4
    assert len(drill.with_ball) >= 2
    assert "stop if it hurts" in drill.stop.lower()
    assert drill.feedback.fade[-1] == 0
    assert drill.dose.amount.rehearsals <= 60
    assert drill.dose.full_speed <= 30
    assert drill.evidence == "low: by mechanism"
    assert drill.retest.of == 10
    for sentence in drill.sentences:
        assert sentence[0].isupper()
        assert sentence.rstrip("'")[-1] in ".!?", sentence
        assert len(sentence.split()) <= 45, sentence


def _first_drill(**changes: str) -> str:
    """The file with one drill, some of its lines replaced."""
    text = BOOK[: BOOK.index("[[drill]]", BOOK.index("[[drill]]") + 1)]
    lines = [
        next((f"{name} = {value}" for name, value in changes.items() if line.startswith(f"{name} =")), line)
        for line in text.splitlines()
    ]
    return "\n".join(lines)


def _window(bound: float) -> str:
    return (
        '{ judges = "swing", fault = "", channel = "flexion_deg", reference = "absolute", from = "b0.0",'
        f' must = "reach", side = "above", bound_deg = {bound}, margin_deg = 4.0 }}'
    )


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"window": _window(38.0)}, "beyond the limits"),
        ({"dose": "{ sets = 3, reps = 25, full_speed = 0, days_a_week = 5 }"}, "dose is over"),
        ({"dose": "{ sets = 3, reps = 10, full_speed = 31, days_a_week = 5 }"}, "dose is over"),
        ({"aim": '"Hold the angle as long as you can."'}, "a cue says hold"),
        ({"aim": '"Drag the grip to the ball."'}, "a cue says drag"),
        ({"aim": '"Roll it over with force."'}, "a cue says forc"),
        ({"stop": '"Carry on."'}, "stop if it hurts"),
        ({"feedback": '{ signal = "Look.", fade = [0.0, 0.5, 1.0] }'}, "fade"),
        ({"feedback": '{ signal = "Look.", fade = [1.0, 0.5] }'}, "fade"),
    ],
)
def test_a_drill_that_breaks_a_rule_is_refused_by_name(changes: dict[str, str], said: str) -> None:
    with pytest.raises(CatalogueError) as refused:
        DrillBook(decode(_first_drill(**changes), "drills.toml", _BookFile), load_care())
    assert "setup_less_cup" in str(refused.value)
    assert said in str(refused.value)


def test_an_untouched_drill_is_accepted() -> None:
    assert len(DrillBook(decode(_first_drill(), "drills.toml", _BookFile), load_care())) == 1


@pytest.mark.parametrize(
    "changes",
    [
        {"level": '"any"\nsecret = 1'},
        {"loads": '["juggling"]'},
        {"name": '""'},
        {"window": '{ channel = "flexion_deg", from = "b0.0", to = "b0.1", low_deg = 4.0, high_deg = 16.0 }'},
    ],
)
def test_a_drill_outside_the_schema_is_refused(changes: dict[str, str]) -> None:
    with pytest.raises(CatalogueError, match=r"drills\.toml"):
        decode(_first_drill(**changes), "drills.toml", _BookFile)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("faults = { early_set = 0.7 }", "faults = { underset = 0.7 }", "early_set is served by fewer"),
        ('drill = "sweep_the_cover"', 'drill = "no_such_drill"', "unknown drill 'no_such_drill'"),
        ("faults = { early_set = 0.7 }", "faults = { early_see = 0.7 }", "unknown fault 'early_see'"),
        ('waits = ["hold_off"', 'waits = ["holds_off"', "unknown fault 'holds_off'"),
        ('words = ["push", "hook"]', 'words = ["push", "hoop"]', "unknown miss 'hoop'"),
    ],
)
def test_rules_that_do_not_fit_are_refused(old: str, new: str, said: str) -> None:
    rules = decode(RULES.replace(old, new, 1), "rules.toml", Rules)
    with pytest.raises(CatalogueError) as refused:
        Coaching(load_catalogue(), load_book(), rules)
    assert said in str(refused.value)


def test_the_weights_of_the_misses_are_those_of_the_design() -> None:
    """The numbers of faults.md, "Misses" (practice: weights to begin from)."""
    rules = load_rules()
    reported = {
        "hook": {
            "roll_over": 1,
            "flexed_top": 1,
            "overflexed_impact": 0.8,
            "flexing_downswing": 0.8,
            "flexed_takeaway": 0.6,
        },
        "slice": {"cupped_top": 1, "hold_off": 0.8, "recupping": 0.8, "fanned_takeaway": 0.5},
        "push": {"hold_off": 0.8, "late_save": 0.8, "cupped_top": 0.5},
        "pull": {"roll_over": 0.8, "early_roll": 0.8, "flexed_top": 0.6},
        "fat": {"early_ulnar_release": 1, "flip": 0.6, "raised_wrist_impact": 0.4},
        "thin": {"flip": 0.9, "held_hinge": 0.9, "early_ulnar_release": 0.6},
    }
    for miss, weights in reported.items():
        for fault, weight in weights.items():
            assert rules.weight(miss, fault) == weight, (miss, fault)


@pytest.mark.parametrize("word", ["mirror", "film", "photograph", "marker", "ruler", "coin", "metronome"])
def test_what_the_steps_and_the_check_use_is_among_the_equipment(word: str) -> None:
    brings = {"film": ("phone",), "photograph": ("phone",)}
    for drill in load_book().drills:
        if re.search(rf"\b{word}", " ".join(drill.sentences), re.IGNORECASE):
            equipment = " ".join(drill.equipment)
            assert any(each in equipment for each in brings.get(word, (word,))), f"{drill.id} lacks a {word}"
