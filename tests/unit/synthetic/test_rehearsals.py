"""Rehearsals: the truth agrees with the true curves, for every drill, kind, rate, hand and recorder."""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise

import msgspec
import numpy as np
import pytest
from numpy.typing import NDArray

from faultml.channels import CHANNELS
from faultml.coaching.book import load_book
from faultml.coaching.window import Window
from faultml.synthetic.rehearsal_rules import load_rehearsal_rules
from faultml.synthetic.rehearsal_truth import RehearsalTruth, RepetitionTruth
from faultml.synthetic.rehearsals import (
    MAX_MARGIN_DEG,
    Rehearsal,
    make_rehearsal,
    rehearsal_kinds,
    rehearsal_recorders,
    rehearsed_drills,
    spread_margins,
)

Array = NDArray[np.float64]
WINDOWS = {drill.id: drill.window for drill in load_book().drills if isinstance(drill.window, Window)}
WANTED = np.array([-14.0, -2.5, 1.5, 12.0])
ATTAINABLE_DEG = 4.5
"""Every window of the book can be met so far inside; one relative to the curve's own lowest value not much further."""


@lru_cache(maxsize=128)
def rehearse(
    drill: str = "two_stops_to_the_top",
    kind: str = "stations",
    recorder: str = "clean",
    hand: str = "right",
    rate_hz: float = 100.0,
    seed: int = 1,
    count: int = 4,
) -> Rehearsal:
    wanted = np.resize(WANTED, count)
    return make_rehearsal(
        drill,
        WINDOWS[drill],
        kind=kind,
        rate_hz=rate_hz,
        handedness="left" if hand == "left" else "right",
        excursions_deg=wanted,
        rng=np.random.default_rng([seed, rehearsed_drills().index(drill)]),
        recorder=recorder,
        elevation=True,
    )


def during(truth: RehearsalTruth, from_s: float, to_s: float) -> NDArray[np.bool_]:
    """The samples of a time, and the nearest one where it lies between two."""
    within = (truth.t_s >= from_s - 1e-6) & (truth.t_s <= to_s + 1e-6)
    within[np.abs(truth.t_s - from_s).argmin()] = True
    return within


def margins(window: Window, truth: RehearsalTruth, repetition: RepetitionTruth) -> tuple[Array, Array]:
    """Times and margins along the stretch, from the curve alone: no code of the generator."""
    curve = truth.angles_deg[CHANNELS.index(window.channel)]

    def at(place: str) -> float:
        visit = next(visit for visit in repetition.visits if visit.place == place)
        return float(np.median(curve[during(truth, visit.from_s, visit.to_s)]))

    stretch = during(truth, repetition.reading.from_s, repetition.reading.to_s)
    t_s, values = truth.t_s[stretch], curve[stretch]
    if window.span[0] == window.span[1]:
        t_s, values = t_s[:1], np.array([np.median(values)])
    if window.reference == "lowest":
        so_far = during(truth, repetition.start_s, repetition.reading.to_s)
        relative = values - np.array([curve[so_far & (truth.t_s <= now)].min() for now in t_s])
    else:
        turn = "top" if any(visit.place == "top" for visit in repetition.visits) else "hip_back"
        from_deg = {"absolute": lambda: 0.0, "setup": lambda: at("setup"), "top": lambda: at(turn)}
        from_deg["impact"] = lambda: at("ball")
        relative = values - from_deg[window.reference]()
    inside = window.bound_deg - relative if window.side == "below" else relative - window.bound_deg
    if window.guard_deg is not None:
        inside = np.maximum(inside, values - at("setup") - window.guard_deg)
    return t_s, inside


def test_every_drill_with_a_window_of_its_own_can_be_rehearsed() -> None:
    assert set(rehearsed_drills()) == set(WINDOWS)


@pytest.mark.parametrize("drill", WINDOWS)
def test_a_way_through_the_ball_turns_once_at_the_end_of_going_back(drill: str) -> None:
    places = load_rehearsal_rules().routes[drill].places
    phases = [place.phase for place in places]
    assert phases == sorted(set(phases))
    assert phases[0] == 0
    if len(phases) > 2 and phases[-1] > 1.0:
        turn = phases.index(1.0)
        heights = [place.elevation_deg for place in places]
        assert heights[turn] == max(heights[: turn + 2])


