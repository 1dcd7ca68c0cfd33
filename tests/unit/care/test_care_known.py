"""What is known now: the roster as it stands, the statements of the store, and names that fit nobody."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from pathlib import Path

import pytest

from faultml.care.body import PlayerBody
from faultml.care.check import care_stop
from faultml.care.known import Known, known_from_file, known_of_run
from faultml.care.names import holds, near
from faultml.care.record import record
from faultml.care.rules import load_care
from faultml.care.statements import Statement, add_statements, cells_seen, statements
from faultml.care.words import care_lines
from faultml.coaching.book import load_book
from faultml.errors import InputError
from faultml.store import Store, open_store
from faultml.store.people import forget, rows_about

DAY = date(2024, 6, 2)
PLAYERS = ["p001", "p010", "p011", "p012", "zed"]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "store.sqlite") as opened:
        yield opened


@pytest.fixture
def roster(tmp_path: Path) -> Path:
    return tmp_path / "roster.csv"


def write(path: Path, text: str, day: date = DAY) -> Path:
    path.write_text(text, encoding="utf-8")
    noon = datetime(day.year, day.month, day.day, 12).timestamp()
    os.utime(path, (noon, noon))
    return path


def stops(known: Known, day: date = DAY) -> dict[str, str]:
    found = {player: care_stop(known.body(player), day) for player in PLAYERS}
    return {player: reason for player, reason in found.items() if reason}


def test_a_text_is_dated_when_it_is_first_seen_and_is_no_news_later(store: Store, roster: Path) -> None:
    write(roster, "player,pain\np001,wrist\n")
    assert stops(known_from_file(roster, PLAYERS, DAY, store)) == {"p001": "hurts"}
    later = DAY + timedelta(days=20)
    body = known_from_file(roster, PLAYERS, later, store).body("p001")
    assert [each.on for each in body.said] == [DAY]
    signed = Statement("p001", "return", later, by="Ann", role="coach", advice="doctor: Ort")
    record(store, [signed], body, later)
    # The roster still says wrist, which it said before the return.
    again = known_from_file(write(roster, "player,pain\np001,wrist\n", later), PLAYERS, later, store)
    assert not stops(again, later)


def test_pain_outlives_the_cell_that_said_it(store: Store, roster: Path) -> None:
    known_from_file(write(roster, "player,pain\np001,wrist\n"), PLAYERS, DAY, store)
    later = DAY + timedelta(days=1)
    for text in ("player,pain\np001,none\n", "player,pain\np001,\n", "player,pain\np010,none\n"):
        assert "p001" in stops(known_from_file(write(roster, text, later), PLAYERS, later, store), later)
    back = known_from_file(write(roster, "player,pain\np001,cleared\n", later), PLAYERS, later, store)
    assert not stops(back, later)


def test_a_text_that_comes_back_is_news(store: Store, roster: Path) -> None:
    days = [DAY + timedelta(days=step) for step in range(3)]
    for day, said in zip(days, ("wrist", "cleared", "wrist"), strict=True):
        known = known_from_file(write(roster, f"player,pain\np001,{said}\n", day), PLAYERS, day, store)
    assert stops(known, days[2]) == {"p001": "hurts"}


def test_without_a_store_words_are_of_the_day_the_file_was_changed(roster: Path) -> None:
    old = write(roster, "player,pain\np001,none\n", DAY - timedelta(days=20))
    assert [each.on for each in known_from_file(old, PLAYERS, DAY).body("p001").said] == [
        DAY - timedelta(days=20)
    ]


def test_a_date_in_the_cell_counts(roster: Path) -> None:
    known = known_from_file(write(roster, "player,pain\np001,none 2024-05-30\n"), PLAYERS, DAY)
    assert [(each.kind, each.on) for each in known.body("p001").said] == [("none", date(2024, 5, 30))]


def test_a_roster_that_cannot_be_found_or_read_gives_nobody_a_drill(tmp_path: Path, roster: Path) -> None:
    gone = known_from_file(tmp_path / "gone.csv", PLAYERS, DAY)
    damaged = known_from_file(write(roster, "name,pain\np001,none\n"), PLAYERS, DAY)
    assert set(stops(gone).values()) == set(stops(damaged).values()) == {"mend-roster"}
    assert len(stops(gone)) == len(stops(damaged)) == len(PLAYERS)
    run = {"roster": {"file": str(tmp_path / "gone.csv")}, "store": {"file": "", "id": ""}}
    assert len(stops(known_of_run(run, PLAYERS, DAY))) == len(PLAYERS)
    mended = write(roster, "player,pain\np001,none\n")
    assert not stops(known_of_run(run, PLAYERS, DAY, roster=mended))


def test_pain_of_a_name_that_fits_nobody_holds_who_it_may_be(store: Store, roster: Path) -> None:
    rows = "".join(f"{player},none\n" for player in PLAYERS if player != "p010")
    write(roster, f"player,pain\n{rows}p01l,elbow\n")
    known = known_from_file(roster, PLAYERS, DAY, store)
    # p010 has no row; the others are spelt nearly so; p001 and zed are somebody else.
    assert stops(known) == dict.fromkeys(["p010", "p011", "p012"], "whose-row")
    assert known.open_names == ("p01l",)
    add_statements(store, [Statement("p01l", "name", DAY, by="Ann")], DAY)
    released = known_from_file(roster, PLAYERS, DAY, store)
    assert not stops(released) and released.open_names == ()


@pytest.mark.parametrize("said", ["cleared", "none", ""])
def test_a_name_that_fits_nobody_clears_nobody_and_holds_nobody_without_pain(said: str, roster: Path) -> None:
    known = known_from_file(write(roster, f"player,pain\np011,wrist\np01l,{said}\n"), PLAYERS, DAY)
    assert stops(known) == {"p011": "hurts"}


@pytest.mark.parametrize(
    ("one", "other", "alike"),
    [("p01l", "p011", True), ("Ana Lopez", "Lopez, Ana", True), ("José", "jose", True), ("anne", "erna", False),
     ("p001", "p012", False), ("Ben", "bne", True), ("Katherine Ort", "Catherine Orth", True), ("zed", "ann", False)],
)  # fmt: skip
def test_near_names(one: str, other: str, alike: bool) -> None:
    assert near(one, other) is near(other, one) is alike


def test_who_has_a_row_is_held_by_a_near_name_only() -> None:
    assert holds(["p01l"], ["p011", "ann"], {"ann"}) == {"p011": ("p01l",), "ann": ("p01l",)}
    assert holds(["p01l"], ["zed"], set()) == {}


SIGNED = {"by": "Ann", "role": "coach", "advice": "doctor: Ort"}


@pytest.mark.parametrize(
    ("where", "born", "who", "code"),
    [
        ("wrist", 1990, {**SIGNED, "by": " "}, "name-needed"),
        ("wrist", 1990, {**SIGNED, "role": ""}, "role-needed"),
        ("wrist", 1990, {**SIGNED, "advice": ""}, "advice-needed"),
        ("numb fingers", 1990, {**SIGNED, "advice": "player: a friend"}, "clinician-needed"),
        ("fell on it", 1990, {**SIGNED, "advice": "coach: the club captain"}, "clinician-needed"),
        ("wrist", 2020, SIGNED, "guardian-needed"),
        ("swollen at night", 2020, {**SIGNED, "advice": "player", "guardian": "Eve"}, "clinician-needed"),
        ("wrist", 1990, SIGNED, ""),
        ("numb", 2020, {**SIGNED, "guardian": "Eve"}, ""),
    ],
)
def test_what_a_return_needs(store: Store, where: str, born: int, who: dict[str, str], code: str) -> None:
    add_statements(store, [Statement("p001", "pain", DAY - timedelta(days=1), where)], DAY)
    add_statements(store, [Statement("p001", "birth_year", DAY, str(born))], DAY)
    body = known_from_file(None, ["p001"], DAY, store).body("p001")
    if code:
        with pytest.raises(InputError, match=code):
            record(store, [Statement("p001", "return", DAY, **who)], body, DAY)
        assert len(statements(store)) == 2
    else:
        record(store, [Statement("p001", "return", DAY, **who)], body, DAY)
        assert not care_stop(known_from_file(None, ["p001"], DAY, store).body("p001"), DAY)


def test_a_return_on_the_day_of_the_pain_is_refused(store: Store) -> None:
    add_statements(store, [Statement("p001", "pain", DAY)], DAY)
    body = known_from_file(None, ["p001"], DAY, store).body("p001")
    with pytest.raises(InputError, match="pain-later"):
        record(store, [Statement("p001", "return", DAY, **SIGNED)], body, DAY)


@pytest.mark.parametrize(
    ("said", "code"),
    [
        (Statement("", "pain", DAY), "bad-player"),
        (Statement("p", "weather", DAY), "bad-about"),  # type: ignore[arg-type]
        (Statement("p", "none", DAY + timedelta(days=1)), "date-ahead"),
        (Statement("p", "ulnar_history", DAY, "perhaps"), "bad-value"),
        (Statement("p", "birth_year", DAY, "94"), "bad-value"),
        (Statement("p", "birth_year", DAY, "2025"), "bad-value"),
        (Statement("p", "pain", DAY, "x" * 501), "too-long"),
        (Statement("p", "name", DAY), "name-needed"),
    ],
)
def test_statements_that_do_not_fit_are_refused(store: Store, said: Statement, code: str) -> None:
    with pytest.raises(InputError, match=code):
        add_statements(store, [Statement("q", "none", DAY), said], DAY)
    assert statements(store) == [], "all or none"


def test_statements_are_never_changed(store: Store) -> None:
    add_statements(store, [Statement("p", "pain", DAY, "wrist")], DAY)
    with pytest.raises(Exception, match="never changed"), store.writing() as connection:
        connection.exec_driver_sql("UPDATE statements SET about = 'none'")


def test_a_yes_of_the_roster_counts_whatever_the_store_says(store: Store, roster: Path) -> None:
    write(roster, "player,ulnar_history,thumb_history,birth_year\np001,yes,no,1990\n")
    said = {"ulnar_history": "no", "thumb_history": "yes", "elbow_history": "yes", "birth_year": "2020"}
    add_statements(store, [Statement("p001", about, DAY, value) for about, value in said.items()], DAY)  # type: ignore[arg-type]
    add_statements(store, [Statement("p001", "elbow_history", DAY, "no", by="Ann")], DAY)
    body = known_from_file(roster, PLAYERS, DAY, store).body("p001")
    assert body.histories == {"ulnar_history": True, "thumb_history": True, "elbow_history": False}
    assert body.birth_year == 2020, "the younger age"


def test_forgetting_leaves_no_byte_and_takes_nothing_in_again(store: Store, roster: Path) -> None:
    write(roster, "player,pain\np001,tender lunate\np010,tender hook\n")
    add_statements(store, [Statement("p001", "pain", DAY, "ganglion"), Statement("p010", "none", DAY)], DAY)
    known_from_file(roster, PLAYERS, DAY, store)
    assert set(rows_about(store, "p001")) == {"statements", "roster_cells", "recorded_players"}
    forget(store, "p001")
    known_from_file(roster, PLAYERS, DAY, store)
    left = b"".join(file.read_bytes() for file in store.path.parent.glob(f"{store.path.name}*"))
    assert b"lunate" not in left and b"ganglion" not in left and b"hook" in left
    assert {player for player, _ in cells_seen(store)} == {"p010"}
    with pytest.raises(InputError, match="forgotten-player"):
        add_statements(store, [Statement("p001", "none", DAY)], DAY)


def test_the_coachs_page_says_what_is_known_and_what_it_means(roster: Path) -> None:
    write(roster, "player,pain,birth_year,thumb_history\np001,numb thumb,2020,yes\n")
    demands = {drill.id: drill.demands for drill in load_book().drills}
    reported = "\n".join(care_lines(known_from_file(roster, PLAYERS, DAY).body("p001"), demands, DAY))
    for words in (
        "2024-06-02 pain: numb thumb",
        "thumb history: yes",
        "elbow history: not asked",
        "under 16",
    ):
        assert words in reported
    assert f"0 may be given, 0 shown until somebody has asked, {len(demands)} not" in reported
    fresh = "\n".join(care_lines(PlayerBody("new"), demands, DAY))
    assert load_care().questions["ask-pain"] in fresh and "0 may be given" in fresh
