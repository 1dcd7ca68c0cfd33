"""The one care check: every drill, history, age and state of pain, and what is said about each."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from itertools import product

import pytest

from faultml.care.body import PlayerBody, Said, pain_state
from faultml.care.check import Amount, Demands, care_check, care_stop
from faultml.care.rules import CareRules, Load, decode_care, load_care
from faultml.coaching.book import load_book
from faultml.errors import CatalogueError
from faultml.recordings.roster_cells import HISTORIES

RULES: CareRules = load_care()
DAY = date(2031, 6, 2)
DRILLS = load_book().drills
FREE = Demands((), "any", Amount(3, 9, 9), strikes=True, phase="top")
BODY = PlayerBody(
    "p", (Said(DAY, "none"),), histories=dict.fromkeys(HISTORIES, False), birth_year=1990, experienced=True
)
SIGNED = {"by": "Ann", "role": "coach", "advice": "doctor: Ort"}


def on(days: int, kind: str, **rest: object) -> Said:
    return Said(DAY + timedelta(days=days), kind, **rest)  # type: ignore[arg-type]


def state(*said: Said, **body: object) -> str:
    return pain_state(replace(BODY, said=said, **body), DAY, RULES).pain


PAINS = {
    "none": (on(0, "none"),),
    "hurts": (on(0, "hurts"),),
    "unknown": (),
    "returned": (on(-9, "hurts"), on(-3, "return", **SIGNED, guardian="Eve")),
}
AGES = {"adult": 1990, "child": 2020, "unknown": None}
ANSWERS = (True, False, None)


def expected(
    loads: set[Load], level: str, history: str, answer: bool | None, age: str, pain: str, able: bool | None
) -> str:
    """The rules once more, in the words of the design and apart from the code: give, show or no."""
    if pain == "hurts":
        return "no"
    barred = {
        "ulnar_history": {"lag", "forced_roll", "flexion_with_ulnar", "unhinging", "ulnar_side"},
        "thumb_history": {"hinge"},
        "elbow_history": {"lag", "forced_roll", "ulnar_side"},
        "nerve_history": {"flexion_with_ulnar", "ulnar_side", "palm_pressure"},
        "hamate_history": {"lag", "ulnar_side", "palm_pressure"},
    }[history] & loads
    young = level == "experienced" or "braced" in loads
    hard = level == "experienced"
    if (barred and answer) or (young and age == "child") or (hard and able is False):
        return "no"
    open_question = (barred and answer is None) or (young and age == "unknown") or (hard and able is None)
    return "show" if pain == "unknown" or open_question else "give"


@pytest.mark.parametrize("drill", DRILLS, ids=lambda drill: drill.id)
def test_every_drill_history_age_and_pain(drill) -> None:
    for history, answer, age, pain, able in product(HISTORIES, ANSWERS, AGES, PAINS, ANSWERS):
        answers = {name: False for name in HISTORIES if name != history}
        answers |= {} if answer is None else {history: answer}
        body = PlayerBody("p", PAINS[pain], histories=answers, birth_year=AGES[age], experienced=able)
        found = care_check(drill.demands, body, DAY, RULES)
        reported = expected(set(drill.loads), drill.level, history, answer, age, pain, able)
        assert found.verdict == reported, (history, answer, age, pain, able)
        assert (found.dose is None) == (reported == "no") == bool(found.reason)
        assert bool(found.ask) == (reported == "show")
        assert found.halved == (pain == "returned" and reported != "no")
        if found.halved and found.dose:
            assert found.dose.sets == drill.dose.sets
            assert found.dose.reps == drill.dose.reps // 2
            assert found.dose.full_speed == drill.dose.full_speed // 2


def test_every_bar_bars_a_drill_and_every_load_is_barred() -> None:
    carried = {load for drill in DRILLS for load in drill.loads}
    barring = {load for name in (*HISTORIES, "under_16") for load in RULES.bars.of(name)}
    assert carried == barring


def test_a_drill_that_hinges_says_so() -> None:
    book = load_book()
    for drill in ("set_at_the_belt", "heavy_head_swing", "corner_to_the_thigh"):
        assert "hinge" in book[drill].loads


@pytest.mark.parametrize(
    ("said", "pain"),
    [
        ((), "unknown"),
        ((on(0, "none"),), "none"),
        ((on(-13, "none"),), "none"),
        ((on(-14, "none"),), "unknown"),
        ((on(1, "none"),), "unknown"),
        ((on(-99, "hurts"),), "hurts"),
        ((on(3, "hurts"),), "hurts"),
        ((on(0, "none"), on(0, "hurts")), "hurts"),
        ((on(0, "return", **SIGNED), on(0, "hurts")), "hurts"),
        ((on(-9, "hurts"), on(0, "none")), "hurts"),
        ((on(-9, "hurts"), on(0, "practised")), "hurts"),
        ((on(-9, "hurts"), on(-8, "return", **SIGNED)), "none"),
        ((on(-30, "hurts"), on(-20, "return", **SIGNED)), "unknown"),
        ((on(-9, "hurts"), on(-8, "return", **SIGNED), on(-7, "hurts")), "hurts"),
        ((on(-9, "hurts"), on(-8, "return", role="coach", advice="doctor: Ort")), "unsigned"),
        ((on(-9, "hurts", red_flag=True), on(-8, "return", by="Ann", advice="player: a friend")), "unsigned"),
        ((on(-9, "hurts", red_flag=True), on(-8, "return", **SIGNED)), "none"),
        # A red flag that was dealt with does not weigh on a later, plain pain.
        (
            (
                on(-9, "hurts", red_flag=True),
                on(-8, "return", **SIGNED),
                on(-7, "hurts"),
                on(-6, "return", by="Ann", role="coach", advice="player: a friend"),
            ),
            "none",
        ),
    ],
)
def test_what_is_known_about_pain(said: tuple[Said, ...], pain: str) -> None:
    assert state(*said) == state(*said[::-1]) == pain


def test_a_minors_return_needs_a_guardian() -> None:
    said = (on(-9, "hurts"), on(-8, "return", **SIGNED))
    assert state(*said, birth_year=2020) == "unsigned"
    assert state(said[0], replace(said[1], guardian="Eve"), birth_year=2020) == "none"


@pytest.mark.parametrize(
    ("year", "under_16", "minor"),
    [(None, None, None), (None, True, True), (None, False, False), (2015, None, True), (2014, None, False),
     (1990, True, True), (2020, False, True)],
)  # fmt: skip
def test_who_counts_as_under_16(year: int | None, under_16: bool | None, minor: bool | None) -> None:
    assert PlayerBody("p", birth_year=year, under_16=under_16).is_minor(DAY) is minor


@pytest.mark.parametrize(("days", "halved", "left"), [(0, True, 6), (5, True, 1), (6, False, 0)])
def test_the_dose_is_halved_until_six_days_of_practice(days: int, halved: bool, left: int) -> None:
    said = (on(-30, "hurts"), on(-20, "return", **SIGNED))
    said += tuple(
        on(-day, "practised", recorded_at=datetime.combine(DAY - timedelta(days=day), time(12), UTC))
        for day in range(days)
    )
    answer = care_check(FREE, replace(BODY, said=said), DAY, RULES)
    assert (answer.halved, answer.days_to_full) == (halved, left)
    if days:
        assert answer.dose == (Amount(3, 4, 4) if halved else Amount(3, 9, 9))


def test_six_days_spread_over_more_than_a_fortnight_do_not_end_it() -> None:
    said = (on(-60, "hurts"), on(-50, "return", **SIGNED), *(on(-3 * day, "practised") for day in range(7)))
    assert care_check(FREE, replace(BODY, said=said), DAY, RULES).halved


def test_the_same_day_twice_counts_once() -> None:
    said = (on(-60, "hurts"), on(-50, "return", **SIGNED), *[on(-1, "practised")] * 9)
    assert pain_state(replace(BODY, said=said), DAY, RULES).pain_free_days == 1


def test_under_16_the_days_caps_are_halved() -> None:
    demands = replace(FREE, dose=Amount(4, 15, 30))
    child = replace(BODY, birth_year=2020)
    assert care_check(demands, BODY, DAY).dose == Amount(4, 15, 30)
    assert care_check(demands, child, DAY).dose == Amount(4, 7, 15)
    assert care_check(demands, replace(BODY, birth_year=None), DAY).dose == Amount(4, 7, 15)


@pytest.mark.parametrize(
    ("body", "reason", "public"),
    [
        (replace(BODY, unread=True), "mend-roster", "mend-roster"),
        (replace(BODY, held_for=("p1l",)), "whose-row", "whose-row"),
        (replace(BODY, said=(on(0, "hurts", where="wrist"),)), "hurts", "paused"),
        (replace(BODY, experienced=False), "level-experienced", "level-experienced"),
        (replace(BODY, birth_year=2020), "under-16", "paused"),
        (replace(BODY, histories=dict.fromkeys(HISTORIES, True)), "ulnar-history", "paused"),
    ],
)
def test_the_public_reason_says_nothing_of_the_body(body: PlayerBody, reason: str, public: str) -> None:
    demands = Demands(("ulnar_side",), "experienced", Amount(3, 5, 0), strikes=True, phase="impact")
    answer = care_check(demands, body, DAY)
    assert (answer.verdict, answer.reason, answer.public_reason()) == ("no", reason, public)
    assert bool(care_stop(body, DAY)) == (reason in ("mend-roster", "whose-row", "hurts"))


def test_who_hits_fat_is_kept_off_hard_mats_where_the_drill_strikes() -> None:
    fat = replace(BODY, hits_fat=True)
    assert care_check(FREE, fat, DAY).soft_ground
    assert not care_check(replace(FREE, strikes=False), fat, DAY).soft_ground


@pytest.mark.parametrize(("own", "limit"), [(None, 12.0), (5.0, 12.0), (16.5, 16.5), (34.0, 20.0)])
def test_the_hinge_limit_is_the_players_own_between_12_and_20(own: float | None, limit: float) -> None:
    assert RULES.limits.hinge_deg(own) == limit


@pytest.mark.parametrize(
    ("channel", "angle", "near"),
    [("ulnar_deg", -24.9, False), ("ulnar_deg", -25.1, True), ("ulnar_deg", 35.1, True), ("ulnar_deg", 34.9, False),
     ("flexion_deg", 85.1, True), ("flexion_deg", -75.1, True), ("flexion_deg", -74.0, False),
     ("pronation_deg", 170.0, False)],
)  # fmt: skip
def test_near_the_end_of_usual_motion_is_past_it_by_the_sensors_doubt(
    channel: str, angle: float, near: bool
) -> None:
    assert RULES.usual_motion.near_end(channel, angle) is near


def test_rules_that_do_not_fit_are_refused() -> None:
    from importlib import resources

    text = resources.files("faultml.care").joinpath("care.toml").read_text(encoding="utf-8")
    for wrong in (text.replace('"braced"', '"brace"'), text.replace("ask-age =", "ask-ages ="), "schema = 1"):
        with pytest.raises(CatalogueError, match="bad-rules"):
            decode_care(wrong)
    lines = [line for line in text.splitlines() if not line.startswith("hurts =")]
    with pytest.raises(CatalogueError, match="words of: hurts"):
        decode_care("\n".join(lines))
