"""Two spellings of one player: kept with who and when, read as one in recordings and store, taken back."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from season_fakes import fake_season, write_long, write_parquet

from faultml.errors import InputError
from faultml.labels.landmarks import MovedLandmark, SwingTimes, all_moved, move_landmark, moved_on
from faultml.labels.verdict import Verdict, add, verdicts
from faultml.outcomes.assignments import ASSIGNMENTS, assignments
from faultml.plan.practice import note_baseline
from faultml.plan.records import BaselineNote
from faultml.plan.store_notes import read_notes
from faultml.recordings.of_player import read_player
from faultml.recordings.read import open_season
from faultml.recordings.same_names import SameName, targets
from faultml.season import classify_season
from faultml.store import open_store
from faultml.store.names import all_names, players_of, same_names, say_apart, say_same

BOTH = (SameName("Tom H.", "tom"),)


def seasons(clash: bool = False) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Four swings of ``tom`` and three of ``Tom H.``, all of other numbers unless they are to clash."""
    one = fake_season(4).assign(player="tom")
    other = fake_season(3, seed=9).assign(player="Tom H.")
    if not clash:
        other["swing"] = [f"1{number}" for number in other["swing"]]
    return one, other


def written(folder: Path, *, csv: bool = False, clash: bool = False) -> Path:
    folder.mkdir()
    for number, season in enumerate(seasons(clash)):
        name = folder / f"{number}.{'csv' if csv else 'parquet'}"
        write_long(season, name) if csv else write_parquet(season, name)
    return folder


@pytest.mark.parametrize("csv", [False, True])
def test_a_season_reads_both_spellings_as_one_player(tmp_path: Path, csv: bool) -> None:
    season = open_season([written(tmp_path / "s", csv=csv)], names=BOTH)
    assert season.players == {"tom": 7}
    (batch,) = season.batches()
    assert set(batch.table["player"]) == {"tom"} and not any(batch.table["reason"])
    plain = open_season([tmp_path / "s"])
    assert plain.players == {"tom": 4, "Tom H.": 3}
    assert [len(each.names) for each in season.fragments(3)] == [1] * len(season.fragments(3))


def test_swings_of_one_number_under_both_spellings_are_all_refused(tmp_path: Path) -> None:
    season = open_season([written(tmp_path / "s", clash=True)], names=BOTH)
    (batch,) = season.batches()
    reasons = batch.table["reason"].tolist()
    assert sum(bool(reason) for reason in reasons) == 6 and len(reasons) == 7
    assert {problem.code for problem in season.problems} >= {"duplicate-swing"} or set(reasons) - {""}


@pytest.mark.parametrize("csv", [False, True])
def test_one_player_is_read_under_every_spelling(tmp_path: Path, csv: bool) -> None:
    batch = read_player([written(tmp_path / "s", csv=csv)], "tom", BOTH)
    assert set(batch.table["player"]) == {"tom"} and len(batch) == 7
    assert np.isfinite(batch.t_s[:, 0]).all()
    assert len(read_player([tmp_path / "s"], "tom")) == 4


def test_names_are_followed_to_the_last_and_a_circle_ends() -> None:
    assert targets([SameName("a", "b"), SameName("b", "c")]) == {"a": "c", "b": "c"}
    assert set(targets([SameName("a", "b"), SameName("b", "a")])) == {"a", "b"}


def test_a_merge_is_kept_with_who_and_when_and_taken_back(tmp_path: Path) -> None:
    from faultml.store.names import name_statements

    with open_store(tmp_path / "s.sqlite") as store:
        with pytest.raises(InputError) as error:
            say_same(store, "Tom H.", "tom", " ")
        assert error.value.code == "name-needed"
        say_same(store, "Tom H.", "tom", "ann")
        (kept,) = name_statements(store)
        assert (kept.by, kept.says) == ("ann", "same") and kept.when
        assert players_of(store) == {"Tom H.": "tom"} and all_names(store, "Tom H.") == ["tom", "Tom H."]
        for name, player in (("Tom H.", "tom"), ("tom", "Tom H."), ("x", "x")):
            with pytest.raises(InputError) as error:
                say_same(store, name, player, "ann")
            assert error.value.code == "same-name"
        say_apart(store, "Tom H.", "tom", "ben")
        assert same_names(store) == ()


def test_what_the_store_holds_under_either_spelling_is_the_players(tmp_path: Path) -> None:
    times = SwingTimes((1.0, 1.8, 2.1), 0.2, 3.0)
    with open_store(tmp_path / "s.sqlite") as store:
        add(store, [Verdict("Tom H.", "d", "1", "flip", "yes", "ann")])
        row = {"player": "Tom H.", "drill": "pause_then_go", "fault": "flexed_top", "since": "2031-03-01"}
        with store.writing() as connection:
            connection.execute(
                ASSIGNMENTS.insert(), [row | {"balls_a_week": None, "when": "2031-03-01T00:00:00Z"}]
            )
        note_baseline(store, BaselineNote("Tom H.", "2031-03-02", "grip"))
        move_landmark(store, MovedLandmark("Tom H.", "d", "1", "top", 1.7, 1.8, "ann"), times)
        say_same(store, "Tom H.", "tom", "ann")
        assert verdicts(store, player="tom")["player"].tolist() == ["tom"]
        assert assignments(store)["player"].tolist() == ["tom"]
        notes = read_notes(store)
        assert [each.player for each in (*notes.given, *notes.baselines)] == ["tom", "tom"]
        assert [each.player for each in all_moved(store)] == ["tom"]
        assert len(moved_on(store, ("tom", "d", "1"))) == len(moved_on(store, ("Tom H.", "d", "1"))) == 1
        say_apart(store, "Tom H.", "tom", "ann")
        assert verdicts(store)["player"].tolist() == ["Tom H."]
        assert verdicts(store, player="tom").empty


def test_classify_uses_the_store_and_says_so(tmp_path: Path) -> None:
    season = written(tmp_path / "s")
    with open_store(tmp_path / "s.sqlite") as store:
        say_same(store, "Tom H.", "tom", "ann")
    run = classify_season(season, tmp_path / "r", store=tmp_path / "s.sqlite")
    assert set(run.results.swings["player"]) == {"tom"} and run.n_players == 1
    assert run.run["same_names"] == [{"name": "Tom H.", "player": "tom"}]
    apart = classify_season(season, tmp_path / "r2")
    assert apart.n_players == 2 and apart.run["same_names"] == []
