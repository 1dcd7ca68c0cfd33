"""A golfer's timing: kept from marked swings, shrunk, and used on that golfer's other swings alone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from faultml.classifier.assess import Assessor
from faultml.classifier.timing import detector_of
from faultml.cli import main
from faultml.labels.timing import (
    BETWEEN_SD_S,
    WITHIN_SD_S,
    MarkedSwing,
    golfer_timings,
    keep_marked,
)
from faultml.plan.practice import note_baseline
from faultml.plan.records import BaselineNote
from faultml.recordings.corrections import (
    MAX_AGE_DAYS,
    MIN_MARKED,
    Corrections,
    GolferTiming,
    recorder_kinds,
    with_timings,
)
from faultml.recordings.swings import SwingBatch
from faultml.recordings.write import write_season
from faultml.season import classify_season
from faultml.season.corrections import read_corrections
from faultml.season.timing import learn_timing
from faultml.store import Store, open_store
from faultml.store.people import forget
from faultml.synthetic.season import SyntheticSeason

LATE_S = 0.012
"""How much later than the true contact this recorder marks it."""


def marked(player: str, swing: int, off_s: float, **other: object) -> MarkedSwing:
    own = MarkedSwing(
        player, "2031-05-01", f"{swing:03d}", "7i", "200 Hz, forearm", "d", off_s, 0.002, "recorder"
    )
    return replace(own, **other)  # type: ignore[arg-type]


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return open_store(tmp_path / "store.sqlite")


def kept(store: Store, rows: list[MarkedSwing]) -> dict[str, GolferTiming]:
    keep_marked(store, {(each.player, each.session) for each in rows}, rows)
    return {each.player: each for each in golfer_timings(store)}


def test_three_marked_swings_of_one_club_and_recorder_make_a_timing(store: Store) -> None:
    rows = [marked("three", at, 0.010) for at in range(MIN_MARKED)]
    rows += [marked("two", at, 0.010) for at in range(2)]
    rows += [marked("mixed", at, 0.010, club=f"{at}i") for at in range(4)]
    rows += [marked("mixed", 9 + at, 0.010, recorder=f"{at}00 Hz") for at in range(4)]
    timings = kept(store, rows)
    assert list(timings) == ["three"]
    three = timings["three"]
    assert (three.n, three.since, three.last, len(three.swings)) == (3, "2031-05-01", "2031-05-01", 3)


def test_it_is_shrunk_to_the_groups_the_less_it_rests_on_the_more(store: Store) -> None:
    rows = [marked("few", at, 0.020) for at in range(3)]
    rows += [marked("many", at, 0.020) for at in range(30)]
    rows += [marked(f"other{k}", at, 0.0) for k in range(6) for at in range(3)]
    timings = kept(store, rows)
    assert (
        0.0 < timings["other0"].offset_s < 0.002 < timings["few"].offset_s < timings["many"].offset_s < 0.020
    )
    assert timings["few"].sd_s > timings["many"].sd_s
    within = BETWEEN_SD_S > timings["few"].sd_s > 0.5 * WITHIN_SD_S
    assert within


def test_a_spread_of_the_swings_makes_the_impact_less_sure(store: Store) -> None:
    steady = [marked(f"p{k}", at, 0.001 * k) for k in range(6) for at in range(4)]
    sure = kept(store, steady)["p1"].sd_s
    shaken = [replace(each, off_s=each.off_s + (-1) ** int(each.swing) * 0.015) for each in steady]
    assert kept(store, shaken)["p1"].sd_s > 1.5 * sure


def test_learning_again_replaces_and_forgetting_removes(store: Store) -> None:
    kept(store, [marked("p", at, 0.010) for at in range(3)])
    assert kept(store, [marked("p", at, -0.010) for at in range(3)])["p"].offset_s < 0
    assert keep_marked(store, [("p", "2031-05-01")], []) == 0 and golfer_timings(store) == ()
    kept(store, [marked("p", at, 0.010) for at in range(3)])
    assert forget(store, "p").rows["impact_timing"] == 3
    assert kept(store, [marked("p", at, 0.010) for at in range(3)]) == {}


def test_a_moved_sensor_or_a_new_grip_ends_it(store: Store) -> None:
    kept(store, [marked("p", at, 0.010) for at in range(3)])
    note_baseline(store, BaselineNote("p", "2031-05-02", "sensor"))
    assert golfer_timings(store) == ()


@pytest.fixture(scope="module")
def golfer(generated: SyntheticSeason, assessor: Assessor) -> tuple[SwingBatch, np.ndarray]:
    """Two sessions of a golfer without marks and with one club, and the true contacts."""
    batch = generated.batch
    found = assessor.assess(batch)
    own = found.assessed & np.isnan(batch.table["impact_s"].to_numpy(float))
    player = batch.table.loc[own, "player"].value_counts().index[0]
    own &= (batch.table["player"] == player).to_numpy()
    sessions = sorted(set(batch.table.loc[own, "session"]))[:2]
    rows = np.flatnonzero(own & batch.table["session"].isin(sessions).to_numpy())
    table = batch.table.iloc[rows].reset_index(drop=True).assign(club="7i")
    return (
        SwingBatch(table, batch.t_s[rows], batch.angles_deg[rows], batch.n_samples[rows]),
        generated.truth["impact_s"].to_numpy(float)[rows],
    )


def parts(golfer: tuple[SwingBatch, np.ndarray]) -> tuple[SwingBatch, SwingBatch, np.ndarray]:
    """The first session with marks, the second without, and the second's true contacts."""
    batch, truth = golfer
    first = (batch.table["session"] == batch.table["session"].min()).to_numpy()

    def some(which: np.ndarray, impact_s: np.ndarray) -> SwingBatch:
        rows = np.flatnonzero(which)
        table = batch.table.iloc[rows].reset_index(drop=True).assign(impact_s=impact_s[rows])
        return SwingBatch(table, batch.t_s[rows], batch.angles_deg[rows], batch.n_samples[rows])

    return some(first, truth + LATE_S), some(~first, np.full(len(truth), np.nan)), truth[~first]


