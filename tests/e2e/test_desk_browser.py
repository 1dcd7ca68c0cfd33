"""The desk in a real Chromium: from an empty folder to verdicts, by keyboard, on every width."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from browser import RunningDesk, axe_script, browser, running_desk
from practice_fakes import Path as Motion
from practice_fakes import write_recording

from faultml.coaching.giving import Giving
from faultml.desk.desk import Desk
from faultml.desk.folder import DeskFolder
from faultml.desk.people import People
from faultml.faults.catalogue import load_catalogue
from faultml.labels.landmarks import all_moved
from faultml.labels.verdict import verdicts
from faultml.practice.of_results import target_of_results
from faultml.season import classify_season
from faultml.store import open_store
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import iterate_golfers, roster_golfers
from faultml.synthetic.tables import draw_roster
from faultml.synthetic.write import write_synthetic

WAIT_MS = 60_000
PLACES = ("/", "/tray", "/players", "/swings", "/verdicts", "/practice", "player", "notes", "landmark")
FOCUSED = """() => {
  const focused = document.activeElement;
  return (focused.innerText || focused.getAttribute('aria-label') || focused.tagName).trim();
}"""
TOP_LINE = """() => {
  const box = document.querySelector('.grab');
  const at = JSON.parse(box.dataset.landmarks).top;
  return [getElement(Number(box.id.slice(1))).chart.convertToPixel({ xAxisIndex: 0 }, at), at];
}"""
NARROW, WIDE = {"width": 390, "height": 800}, {"width": 1280, "height": 900}


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("browser-season")
    catalogue, recipe = load_catalogue(), Recipe(golfers=6, sessions=2, swings=8, seed=11)
    golfers = roster_golfers(catalogue, recipe)
    roster = draw_roster(golfers, recipe)
    # A name that is markup, to be shown as the text that it is.
    write_synthetic(iterate_golfers(catalogue, recipe, golfers), roster, folder, "parquet")
    path = folder / "season" / "season.parquet"
    swings = pd.read_parquet(path)
    first = swings["player"].iloc[0]
    swings["player"] = swings["player"].replace({first: "<img src=x onerror=alert(1)>"})
    swings.to_parquet(path)
    classify_season([folder / "season"], folder / "results")
    return folder


@pytest.fixture
def folder(season: Path, tmp_path: Path) -> Path:
    shutil.copytree(season, tmp_path / "desk")
    return tmp_path / "desk"


@pytest.fixture(scope="module")
def looked_at(season: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A running desk for tests that only look."""
    folder = tmp_path_factory.mktemp("looked-at") / "desk"
    shutil.copytree(season, folder)
    with running_desk(folder) as desk:
        yield desk


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    with browser() as opened:
        yield opened


@pytest.fixture
def page(chromium: Any) -> Iterator[Any]:
    """A page whose every error, foreign request and alert is a failure."""
    context = chromium.new_context(viewport=WIDE)
    opened = context.new_page()
    wrong: list[str] = []
    # The desk ends before the page does, which then looks for it once more.
    opened.on(
        "console",
        lambda said: (
            wrong.append(said.text)
            if said.type == "error" and "CONNECTION_REFUSED" not in said.text
            else None
        ),
    )
    opened.on("pageerror", lambda error: wrong.append(str(error)))
    opened.on("dialog", lambda dialog: (wrong.append(f"dialog {dialog.message}"), dialog.dismiss()))
    opened.on(
        "request",
        lambda request: (
            None
            if "127.0.0.1" in request.url or request.url.startswith("data:")
            else wrong.append(request.url)
        ),
    )
    opened.set_default_timeout(WAIT_MS)
    yield opened
    context.close()
    assert wrong == []


def opened(page: Any, desk: RunningDesk, place: str) -> None:
    """Open a place; ``player`` and ``notes`` are those of the second player of the list, ``landmark`` of a swing."""
    start = "/swings" if place == "landmark" else "/players"
    page.goto(desk.url + (place if place.startswith("/") else start))
    page.wait_for_selector("h1")
    if place == "landmark":
        page.get_by_role("button", name="Move a landmark").click()
        name, drawing = page.get_by_label("Your name"), page.locator(".grab canvas")
        name.or_(drawing).first.wait_for()
        if name.is_visible():  # it is asked once
            name.fill("ann")
            page.keyboard.press("Enter")
        drawing.wait_for()
    elif not place.startswith("/"):
        page.locator("a.who").nth(1).click()
        page.locator(".report article").wait_for()
    if place == "notes":
        page.get_by_role("link", name="Coach's notes").click()
        page.get_by_role("heading", name="What is known now").wait_for()
    page.wait_for_function("() => document.body.dataset.ready === 'yes'")