@pytest.mark.parametrize("drill", WINDOWS)
@pytest.mark.parametrize("kind", ["stations", "slow"])
def test_the_truth_is_what_the_curve_shows(drill: str, kind: str) -> None:
    window = WINDOWS[drill]
    truth = rehearse(drill, kind).truth
    assert len(truth.repetitions) == len(WANTED)
    for repetition, wanted in zip(truth.repetitions, WANTED, strict=True):
        t_s, along = margins(window, truth, repetition)
        margin = along.min() if window.must == "stay" else along.max()
        assert repetition.margin_deg == pytest.approx(margin, abs=0.15)
        assert repetition.inside == (repetition.margin_deg >= 0)
        crossed = along < -0.15 if window.must == "stay" else along >= 0.15
        nearly = along < 0.15 if window.must == "stay" else along >= -0.15
        if crossed.any():
            assert repetition.reading.crossed_s <= t_s[crossed.argmax()] + 0.004
            assert repetition.reading.crossed_s >= t_s[nearly.argmax()] - 0.004
        if repetition.inside == (window.must == "stay"):
            assert np.isnan(repetition.reading.crossed_s)
        assert repetition.margin_deg <= wanted + 0.5
        assert repetition.margin_deg == pytest.approx(wanted, abs=0.5) or wanted > ATTAINABLE_DEG
        assert repetition.margin_deg > min(wanted, ATTAINABLE_DEG) - 0.5
        assert repetition.whole
        assert repetition.whole_stretch
        setup = during(truth, repetition.visits[0].from_s, repetition.visits[0].to_s)
        np.testing.assert_allclose(
            repetition.setup_deg, np.median(truth.angles_deg[:, setup], axis=1), atol=0.05
        )


@pytest.mark.parametrize("drill", WINDOWS)
def test_moments_are_read_where_the_body_is(drill: str) -> None:
    window = WINDOWS[drill]
    truth = rehearse(drill).truth
    place = {
        "b0.0": "setup",
        "b0.5": "hip_back",
        "b1.0": "top",
        "d0.0": "top",
        "d1.0": "ball",
        "f0.30": "hip_through",
    }
    for repetition in truth.repetitions:
        names = [visit.place for visit in repetition.visits]
        times = [time for visit in repetition.visits for time in (visit.from_s, visit.to_s)]
        assert times == sorted(times)
        assert names == [place.name for place in load_rehearsal_rules().routes[drill].places]
        reading = repetition.reading
        assert repetition.visits[0].from_s <= reading.from_s <= reading.to_s <= repetition.end_s
        if window.start in place:
            visit = repetition.visits[names.index(place[window.start])]
            assert reading.from_s == visit.from_s
            assert reading.to_s == visit.to_s or window.end
        elif window.start != "b0.8":
            # On the way from one rest to the next, which is a minimum-jerk movement, near enough.
            rests = [visit for visit in repetition.visits if visit.stopped or visit.phase == 1.0]
            before = [visit for visit in rests if visit.to_s <= reading.from_s][-1]
            after = next(visit for visit in rests if visit.from_s > reading.from_s)
            gone = (reading.from_s - before.to_s) / (after.from_s - before.to_s)
            share = gone**3 * (10 - 15 * gone + 6 * gone**2)
            phase = float(window.start[1:]) + (window.start[0] == "d")
            assert before.phase + share * (after.phase - before.phase) == pytest.approx(phase, abs=0.16)


@pytest.mark.parametrize("kind", rehearsal_kinds())
def test_repetitions_and_spans_fill_the_session(kind: str) -> None:
    truth = rehearse(kind=kind).truth
    pieces = [(each.visits[0].from_s, each.end_s + 1 / 500) for each in truth.repetitions]
    pieces += [(span.from_s, span.to_s) for span in truth.spans]
    pieces.sort()
    assert pieces[0][0] == pytest.approx(truth.t_s[1])
    assert pieces[-1][1] == pytest.approx(truth.t_s[-1] + 1 / 500)
    for (_, end_s), (start_s, _) in pairwise(pieces):
        assert end_s == pytest.approx(start_s, abs=1e-6)
    swings = [span for span in truth.spans if span.what == "full_swing"]
    calm = ~np.any([during(truth, span.from_s, span.to_s) for span in swings], axis=0)
    speed_dps = np.abs(np.diff(truth.angles_deg, axis=1)) * 500
    assert speed_dps[:, np.broadcast_to(calm, truth.t_s.shape)[1:]].max() < 900
    assert len(swings) == (kind == "full_swing")
    if swings:
        assert speed_dps[:, ~calm[1:]].max() > 400


