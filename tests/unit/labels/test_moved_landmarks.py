"""Landmarks that a coach has moved: refused where they cannot be, used in the place of those found, taken back."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from faultml.classifier.assess import Assessment, Assessor
from faultml.classifier.tables import swings_frame
from faultml.cli import main
from faultml.coaching.as_found import read_as_found
from faultml.coaching.summary import read_summary
from faultml.errors import InputError
from faultml.faults.catalogue import load_catalogue
from faultml.labels.landmarks import (
    MovedLandmark,
    SwingTimes,
    all_moved,
    check_move,
    last_found,
    move_landmark,
    moved_on,
    undo_landmark,
)
from faultml.outcomes.change import changes
from faultml.recordings.corrections import COACH_SD_S, CoachLandmark, Corrections, with_landmarks
from faultml.recordings.swings import SwingBatch
from faultml.recordings.write import write_season
from faultml.results import read_results
from faultml.season import classify_season
from faultml.store import open_store
from faultml.synthetic.season import SyntheticSeason

N = 60
TIMES = SwingTimes((1.0, 1.8, 2.1), 0.2, 3.0)


@pytest.fixture(scope="module")
def some(generated: SyntheticSeason) -> SwingBatch:
    """60 recordings of two players."""
    batch = generated.batch
    return SwingBatch(batch.table.iloc[:N], batch.t_s[:N], batch.angles_deg[:N], batch.n_samples[:N])


@pytest.fixture(scope="module")
def found(some: SwingBatch, assessor: Assessor) -> Assessment:
    return assessor.assess(some)


def a_swing(found: Assessment, *, marked: bool = False) -> int:
    """A swing that was assessed."""
    return int(np.flatnonzero(found.assessed & (found.windows.marked == marked))[0])


def moved(found: Assessment, row: int, landmark: str, by_s: float) -> CoachLandmark:
    ids = map(str, found.batch.table.loc[row, ["player", "session", "swing"]])
    at_s = float(found.landmarks_s[row, ("takeaway", "top", "impact").index(landmark)])
    return CoachLandmark(*ids, landmark, at_s + by_s)  # type: ignore[arg-type]


def test_a_moved_landmark_is_used_and_every_other_swing_stays_bit_for_bit(
    found: Assessment, assessor: Assessor
) -> None:
    row = a_swing(found)
    top = moved(found, row, "top", -0.06)
    after = assessor.assess(with_landmarks(found.batch, [top]))
    assert after.landmarks_s[row, 1] == pytest.approx(top.at_s, abs=1e-12)
    assert after.landmarks.sd_s[row, 1] == COACH_SD_S
    assert np.array_equal(after.landmarks_s[row, [0, 2, 3]], found.landmarks_s[row, [0, 2, 3]])
    assert not np.allclose(after.posterior.mean[row], found.posterior.mean[row], atol=0.2)
    others = np.arange(N) != row
    assert np.array_equal(after.probability[others], found.probability[others], equal_nan=True)
    reported = swings_frame(after)["coach_landmarks"]
    assert reported[row] == ["top"] and not any(reported[others])


def test_nothing_is_promised_of_a_swing_with_a_moved_landmark(found: Assessment, assessor: Assessor) -> None:
    row = a_swing(found)
    assert np.isfinite(assessor.promised(found)[row]).any()
    after = assessor.assess(with_landmarks(found.batch, [moved(found, row, "top", 0.02)]))
    promised = assessor.promised(after)
    assert np.isnan(promised[row]).all() and np.isfinite(promised[np.arange(N) != row]).any()


def test_an_impact_that_the_coach_has_moved_is_no_contact_mark(found: Assessment, assessor: Assessor) -> None:
    row = a_swing(found, marked=True)
    after = assessor.assess(with_landmarks(found.batch, [moved(found, row, "impact", 0.03)]))
    reported = swings_frame(after).loc[row]
    assert found.windows.marked[row] and not reported["impact_marked"]
    assert reported["impact_s"] == pytest.approx(found.landmarks_s[row, 2] + 0.03)
    assert reported["impact_sd_s"] == COACH_SD_S
    assert "contact-mark-ignored" not in reported["findings"]


def test_what_was_found_gives_way_to_what_the_coach_has_placed(found: Assessment, assessor: Assessor) -> None:
    row = a_swing(found)
    takeaway_s, top_s = found.landmarks_s[row, :2]
    early = moved(found, row, "top", float(takeaway_s - top_s) + 0.16)
    late = assessor.assess(with_landmarks(found.batch, [replace_at(early, float(takeaway_s) + 0.10)]))
    if late.by_coach[row].any():
        assert late.landmarks_s[row, 0] <= late.landmarks_s[row, 1] - 0.15 + 1e-9
    after = assessor.assess(with_landmarks(found.batch, [early]))
    times = after.landmarks_s[row, :3]
    assert times[1] == pytest.approx(early.at_s) and (np.diff(times) >= [0.15 - 1e-9, 0.08 - 1e-9]).all()


def replace_at(mark: CoachLandmark, at_s: float) -> CoachLandmark:
    return CoachLandmark(mark.player, mark.session, mark.swing, mark.landmark, at_s)


@pytest.mark.parametrize("at_s", [-50.0, 99.0, float("inf")])
def test_one_that_lies_outside_the_recording_is_left_aside_and_said(
    found: Assessment, assessor: Assessor, at_s: float
) -> None:
    row = a_swing(found)
    after = assessor.assess(
        with_landmarks(found.batch, [replace_at(moved(found, row, "top", 0.0), min(at_s, 1e6))])
    )
    assert "coach-landmark-ignored" in after.findings[row]
    assert sum("coach-landmark-ignored" in codes for codes in after.findings) == 1
    assert np.array_equal(after.probability[row], found.probability[row], equal_nan=True)
    assert swings_frame(after)["coach_landmarks"][row] == []


@pytest.mark.parametrize(
    ("landmark", "at_s", "code"),
    [
        ("top", 0.1, "landmark-outside"),
        ("impact", 3.01, "landmark-outside"),
        ("top", float("nan"), "landmark-outside"),
        ("top", 1.1, "landmark-order"),
        ("top", 2.05, "landmark-order"),
        ("takeaway", 1.9, "landmark-order"),
        ("impact", 1.85, "landmark-order"),
    ],
)
def test_a_move_that_cannot_be_is_refused_and_not_kept(
    tmp_path: Path, landmark: str, at_s: float, code: str
) -> None:
    with open_store(tmp_path / "s.sqlite") as store:
        with pytest.raises(InputError) as error:
            move_landmark(store, MovedLandmark("p", "d", "1", landmark, at_s, 1.8, "ann"), TIMES)  # type: ignore[arg-type]
        assert error.value.code == code
        assert all_moved(store) == []


def test_a_move_within_the_order_passes() -> None:
    check_move(TIMES, "top", 1.95)
    check_move(TIMES, "takeaway", 0.2)


def test_the_last_move_is_taken_back_and_the_one_before_holds_again(tmp_path: Path) -> None:
    swing = ("p", "d", "1")
    with open_store(tmp_path / "s.sqlite") as store:
        for landmark, at_s in (("top", 1.7), ("top", 1.6), ("impact", 2.2)):
            move_landmark(store, MovedLandmark(*swing, landmark, at_s, 1.8, "ann"), TIMES)  # type: ignore[arg-type]
        assert [(each.landmark, each.at_s) for each in all_moved(store)] == [("top", 1.6), ("impact", 2.2)]
        assert all(each.coach == "ann" and each.when for each in moved_on(store, swing))
        taken = []
        while (last := undo_landmark(store, swing, "ben")) is not None:
            taken.append((last.landmark, last.at_s))
        assert taken == [("impact", 2.2), ("top", 1.6), ("top", 1.7)]
        assert moved_on(store, swing) == [] and last_found(store, swing)["top"] == 1.8


def test_a_move_needs_a_name_and_nobody_who_was_forgotten_is_taken_in_again(tmp_path: Path) -> None:
    from faultml.store.people import forget

    with open_store(tmp_path / "s.sqlite") as store:
        with pytest.raises(InputError, match="name"):
            move_landmark(store, MovedLandmark("p", "d", "1", "top", 1.7, 1.8, " "), TIMES)
        move_landmark(store, MovedLandmark("p", "d", "1", "top", 1.7, 1.8, "ann"), TIMES)
    with open_store(tmp_path / "s.sqlite") as store:
        forget(store, "p")
        assert all_moved(store) == []
        with pytest.raises(InputError) as error:
            move_landmark(store, MovedLandmark("p", "d", "1", "top", 1.7, 1.8, "ann"), TIMES)
        assert error.value.code == "forgotten-player"


@pytest.fixture(scope="module")
def season(some: SwingBatch, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("moved-season")
    write_season(some, folder / "season.parquet")
    return folder


def test_a_season_uses_what_the_store_holds_and_says_what_it_would_be_without(
    season: Path, found: Assessment, tmp_path: Path
) -> None:
    rows = np.flatnonzero(found.assessed)[:12]
    marks = [moved(found, int(row), "top", -0.05) for row in rows]
    with open_store(tmp_path / "s.sqlite") as store:
        for mark, row in zip(marks, rows, strict=True):
            takeaway, top, impact = (float(at) for at in found.landmarks_s[row, :3])
            move_landmark(
                store,
                MovedLandmark(mark.player, mark.session, mark.swing, mark.landmark, mark.at_s, top, "ann"),
                SwingTimes((takeaway, top, impact), takeaway - 0.5, impact + 1),
            )
    plain = classify_season(season, tmp_path / "plain").results
    with_store = classify_season(season, tmp_path / "moved", store=tmp_path / "s.sqlite").results
    parts = classify_season(
        season, tmp_path / "parts", corrections=Corrections(tuple(marks)), partition_swings=7
    ).results
    assert with_store.swings["coach_landmarks"].map(list).tolist().count(["top"]) == 12
    pd.testing.assert_frame_equal(with_store.faults, parts.faults, check_exact=True)
    keys = ["player", "session", "context", "fault"]
    before, now = read_summary(plain).faults, read_summary(with_store).faults
    assert not before.equals(now)
    for results in (with_store, parts):
        as_found = read_as_found(results)
        assert as_found is not None
        left, right = (frame.sort_values(keys, ignore_index=True) for frame in (as_found, before))
        pd.testing.assert_frame_equal(left, right, check_exact=True)
    assert read_as_found(plain) is None

    swings = read_results(tmp_path / "plain").swings
    day = sorted(swings[swings["player"] == marks[0].player]["session"])[len(swings) // 8]
    given = pd.DataFrame(
        [{"player": marks[0].player, "drill": "any", "fault": "flexed_top", "since": day}],
        columns=["player", "drill", "fault", "since"],
    )
    catalogue = load_catalogue()
    alone = changes(before, given, catalogue).iloc[0]
    both = changes(now, given, catalogue, found=read_as_found(with_store)).iloc[0]
    assert alone["found_verdict"] == ""
    assert both["found_verdict"] == alone["verdict"]
    assert both["found_change"] == pytest.approx(alone["change"], nan_ok=True, abs=0)


def test_the_command_lists_exports_and_takes_back(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    with open_store(path) as store:
        move_landmark(store, MovedLandmark("p07", "2031-04-05", "012", "top", 1.7, 1.8, "ann"), TIMES)
    run = CliRunner().invoke
    listed = run(main, ["landmarks", "list", "--store", str(path)])
    assert "p07 / 2031-04-05 / 012: top at 1.700 s, found at 1.800 s; ann" in listed.output
    assert "No landmark" in run(main, ["landmarks", "list", "--player", "x", "--store", str(path)]).output
    run(main, ["landmarks", "export", str(tmp_path / "l.csv"), "--store", str(path)])
    assert pd.read_csv(tmp_path / "l.csv")["at_s"].tolist() == [1.7]
    undo = ["landmarks", "undo", "p07", "2031-04-05", "012", "--coach", "ben", "--store", str(path)]
    assert "Taken back: top" in run(main, undo).output
    assert run(main, undo).exit_code == 2