def recorder_files(season: Path, out: Path, count: int) -> list[Path]:
    out.mkdir()
    paths = []
    for number, row in enumerate(
        pd.read_parquet(season / "season" / "season.parquet").head(count).to_dict("records"), 1
    ):
        table = pd.DataFrame(
            {
                "Time (ms)": (1000 * (row["t_s"] - row["t_s"][0])).round(1),
                "Wrist FE": -row["flexion_deg"].round(2),
                "Wrist RUD": row["ulnar_deg"].round(2),
            }
        )
        path = out / f"dana_2031-03-01_{number:02d}.csv"
        table.to_csv(path, index=False)
        paths.append(path)
    return paths


def test_from_an_empty_folder_to_the_first_verdict(page: Any, season: Path, tmp_path: Path) -> None:
    files = recorder_files(season, tmp_path / "files", 10)
    with running_desk(tmp_path / "desk") as desk:
        opened(page, desk, "/tray")
        page.locator("input[type=file]").set_input_files([str(path) for path in files])
        for label in ("it cups", "always the lead arm"):
            page.get_by_role("radio", name=label).click()
            page.get_by_role("button", name="Answer", exact=True).click()
            page.get_by_role("radio", name=label).wait_for(state="detached")
        page.get_by_role("button", name="Read them in").click()
        page.get_by_text("10 swings of 1 player read from 10 files").wait_for()
        page.get_by_role("button", name="Assess every swing").click()
        page.get_by_text("of 10 recordings assessed").wait_for()
        opened(page, desk, "/verdicts")
        page.get_by_label("Your name").fill("ann")
        page.keyboard.press("Enter")
        page.get_by_text("Does this swing show").wait_for()
        page.keyboard.press("y")
        page.get_by_text("you said yes; the tool").wait_for()
        page.keyboard.press("s")
        page.get_by_text("A fault that the catalogue lacks").wait_for()
        page.wait_for_function("() => document.activeElement.tagName === 'INPUT'")
        page.keyboard.press("Escape")
        with open_store(desk.folder / "faultml-store.sqlite", create=False) as store:
            assert verdicts(store)["verdict"].tolist() == ["yes"]


def test_no_verdict_is_lost_when_the_program_is_killed(page: Any, folder: Path) -> None:
    with running_desk(folder) as desk:
        opened(page, desk, "/verdicts")
        page.get_by_label("Your name").fill("ann")
        page.keyboard.press("Enter")
        page.get_by_text("Does this swing show").wait_for()
        for number in range(1, 6):
            page.keyboard.press("y")
            page.get_by_text(f"{number} answer").wait_for()
        desk.kill()
        page.goto("about:blank")
    with open_store(folder / "faultml-store.sqlite", create=False) as store:
        assert verdicts(store)["verdict"].tolist() == ["yes"] * 5


def test_markup_in_a_name_is_text(page: Any, folder: Path) -> None:
    with running_desk(folder) as desk:
        opened(page, desk, "/swings")
        assert "<img src=x onerror=alert(1)>" in page.locator("#content").inner_text()
        assert page.locator("#content img").count() == 0


@pytest.mark.parametrize("place", PLACES)
def test_axe_finds_nothing_serious(page: Any, looked_at: Any, place: str) -> None:
    script = axe_script()
    opened(page, looked_at, place)
    page.evaluate(script)
    found = page.evaluate("() => axe.run(document, {resultTypes: ['violations']})")
    serious = [
        f"{each['id']}: {node['html'][:150]}"
        for each in found["violations"]
        if each["impact"] in ("serious", "critical")
        for node in each["nodes"]
    ]
    assert serious == []


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("viewport", [NARROW, {"width": 640, "height": 450}], ids=["390px", "200%"])
def test_nothing_runs_off_the_side(page: Any, looked_at: Any, place: str, viewport: dict[str, int]) -> None:
    page.set_viewport_size(viewport)
    opened(page, looked_at, place)
    assert page.evaluate("() => document.documentElement.scrollWidth") <= viewport["width"]


