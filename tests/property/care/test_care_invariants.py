"""What holds for whatever is said of a body, in whatever order."""

from __future__ import annotations

import os
from datetime import date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory

from hypothesis import given, settings
from hypothesis import strategies as st

from faultml.care.body import PlayerBody, Said, pain_state
from faultml.care.check import Amount, Demands, allowed_dose, care_check, care_stop
from faultml.care.known import Known, known_from_file
from faultml.care.rules import load_care
from faultml.care.statements import Statement, add_statements
from faultml.recordings.roster_cells import HISTORIES
from faultml.store import open_store
from faultml.store.people import forget

DAY = date(2031, 6, 2)
RULES = load_care()
PLAYERS = ["p1", "anna maria"]
FREE = Demands((), "any", Amount(3, 9, 9), strikes=True, phase="top")
SIGNED = {"by": "Ann", "role": "coach", "advice": "doctor: Ort", "guardian": "Eve"}

DAYS = st.integers(-40, 2).map(lambda days: DAY + timedelta(days=days))
SAID = st.builds(
    lambda on, kind, flag: Said(on, kind, red_flag=flag, **(SIGNED if kind == "return" else {})),
    DAYS,
    st.sampled_from(["hurts", "none", "practised", "return"]),
    st.booleans(),
)
COLUMNS = ("player", "level", "birth_year", "pain", *HISTORIES)
CELLS = st.fixed_dictionaries(
    {
        "player": st.sampled_from(["p1", "P1 ", "anna maria", "Anna  Maria"]),
        "level": st.sampled_from(["", "beginner", "county"]),
        "birth_year": st.sampled_from(["", "1990", "2020"]),
        "pain": st.sampled_from(["", "none", "wrist", "cleared", "none 2031-05-30", "numb 2031-05-01"]),
        **dict.fromkeys(HISTORIES, st.sampled_from(["", "no", "yes", "a bit"])),
    }
)


def known(rows: list[dict[str, str]]) -> Known:
    with TemporaryDirectory() as folder:
        path = Path(folder, "roster.csv")
        lines = [",".join(COLUMNS), *(",".join(row[name] for name in COLUMNS) for row in rows)]
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        noon = datetime(DAY.year, DAY.month, DAY.day, 12).timestamp()
        os.utime(path, (noon, noon))
        return known_from_file(path, PLAYERS, DAY)


def answers(known: Known) -> list[object]:
    """What care says of each player and of each load and level."""
    loads = [(), *((load,) for load in ("hinge", "lag", "ulnar_side", "palm_pressure", "braced"))]
    return [
        care_check(Demands(load, level, Amount(3, 9, 9), True, "top"), known.body(player), DAY)
        for player in PLAYERS
        for load in loads
        for level in ("any", "experienced")
    ]


@given(
    st.lists(CELLS, min_size=1, max_size=5).flatmap(
        lambda rows: st.tuples(st.just(rows), st.permutations(rows))
    )
)
@settings(max_examples=60, deadline=None)
def test_the_order_of_the_rosters_rows_changes_nothing(rows) -> None:
    one, other = rows
    assert answers(known(one)) == answers(known(other))


@given(st.lists(CELLS, min_size=1, max_size=4), st.data())
@settings(max_examples=40, deadline=None)
def test_a_row_that_stands_twice_changes_nothing(rows, data) -> None:
    again = data.draw(st.sampled_from(rows))
    assert answers(known(rows)) == answers(known([*rows, again]))


@given(st.lists(SAID, max_size=8).flatmap(lambda said: st.tuples(st.just(said), st.permutations(said))))
def test_the_order_in_which_things_are_said_changes_nothing(said) -> None:
    one, other = (PlayerBody("p", tuple(each)) for each in said)
    assert pain_state(one, DAY, RULES) == pain_state(other, DAY, RULES)


@given(st.lists(SAID, max_size=8), DAYS)
def test_on_the_same_day_pain_wins_and_only_a_later_return_lifts_it(said, day) -> None:
    later = [each for each in said if each.on > day and each.kind == "return" and each.on <= DAY]
    body = PlayerBody("p", (*said, Said(day, "hurts")))
    last = max(each.on for each in body.said if each.kind == "hurts")
    lifted = any(each.on > last for each in later)
    assert bool(care_stop(body, DAY)) == (not lifted)


@given(st.lists(SAID, max_size=8))
def test_more_pain_never_allows_more(said) -> None:
    order = ["give", "show", "no"]
    before = care_check(FREE, PlayerBody("p", tuple(said), birth_year=1990), DAY).verdict
    after = care_check(FREE, PlayerBody("p", (*said, Said(DAY, "hurts")), birth_year=1990), DAY).verdict
    assert order.index(after) >= order.index(before)


@given(st.integers(1, 6), st.integers(1, 40), st.integers(0, 60))
def test_doses_stay_inside_the_caps_and_are_never_more_than_asked(sets: int, reps: int, speed: int) -> None:
    asked = Amount(sets, reps, speed)
    doses = [
        allowed_dose(asked, halved=halved, minor=minor, rules=RULES)
        for halved, minor in ((False, False), (False, True), (True, True))
    ]
    assert doses[0].rehearsals <= RULES.dose.rehearsals and doses[0].full_speed <= RULES.dose.full_speed
    assert doses[1].rehearsals <= RULES.dose.rehearsals // 2
    for more, less in pairwise([asked, *doses]):
        assert less.sets == more.sets and less.reps <= more.reps and less.full_speed <= more.full_speed


@given(st.lists(st.sampled_from(["lunate", "scaphoid", "ganglion"]), min_size=1, max_size=4))
@settings(max_examples=10, deadline=None)
def test_who_is_forgotten_leaves_no_byte_of_what_was_said(words) -> None:
    with TemporaryDirectory() as folder, open_store(Path(folder, "store.sqlite")) as store:
        add_statements(store, [Statement("p1", "pain", DAY, word) for word in words], DAY)
        add_statements(store, [Statement("p2", "pain", DAY, "trapezium")], DAY)
        forget(store, "p1")
        left = b"".join(file.read_bytes() for file in Path(folder).iterdir())
        assert not any(word.encode() in left for word in words) and b"trapezium" in left
