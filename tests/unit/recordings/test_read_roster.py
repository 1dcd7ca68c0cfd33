"""The roster: nothing unknown is read as no or none, and pain ends by a clearance only."""

from __future__ import annotations

from pathlib import Path

import pytest
from season_fakes import fake_season, write_long

from faultml.recordings.read import open_season
from faultml.recordings.roster import ROSTER_COLUMNS, Roster, read_roster

HEADER = ",".join(ROSTER_COLUMNS) + "\n"


def read(tmp_path: Path, text: str | bytes) -> Roster:
    path = tmp_path / "roster.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_roster(path)


def test_a_full_row(tmp_path: Path) -> None:
    table, problems, *_ = read(
        tmp_path, HEADER + "007,Left,club,no,push hook,none,no,yes,2026-05-03 2026-05-01\n"
    )
    assert problems == []
    assert table.iloc[0].to_dict() == {
        "player": "007",
        "hand": "left",
        "level": "club",
        "under_16": False,
        "usual_miss": "push hook",
        "pain": "none",
        "ulnar_history": False,
        "thumb_history": True,
        "lessons": ("2026-05-01", "2026-05-03"),
    }


def test_empty_and_absent_cells_are_unknown(tmp_path: Path) -> None:
    for text in (HEADER + "p1,,,,,,,,\n", "player\np1\n"):
        table, problems, *_ = read(tmp_path, text)
        row = table.iloc[0]
        assert problems == [] and tuple(table.columns) == ROSTER_COLUMNS
        assert [row[name] for name in ("under_16", "pain", "ulnar_history", "thumb_history")] == [None] * 4
        assert (row["hand"], row["usual_miss"], row["lessons"]) == ("", "", ())


@pytest.mark.parametrize(
    ("said", "holds"),
    [
        ([""], None),
        (["none"], "none"),
        (["wrist"], "wrist"),
        (["wrist", ""], "wrist"),
        (["wrist", "none"], "wrist"),
        (["wrist", "cleared"], "cleared"),
        (["wrist", "Cleared", "none"], "none"),
        (["cleared", "numb thumb"], "numb thumb"),
        (["none", "elbow", "forearm"], "forearm"),
    ],
)
def test_pain_ends_by_a_clearance_only(said: list[str], holds: str | None, tmp_path: Path) -> None:
    table, problems, *_ = read(tmp_path, "player,pain\n" + "".join(f"p1,{word}\n" for word in said))
    assert len(table) == 1 and table["pain"][0] == holds and problems == []


@pytest.mark.parametrize("word", ["ok", "fine", "no", "n/a", "?"])
def test_unclear_words_about_pain_count_as_pain_and_are_told(word: str, tmp_path: Path) -> None:
    table, problems, *_ = read(tmp_path, f"player,pain\np1,{word}\n")
    assert table["pain"][0] == word and [row.code for row in problems] == ["unclear-pain"]


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


def test_the_last_word_holds_column_by_column(tmp_path: Path) -> None:
    text = (
        "player,level,under_16,lessons\np1,beginner,yes,2026-05-01\np2,,,\np1,club,,2026-06-01;2026-05-01\n"
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
        (b"player,pain\n,wrist\np2,wrist\n", "missing-id", 1),
        (b"player,lessons\np1,1 May\n", "bad-date", 1),
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
    assert table["pain"].tolist() == ["wrist"] and problems == []


def test_the_roster_beside_the_season(tmp_path: Path) -> None:
    write_long(fake_season(1), tmp_path / "a.csv")
    assert open_season([tmp_path]).roster.empty
    (tmp_path / "roster.csv").write_text("player,pain\np1,wrist\n")
    for path in (tmp_path, tmp_path / "a.csv"):
        opened = open_season([path])
        assert opened.roster["pain"].tolist() == ["wrist"] and opened.problems == []


def test_headers_in_other_letters_are_read_and_told(tmp_path: Path) -> None:
    table, problems, *_ = read(tmp_path, "Player, Hand ,Pain\n Ben ,Right,wrist\n")
    assert table[["player", "hand", "pain"]].to_numpy().tolist() == [["Ben", "right", "wrist"]]
    assert [problem.code for problem in problems] == ["other-header"] * 3


def test_a_roster_in_capitals_is_found(tmp_path: Path) -> None:
    write_long(fake_season(1), tmp_path / "a.csv")
    (tmp_path / "Roster.CSV").write_text("player,pain\np1,wrist\n")
    assert open_season([tmp_path]).roster["pain"].tolist() == ["wrist"]
