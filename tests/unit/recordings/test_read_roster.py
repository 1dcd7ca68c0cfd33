"""The roster: nothing unknown is read as no or none, and no word about a body is repeated."""

from __future__ import annotations

from pathlib import Path

import pytest
from season_fakes import fake_season, write_long

from faultml.recordings.read import open_season
from faultml.recordings.roster import ROSTER_COLUMNS, Roster, read_roster
from faultml.recordings.roster_cells import HISTORIES

HEADER = ",".join(ROSTER_COLUMNS) + "\n"


def read(tmp_path: Path, text: str | bytes) -> Roster:
    path = tmp_path / "roster.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_roster(path)


def test_a_full_row(tmp_path: Path) -> None:
    table, problems, *_ = read(
        tmp_path, HEADER + "007,Left,club,1994,no,push hook,none,no,yes,no,none,never,2026-05-03 2026-05-01\n"
    )
    assert problems == []
    assert table.iloc[0].to_dict() == {
        "player": "007",
        "hand": "left",
        "level": "club",
        "birth_year": 1994,
        "under_16": False,
        "usual_miss": "push hook",
        "pain": ("none",),
        "ulnar_history": False,
        "thumb_history": True,
        "elbow_history": False,
        "nerve_history": False,
        "hamate_history": False,
        "lessons": ("2026-05-01", "2026-05-03"),
    }


def test_empty_and_absent_cells_are_unknown(tmp_path: Path) -> None:
    for text in (HEADER + "p1" + "," * 12 + "\n", "player\np1\n"):
        table, problems, *_ = read(tmp_path, text)
        row = table.iloc[0]
        assert problems == [] and tuple(table.columns) == ROSTER_COLUMNS
        assert [row[name] for name in ("under_16", "birth_year", *HISTORIES)] == [None] * 7
        assert (row["hand"], row["usual_miss"], row["pain"], row["lessons"]) == ("", "", (), ())


@pytest.mark.parametrize(
    ("said", "kept"),
    [
        ([""], ()),
        (["none"], ("none",)),
        (["wrist", ""], ("wrist",)),
        (["wrist", "none", "wrist"], ("wrist", "none")),
        (["none 2026-05-01", "elbow"], ("none 2026-05-01", "elbow")),
    ],
)
def test_every_word_about_pain_is_kept(said: list[str], kept: tuple[str, ...], tmp_path: Path) -> None:
    table, problems, *_ = read(tmp_path, "player,pain\n" + "".join(f"p1,{word}\n" for word in said))
    assert len(table) == 1 and table["pain"][0] == kept and problems == []


def test_a_return_without_a_name_is_asked_about_and_the_word_not_repeated(tmp_path: Path) -> None:
    _, problems, *_ = read(tmp_path, "player,pain\np1,Cleared\n")
    assert [(each.code, each.player) for each in problems] == [("unsigned-cell", "p1")]
    assert "faultml players return" in problems[0].expected and "leared" not in problems[0].found


@pytest.mark.parametrize("order", [1, -1])
def test_rows_of_a_player_add_up_in_any_order(order: int, tmp_path: Path) -> None:
    rows = ["p1,yes,1994,beginner,no\n", "p1,no,2018,club,yes\n"][::order]
    table, *_ = read(tmp_path, "player,ulnar_history,birth_year,level,under_16\n" + "".join(rows))
    row = table.iloc[0]
    assert (row["ulnar_history"], row["birth_year"], row["under_16"]) == (True, 2018, True)
    assert row["level"] == "beginner"


@pytest.mark.parametrize("word", ["ok", "fine", "no", "n/a", "?"])
def test_unclear_words_about_pain_count_as_pain_and_are_reported(word: str, tmp_path: Path) -> None:
    table, problems, *_ = read(tmp_path, f"player,pain\np1,{word}\n")
    assert table["pain"][0] == (word,) and [row.code for row in problems] == ["unclear-pain"]
    assert problems[0].found == "other words"