def test_the_keyboard_alone_gets_everywhere(page: Any, folder: Path) -> None:
    with running_desk(folder) as desk:
        opened(page, desk, "/swings")
        page.keyboard.press("Tab")
        assert page.evaluate("() => document.activeElement.innerText") == "To the content"
        reached = set()
        for _ in range(40):
            page.keyboard.press("Tab")
            reached.add(page.evaluate(FOCUSED))
        assert {"Today", "Tray", "Players", "Verdicts", "Back", "Next", "Pin"} <= {
            each.split("\n")[0] for each in reached
        }
        before = page.locator("p.lead").first.inner_text()
        page.keyboard.press("Escape")
        page.evaluate("() => document.activeElement.blur()")
        page.keyboard.press("n")
        page.wait_for_function("before => document.querySelector('p.lead').innerText !== before", arg=before)


def test_a_landmark_is_dragged_with_the_mouse_and_taken_back_with_a_key(page: Any, folder: Path) -> None:
    with running_desk(folder) as desk:
        opened(page, desk, "landmark")
        chart = page.locator(".grab")
        chart.scroll_into_view_if_needed()
        box = chart.bounding_box()
        top_px, top_s = page.evaluate(TOP_LINE)
        y = box["y"] + 100
        page.mouse.move(box["x"] + top_px, y)
        page.mouse.down()
        page.mouse.move(box["x"] + top_px - 24, y, steps=4)
        page.mouse.up()
        page.get_by_text("Top moved by ann").wait_for()
        path = folder / "faultml-store.sqlite"
        with open_store(path, create=False) as store:
            (kept,) = all_moved(store)
        assert kept.landmark == "top" and 0.01 < top_s - kept.at_s < 0.3
        page.evaluate("() => document.activeElement.blur()")
        page.keyboard.press("z")
        page.get_by_text("Top moved by ann").wait_for(state="detached")
        with open_store(path, create=False) as store:
            assert all_moved(store) == []


def test_two_tabs_and_a_command_see_the_same_answers(chromium: Any, folder: Path) -> None:
    from faultml.labels.verdict import Verdict, add

    with running_desk(folder) as desk:
        context = chromium.new_context(viewport=WIDE)
        first, second = context.new_page(), context.new_page()
        opened(first, desk, "/verdicts")
        first.get_by_label("Your name").fill("ann")
        first.keyboard.press("Enter")
        first.get_by_text("Does this swing show").wait_for()
        opened(second, desk, "/verdicts")
        second.get_by_text("Does this swing show").wait_for()
        first.keyboard.press("y")
        first.get_by_text("1 answer").wait_for()
        second.keyboard.press("n")
        second.get_by_text("you said no").wait_for()
        with open_store(folder / "faultml-store.sqlite", create=False) as store:
            said = verdicts(store, history=True)
            assert said["verdict"].tolist() == ["yes", "no"]
            row = said.iloc[0]
            add(store, [Verdict(row["player"], row["session"], row["swing"], row["fault"], "unsure", "ben")])
            assert set(verdicts(store)["coach"]) == {"ann", "ben"}
        context.close()


def test_two_desks_on_one_machine_are_open_in_one_browser_at_once(
    chromium: Any, folder: Path, tmp_path: Path
) -> None:
    """A browser sends a host's cookies to all its ports; each desk must still know its own pages."""
    with running_desk(folder) as desk, running_desk(tmp_path / "other") as other:
        context = chromium.new_context(viewport=WIDE)
        first, second = context.new_page(), context.new_page()
        opened(first, desk, "/swings")
        second.goto(f"{other.url}/tray")
        second.get_by_text("Nothing yet.").wait_for()
        before = first.locator("p.lead").first.inner_text()
        first.keyboard.press("n")
        arg = before
        first.wait_for_function("before => document.querySelector('p.lead').innerText !== before", arg=arg)
        first.reload()
        first.wait_for_function("() => document.body.dataset.ready === 'yes'")
        first.keyboard.press("n")
        first.wait_for_function("before => document.querySelector('p.lead').innerText !== before", arg=arg)
        context.close()