def test_kinds_differ_in_their_stops() -> None:
    for kind, stops in {
        "stations": ["setup", "hip_back", "top", "thigh_through"],
        "slow": ["setup", "thigh_through"],
        "no_pause": [],
    }.items():
        for repetition in rehearse(kind=kind).truth.repetitions:
            rests = {visit.place: visit.to_s - visit.from_s for visit in repetition.visits if visit.stopped}
            assert list(rests) == stops
            assert all(rest > 0.3 for rest in rests.values())
    starts_s = [repetition.start_s for repetition in rehearse(kind="no_pause").truth.repetitions]
    ends_s = [repetition.end_s for repetition in rehearse(kind="no_pause").truth.repetitions]
    assert all(start - end < 1.3 for start, end in zip(starts_s[1:], ends_s, strict=False))


@pytest.mark.parametrize(
    ("kind", "shortest_s", "longest_s"), [("hesitations", 0.07, 0.25), ("long_hesitations", 0.34, 0.81)]
)
def test_a_hesitation_is_a_halt_between_places(kind: str, shortest_s: float, longest_s: float) -> None:
    truth = rehearse(kind=kind).truth
    halts = [halt for repetition in truth.repetitions for halt in repetition.hesitations_s]
    assert len(halts) >= 3
    rests = [visit for repetition in truth.repetitions for visit in repetition.visits]
    for from_s, to_s in halts:
        assert shortest_s < to_s - from_s < longest_s
        assert np.ptp(truth.elevation_deg[during(truth, from_s, to_s)]) < 1e-6
        assert not any(visit.from_s < to_s and from_s < visit.to_s for visit in rests)


def test_attempts_that_are_broken_off_are_no_repetitions() -> None:
    truth = rehearse(kind="broken_off").truth
    broken = [span for span in truth.spans if span.what == "broken_off"]
    assert broken
    assert len(truth.repetitions) == len(WANTED)
    top_deg = min(
        truth.elevation_deg[during(truth, each.start_s, each.end_s)].max() for each in truth.repetitions
    )
    for span in broken:
        elevation = truth.elevation_deg[during(truth, span.from_s, span.to_s)]
        assert np.ptp(elevation) > 5
        assert elevation.max() < top_deg - 5


@pytest.mark.parametrize(("drill", "judged"), [("two_stops_to_the_top", True), ("impact_picture", False)])
def test_a_part_repetition_is_judged_as_far_as_it_went(drill: str, judged: bool) -> None:
    repetitions = rehearse(drill, "part", seed=2, count=8).truth.repetitions
    parts = [repetition for repetition in repetitions if not repetition.whole]
    assert 0 < len(parts) < len(repetitions)
    whole = next(repetition for repetition in repetitions if repetition.whole)
    for part in parts:
        assert len(part.visits) < len(whole.visits)
        assert part.whole_stretch == judged
        assert (part.inside is None) == (not judged)
        assert np.isnan(part.margin_deg) == (not judged)


def test_a_moment_that_was_not_quite_reached_is_not_judged() -> None:
    truth = rehearse("butt_end_to_belt", "part", count=24).truth
    short = [repetition for repetition in truth.repetitions if not repetition.whole_stretch]
    assert short
    for repetition in truth.repetitions:
        assert np.isnan(repetition.margin_deg) == (not repetition.whole_stretch)


def test_a_moved_setup_is_known() -> None:
    truth = rehearse(kind="setup_moved", count=8).truth
    off_deg = [np.abs(each.setup_deg - truth.usual_setup_deg)[:2].max() for each in truth.repetitions]
    assert 0 < sum(off > 6 for off in off_deg) < 8
    usual = [
        np.abs(each.setup_deg - truth.usual_setup_deg).max() for each in rehearse(count=8).truth.repetitions
    ]
    assert max(usual) < 5
    for each in truth.repetitions:
        setup = during(truth, each.visits[0].from_s, each.visits[0].to_s)
        assert each.setup_deg[0] == pytest.approx(np.median(truth.angles_deg[0, setup]), abs=0.05)