def test_marks_of_one_session_move_the_impacts_of_the_next(
    golfer: tuple[SwingBatch, np.ndarray], tmp_path: Path
) -> None:
    early, late, truth = parts(golfer)
    write_season(early, tmp_path / "early" / "season.parquet")
    write_season(late, tmp_path / "late" / "season.parquet")
    store = tmp_path / "store.sqlite"
    learned = learn_timing(tmp_path / "early", store=store)
    (timing,) = learned.timings
    assert learned.n_marked == timing.n >= MIN_MARKED and learned.n_unmarked == 0
    # The swings that it was learned from are marked, and stay as they are.
    again = classify_season(tmp_path / "early", tmp_path / "a", store=store).results.swings
    assert set(again["impact_from"]) == {"recorder"} and again["timing_offset_s"].isna().all()

    plain = classify_season(
        tmp_path / "late", tmp_path / "b", corrections=replace_timings(store)
    ).results.swings
    moved = classify_season(tmp_path / "late", tmp_path / "c", store=store).results
    swings = moved.swings
    assert set(plain["impact_from"]) == {"inferred"} and set(swings["impact_from"]) == {"timing"}
    assert swings["timing_offset_s"].tolist() == pytest.approx([timing.offset_s] * len(swings))
    np.testing.assert_allclose(swings["impact_s"] - plain["impact_s"], timing.offset_s, atol=1e-9)
    assert swings["impact_sd_s"].tolist() == pytest.approx([timing.sd_s] * len(swings))
    order = dict(zip(late.table["swing"], truth + LATE_S, strict=True))
    off_s = [
        np.median([abs(row.impact_s - order[row.swing]) for row in each.itertuples()])
        for each in (plain, swings)
    ]
    assert off_s[1] < off_s[0]
    assert moved.faults["promised"].isna().all() and not swings["impact_marked"].any()


def replace_timings(store: Path) -> Corrections:
    return msgspec.structs.replace(read_corrections(store), timings=())


def test_it_is_for_its_own_club_recorder_and_detector_and_grows_stale(
    golfer: tuple[SwingBatch, np.ndarray], assessor: Assessor
) -> None:
    _, late, _ = parts(golfer)
    player, session = str(late.table["player"].iloc[0]), str(late.table["session"].iloc[0])
    own = GolferTiming(
        player, "7i", recorder_kinds(late)[0], detector_of(assessor), 0.01, 0.006, 3, session, session, ()
    )

    def used(timing: GolferTiming) -> int:
        batch = with_timings(late, [timing], detector_of(assessor))
        return int(np.isfinite(assessor.assess(batch).timing_s).sum())

    change = msgspec.structs.replace
    assert used(own) == len(late)
    for other in ({"club": "5i"}, {"recorder": "60 Hz"}, {"detector": "another"}, {"player": "nobody"}):
        assert used(change(own, **other)) == 0
    first = str(late.table["swing"].iloc[0])
    assert used(change(own, swings=((session, first),))) == len(late) - 1
    past = (pd.Timestamp(session) - pd.Timedelta(days=MAX_AGE_DAYS + 1)).date().isoformat()
    assert used(change(own, since=past, last=past)) == 0
    assert with_timings(late, [change(own, detector="another")], detector_of(assessor)) is late


def test_the_command_learns_and_lists(golfer: tuple[SwingBatch, np.ndarray], tmp_path: Path) -> None:
    early, _, _ = parts(golfer)
    write_season(early, tmp_path / "season.parquet")
    store = str(tmp_path / "store.sqlite")
    learned = CliRunner().invoke(
        main, ["timing", "learn", str(tmp_path / "season.parquet"), "--store", store]
    )
    assert learned.exit_code == 0 and f"{len(early)} marked swings kept; 0 swings" in learned.output
    listed = CliRunner().invoke(main, ["timing", "list", "--store", store])
    assert "7i" in listed.output and "impact's SD" in listed.output
    nobody = CliRunner().invoke(main, ["timing", "list", "--player", "nobody", "--store", store])
    assert "No player has 3 marked swings" in nobody.output
