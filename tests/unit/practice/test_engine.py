"""The engine on repetitions made by hand: one idea a test."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from msgspec import structs
from practice_fakes import SETUP_DEG, Path, of, run, target

from faultml.coaching.book import load_book
from faultml.coaching.stations import live_stops, needed_stops
from faultml.practice.engine import Engine
from faultml.practice.events import (
    CareStop,
    CueOff,
    CueOn,
    FullSwing,
    Repetition,
    SetUpAgain,
    Trouble,
)
from faultml.practice.frames import Sample

TOP = "two_stops_to_the_top"  # flexion at the top stays under 20 degrees


def one(path: Path, flexion: float, *, hold_s: float = 0.7) -> Path:
    """One repetition that comes to the top with so much flexion, and goes back to the setup."""
    path.station("hip_back").station("top", flexion=flexion, hold_s=hold_s)
    return path.to((0, 0, 0), 1.3).hold(0.9)


@pytest.fixture(scope="module")
def events():
    path = Path().hold(1)
    for flexion in (3.0, 16.0, 24.0, 3.0):
        one(path, flexion)
    return run(Engine(target(TOP)), path.samples())


def test_each_repetition_is_found_and_judged_by_its_margin(events):
    found = of(events, Repetition)
    assert [each.verdict for each in found] == ["inside", "inside", "outside", "inside"]
    assert [each.margin_deg for each in found] == pytest.approx([17, 4, -4, 17], abs=0.6)
    assert [each.number for each in found] == [1, 2, 3, 4]
    assert all([each.station for each in one.stations] == ["hip_back", "top"] for one in found)


def test_the_cue_sounds_outside_alone_and_ends(events):
    cues = [each for each in events if isinstance(each, CueOn | CueOff)]
    assert [type(each) for each in cues] == [CueOn, CueOff]
    third = of(events, Repetition)[2]
    assert third.start_s < cues[0].t_s < cues[1].t_s <= third.t_s
    assert cues[0].direction == "above"
    assert cues[0].past_deg == pytest.approx(4, abs=1)


def test_no_cue_within_two_degrees_past_the_bound():
    path = one(Path(noise_deg=0.1).hold(1), 21.3)
    events = run(Engine(target(TOP)), path.samples())
    assert not of(events, CueOn)
    assert of(events, Repetition)[0].verdict == "outside"


def test_the_cue_is_off_at_the_bound():
    path = Path(noise_deg=0.1).hold(1).station("top", flexion=26.0, hold_s=0.8)
    path.to((12.0, -28.0, 45.0), 1.2).hold(0.6).to((0, 0, 0)).hold(1)
    cues = [each for each in run(Engine(target(TOP)), path.samples()) if isinstance(each, CueOn | CueOff)]
    assert [type(each) for each in cues] == [CueOn, CueOff]
    assert cues[1].t_s - cues[0].t_s < 1.5


def test_a_drill_on_which_a_sensor_was_often_wrong_is_followed_and_not_judged():
    engine = Engine(target("coin_in_the_heel"))
    events = run(engine, one(Path().hold(1), 28.0).samples())
    assert [(each.verdict, each.why) for each in of(events, Repetition)] == [("not-judged", "unproven")]
    assert not engine.has_live_cue and not of(events, CueOn)


def test_quiet_where_the_session_says_so():
    engine = Engine(target(TOP))
    engine.live = False
    events = run(engine, one(Path().hold(1), 28.0).samples())
    assert not of(events, CueOn)
    assert of(events, Repetition)[0].verdict == "outside"


def test_no_live_cue_where_the_sensor_is_in_doubt():
    narrow = target("same_shape_to_hip")  # 8 degrees wide, and the hinge shows as bend
    assert not Engine(narrow).has_live_cue
    path = Path().hold(1).station("hip_back", flexion=16.0).to((0, 0, 0)).hold(1)
    events = run(Engine(narrow), path.samples())
    assert not of(events, CueOn)
    assert of(events, Repetition)[0].verdict == "outside"


@pytest.mark.parametrize("rate_hz", [50, 120, 500])
def test_any_rate(rate_hz):
    path = Path(rate_hz=rate_hz, noise_deg=0.6, seed=2).hold(1)
    for flexion in (3.0, 25.0):
        one(path, flexion)
    found = of(run(Engine(target(TOP)), path.samples()), Repetition)
    assert [each.verdict for each in found] == ["inside", "outside"]


def test_a_setup_off_the_usual_one_is_asked_for_again_and_not_judged():
    path = Path(setup_deg=[SETUP_DEG[0] + 9, SETUP_DEG[1] + 2, 0]).hold(1.5)
    events = run(Engine(target(TOP)), one(path, 28.0).samples())
    assert of(events, SetUpAgain)[0].off_deg[0] == pytest.approx(9, abs=0.5)
    found = of(events, Repetition)
    assert [(each.verdict, each.why) for each in found] == [("not-judged", "setup-differs")]
    assert not of(events, CueOn)


def test_a_repetition_without_a_stop_at_the_top_is_not_judged_by_a_guess():
    path = Path().hold(1).to((28, -28, 45), 1.0).to((5, 3, -6), 0.8).to((0, 0, 0), 0.6).hold(1)
    samples = path.samples()
    drill = target("grip_end_to_the_line").drill
    proven = structs.replace(drill, rehearsal=structs.replace(drill.rehearsal, unproven=False))
    found = of(run(Engine(replace(target("grip_end_to_the_line"), drill=proven)), samples), Repetition)
    assert all(each.verdict == "not-judged" for each in found)


def test_a_bound_that_the_whole_movement_kept_is_kept():
    path = Path().hold(1).station("hip_back", hold_s=0.5).to((0, 0, 0), 1.2).hold(1)
    found = of(run(Engine(target(TOP)), path.samples()), Repetition)
    assert [(each.verdict, each.whole) for each in found] == [("inside", False)]


def test_a_part_repetition_is_broken_off_and_said_so():
    path = Path().hold(1).station("hip_back", flexion=25.0).to((0, 0, 0), 1.2).hold(1)
    found = of(run(Engine(target(TOP)), path.samples()), Repetition)
    assert [(each.verdict, each.why) for each in found] == [("not-judged", "broken-off")]


def test_a_hesitation_on_the_way_is_no_top():
    path = Path().hold(1).to((3, -16, 26), 0.8).hold(0.5)
    path.station("top", flexion=27.0).to((0, 0, 0), 1.3).hold(1)
    found = of(run(Engine(target("short_of_level")), path.samples()), Repetition)
    assert len(found) == 1
    top = found[0].stations[-1]
    assert top.start_s > 2.4


def test_from_the_top_down_and_again():
    path = Path().hold(1)
    for flexion in (5.0, 40.0):
        path.station("top", flexion=3.0).station("halfway_down", flexion=flexion)
    path.to((0, 0, 0), 1.3).hold(1)
    found = of(run(Engine(target("halfway_down_stop")), path.samples()), Repetition)
    assert [each.verdict for each in found] == ["inside", "outside"]


def test_stopping_at_the_ball_and_setting_up_again_is_one_repetition():
    path = Path().hold(1)
    for flexion in (6.0, -14.0, 3.0):
        path.station("hip_back").station("ball", flexion=flexion, hold_s=0.8).to((0, 0, 0), 0.8).hold(0.8)
    found = of(run(Engine(target("grip_end_back_home")), path.samples()), Repetition)
    assert len(found) == 3


@pytest.mark.parametrize(
    "moves",
    [
        [*[((0, 14, 6), 0.35), ((0, -12, -6), 0.35)] * 4, ((0, 0, 0), 0.3)],  # a waggle
        [((18, 10, -30), 0.5), ((-12, -6, 25), 0.5)] * 8,  # walking off
        [((15, 20, 40), 0.9), ((30, 25, 60), 1.0)],  # the club put down
    ],
)
def test_other_movements_cue_nothing_and_are_no_repetition(moves):
    path = Path().hold(1.2)
    for to, length_s in moves:
        path.to(to, length_s)
    path.hold(1.5)
    events = run(Engine(target(TOP)), path.samples())
    assert not of(events, CueOn)
    assert not of(events, Repetition)


def test_a_sensor_that_turns_is_reported_and_the_cue_is_quiet_until_a_good_setup():
    path = Path(noise_deg=0.1).hold(1).station("hip_back").station("top", flexion=5.0, hold_s=0.6)
    path.jump((25, 0, 0)).hold(1.0).jump((-25, 0, 0)).to((0, 0, 0), 1.2).hold(1)
    one(path, 28.0)
    events = run(Engine(target(TOP)), path.samples())
    trouble = of(events, Trouble)
    assert trouble[0].code == "turned"
    found = of(events, Repetition)
    assert found[0].why == "sensor-turned"
    assert found[1].verdict == "outside"
    assert [each.t_s > found[0].t_s for each in of(events, CueOn)] == [True]


def test_silence_is_reported_within_two_seconds_and_ends_the_cue():
    engine = Engine(target(TOP))
    path = Path().hold(1).station("hip_back").station("top", flexion=28.0, hold_s=0.6)
    out = [event for sample in path.samples() for event in engine.push(sample)]
    assert isinstance(of(out, CueOn)[-1], CueOn)
    last_s = path.samples()[-1].t_s
    assert not engine.wait(last_s + 0.3)
    said = engine.wait(last_s + 1.0)
    assert [type(each) for each in said] == [CueOff, Trouble]
    assert said[0].why == "trouble"
    assert said[1].code == "silent"
    assert said[1].t_s <= last_s + 2
    assert not engine.wait(last_s + 2.0)


def test_lost_samples_spoil_the_repetition_they_lie_in_and_no_other():
    path = one(one(Path().hold(1), 3.0), 3.0)
    samples = [each for each in path.samples() if not 2.0 < each.t_s < 2.35]
    events = run(Engine(target(TOP)), samples)
    assert of(events, Trouble)[0].code == "lost"
    assert [each.why for each in of(events, Repetition)] == ["samples-lost", ""]


def test_doubled_and_late_samples_change_nothing_and_are_reported():
    samples = one(one(Path(), 3.0).hold(1), 25.0).samples()
    clean = [each for each in run(Engine(target(TOP)), samples) if isinstance(each, Repetition)]
    messy = []
    for at, sample in enumerate(samples):
        messy.append(sample)
        if at % 4 == 0:
            messy.append(sample)
        if at > 3 and at % 7 == 0:
            messy.append(samples[at - 3])
    events = run(Engine(target(TOP)), messy)
    assert of(events, Repetition) == clean
    assert [each.code for each in of(events, Trouble)] == ["late"]


def test_a_recorder_that_repeats_itself_is_reported():
    samples = Path().hold(1).samples()
    last = samples[-1]
    samples += [last._replace(t_s=last.t_s + at / 100) for at in range(1, 220)]
    events = run(Engine(target(TOP)), samples)
    dead = [each for each in of(events, Trouble) if each.code == "dead"]
    assert len(dead) == 1
    assert dead[0].t_s - last.t_s < 2


def test_a_setup_that_stands_off_each_time_means_the_sensor_has_moved():
    path = Path(setup_deg=[SETUP_DEG[0] + 9, SETUP_DEG[1], 0]).hold(1.5)
    for _ in range(3):
        one(path, 3.0).hold(0.5)
    assert "moved" in [each.code for each in of(run(Engine(target(TOP)), path.samples()), Trouble)]


def test_without_forearm_rotation_what_needs_it_is_not_judged():
    path = Path().hold(1).station("hip_back").to((0, 0, 0)).hold(1)
    samples = [each._replace(pronation_deg=math.nan) for each in path.samples()]
    found = of(run(Engine(target("clubhead_over_the_line")), samples), Repetition)
    assert [each.why for each in found] == ["no-channel"]
    found = of(run(Engine(target("same_shape_to_hip")), samples), Repetition)
    assert [each.verdict for each in found] == ["inside"]


def test_near_the_end_of_usual_motion_another_sound_says_stop():
    path = Path().hold(1).station("top", flexion=108.0, hold_s=1.0, length_s=2.0).to((0, 0, 0), 2).hold(1)
    stops = of(run(Engine(target(TOP)), path.samples()), CareStop)
    assert [each.channel for each in stops] == ["flexion_deg"]


def test_something_fast_is_no_rehearsal():
    path = Path().hold(1).to((10, -35, 45), 0.8).to((10, 10, -25), 0.22).to((-10, -10, -40), 0.4).hold(2.5)
    events = run(Engine(target(TOP)), path.samples())
    assert not of(events, Repetition)
    assert len(of(events, FullSwing)) == 1
    assert not of(events, CueOn)


def test_the_same_samples_give_the_same_events_however_they_come():
    samples = one(one(Path(rate_hz=133).hold(1), 3.0), 26.0).samples()
    live, engine = [], Engine(target(TOP))
    for at, sample in enumerate(samples):
        live += engine.push(sample)
        if at % 10 == 0:
            live += engine.wait(sample.t_s + 0.05)
    assert live + engine.finish() == run(Engine(target(TOP)), samples)


def test_memory_does_not_grow_with_the_length_of_a_session():
    engine = Engine(target(TOP))
    for at in range(20_000):  # standing about, somewhere else
        engine.push(Sample(at / 50, 5 + math.sin(at / 30) * 20, 40.0, 10.0))
    assert len(engine._kept) < 600
    assert engine._movement is None or len(engine._movement.frames) < 1500


@pytest.mark.parametrize("drill", load_book().drills, ids=lambda drill: drill.id)
def test_every_drill_has_stations_or_says_why_not(drill):
    rehearsal = drill.rehearsal
    if not rehearsal.stations:
        assert rehearsal.why_alone
        return
    needed = needed_stops(drill.window, rehearsal)
    assert needed
    assert set(live_stops(drill.window, rehearsal)) <= set(needed)


def test_a_ball_that_is_passed_is_judged_by_the_forearms_elevation_alone():
    """A stop a little past the ball looks like one at it: without the elevation only what is certain is said."""
    path = Path(noise_deg=0.1).hold(1)
    for flexion in (-14.0, 6.0):
        path.to((3, -18, 29), 1.0).hold(0.6).to((flexion, 3, -6), 0.9).to((2, 3, -30), 0.8).hold(0.6)
        path.to((0, 0, 0), 1.2).hold(1)
    samples = path.samples()
    found = of(run(Engine(target("stick_past_the_hip")), samples), Repetition)
    assert [each.verdict for each in found] == ["not-judged", "inside"]
    raised = []
    for sample in samples:
        roll = abs(sample.pronation_deg + 6.0)
        raised.append(sample._replace(elevation_deg=-62.0 + min(roll, 30.0)))
    found = of(run(Engine(target("stick_past_the_hip")), raised), Repetition)
    assert [each.verdict for each in found] == ["outside", "inside"]