def test_a_bound_that_was_moved_moves_the_truth() -> None:
    window = WINDOWS["two_stops_to_the_top"]
    stricter = msgspec.structs.replace(window, bound_deg=window.bound_deg - 7.0)
    made = make_rehearsal(
        "two_stops_to_the_top",
        stricter,
        kind="stations",
        rate_hz=50,
        handedness="right",
        excursions_deg=np.array([3.0]),
        rng=np.random.default_rng(2),
    )
    _, along = margins(window, made.truth, made.truth.repetitions[0])
    assert along[0] == pytest.approx(10.0, abs=0.5)


def test_margins_are_spread_evenly() -> None:
    spread = spread_margins(30, np.random.default_rng(4))
    assert np.abs(spread).max() <= MAX_MARGIN_DEG
    np.testing.assert_array_equal(np.sort(np.floor(spread)), np.arange(-15, 15))
    assert (np.diff(spread) < 0).any()


@pytest.mark.parametrize("rate_hz", [50.0, 125.0, 500.0])
def test_a_clean_recorder_reads_the_true_curve_at_its_rate(rate_hz: float) -> None:
    made = rehearse("brush_past_the_line", "slow", rate_hz=rate_hz, count=1)
    np.testing.assert_allclose(np.diff(made.time_s), 1 / rate_hz, atol=1e-9)
    assert made.time_s[-1] - made.time_s[0] == pytest.approx(np.ptp(made.truth.t_s), abs=0.05)
    read = np.stack([made.flexion_deg, made.ulnar_deg, made.pronation_deg])
    true = np.stack([np.interp(made.time_s, made.truth.t_s, row) for row in made.truth.angles_deg])
    np.testing.assert_allclose(read, true, atol=1e-6)
    assert made.elevation_deg is not None
    np.testing.assert_allclose(
        made.elevation_deg, np.interp(made.time_s, made.truth.t_s, made.truth.elevation_deg), atol=1e-6
    )


def test_elevation_is_given_only_where_the_recorder_has_it() -> None:
    made = make_rehearsal(
        "impact_picture",
        WINDOWS["impact_picture"],
        kind="slow",
        rate_hz=50,
        handedness="left",
        excursions_deg=np.array([1.0]),
        rng=np.random.default_rng(3),
    )
    assert made.elevation_deg is None
    assert made.handedness == "left"


def test_a_left_handed_golfers_numbers_mean_the_same() -> None:
    """Anatomical signs: the same motion reads the same; a turn of the sensor about the forearm has the other sign."""
    left, right = (rehearse(recorder="everyday", hand=hand) for hand in ("left", "right"))
    np.testing.assert_array_equal(left.flexion_deg, right.flexion_deg)
    np.testing.assert_array_equal(left.ulnar_deg, right.ulnar_deg)
    np.testing.assert_array_equal(left.pronation_deg, right.pronation_deg)
    assert [each.margin_deg for each in left.truth.repetitions] == [
        each.margin_deg for each in right.truth.repetitions
    ]
    errors = []
    for hand, plain in (("left", left), ("right", right)):
        turned = rehearse(recorder="turned", hand=hand)
        errors.append(turned.flexion_deg - plain.flexion_deg)
        np.testing.assert_array_equal(turned.pronation_deg, plain.pronation_deg)
    assert np.ptp(errors[0]) > 0.5
    assert np.corrcoef(*errors)[0, 1] < -0.9


def test_everything_follows_from_the_seed() -> None:
    one, same, other = (
        make_rehearsal(
            "coin_in_the_heel",
            WINDOWS["coin_in_the_heel"],
            kind="hesitations",
            rate_hz=60,
            handedness="right",
            excursions_deg=np.array([-5.0, 5.0]),
            rng=np.random.default_rng(seed),
            recorder="lossy",
        )
        for seed in (1, 1, 2)
    )
    np.testing.assert_array_equal(one.time_s, same.time_s)
    np.testing.assert_array_equal(one.ulnar_deg, same.ulnar_deg)
    assert [each.reading for each in one.truth.repetitions] == [
        each.reading for each in same.truth.repetitions
    ]
    assert one.truth.spans == same.truth.spans
    assert one.truth.spans != other.truth.spans


