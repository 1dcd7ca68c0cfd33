"""Landmarks moved on the desk's page of a swing: by keys, kept with a name, drawn at once, taken back, used."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from desk_fakes import ended, press, visit
from nicegui import ui
from nicegui.testing import User

from faultml.desk.desk import Desk
from faultml.desk.landmarks import is_ahead, landmarks_now, move, swing_of
from faultml.desk.motion import RawCurves, SwingCurves
from faultml.errors import InputError
from faultml.labels.landmarks import all_moved


def first_row(desk: Desk) -> pd.Series:
    """The first assessed swing of the first player, which the page opens with."""
    rows = desk.season.of_player("swings", desk.season.players[0]).sort_values(["session", "swing"])
    return rows[rows["assessed"]].iloc[0]


def words(user: User) -> str:
    (element,) = user.find(marker="landmark").elements
    return str(element.text)  # type: ignore[attr-defined]


def test_keys_move_keep_and_take_back_a_landmark(folder: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        desk.name_coach("ann")
        await user.open("/swings")
        row = first_row(desk)
        press(user, "l")
        await user.should_see("Move a landmark")
        press(user, "2")
        for _ in range(4):
            press(user, ",")
        assert "-20 ms and not kept yet" in words(user)
        assert all_moved(desk.store) == []
        press(user, "k")
        (kept,) = all_moved(desk.store)
        assert (kept.landmark, kept.coach, bool(kept.when)) == ("top", "ann", True)
        assert kept.at_s == pytest.approx(row["top_s"] - 0.020)
        assert kept.found_s == pytest.approx(row["top_s"])
        await user.should_see("Top moved by ann")
        await user.should_see("of the last assessment")
        drawn = desk.motion(row)
        assert isinstance(drawn, SwingCurves) and drawn.landmarks_s[1] == pytest.approx(kept.at_s)
        press(user, "z")
        assert all_moved(desk.store) == []
        await user.should_not_see("Top moved by ann")
        back = desk.motion(row)
        assert isinstance(back, SwingCurves) and back.landmarks_s[1] == row["top_s"]

    visit(folder, story)


def test_a_moved_landmark_is_used_by_the_next_assessment_and_its_undo_by_the_one_after(folder: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        row = first_row(desk)
        raw = desk.season.recordings.over_time(row)
        assert isinstance(raw, RawCurves)
        ends = float(raw.t_s[0] + raw.fastest_s), float(raw.t_s[-1] + raw.fastest_s)
        move(desk.store, row, "top", float(row["top_s"]) - 0.05, "ann", ends)
        assert is_ahead(desk.store, row)
        desk.classify()
        assert (await ended(desk)).state == "done"
        after = desk.season.swing(*swing_of(row))
        assert after is not None and list(after["coach_landmarks"]) == ["top"]
        assert after["top_s"] == pytest.approx(row["top_s"] - 0.05) and not is_ahead(desk.store, after)
        await user.open("/swings")
        press(user, "z")
        undone = landmarks_now(desk.store, after)
        assert undone["top_s"] == pytest.approx(row["top_s"]) and is_ahead(desk.store, after)
        desk.classify()
        await ended(desk)
        again = desk.season.swing(*swing_of(row))
        assert again is not None and again["top_s"] == row["top_s"] and not len(again["coach_landmarks"])
        assert desk.season.results is not None and desk.season.results.plans is not None

    visit(folder, story)


def test_what_cannot_be_is_refused_on_the_page_and_nothing_is_kept(folder: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        desk.name_coach("ann")
        await user.open("/swings")
        press(user, "l")
        press(user, "1")
        for _ in range(400):
            press(user, ".")
        press(user, "k")
        await user.should_see("Not kept")
        assert all_moved(desk.store) == []
        with pytest.raises(InputError) as error:
            move(desk.store, first_row(desk), "top", -99.0, "ann", (0.0, 2.0))
        assert error.value.code == "landmark-outside"

    visit(folder, story)


def test_a_name_is_asked_before_anything_is_moved_and_once(folder: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        await user.open("/swings")
        press(user, "l")
        await user.should_see("Who moves it?")
        press(user, ".")
        press(user, "k")
        assert all_moved(desk.store) == []
        await user.should_not_see("Keep it there")
        user.find(kind=ui.input, content="Your name").type("ben")
        user.find("Begin").click()
        await user.should_see("Keep it there")
        await user.should_not_see("Who moves it?")
        press(user, ".")
        press(user, "k")
        assert [each.coach for each in all_moved(desk.store)] == ["ben"] and desk.remembered.coach == "ben"

    visit(folder, story)
