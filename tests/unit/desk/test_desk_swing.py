from __future__ import annotations

import gc
from pathlib import Path

import numpy as np
import pytest
from desk_fakes import press, visit
from nicegui import ui
from nicegui.testing import User

from faultml.desk.desk import Desk
from faultml.desk.folder import DeskFolder
from faultml.desk.linked import phase_words
from faultml.desk.motion import RawCurves, SwingCurves
from faultml.desk.season import Season
from faultml.desk.video import SwingVideo
from faultml.desk.warm_up import draw_one
from faultml.drawings.echarts import as_echarts
from faultml.drawings.records import Axis, Moment, Panel, Picture
from faultml.faults.catalogue import PHASE_STARTS
from faultml.recordings.of_player import _streamed, read_player


def title(user: User) -> str:
    (words,) = user.find(marker="title").elements
    return str(words.text)  # type: ignore[attr-defined]


def test_curves_made_anew_are_those_of_the_results(shared_folder: Path) -> None:
    season = Season(DeskFolder(shared_folder))
    assert season.results is not None
    kept = season.results.curves
    assert len(kept) > 20
    for row in kept.to_dict("records"):
        swing = season.swing(row["player"], row["session"], row["swing"])
        assert swing is not None
        made = season.recordings.curves(swing)
        assert isinstance(made, SwingCurves)
        for column, name in enumerate(("flexion_deg", "ulnar_deg")):
            drawn = np.interp(row["phase"], made.phase, made.d_deg[column])
            assert np.allclose(drawn, row[name], atol=1e-9, equal_nan=True)


def test_a_player_is_read_alike_whether_the_file_can_be_searched_or_has_to_be_read_through(
    shared_folder: Path,
) -> None:
    folder = shared_folder / "season"
    player = Season(DeskFolder(shared_folder)).players[2]
    found, streamed = read_player([folder], player), _streamed([folder], player)
    assert found.table["swing"].tolist() == streamed.table["swing"].tolist()
    assert set(found.table["player"]) == {player}
    longest = found.t_s.shape[1]
    assert np.array_equal(found.angles_deg, streamed.angles_deg[:, :, :longest], equal_nan=True)


def test_the_cursor_is_on_every_drawing_at_once(shared_folder: Path) -> None:
    from faultml.desk.drawn import swing_pictures

    season = Season(DeskFolder(shared_folder))
    row = next(row for _, row in season.of_player("swings", season.players[0]).iterrows() if row["assessed"])
    curves = season.recordings.curves(row)
    assert isinstance(curves, SwingCurves)
    channels, path, speed = swing_pictures(curves, None, ()).cursor(1.0, curves, None)
    top = curves.at(1.0)
    assert [points[0] for points in channels] == [(1.0, pytest.approx(value)) for value in top]
    assert path == [[(pytest.approx(top[0]), pytest.approx(top[1]))]]
    assert [x for x, _ in speed[0]] == [1.0] * 3


def test_the_moment_of_the_cursor_is_on_the_recorders_clock(shared_folder: Path) -> None:
    season = Season(DeskFolder(shared_folder))
    row = next(row for _, row in season.of_player("swings", season.players[0]).iterrows() if row["assessed"])
    curves = season.recordings.curves(row)
    assert isinstance(curves, SwingCurves)
    assert curves.moment_s(0.0) == pytest.approx(row["takeaway_s"])
    assert curves.moment_s(1.0) == pytest.approx(row["top_s"])
    assert curves.moment_s(2.0) == pytest.approx(row["impact_s"])


