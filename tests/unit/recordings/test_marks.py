"""``marks.csv``: a coach's landmarks read from a table, used as given, each with its own doubt."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from season_fakes import fake_season, write_parquet

from faultml.recordings.corrections import COACH_SD_S, CoachLandmark, Corrections
from faultml.recordings.marks import read_marks
from faultml.recordings.read import open_season
from faultml.recordings.same_names import SameName
from faultml.season.run import classify_season

HEAD = "player,session,swing,landmark,time_s,sd_s\n"


def marks_of(folder: Path, text: str) -> Path:
    path = folder / "marks.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_table_is_read_with_the_doubt_given_or_the_desks(tmp_path: Path) -> None:
    path = marks_of(tmp_path, HEAD + "p1,2026-05-01,001,impact,1.36,0.003\np1,2026-05-01,002,Top,1.1,\n\n")
    marks = read_marks([path])
    assert marks.problems == []
    assert marks.landmarks == (
        CoachLandmark("p1", "2026-05-01", "001", "impact", 1.36, 0.003),
        CoachLandmark("p1", "2026-05-01", "002", "top", 1.1, COACH_SD_S),
    )


@pytest.mark.parametrize(
    "row",
    [
        "p1,2026-05-01,001,finish,1.36,0.003",
        "p1,2026-05-01,001,impact,1360 ms,0.003",
        "p1,2026-05-01,001,impact,1.36,3",
        "p1,,001,impact,1.36,0.003",
        "p1,2026-05-01,001,impact,nan,0.003",
    ],
)
def test_a_row_that_cannot_be_read_is_reported_and_left_out(row: str, tmp_path: Path) -> None:
    good = "p1,2026-05-01,002,impact,1.3,0.004\n"
    marks = read_marks([marks_of(tmp_path, HEAD + row + "\n" + good)])
    assert [each.swing for each in marks.landmarks] == ["002"]
    assert [(each.code, each.row) for each in marks.problems] == [("marks-unreadable", 2)]


def test_marks_that_disagree_are_all_left_out(tmp_path: Path) -> None:
    rows = "p1,2026-05-01,001,impact,1.36,0.003\np1,2026-05-01,001,impact,1.30,0.003\n"
    marks = read_marks([marks_of(tmp_path, HEAD + rows)])
    assert marks.landmarks == () and [each.code for each in marks.problems] == ["marks-unreadable"]


def test_a_file_without_its_columns_is_reported(tmp_path: Path) -> None:
    marks = read_marks([marks_of(tmp_path, "player,swing,impact\np1,001,1.3\n")])
    assert marks.landmarks == () and [each.code for each in marks.problems] == ["marks-unreadable"]


def test_it_is_no_recording_and_its_names_are_those_of_the_players(tmp_path: Path) -> None:
    write_parquet(fake_season(2), tmp_path / "season.parquet")
    marks_of(tmp_path, HEAD + "Pee One,2026-05-01,001,impact,1.35,0.004\n")
    season = open_season([tmp_path], names=[SameName("Pee One", "p1")])
    assert season.n_swings == 2 and season.problems == []
    assert season.marks == (CoachLandmark("p1", "2026-05-01", "001", "impact", 1.35, 0.004),)


def test_results_use_the_marks_as_given_and_the_desks_before_them(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    write_parquet(fake_season(3), tmp_path / "in" / "season.parquet")
    rows = "p1,2026-05-01,001,impact,1.35,0.004\np1,2026-05-01,002,impact,1.35,0.004\n"
    marks_of(tmp_path / "in", HEAD + rows)
    desk = CoachLandmark("p1", "2026-05-01", "002", "impact", 1.345)
    run = classify_season(tmp_path / "in", tmp_path / "out", corrections=Corrections((desk,)))
    swings = run.results.swings.sort_values("swing").reset_index(drop=True)
    assert swings["impact_from"].tolist() == ["coach", "coach", "inferred"]
    assert swings["impact_s"].tolist()[:2] == pytest.approx([1.35, 1.345])
    assert swings["impact_sd_s"].tolist()[:2] == pytest.approx([0.004, COACH_SD_S])
    assert swings["coach_landmarks"].map(list).tolist() == [["impact"], ["impact"], []]


def test_without_the_table_results_are_the_same(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    write_parquet(fake_season(2), tmp_path / "in" / "season.parquet")
    plain = classify_season(tmp_path / "in", tmp_path / "a").results
    marks_of(tmp_path / "in", HEAD)
    again = classify_season(tmp_path / "in", tmp_path / "b").results
    pd.testing.assert_frame_equal(plain.swings, again.swings)
    pd.testing.assert_frame_equal(plain.faults, again.faults)
