"""What holds for every season: batches and row order, pain, safe angles, and the order of the work."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
from care_fakes import TODAY, known_of
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from faultml.care.rules import Setup, load_care
from faultml.coaching.book import load_book
from faultml.coaching.place import OwnNumbers, bounds, place
from faultml.coaching.prescribe import prescribe
from faultml.coaching.ranking import FaultWorth, Situation, comes_before, rank_drills, worth_training
from faultml.coaching.rules import Coaching, load_rules
from faultml.coaching.summary import COLUMNS, KEYS, Summary, add_sums, decode_sums, sum_up, summarise
from faultml.coaching.window import SpreadWindow, inside
from faultml.exact import RunningTables
from faultml.faults.catalogue import load_catalogue

CATALOGUE = load_catalogue()
COACHING = Coaching(CATALOGUE, load_book(), load_rules())
CARE = load_care()
SHOTS = [(), ("straight",), ("hook",), ("push", "hook"), ("thin",)]


def _season(seed: int, n: int = 60) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Swings without any pattern: everything a table may hold, in no order."""
    rng = np.random.default_rng(seed)
    assessed = rng.random(n) < 0.9
    swings = pd.DataFrame(
        {
            "player": rng.choice(["007", "NA", "lp"], n),
            "session": rng.choice(["2031-04-02", "2031-04-16", "s3"], n),
            "swing": [f"{each}" for each in range(n)],
            "club": rng.choice(["driver", "7-iron", ""], n),
            "context": rng.choice(["play", "practice", "retest"], n),
            "shot": [SHOTS[each] for each in rng.integers(0, len(SHOTS), n)],
            "assessed": assessed,
            "reason": np.where(assessed, "", "too-short"),
            "impact_from": "inferred",
            "findings": [["gap-filled"] if each else [] for each in rng.random(n) < 0.3],
            "address_flexion_deg": np.where(assessed, rng.normal(-20, 8, n), np.nan),
            "address_ulnar_deg": np.where(assessed, rng.normal(8, 4, n), np.nan),
            "address_pronation_deg": np.where(assessed & (rng.random(n) < 0.7), rng.normal(0, 5, n), np.nan),
            "late_save": rng.random(n) < 0.3,
            "late_save_probability": np.where(assessed, rng.random(n), np.nan),
        }
    )
    faults = []
    for fault in CATALOGUE.faults:
        known = assessed & (rng.random(n) < 0.9)
        p = rng.beta(0.4, 0.6, n)
        faults.append(
            swings[["player", "session", "swing"]].assign(
                fault=fault.id,
                status=np.where(known, "assessed", "not_assessed"),
                probability=np.where(known, p, np.nan),
                call=np.select([~known, p > 0.8, p > 0.4], ["", "yes", "borderline"], "no"),
                measure=np.where(known, rng.normal(fault.edge, 9 if fault.unit == "deg" else 0.1, n), np.nan),
                guard_chance=np.where(known, rng.uniform(0, 1, n), np.nan) if fault.guard else np.nan,
                measure_sd=np.where(known, rng.uniform(0, 3, n), np.nan),
                severity=np.where(known, rng.gamma(1, 6 if fault.unit == "deg" else 0.05, n), np.nan),
                onset_phase=np.where(known, "d", ""),
                onset_at=np.where(known, rng.random(n), np.nan),
            )
        )
    return swings, pd.concat(faults, ignore_index=True)


def _assert_same(one: Summary, other: Summary) -> None:
    for name in KEYS:
        pd.testing.assert_frame_equal(getattr(one, name), getattr(other, name), check_exact=True)


