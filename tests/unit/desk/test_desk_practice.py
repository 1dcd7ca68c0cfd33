"""Practice on the desk: care first, guess before result, the cue outside, quiet sets, hurts that stops a set."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
from desk_fakes import press, visit
from msgspec import structs
from nicegui import ui
from nicegui.elements.upload_files import SmallFileUpload
from nicegui.testing import User
from practice_fakes import Path as Motion
from practice_fakes import target

from faultml.care.rules import load_care
from faultml.care.statements import Statement, add_statements, statements
from faultml.coaching.giving import Giving
from faultml.desk.desk import Desk
from faultml.desk.folder import DeskFolder
from faultml.desk.people import People
from faultml.desk.places import practice, practice_source
from faultml.desk.practice_drawn import Trace
from faultml.desk.practice_words import Sign, sign_of
from faultml.desk.practising import SILENT_S, Practising
from faultml.drawings.records import Line
from faultml.errors import InputError
from faultml.practice.events import CareStop, CueOff, CueOn, SetUpAgain, Trouble
from faultml.practice.frames import Sample
from faultml.practice.judge import Target
from faultml.practice.kept import kept_sets
from faultml.practice.of_results import ALONE
from faultml.practice.session import Result, SessionEvent, SetBegins

TICK = Practising.tick
DRILL = "two_stops_to_the_top"


@pytest.fixture
def healthy(folder: Path) -> Path:
    players = Desk(DeskFolder(folder)).season.players
    names = "player,hand,level,under_16,pain,ulnar_history,thumb_history,elbow_history,nerve_history,hamate_history"
    rows = [f"{player},right,club,no,none,no,no,no,no,no" for player in players]
    (folder / "season" / "roster.csv").write_text("\n".join([names, *rows]) + "\n")
    return folder


class Sensor:
    """Gives what it is handed at once and then stays silent, as a sensor does whose player stands still."""

    def __init__(self) -> None:
        self.samples: list[Sample] = []
        self.off = threading.Event()

    def open(self, *_: object, **__: object) -> Iterator[Sample]:
        yield from self.samples
        self.off.wait(20)


@pytest.fixture(autouse=True)
def sensor(monkeypatch: pytest.MonkeyPatch) -> Iterator[Sensor]:
    """The window of a usual golfer, no model for swings at full speed, and a sensor of the test's own."""
    made = Sensor()
    monkeypatch.setattr(practice, "target_of_results", lambda *_: target(DRILL))
    monkeypatch.setattr(practice, "ModelReader", lambda: None)
    monkeypatch.setattr(practice_source, "open_source", made.open)
    # The recording's clock stands still with the samples, however slow the machine is.
    monkeypatch.setattr(Practising, "tick", lambda _: None)
    yield made
    made.off.set()


def given(desk: Desk, drill: str = DRILL, fault: str = "flexed_top") -> str:
    """A player who has the drill."""
    player = sorted(People(desk).plans)[0]
    today = date.today().isoformat()
    cells = {"player": player, "drill": drill, "fault": fault, "hurts": "none", "since": today}
    assert isinstance(People(desk).give(cells), Giving)
    return player


def reps(*flexions: float) -> list[Sample]:
    path = Motion().hold(1)
    for flexion in flexions:
        path.station("hip_back", hold_s=0.4, length_s=0.7)
        path.station("top", flexion=flexion, hold_s=0.5, length_s=0.7).to((0, 0, 0), 1.0).hold(2)
    return path.samples()


async def choose(user: User) -> None:
    (upload,) = user.find(kind=ui.upload).elements
    await upload.handle_uploads([SmallFileUpload("practice.csv", "text/csv", b"t_s")])
    await sees(user, "To be replayed")


async def opened(user: User, desk: Desk, player: str) -> None:
    await user.open(f"/practice/{desk.sessions.unguarded.key(player)}")
    await user.should_see("Begin a set", retries=200)
    await choose(user)


def word(user: User) -> str:
    (element,) = user.find(marker="word").elements
    return str(element.text)  # type: ignore[attr-defined]


async def sees(user: User, words: str) -> None:
    await user.should_see(words, retries=200)


def test_care_is_asked_first_then_a_guess_before_the_result_and_the_set_is_kept(
    healthy: Path, sensor: Sensor
) -> None:
    sensor.samples = reps(28.0)

    async def story(user: User, desk: Desk) -> None:
        player = given(desk)
        await user.open("/practice")
        await sees(user, "Two stops to the top")
        await opened(user, desk, player)
        await sees(user, "The evidence for this kind of practice is low")
        user.find("Begin a set").click()
        await sees(user, "IN OR OUT?")
        assert word(user) == "IN OR OUT?"
        assert kept_sets(desk.store, player, DRILL) == []
        user.find(kind=ui.button, content="Out").click()
        await sees(user, "outside by")
        await sees(user, "As you said.")
        user.find("End the set").click()
        await sees(user, "SET OVER")
        (done,) = kept_sets(desk.store, player, DRILL)
        assert (done.repetitions, done.inside, done.judged, done.guesses_right) == (1, 0, 1, 1)
        await sees(user, "Not today: a re-test is made on a later day")

    visit(healthy, story)