def test_recorders_do_what_they_are_named_for() -> None:
    made = {name: rehearse("club_on_the_breastbone", recorder=name) for name in rehearsal_recorders()}
    for rehearsal in made.values():
        assert (np.diff(rehearsal.arrived_s) >= 0).all()
        assert (rehearsal.arrived_s > rehearsal.time_s).all()
    lossy = made["lossy"]
    steps = np.diff(np.unique(lossy.time_s)) * lossy.rate_hz
    assert (steps > 1.5).sum() > 20, "lost"
    assert len(lossy.time_s) - len(np.unique(lossy.time_s)) > 20, "doubled"
    assert (np.diff(lossy.time_s) < 0).sum() > 20, "late"
    assert (lossy.arrived_s - lossy.time_s).max() > 0.2

    def error_deg(name: str) -> tuple[Array, Array]:
        rehearsal = made[name]
        true = [np.interp(rehearsal.time_s, rehearsal.truth.t_s, row) for row in rehearsal.truth.angles_deg]
        read = [rehearsal.flexion_deg, rehearsal.ulnar_deg, rehearsal.pronation_deg]
        return rehearsal.time_s, (np.stack(read) - np.stack(true)).T

    assert 0.3 < error_deg("everyday")[1].std() < 0.8
    assert np.abs(np.polyfit(*error_deg("drifts"), 1)[0]).max() > 0.015
    assert np.abs(np.polyfit(*error_deg("everyday"), 1)[0]).max() < 0.015
    at_s, error = error_deg("turned_midway")
    turned_s = made["turned_midway"].truth.turned_s
    assert error[at_s < turned_s].std(axis=0).max() < 1.2
    assert error[at_s > turned_s + 0.5, :2].std(axis=0).max() > 1.2
    assert error[at_s > turned_s + 0.5, 2].std() < 0.8, "forearm rotation is not read by the turned axes"
    assert not any(each.start_s < turned_s < each.end_s for each in made["turned_midway"].truth.repetitions)

    from_s, to_s = made["pauses"].truth.off_s
    assert 0.8 <= to_s - from_s <= 3.0
    assert not ((made["pauses"].time_s >= from_s) & (made["pauses"].time_s < to_s)).any()
    assert made["pauses"].time_s[-1] > to_s
    from_s, to_s = made["stops"].truth.off_s
    assert to_s == np.inf
    assert made["stops"].time_s.max() < from_s < made["stops"].truth.t_s[-1] - 1


def test_between_repetitions_all_sorts_of_things_are_done() -> None:
    spans = [span for seed in range(4) for span in rehearse("impact_picture", seed=seed).truth.spans]
    wanted = {
        "walk",
        "waggle",
        "regrip",
        "club_down",
        "empty_hands",
        "club_up",
        "gesture",
        "return",
        "setting_up",
    }
    assert {span.what for span in spans} == wanted
    assert all(span.to_s - span.from_s > 0.1 for span in spans)


@pytest.mark.parametrize(
    "wrong",
    [
        {"drill": "same_count_same_brush"},
        {"kind": "quick"},
        {"recorder": "broken"},
        {"rate_hz": 40.0},
        {"count": 0},
    ],
)
def test_what_cannot_be_made_is_refused(wrong: dict[str, object]) -> None:
    asked = {
        "drill": "impact_picture",
        "kind": "slow",
        "recorder": "clean",
        "rate_hz": 100.0,
        "count": 1,
    } | wrong
    with pytest.raises(ValueError, match=r"known are|expected"):
        make_rehearsal(
            str(asked["drill"]),
            WINDOWS["impact_picture"],
            kind=str(asked["kind"]),
            rate_hz=float(str(asked["rate_hz"])),
            handedness="right",
            excursions_deg=np.zeros(int(str(asked["count"]))),
            rng=np.random.default_rng(1),
            recorder=str(asked["recorder"]),
        )