def test_hurts_in_one_tab_pauses_the_other_at_once(chromium: Any, folder: Path) -> None:
    with running_desk(folder) as desk:
        context = chromium.new_context(viewport=WIDE)
        first, second = context.new_page(), context.new_page()
        opened(first, desk, "player")
        opened(second, desk, "player")
        traces = first.locator(".report .trace")
        traces.first.wait_for(state="attached", timeout=WAIT_MS)
        drawn = "nodes => nodes.filter(node => getComputedStyle(node).stroke === 'none').length"
        assert traces.evaluate_all(drawn) == 0, "every curve has its colour"
        first.get_by_role("button", name="Hurts").click()
        second.get_by_text("Paused: speak with the player first").wait_for(timeout=WAIT_MS)
        context.close()


def test_a_video_is_played_in_the_page_and_sent_nowhere(page: Any, folder: Path, tmp_path: Path) -> None:
    film = tmp_path / "swing.webm"
    film.write_bytes(b"\x1aE\xdf\xa3" + bytes(2000))
    with running_desk(folder) as desk:
        opened(page, desk, "/swings")
        sent: list[str] = []
        page.on("request", lambda request: sent.append(request.method))
        page.get_by_label("A video of this swing").set_input_files(str(film))
        page.wait_for_function("() => document.querySelector('video').src.startsWith('blob:')")
        page.evaluate("() => { document.querySelector('video').dataset.impact = '1'; }")
        page.keyboard.press("Escape")
        page.evaluate("() => document.activeElement.blur()")
        page.keyboard.press(".")
        page.wait_for_function("() => document.querySelector('video').currentTime > 0")
        assert "POST" not in sent and not list((folder / ".incoming").iterdir())


def ready_to_practise(folder: Path) -> tuple[str, Path]:
    """A player who has a drill, and a recording of one repetition far outside of its window."""
    desk = Desk(DeskFolder(folder))
    player = desk.season.players[1]
    names = "player,hand,level,under_16,pain,ulnar_history,thumb_history,elbow_history,nerve_history,hamate_history"
    (folder / "season" / "roster.csv").write_text(f"{names}\n{player},right,club,no,none,no,no,no,no,no\n")
    people = People(desk)
    drill, today = people.coaching.book["two_stops_to_the_top"], date.today().isoformat()
    cells = {"player": player, "drill": drill.id, "fault": "flexed_top", "hurts": "none", "since": today}
    assert isinstance(people.give(cells), Giving)
    setup_deg = target_of_results(desk.season.results, player, drill, people.coaching).usual_setup_deg
    path = Motion(setup_deg=setup_deg).hold(1).station("hip_back", hold_s=0.4)
    path.station("top", flexion=30.0, hold_s=1.5).to((0, 0, 0)).hold(3)
    desk.store.close()
    return player, write_recording(path.samples(), folder.parent / "tuesday.csv", player)


def test_a_set_is_practised_and_its_page_is_accessible(page: Any, folder: Path) -> None:
    player, recording = ready_to_practise(folder)
    script = axe_script()
    with running_desk(folder) as desk:
        opened(page, desk, "/practice")
        page.get_by_role("link", name=player).click()
        page.get_by_role("button", name="Begin a set").wait_for()
        page.locator("input[type=file]").set_input_files(str(recording))
        page.get_by_text("To be replayed").wait_for()
        page.get_by_role("button", name="Begin a set").click()
        page.locator("p.word", has_text="IN OR OUT?").wait_for()
        page.evaluate("() => document.activeElement.blur()")
        page.keyboard.press("o")
        page.get_by_text("As you said.").wait_for()
        page.evaluate("() => window.practiceSound.cue('above')")
        assert page.evaluate("() => document.body.dataset.sound") == "above"
        page.evaluate("() => window.practiceSound.off()")
        page.get_by_role("checkbox", name="Large type").click()
        page.evaluate(script)
        found = page.evaluate("() => axe.run(document, {resultTypes: ['violations']})")
        assert [
            f"{each['id']}: {node['html'][:150]}"
            for each in found["violations"]
            if each["impact"] in ("serious", "critical")
            for node in each["nodes"]
        ] == []
        for viewport in (NARROW, {"width": 640, "height": 450}):
            page.set_viewport_size(viewport)
            assert page.evaluate("() => document.documentElement.scrollWidth") <= viewport["width"]
