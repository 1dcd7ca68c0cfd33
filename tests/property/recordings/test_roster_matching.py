"""Whatever way a name or a header is written, pain on record never leads to a drill."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from care_fakes import TODAY
from hypothesis import given
from hypothesis import strategies as st

from faultml.care.check import care_stop
from faultml.care.known import known_now
from faultml.recordings.roster import read_roster
from faultml.recordings.roster_cells import NOT_READ
from faultml.recordings.roster_match import MatchedRoster, match_roster

NAMES = st.sampled_from(["Ben", "anna maria", "007", "Jos\u00e9", "p1"])
CASES = st.sampled_from([str.upper, str.lower, str.title, str.swapcase, str])
SPACES = st.sampled_from(["", " ", "  ", "\u00a0"])


def matched(text: str, recorded: list[str], encoding: str = "utf-8") -> MatchedRoster:
    with TemporaryDirectory() as folder:
        path = Path(folder, "roster.csv")
        path.write_text(text, encoding=encoding)
        return match_roster(read_roster(path), recorded)


def stopped(roster: MatchedRoster, player: str) -> bool:
    return bool(care_stop(known_now(roster, [player], TODAY).body(player), TODAY))


@given(NAMES, CASES, CASES, CASES, SPACES, SPACES, st.booleans(), st.lists(st.sampled_from(["none", ""])))
def test_pain_is_never_lost_over_a_name(
    name, case, case_recorded, case_header, before, after, spaced, others
) -> None:
    recorded = case_recorded(name) + (after if spaced else "")
    header = ",".join(before + case_header(column) + after for column in ("player", "hand", "pain"))
    rows = [f"{before}{case(name)}{after},right,wrist", *(f"{name},left,{said}" for said in others)]
    for ordered in (rows, rows[::-1]):
        known_roster = matched("\n".join([header, *ordered]), [recorded, "somebody else"])
        assert stopped(known_roster, recorded)
        assert not stopped(known_roster, "somebody else")


@given(NAMES, CASES)
def test_every_spelling_of_a_name_in_pain_is_kept_from_drills(name, case) -> None:
    recorded = sorted({name.upper(), name.lower(), name})
    row = case(name + " x")
    known_roster = matched(f"player,pain,under_16\n{row},wrist,no\n", [player + " X" for player in recorded])
    assert all(stopped(known_roster, player + " X") for player in recorded)


def test_another_persons_clearance_lets_nobody_through() -> None:
    known_roster = matched("player,pain,under_16\nBEN,cleared,no\n", ["Ben", "ben"])
    assert known_roster.table["pain"].tolist() == [(), ()] and known_roster.table["under_16"].tolist() == [
        None,
        None,
    ]
    known_roster = matched("player,pain,level\nBen,wrist,club\nben,cleared,county\n", ["Ben"])
    assert known_roster.table[["pain", "level"]].values.tolist() == [[("wrist",), "club"]]


def test_what_differs_is_reported() -> None:
    known_roster = matched("player,level\nben ,club\nDan,club\nEve,club\n", ["Ben", "Eve", "Fay"])
    assert known_roster.table["player"].tolist() == ["Ben", "Eve"] and set(known_roster.table["level"]) == {
        "club"
    }
    assert [(row.code, row.player) for row in known_roster.problems] == [
        ("roster-name-differs", "ben"),
        ("player-not-in-roster", "Fay"),
        ("roster-player-not-recorded", "Dan"),
    ]


@pytest.mark.parametrize(
    "text",
    [
        "name,pain\nBen,wrist\n",
        "player,pain,Pain\nBen,none,wrist\n",
        "player,pains\nBen,wrist\n",
        "",
        "player\nJos\u00e9\n",
    ],
)
def test_a_roster_that_cannot_be_read_means_no_drill_for_anybody(text: str) -> None:
    known_roster = matched(text, ["Ben", "Eve"], encoding="latin-1")
    assert known_roster.table["pain"].tolist() == [(NOT_READ,), (NOT_READ,)]
    known = known_now(known_roster, ["Ben", "Eve"], TODAY)
    assert {care_stop(known.body(player), TODAY) for player in ("Ben", "Eve")} == {"mend-roster"}


def test_a_comma_too_many_in_the_words_about_pain_means_no_drill() -> None:
    known_roster = matched("player,pain,level\nBen,wrist, a bit,club\nEve,none,club\n", ["Ben", "Eve"])
    assert stopped(known_roster, "Ben") and not stopped(known_roster, "Eve")


def test_without_a_roster_nobody_is_reported() -> None:
    assert match_roster(read_roster(None), ["Ben"]).problems == []