def test_unclear_answers(tmp_path: Path) -> None:
    table, problems, *_ = read(
        tmp_path, "player,under_16,ulnar_history,hand,usual_miss\np1,14,sprain 2024,both,duck hook\n"
    )
    row = table.iloc[0]
    assert (row["under_16"], row["ulnar_history"], row["hand"], row["usual_miss"]) == (None, True, "", "hook")
    assert [problem.code for problem in problems] == [
        "unknown-hand",
        "unclear-answer",
        "unknown-shot",
        "unclear-answer",
    ]
    assert {(problem.row, problem.player) for problem in problems} == {(2, "p1")}
    assert "sprain" not in str(problems)


def test_the_last_word_holds_column_by_column(tmp_path: Path) -> None:
    text = (
        "player,level,under_16,lessons\np1,new here,yes,2026-05-01\np2,,,\np1,club,,2026-06-01;2026-05-01\n"
    )
    table, problems, *_ = read(tmp_path, text)
    assert table["player"].tolist() == ["p1", "p2"] and problems == []
    assert table.iloc[0][["level", "under_16", "lessons"]].tolist() == [
        "club",
        True,
        ("2026-05-01", "2026-06-01"),
    ]


@pytest.mark.parametrize(
    ("text", "code", "n_players"),
    [
        (b"", "missing-column", 0),
        (b"name,pain\np1,wrist\n", "missing-column", 0),
        (b"player,pain,pain\np1,none,wrist\n", "missing-column", 0),
        (b"player,pain\np1,none,x\np2,wrist\n", "field-count", 2),
        (b"player,hand,pain\n,left,\np2,left,wrist\n", "missing-id", 1),
        (b"player,pain\n,wrist\np2,wrist\n", "missing-id", 2),  # somebody hurts: it is kept
        (b"player,lessons\np1,1 May\n", "bad-date", 1),
        (b"player,birth_year\np1,94\n", "bad-year", 1),
        ("player\nM\xfcller\n".encode("latin-1"), "not-utf-8", 0),
        (b"player\n" + b"x" * 200_000, "damaged-file", 0),
    ],
)
def test_bad_rosters(text: bytes, code: str, n_players: int, tmp_path: Path) -> None:
    table, problems, *_ = read(tmp_path, text)
    assert len(table) == n_players and {problem.code for problem in problems} == {code}
    assert tuple(table.columns) == ROSTER_COLUMNS


def test_semicolons_and_byte_order_mark(tmp_path: Path) -> None:
    table, problems, *_ = read(tmp_path, b"\xef\xbb\xbfplayer;pain\r\np1;wrist\r\n")
    assert table["pain"].tolist() == [("wrist",)] and problems == []


def test_the_roster_beside_the_season(tmp_path: Path) -> None:
    write_long(fake_season(1), tmp_path / "a.csv")
    assert open_season([tmp_path]).roster.empty
    (tmp_path / "roster.csv").write_text("player,pain\np1,wrist\n")
    for path in (tmp_path, tmp_path / "a.csv"):
        opened = open_season([path])
        assert opened.roster["pain"].tolist() == [("wrist",)] and opened.problems == []


def test_headers_in_other_letters_are_read_and_reported(tmp_path: Path) -> None:
    table, problems, *_ = read(tmp_path, "Player, Hand ,Pain\n Ben ,Right,wrist\n")
    assert table[["player", "hand", "pain"]].to_numpy().tolist() == [["Ben", "right", ("wrist",)]]
    assert [problem.code for problem in problems] == ["other-header"] * 3


def test_a_roster_in_capitals_is_found(tmp_path: Path) -> None:
    write_long(fake_season(1), tmp_path / "a.csv")
    (tmp_path / "Roster.CSV").write_text("player,pain\np1,wrist\n")
    assert open_season([tmp_path]).roster["pain"].tolist() == [("wrist",)]