@given(
    seed=st.integers(0, 2**16),
    cuts=st.lists(st.integers(1, 59), max_size=6),
    turn=st.randoms(use_true_random=False),
)
@settings(max_examples=25)
def test_a_summary_does_not_depend_on_batches_or_row_order(seed: int, cuts: list[int], turn) -> None:
    swings, faults = _season(seed)
    whole = summarise(swings, faults, CATALOGUE)
    order: NDArray[np.int64] = np.random.default_rng(seed + 1).permutation(len(swings))
    edges = [0, *sorted(set(cuts)), len(swings)]
    parts = []
    for start, end in itertools.pairwise(edges):
        own = swings.iloc[order[start:end]]
        mine = faults[faults["swing"].isin(own["swing"])].sample(frac=1, random_state=seed % 1000)
        parts.append(sum_up(own, mine, CATALOGUE))
    turn.shuffle(parts)
    merged = decode_sums(add_sums([add_sums(parts[:2]), *parts[2:]]))
    _assert_same(whole, merged)
    running = RunningTables(COLUMNS)
    for part in parts * 7:
        running.add(part)
    seven = add_sums([sum_up(swings, faults, CATALOGUE)] * 7)
    _assert_same(decode_sums(seven), decode_sums(running.total()))
    _assert_same_tables(whole, merged)


def _assert_same_tables(one: Summary, other: Summary) -> None:
    first, second = (prescribe(each, known_of(None), COACHING, TODAY) for each in (one, other))
    pd.testing.assert_frame_equal(first.players, second.players, check_exact=True)
    pd.testing.assert_frame_equal(first.drills, second.drills, check_exact=True)


PLAYERS = ("007", "NA", "lp")
ANSWERS = st.sampled_from([None, "", "yes", "no", True, False, float("nan"), "tender since spring"])
PAIN = st.text(st.characters(codec="utf-8", exclude_categories=("C",)), min_size=1, max_size=20).filter(
    lambda said: said.strip() and said.strip().casefold() not in ("none", "cleared")
)


@given(
    seed=st.integers(0, 50),
    pain=PAIN,
    before=st.sampled_from([None, "none", "cleared"]),
    after=st.sampled_from([None, "", "none", "elbow"]),
    answers=st.tuples(ANSWERS, ANSWERS, ANSWERS),
)
@settings(max_examples=40)
def test_whatever_else_the_roster_says_pain_means_no_drill(
    seed: int, pain: str, before, after, answers
) -> None:
    swings, faults = _season(seed)
    reported = dict(zip(["ulnar_history", "thumb_history", "under_16"], answers, strict=True))
    rows = [
        {"player": player, "pain": said, **reported} for player in PLAYERS for said in (before, pain, after)
    ]
    known = known_of(pd.DataFrame(rows), PLAYERS)
    drills = prescribe(summarise(swings, faults, CATALOGUE), known, COACHING, TODAY).drills
    assert (drills["drill"] == "").all()
    assert (drills["reason"] == "paused").all()


@given(seed=st.integers(0, 50), answers=st.tuples(ANSWERS, ANSWERS, ANSWERS))
@settings(max_examples=25)
def test_no_drill_asks_for_what_the_roster_rules_out(seed: int, answers) -> None:
    swings, faults = _season(seed)
    ulnar, thumb, young = answers
    row = {"pain": "none", "ulnar_history": ulnar, "thumb_history": thumb, "under_16": young}
    table = pd.DataFrame([{"player": player, **row} for player in PLAYERS])
    known = known_of(table, PLAYERS)
    drills = prescribe(summarise(swings, faults, CATALOGUE), known, COACHING, TODAY).drills
    barred = {"braced"} if young in (True, "yes") else set()
    barred |= (
        {"lag", "forced_roll", "flexion_with_ulnar", "unhinging", "ulnar_side"} if _yes(ulnar) else set()
    )
    barred |= {"hinge"} if _yes(thumb) else set()
    for drill in drills.loc[drills["rank"] > 0, "drill"]:
        assert not barred & set(COACHING.book[drill].loads)


def _yes(answer: object) -> bool:
    return answer in (True, "yes", "tender since spring")


ANGLE = st.floats(-80, 80, allow_nan=False)


@given(
    setup=st.tuples(ANGLE, st.floats(-40, 50), ANGLE),
    moved=st.tuples(ANGLE, ANGLE, st.floats(-70, 10), ANGLE),
)
def test_no_usable_window_leaves_the_safe_angles_or_asks_for_more_hinge(setup, moved) -> None:
    own = OwnNumbers(Setup(flexion_deg=setup[0], ulnar_deg=setup[1], pronation_deg=setup[2]), *moved)
    limits = CARE.limits
    for drill in COACHING.book.drills:
        placed = place(drill.window, own, limits)
        if isinstance(placed.window, SpreadWindow) or not placed.usable:
            continue
        low, high = bounds(placed.window, own, limits)
        if np.isfinite(placed.absolute_deg):
            assert low - 1e-9 <= placed.absolute_deg <= high + 1e-9
        assert low >= -20.0 or drill.window.channel != "ulnar_deg"
        if (
            placed.window.must == "reach"
            and drill.window.channel == "ulnar_deg"
            and placed.window.side == "below"
        ):
            assert placed.window.bound_deg >= -18.0 - 1e-9