def test_keys_step_pin_and_move(folder: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        await user.open("/swings")
        first = title(user)
        press(user, "p")
        await user.should_see("Let go of the pinned swing")
        press(user, "n")
        assert title(user) != first
        await user.should_see("Dashed: " + first.split(" (")[0])
        press(user, "b")
        assert title(user) == first
        before = user.find(kind=ui.slider).elements.pop().value
        press(user, ".")
        assert user.find(kind=ui.slider).elements.pop().value == pytest.approx(before + 0.02)
        press(user, "p")
        await user.should_not_see("Dashed")

    visit(folder, story)


def test_a_swing_that_was_not_assessed_is_drawn_as_recorded_with_the_reason(folder: Path) -> None:
    season = Season(DeskFolder(folder))
    refused = season.swings[~season.swings["assessed"].astype(bool)]
    assert len(refused)
    row = season.swing(*refused.iloc[0][["player", "session", "swing"]])
    assert row is not None and isinstance(season.recordings.curves(row), RawCurves)

    async def story(user: User, desk: Desk) -> None:
        key = desk.sessions.unguarded.key(*refused.iloc[0][["player", "session", "swing"]])
        await user.open(f"/swing/{key}")
        await user.should_see("Not assessed")

    visit(folder, story)


def test_an_address_says_nothing_of_a_player_and_another_session_cannot_use_it(folder: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        player = desk.season.players[0]
        key = desk.sessions.unguarded.key(player)
        assert player not in key and desk.sessions.begin().named(key) is None
        await user.open(f"/swing/{key}")
        assert title(user).startswith(player)
        await user.open("/swing/0123456789abcdef01234567")
        await user.should_see("Not known here")

    visit(folder, story)


def test_an_empty_desk_points_to_the_tray(tmp_path: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        for place in ("/swings", "/verdicts"):
            await user.open(place)
            await user.should_see("To the Tray")

    visit(tmp_path / "new", story)


def test_the_window_of_the_drill_ends_where_the_window_says_on_the_swings_own_curve(
    shared_folder: Path,
) -> None:
    """Held against `faultml.coaching.window.inside`: a curve past the drawn line is outside, one short of it inside."""
    from faultml.coaching.tables import read_plans
    from faultml.coaching.window import Window, inside
    from faultml.desk.drawn import window_edges

    season = Season(DeskFolder(shared_folder))
    assert season.results is not None
    checked = 0
    for plan in read_plans(season.results.players, season.results.drills):
        swings = season.of_player("swings", plan.player)
        for drill in plan.drills:
            window = Window(
                fault=drill.window_fault,
                channel=drill.window_channel,
                reference=drill.window_reference or "setup",
                start=drill.window_from,
                must="reach" if drill.window_must == "reach" else "stay",
                side=drill.window_side or "below",
                bound_deg=drill.window_bound_deg,
                end=drill.window_to,
                guard_deg=None if np.isnan(drill.window_guard_deg) else drill.window_guard_deg,
            )
            for _, row in swings[swings["assessed"].astype(bool)].head(4).iterrows():
                curves = season.recordings.curves(row)
                assert isinstance(curves, SwingCurves)
                for channel, edge in window_edges(drill, curves):
                    if drill.window_reference == "lowest":
                        continue  # its bound follows the curve; the line is drawn at its end
                    moment = drill.window_to in ("", drill.window_from)  # drawn a little wider than it is
                    first, last = (float(np.mean(edge.x)),) * 2 if moment else edge.x
                    stretch = (curves.phase >= first - 1e-6) & (curves.phase <= last + 1e-6)
                    value = curves.d_deg[("flexion_deg", "ulnar_deg", "pronation_deg").index(channel)][
                        stretch
                    ]
                    within = (value - edge.y) * edge.outward <= 1e-6
                    met = within.any() if drill.window_must == "reach" else within.all()
                    assert bool(inside(window, curves.d_deg[None])[0]) == met
                    checked += 1
    assert checked


def test_the_first_swing_is_drawn_to_nobody_beforehand(folder: Path) -> None:
    desk = Desk(DeskFolder(folder))
    try:
        draw_one(desk)
        first = desk.season.swings[desk.season.swings["assessed"].astype(bool)].iloc[0]
        assert list(desk.season.recordings._players) == [first["player"]]
        (folder / "results" / "run.json").write_text("{")
        draw_one(Desk(DeskFolder(folder)))  # what cannot be read is for the page to say
    finally:
        desk.store.close()


def test_a_fault_says_where_it_begins_and_no_name_stands_twice_on_a_drawing(folder: Path) -> None:
    season = Season(DeskFolder(folder))
    faults = season.of_player("faults", season.players[0])
    flagged = faults[(faults["call"] == "yes") & np.isfinite(faults["onset_at"])].iloc[0]

    async def story(user: User, desk: Desk) -> None:
        key = desk.sessions.unguarded.key(*flagged[["player", "session", "swing"]])
        await user.open(f"/swing/{key}")
        await user.should_see("Open triangle: where the curve first leaves it.")
        begins = phase_words(PHASE_STARTS[flagged["onset_phase"]] + flagged["onset_at"])
        await user.should_see(f"from {begins} on")
        for chart in user.find(kind=ui.echart).elements:
            marks = [each for each in chart.options["series"] if each.get("symbol") == "triangle"]
            named = [each["label"]["formatter"] for each in marks if each["label"]["show"]]
            assert not set(named) & set(desk.coaching.words.values())

    visit(folder, story)


def test_names_of_top_and_impact_stand_away_from_each_other() -> None:
    panel = Panel(
        "",
        Axis(0, 1, ()),
        Axis(0, 1, ()),
        moments=(Moment(0.5, "top", "end"), Moment(0.6, "impact", "start")),
    )
    (ground, *_) = as_echarts(Picture("", (panel,)))["series"]
    drawn = {
        line["label"]["formatter"]: line["label"].get("align")
        for line in ground["markLine"]["data"]
        if line["label"].get("formatter")
    }
    assert drawn == {"top": "right", "impact": "left"}


def test_a_video_follows_also_when_what_was_pressed_is_gone_from_the_page(folder: Path) -> None:
    wrong: list[str] = []

    async def story(user: User, desk: Desk) -> None:
        await user.open("/swings")
        with user.client:  # type: ignore[union-attr]
            video, pressed = SwingVideo(), ui.element("div")
        slot = pressed.default_slot
        pressed.delete()
        del pressed
        gc.collect()
        with slot:
            try:
                video.follow(0.1)
            except RuntimeError as error:
                wrong.append(str(error))

    visit(folder, story)
    assert wrong == []
