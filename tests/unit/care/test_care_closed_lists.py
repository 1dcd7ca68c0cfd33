"""Only what is on a closed list lets a drill through: roles, plain complaints, levels, days."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from faultml.care import statements as statements_module
from faultml.care.body import PlayerBody, Said, pain_state
from faultml.care.check import Amount, Demands, care_check, care_stop
from faultml.care.known import known_from_file
from faultml.care.record import record
from faultml.care.rules import load_care
from faultml.care.seen import SeenCell, said_in
from faultml.care.statements import Statement, add_statements, latest_day, statements
from faultml.errors import InputError
from faultml.recordings.roster_cells import cell_words, is_plain, more_careful_level, read_experienced
from faultml.store import Store, open_store

DAY = date(2024, 6, 3)
YESTERDAY = DAY - timedelta(days=1)
RULES = load_care()
SIGNED = {"by": "Ann", "role": "coach", "advice": "hand therapist: Ort"}
HARD = Demands((), "experienced", Amount(3, 9, 9), strikes=True, phase="top")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "store.sqlite") as opened:
        yield opened


@pytest.mark.parametrize(
    "written",
    [
        "no doctor, he feels fine", "Dr Google", "not seen a physio", "doctor, none", "a doctor", "doctor?", "doctor: ",
        "doctor: none", "doctor: -", "physio", "", "me", "the doctor said no", "doctor: not seen yet",
        "doctor: none seen", "doctor: nobody asked", "doctor: appointment pending", "doctor: will ask",
        "doctor: Ort 2", "doctor: Ort?",
        "doctor: he hasn't seen one",
    ],
)  # fmt: skip
def test_advice_and_role_outside_the_list_are_refused_with_the_list(store: Store, written: str) -> None:
    add_statements(store, [Statement("p1", "pain", YESTERDAY, "numb")], DAY)
    body = known_from_file(None, ["p1"], DAY, store).body("p1")
    for name in ("role", "advice"):
        said = Statement("p1", "return", DAY, **(SIGNED | {name: written}))
        with pytest.raises(InputError, match=f"{name}-needed") as refused:
            record(store, [said], body, DAY)
        assert "hand therapist" in refused.value.expected
        with pytest.raises(InputError, match=f"{name}-needed"):
            add_statements(store, [said], DAY)  # nor from Python without the body
    assert len(statements(store)) == 1


@pytest.mark.parametrize("advice", ["doctor", "Hand  Therapist: Ort", "GP: J. Ort-Lee", "nurse: O'Ort"])
def test_a_clinicians_role_lifts_what_is_not_plain(store: Store, advice: str) -> None:
    add_statements(store, [Statement("p1", "pain", YESTERDAY, "numb")], DAY)
    body = known_from_file(None, ["p1"], DAY, store).body("p1")
    with pytest.raises(InputError, match="clinician-needed"):
        record(store, [Statement("p1", "return", DAY, **(SIGNED | {"advice": "coach: Ann"}))], body, DAY)
    record(store, [Statement("p1", "return", DAY, **(SIGNED | {"advice": advice}))], body, DAY)
    assert not care_stop(known_from_file(None, ["p1"], DAY, store).body("p1"), DAY)


@pytest.mark.parametrize("name", ["", " ", "-", "none", "no", "n", "1"])
def test_nobody_is_no_name(store: Store, name: str) -> None:
    with pytest.raises(InputError, match="name-needed"):
        add_statements(store, [Statement("p1", "return", DAY, **(SIGNED | {"by": name}))], DAY)
    said = (Said(YESTERDAY, "hurts"), Said(DAY, "return", **SIGNED, guardian=name))
    assert pain_state(PlayerBody("p1", said, birth_year=2020), DAY, RULES).lacks == ("guardian",)


@pytest.mark.parametrize(
    "words",
    [
        "pins and needles", "wrist at night", "cannot feel my fingers", "popped and swelled", "can't grip", "fractures",
        "wrist \U0001f915", "\U0001f915", "Schmerz", "taub", "numb", "weak", "wrist?", "no", "wrist 11", "torn wrist",
    ],
)  # fmt: skip
def test_any_other_word_about_pain_needs_a_clinician(words: str) -> None:
    for said in (Statement("p1", "pain", YESTERDAY, words).as_said, said_in(SeenCell(words, YESTERDAY))):
        assert said is not None and said.kind == "hurts" and said.red_flag
        back = Said(DAY, "return", **(SIGNED | {"advice": "coach: Ann"}))
        assert pain_state(PlayerBody("p1", (said, back)), DAY, RULES).lacks == ("clinician",)
        healed = replace(back, advice="doctor: Ort")
        assert pain_state(PlayerBody("p1", (said, healed)), DAY, RULES).pain == "none"


@pytest.mark.parametrize("words", ["wrist", "Sore wrist", "stiff, a bit; 3/10", "left thumb aches (lead)"])
def test_plain_complaints(words: str) -> None:
    assert is_plain(words)


@pytest.mark.parametrize(
    ("level", "experienced", "verdict"),
    [
        ("experienced", True, "give"), ("County ", True, "give"), ("beginner", False, "no"), ("novice", False, "no"),
        ("beginners", None, "show"), ("newbie", None, "show"), ("novice (36)", None, "show"), ("", None, "show"),
        ("Anf\u00e4nger", None, "show"), ("not experienced", None, "show"), ("36", None, "show"),
    ],
)  # fmt: skip
def test_only_a_level_of_the_list_is_experienced(
    tmp_path: Path, level: str, experienced: bool | None, verdict: str
) -> None:
    assert read_experienced(level) is experienced
    roster = tmp_path / "roster.csv"
    roster.write_text(f"player,level,pain,birth_year\np1,{level},none {DAY},1990\n", encoding="utf-8")
    answer = care_check(HARD, known_from_file(roster, ["p1"], DAY).body("p1"), DAY)
    assert answer.verdict == verdict and (answer.ask == ("ask-level",)) == (verdict == "show")


def test_the_level_may_be_answered_in_the_store_but_a_beginner_stays_one(
    store: Store, tmp_path: Path
) -> None:
    roster = tmp_path / "roster.csv"
    roster.write_text("player,level\np1,club\np2,beginner\np3,county\n", encoding="utf-8")
    said = [("p1", "yes"), ("p2", "yes"), ("p3", "no")]
    add_statements(
        store, [Statement(player, "experienced", DAY, word, by="Ann") for player, word in said], DAY
    )
    known = known_from_file(roster, ["p1", "p2", "p3"], DAY, store)
    assert [known.body(player).experienced for player, _ in said] == [True, False, False]
    with pytest.raises(InputError, match="bad-value"):
        add_statements(store, [Statement("p1", "experienced", DAY, "very")], DAY)
    with pytest.raises(InputError, match="name-needed"):
        add_statements(store, [Statement("p1", "experienced", DAY, "yes")], DAY)


def test_of_two_levels_the_more_careful_counts() -> None:
    assert more_careful_level("county", "club") == more_careful_level("club", "county") == "club"
    assert (
        more_careful_level("club", "beginner") == "beginner" and more_careful_level("", "county") == "county"
    )


def test_a_return_dated_ahead_is_pain_until_then_and_none_dated_ahead_says_nothing() -> None:
    ahead = (DAY + timedelta(days=9)).isoformat()
    back = said_in(SeenCell(f"cleared {ahead}", DAY))
    assert back is not None
    for day in (DAY, DAY + timedelta(days=9), DAY + timedelta(days=99)):
        assert pain_state(PlayerBody("p1", (back,)), day, RULES).pain == "hurts"
    assert said_in(SeenCell(f"none {ahead}", DAY)) is None
    known = said_in(SeenCell(f"none {DAY}", DAY))
    assert known is not None and known.kind == "none"


def test_a_machine_in_another_time_zone_wins_no_day(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    class Clock(datetime):
        @classmethod
        def now(cls, tz: object = None) -> Clock:
            assert tz is UTC
            return cls(YESTERDAY.year, YESTERDAY.month, YESTERDAY.day, 12)

    monkeypatch.setattr(statements_module, "datetime", Clock)
    assert (
        latest_day("return", DAY) == latest_day("none", DAY) == YESTERDAY and latest_day("pain", DAY) == DAY
    )
    for about in ("none", "practised", "return", "name"):
        with pytest.raises(InputError, match="date-ahead"):
            add_statements(store, [Statement("p1", about, DAY, **SIGNED)], DAY)  # type: ignore[arg-type]
    add_statements(store, [Statement("p1", "pain", DAY)], DAY)


def test_days_of_practice_recorded_at_once_count_for_one(store: Store) -> None:
    days = [DAY - timedelta(days=step) for step in range(6)]
    said = [Statement("p1", "practised", day, by="Ann") for day in days]
    add_statements(store, said, DAY)
    early = (Said(DAY - timedelta(days=30), "hurts"), Said(DAY - timedelta(days=20), "return", **SIGNED))
    kept = tuple(each.as_said for each in statements(store))
    body = PlayerBody("p1", (*early, *(each for each in kept if each is not None)))
    state = pain_state(body, DAY, RULES)
    assert (state.pain_free_days, state.halved) == (1, True)


def test_the_page_lists_every_word_that_lets_a_drill_through() -> None:
    page = " ".join((Path(__file__).parents[3] / "docs" / "care.md").read_text(encoding="utf-8").split())
    words = cell_words()
    listed = {
        *RULES.words.clinicians,
        *RULES.words.others,
        *words.level.experienced,
        *words.level.beginner,
        *words.columns.ignored,
        *(place for place in words.pain.places if not place.endswith("s") and place != "feet"),
    }
    assert [word for word in sorted(listed) if word not in page] == []