@given(
    setup=st.tuples(ANGLE, st.floats(-40, 50), ANGLE),
    moved=st.tuples(ANGLE, ANGLE, st.floats(-70, 10), ANGLE),
)
def test_a_window_in_own_numbers_is_never_met_by_what_the_book_calls_outside_the_edge(setup, moved) -> None:
    """Care only ever makes a window stricter, or takes it away."""
    own = OwnNumbers(Setup(flexion_deg=setup[0], ulnar_deg=setup[1], pronation_deg=setup[2]), *moved)
    for drill in COACHING.book.drills:
        window, placed = drill.window, place(drill.window, own, CARE.limits)
        if isinstance(window, SpreadWindow) or not placed.usable or window.share is not None:
            continue
        assert window.sign * (placed.window.bound_deg - window.edge_deg) <= 1e-9, drill.id


@given(seed=st.integers(0, 2**16), cut=st.integers(0, 200))
def test_a_window_judges_a_swing_or_says_that_it_cannot(seed: int, cut: int) -> None:
    random = np.random.default_rng(seed)
    curves = np.cumsum(random.normal(0, 3, (7, 3, 201)), axis=2)
    curves[3:, :, cut:] = np.nan
    for drill in COACHING.book.drills:
        met = inside(drill.window, curves, unhinging_deg=30.0, address_deg=curves[:, :, 0])
        assert met.shape == (7,)
        assert np.isin(met[np.isfinite(met)], [0.0, 1.0]).all()
        each = [
            inside(drill.window, curves[[k]], unhinging_deg=30.0, address_deg=curves[[k], :, 0])
            for k in range(7)
        ]
        np.testing.assert_array_equal(met, np.concatenate(each))


WORTHS = st.lists(
    st.tuples(
        st.sampled_from(COACHING.fault_ids), st.floats(0.3, 1), st.floats(0.01, 30), st.floats(0.05, 1)
    ),
    unique_by=lambda each: each[0],
    max_size=8,
)


@given(
    worths=WORTHS,
    late=st.booleans(),
    hook=st.booleans(),
    barred=st.sets(st.sampled_from([d.id for d in COACHING.book.drills])),
)
@settings(max_examples=150)
def test_the_order_does_no_harm(worths, late: bool, hook: bool, barred: set[str]) -> None:
    faults = [FaultWorth(*each) for each in worths]
    waiting = frozenset(COACHING.rules.late_save.waits) if late else frozenset()
    situation = Situation(refused=dict.fromkeys(barred, "some-reason"), waiting=waiting, closers_first=hook)
    options = rank_drills(faults, situation, COACHING)
    picked = [option for option in options if option.rank]
    assert [option.rank for option in picked] == list(range(1, len(picked) + 1))
    assert len(picked) <= 3
    assert len({option.drill for option in options}) == len(options)
    assert not {option.drill for option in picked} & barred
    trained = worth_training(faults, situation, COACHING)
    before = comes_before([fault.fault for fault in faults], hook, COACHING, trained)
    worked_on: set[str] = set()
    for option in picked:
        assert not waiting & set(COACHING.serving[option.drill])
        assert not before[option.main] - worked_on
        worked_on |= {part.fault for part in option.parts}


@given(worths=WORTHS)
@settings(max_examples=60)
def test_the_first_drill_is_worth_most_of_those_that_may_come_first(worths) -> None:
    options = rank_drills([FaultWorth(*each) for each in worths], Situation(refused={}), COACHING)
    first = [option for option in options if option.rank == 1]
    before = comes_before([each[0] for each in worths], False, COACHING)
    others = [
        option
        for option in options
        if option.rank == 0 and option.status == "left" and not before[option.main]
    ]
    for option in first:
        assert all(option.benefit >= other.benefit - 1e-12 for other in others)
