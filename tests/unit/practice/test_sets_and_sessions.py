"""A set's rules, and a session with care, guesses, presses and what is kept."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pandas as pd
import pytest
from care_fakes import HEALTHY, known_of
from click.testing import CliRunner
from practice_fakes import Path as Motion
from practice_fakes import of, target, write_recording

from faultml.care.statements import Statement, add_statements, statements
from faultml.cli import main
from faultml.coaching.book import load_book
from faultml.errors import InputError
from faultml.plan.practice import practice_notes
from faultml.plan.records import PracticeNote
from faultml.practice.events import CueOn, Repetition, StationReached
from faultml.practice.kept import keep_set, kept_sets
from faultml.practice.rules import load_practice_rules
from faultml.practice.session import (
    Counted,
    GuessAsked,
    Held,
    PracticeSession,
    Refused,
    Result,
    SetBegins,
    SetEnds,
)
from faultml.practice.sets import SetRecord, day_share, next_set
from faultml.store import open_store

RULES = load_practice_rules().set
DRILL = load_book()["two_stops_to_the_top"]  # 3 sets of 10, faded 1, 0.5, 0
DAY = date(2031, 6, 2)


def done(day: str, number: int, share: float, inside: int = 10, judged: int = 10) -> SetRecord:
    return SetRecord("p", DRILL.id, day, number, share, 10, judged, inside)


class TestRules:
    def plan(self, *sets: SetRecord, day: str = "2031-06-05", live: bool = True):
        return next_set(DRILL, sets, day, 10, RULES, live_possible=live)

    def test_the_first_day_fades_from_all_to_none_and_is_live_once(self):
        first = self.plan()
        assert (first.feedback_share, first.live, first.quiet) == (1.0, True, False)
        second = self.plan(done("2031-06-05", 1, 1.0))
        assert (second.number, second.feedback_share, second.live) == (2, 0.5, False)
        assert self.plan(done("2031-06-05", 2, 0.5)).quiet
        assert self.plan(done("2031-06-05", 3, 0.0)).quiet, "a set beyond the drill's own is quiet"

    @pytest.mark.parametrize(
        ("inside", "judged", "share"), [(8, 10, 0.5), (7, 10, 1.0), (4, 4, 1.0), (5, 5, 0.5)]
    )
    def test_after_a_good_quiet_set_the_next_day_begins_at_half(self, inside, judged, share):
        assert self.plan(done("2031-06-02", 3, 0.0, inside, judged)).feedback_share == share

    def test_it_never_goes_back(self):
        sets = [done("2031-06-02", 3, 0.0), done("2031-06-03", 3, 0.0, inside=0)]
        assert day_share(sets, "2031-06-05", RULES) == 0.5
        sets += [done("2031-06-04", 3, 0.0)]
        assert day_share(sets, "2031-06-05", RULES) == 0.25
        sets += [done(f"2031-06-1{n}", 3, 0.0) for n in range(5)]
        assert day_share(sets, "2031-07-05", RULES) == 0.25

    def test_a_set_with_results_says_nothing_of_the_next_day(self):
        assert day_share([done("2031-06-02", 1, 1.0)], "2031-06-05", RULES) == 1.0

    def test_no_live_cue_on_a_day_that_begins_at_half_or_by_a_sensor_in_doubt(self):
        assert not self.plan(done("2031-06-02", 3, 0.0)).live
        assert not self.plan(live=False).live

    def test_results_are_spread_evenly(self):
        half = replace(self.plan(), feedback_share=0.5)
        assert [number for number in range(1, 11) if half.gives_result(number)] == [2, 4, 6, 8, 10]


@pytest.fixture
def store(tmp_path):
    with open_store(tmp_path / "store.sqlite") as opened:
        yield opened


class People:
    """What is known, as the roster and the store of the test say."""

    def __init__(self, store, **cells: str) -> None:
        self.store, self.day = store, DAY
        self.cells = HEALTHY | {"pain": f"none {DAY}"} | cells

    def known(self):
        known = known_of(pd.DataFrame([{"player": "p", **self.cells}]), on=self.day)
        if any(each.about == "pain" for each in statements(self.store, "p")):
            return known_of(pd.DataFrame([{"player": "p", **self.cells, "pain": "wrist"}]), on=self.day)
        return known

    def session(self) -> PracticeSession:
        return PracticeSession("p", target(DRILL.id), self.store, self.known, lambda: self.day, by="Ann")


def reps(*flexions: float) -> list:
    path = Motion().hold(1)
    for flexion in flexions:
        path.station("hip_back", hold_s=0.4, length_s=0.7)
        path.station("top", flexion=flexion, hold_s=0.5, length_s=0.7).to((0, 0, 0), 1.0).hold(2.5)
    return path.samples()


def push(session, samples) -> list:
    return [event for sample in samples for event in session.push(sample)]


def test_guess_first_result_after_and_what_is_kept(store):
    session = People(store).session()
    begun = session.begin_set()
    assert isinstance(begun, SetBegins)
    assert (begun.sets_left, begun.repetitions, begun.live) == (3, 10, True)
    events, waiting = [], False
    for sample in reps(3.0, 28.0, 3.0):
        new = session.push(sample)
        for asked in of(new, GuessAsked):
            if asked.number < 3:
                new += session.guess(asked.number, "in")
        events += new
    assert not of(events, Repetition) and not of(events, StationReached), "no verdict before its time"
    assert of(events, CueOn)
    events += session.finish()
    results = of(events, Result)
    assert [(each.verdict, each.guess_right) for each in results] == [
        ("inside", True), ("outside", False), ("inside", None),
    ]  # fmt: skip
    assert not waiting
    assert of(events, SetEnds)[0].inside == 2
    kept = kept_sets(store, "p", DRILL.id)
    assert kept == [SetRecord("p", DRILL.id, DAY.isoformat(), 1, 1.0, 3, 3, 2, 2, 1)]
    assert not practice_notes(store), "three of ten repetitions are no set of the plan"


def test_the_result_comes_by_itself_after_three_seconds(store):
    session = People(store).session()
    session.begin_set()
    events = push(session, reps(3.0, 3.0))
    asked, result = of(events, GuessAsked), of(events, Result)
    assert result[0].number == 1
    assert asked[0].t_s > 0


def test_a_full_set_is_counted_by_the_plan(store):
    people = People(store)
    for _ in range(2):
        session = people.session()
        session.begin_set()
        push(session, reps(*[3.0] * 6))
        session.end_set()
    assert practice_notes(store) == [PracticeNote("p", DRILL.id, DAY.isoformat(), 2, None)]


def test_a_quiet_set_is_announced_and_judges_nothing_aloud(store):
    people = People(store)
    for _ in range(2):
        session = people.session()
        session.begin_set()
        session.end_set()
    session = people.session()
    begun = session.begin_set()
    assert begun.quiet and not begun.live
    events = push(session, reps(28.0))
    assert [type(each) for each in events if isinstance(each, CueOn | Result | GuessAsked | Counted)] == [
        Counted
    ]
    assert session.ask(1) == []
    session.end_set()
    assert session.begin_set() == Refused(reason="dose-done")


@pytest.mark.parametrize(("cells", "reason"), [({"pain": "wrist"}, "paused"), ({"pain": ""}, "ask-first")])
def test_care_is_asked_before_each_set(store, cells, reason):
    session = People(store, **cells).session()
    assert session.begin_set().reason == reason
    assert not session.in_set


def test_hurts_stops_and_holds_first_and_asks_afterwards(store):
    people = People(store)
    session = people.session()
    session.begin_set()
    push(session, reps(3.0))
    events = session.hurts()
    assert [type(each) for each in events] == [Held, SetEnds]
    assert [each.about for each in statements(store, "p")] == ["pain"]
    assert not of(push(session, reps(28.0)), CueOn)
    assert session.begin_set().reason == "paused"
    session.hurts_where("wrist")
    assert statements(store, "p")[-1].value == "wrist"
    assert not practice_notes(store)


def test_pain_said_by_another_route_ends_the_set_after_the_repetition(store):
    people = People(store)
    session = people.session()
    session.begin_set()
    samples = iter(reps(3.0, 3.0, 3.0))
    while not any(isinstance(each, GuessAsked) for each in session.push(next(samples))):
        pass
    assert session.end_if_held() == [] and session.in_set
    add_statements(store, [Statement("p", "pain", DAY, "wrist")], DAY)
    events = push(session, samples)
    ends = [each for each in events if isinstance(each, SetEnds | Refused)]
    assert [type(each) for each in ends] == [SetEnds, Refused] and ends[1].reason == "paused"
    assert not session.in_set and not practice_notes(store) and session.finish() == []


def test_a_stream_that_ends_after_pain_was_said_elsewhere_ends_quietly(store):
    session = People(store).session()
    session.begin_set()
    push(session, reps(*[3.0] * 6))
    add_statements(store, [Statement("p", "pain", DAY, "wrist")], DAY)
    assert [type(each) for each in session.finish()][-1] is SetEnds
    assert len(kept_sets(store, "p")) == 1 and not practice_notes(store)


def test_balls_of_another_drill_count_toward_the_day(store):
    people = People(store)
    left = people.session().begin_set().balls_left
    other = SetRecord("p", "pause_then_go", DAY.isoformat(), 1, 1.0, 0, 0, 0, balls=2)
    keep_set(store, other, 10, people.known(), load_book(), DAY)
    begun = people.session().begin_set()
    assert (begun.number, begun.balls_left) == (1, left - 2) and left > 2


def test_pressed_by_mistake_is_logged_within_a_minute_alone(store):
    session = People(store).session()
    session.begin_set()
    samples = reps(3.0)
    push(session, samples)
    session.hurts()
    session.wait(samples[-1].t_s + 61)
    with pytest.raises(InputError, match="too-late"):
        session.mistake()
    session.hurts()
    session.mistake()
    assert [each.about for each in statements(store, "p")] == ["pain", "pain", "mistake"]


def test_a_second_day_begins_quieter(store):
    people = People(store)
    for _ in range(3):
        session = people.session()
        session.begin_set()
        push(session, reps(*[3.0] * 6))
        session.end_set()
    people.day = DAY + timedelta(days=1)
    begun = people.session().begin_set()
    assert (begun.number, begun.feedback_share, begun.live) == (1, 0.5, False)


def test_run_on_the_terminal(season: Path, tmp_path: Path):
    from faultml.coaching.rules import load_coaching
    from faultml.faults.catalogue import load_catalogue
    from faultml.practice.of_results import target_of_results
    from faultml.results import read_results

    made = target_of_results(read_results(season / "results"), "p001", DRILL, load_coaching(load_catalogue()))
    bound = made.placed_at(made.usual_setup_deg).window.bound_deg
    path = Motion(setup_deg=made.usual_setup_deg).hold(1)
    for past in (-10.0, 7.0):
        path.station("hip_back").station("top", flexion=bound + past).to((0, 0, 0), 1.3).hold(3.5)
    file = write_recording(path.samples(), tmp_path / "tuesday.csv")
    asked = ["practice", "run", "p001", "--drill", DRILL.id, "--from", f"replay:{file}", "--fast"]
    asked += ["--results", str(season / "results"), "--store", str(tmp_path / "s.sqlite")]
    result = CliRunner().invoke(main, asked)
    assert result.exit_code == 0, result.output
    assert "SET 1: 10 repetitions, result on 100%, cue outside the window." in result.output
    assert "\aOUT  TOO FAR [" in result.output
    assert "1: INSIDE [" in result.output
    assert "2: OUTSIDE [" in result.output
    assert "SET 1 over: 2 repetitions, 1 of 2 judged inside." in result.output
    bad = CliRunner().invoke(main, [*asked[:5], "--from", "replay:nowhere", *asked[7:]])
    assert bad.exit_code == 2
    assert "bad-source" in bad.output