def test_what_care_has_to_know_is_asked_before_the_set(
    healthy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    drill = "set_at_the_belt"
    monkeypatch.setattr(practice, "target_of_results", lambda *_: target(drill))

    async def story(user: User, desk: Desk) -> None:
        player = given(desk, drill, "underset")
        roster = desk.folder.roster
        roster.write_text(
            roster.read_text().replace(
                f"{player},right,club,no,none,no,no", f"{player},right,club,no,none,no,"
            )
        )
        assert People(desk).care(player, drill).ask == ("ask-thumb-history",)
        await opened(user, desk, player)
        user.find("Begin a set").click()
        await sees(user, load_care().questions["ask-thumb-history"])
        user.find(kind=ui.button, content="No").click()
        await sees(user, "SET UP")

    visit(healthy, story)


def test_hurts_stops_the_set_first_and_a_mistake_is_taken_back(healthy: Path, sensor: Sensor) -> None:
    sensor.samples = reps(3.0)

    async def story(user: User, desk: Desk) -> None:
        player = given(desk)
        await opened(user, desk, player)
        user.find("Begin a set").click()
        await sees(user, "IN OR OUT?")
        press(user, "h")
        await sees(user, "Every drill is held")
        assert People(desk).paused(player)
        assert len(kept_sets(desk.store, player, DRILL)) == 1
        user.find("Pressed by mistake").click()
        await sees(user, "Taken back")
        assert not People(desk).paused(player)
        assert [each.about for each in statements(desk.store, player)][-2:] == ["pain", "mistake"]

    visit(healthy, story)


def test_a_hold_from_elsewhere_ends_the_set(healthy: Path, sensor: Sensor) -> None:
    async def story(user: User, desk: Desk) -> None:
        player = given(desk)
        await opened(user, desk, player)
        user.find("Begin a set").click()
        await sees(user, "SET UP")
        add_statements(desk.store, [Statement(player, "pain", date.today(), "elbow")], date.today())
        await sees(user, "Speak with your coach first")
        user.find("Begin a set").click()
        await sees(user, "Paused: speak with the player first")

    visit(healthy, story)


def test_a_drill_that_no_sensor_judges_says_how_the_player_checks_alone(
    healthy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_sensor(*_: object) -> Target:
        raise InputError(ALONE, where=DRILL, expected="the player alone")

    monkeypatch.setattr(practice, "target_of_results", no_sensor)

    async def story(user: User, desk: Desk) -> None:
        player = given(desk)
        await user.open(f"/practice/{desk.sessions.unguarded.key(player)}")
        await sees(user, "You check it alone")
        await user.should_see(People(desk).coaching.book[DRILL].check)
        await user.should_not_see("Begin a set")

    visit(healthy, story)


def test_a_drill_on_which_a_sensor_was_often_wrong_says_so_before_the_set(healthy: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        player = given(desk, "butt_end_to_belt", "early_set")
        await user.open(f"/practice/{desk.sessions.unguarded.key(player)}")
        await sees(user, "gives no verdict")
        await sees(user, "Begin a set")

    visit(healthy, story)


def sign(event: SessionEvent) -> Sign:
    found = sign_of(event, "flexion_deg")
    assert found is not None
    return found


def test_outside_sounds_by_direction_and_inside_is_silent() -> None:
    above, below = (sign(CueOn(t_s=1, direction=way, past_deg=4.0)) for way in ("above", "below"))
    assert (above.word, above.says, above.inside_deg, above.sound) == ("OUT", "Too bowed.", -4.0, "above")
    assert (below.says, below.sound) == ("Too cupped.", "below")
    assert sign(CueOff(t_s=2, why="inside")).sound == "off"
    assert sign(CareStop(t_s=2, channel="flexion_deg")).sound == "stop"
    assert sign(Trouble(t_s=2, code="silent")).sound == "off"
    assert sign(Result(number=1, verdict="inside", why="", margin_deg=3.0)).sound == "off"


def test_a_quiet_set_is_announced_and_a_setup_says_what_differs() -> None:
    begins = SetBegins(
        number=3, repetitions=8, feedback_share=0.0, quiet=True, live=False, sets_left=1, balls_left=0
    )
    assert "nothing is judged aloud" in sign(begins).says
    assert "result comes after 50% of" in sign(structs.replace(begins, feedback_share=0.5, quiet=False)).says
    again = sign(SetUpAgain(t_s=1, off_deg=(-9.0, 2.0, 0.0)))
    assert again.says.endswith("wrist bend 9° more cupped.")


def test_the_window_is_drawn_where_a_repetition_is_judged() -> None:
    trace = Trace(target(DRILL))
    for sample in Motion().hold(1).station("top", flexion=28.0).samples():
        trace.add(sample)
    (panel,) = trace.picture().panels
    (edge,) = panel.edges
    assert edge.kind == "window" and edge.outward == 1
    placed = target(DRILL).placed_at(trace.setup_deg).window
    assert edge.y == pytest.approx(placed.bound_deg)
    (line,) = panel.items
    assert isinstance(line, Line) and line.y[-1] > edge.y > line.y[0]
    assert line.x[-1] == 0 and panel.y.lo < line.y.min() and line.y.max() < panel.y.hi


def test_a_source_that_sends_nothing_is_reported_within_two_seconds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Practising, "tick", TICK)

    async def story() -> list[SessionEvent]:
        shown: list[SessionEvent] = []
        live = Practising(Silent(), shown.extend, lambda _: None, lambda _: None)  # type: ignore[arg-type]
        off = threading.Event()
        live.start(lambda: iter(off.wait, True), str)  # type: ignore[arg-type]
        live.tick()
        assert not shown
        live._came_s -= 1.6
        live.tick()
        live.stop()
        off.set()
        return shown

    (event,) = asyncio.run(story())
    assert isinstance(event, Trouble) and event.code == "silent" and SILENT_S <= 1.8


class Silent:
    """A session that is never asked anything."""

    in_set = False
