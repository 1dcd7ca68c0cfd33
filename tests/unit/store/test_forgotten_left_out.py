"""Who has asked to be forgotten is left out of whatever is read again, in whatever way it comes, and it is said."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest
from click.testing import CliRunner
from importing_one import SEASON
from msgspec.structs import replace
from recorder_files import layout_of, recorder_table
from season_fakes import fake_season, write_long, write_parquet

from faultml.classifier.assess import Assessor
from faultml.cli import main
from faultml.cutting import own_layout
from faultml.importing import parts
from faultml.importing.importer import as_recorded
from faultml.importing.layout import Ids, Swings
from faultml.importing.pseudonyms import load_pseudonyms
from faultml.importing.season import import_season
from faultml.recordings.raw import RawSwings, raw_table
from faultml.results import read_results
from faultml.season import classify_season
from faultml.season.corrections import open_corrected, read_forgotten
from faultml.store import open_store
from faultml.store.names import say_same
from faultml.store.people import forget, forgotten_players, note_recorded, recorded_players

GONE, STAYS, ALSO = "golfer-gone", "golfer-stays", "golfer-too"


@pytest.fixture
def store(tmp_path: Path) -> Path:
    with open_store(tmp_path / "store.sqlite") as store:
        note_recorded(store, [GONE, STAYS])
        forget(store, GONE)
    return tmp_path / "store.sqlite"


@pytest.fixture
def season(tmp_path: Path) -> Path:
    """Three players in a Parquet file and a CSV file; the roster's only word of pain is about who is gone."""
    folder = tmp_path / "season"
    folder.mkdir()
    one = fake_season(2)
    three = pd.concat([one.assign(player=name) for name in (STAYS, GONE, ALSO)])
    write_parquet(three, folder / "a.parquet")
    write_long(three.assign(session="2031-04-12"), folder / "b.csv")
    bad = one.iloc[:1].assign(player=GONE, session="2031-04-13", pronation_deg=[[1.0]])
    write_parquet(bad, folder / "c.parquet")  # a problem, which names its player
    (folder / "roster.csv").write_text(f"player,pain,level\n{GONE},wrist,nonsense\n{STAYS},none,\n")
    return folder


def test_classify_leaves_them_out_and_says_how_many(
    season: Path, store: Path, assessor: Assessor, tmp_path: Path
) -> None:
    run = classify_season(season, tmp_path / "results", assessor=assessor, store=store, partition_swings=3)
    assert run.left_out == (1, 5) and run.run["left_out"] == {"players": 1, "swings": 5}
    assert (run.n_swings, run.n_players, run.n_held, run.unrecorded) == (8, 2, 0, [])
    for file in (tmp_path / "results").rglob("*"):
        assert not file.is_file() or GONE.encode() not in file.read_bytes(), file
    with open_store(store) as opened:
        assert recorded_players(opened) == sorted([STAYS, ALSO])
    # The others are as they would be had the player never been recorded.
    for name in ("a.parquet", "b.csv"):
        path = season / name
        table = pd.read_parquet(path) if name == "a.parquet" else pd.read_csv(path, dtype=str)
        kept = table[table["player"] != GONE]
        kept.to_parquet(path) if name == "a.parquet" else kept.to_csv(path, index=False)
    (season / "c.parquet").unlink()
    (season / "roster.csv").write_text(f"player,pain,level\n{STAYS},none,\n")
    alone = classify_season(season, tmp_path / "alone", assessor=assessor, store=store)
    assert alone.left_out == (0, 0)
    for table in ("swings", "faults", "players"):
        one, other = (getattr(read_results(tmp_path / name), table) for name in ("results", "alone"))
        pd.testing.assert_frame_equal(one, other)


def test_a_season_of_nobody_else_is_nothing_and_no_error(
    store: Path, assessor: Assessor, tmp_path: Path
) -> None:
    write_parquet(fake_season(2).assign(player=GONE), tmp_path / "only.parquet")
    run = classify_season(tmp_path / "only.parquet", tmp_path / "r", assessor=assessor, store=store)
    assert (run.n_swings, run.left_out, run.exit_code) == (0, (1, 2), 1)


def test_a_row_about_their_pain_holds_nobody_elses_drill(season: Path, store: Path) -> None:
    """A row that fits nobody recorded would hold every player without a row, when later commands read the roster."""
    from datetime import date

    from faultml.care.known import known_from_file

    with open_store(store) as opened:
        known = known_from_file(season / "roster.csv", [STAYS, ALSO], date(2031, 5, 1), opened)
    assert known.open_names == () and not known.bodies[ALSO].held_for


def test_check_says_it_too(season: Path, store: Path) -> None:
    words = ["check", str(season), "--store", str(store)]
    assert "1 player was forgotten, and left out with 5 recordings" in CliRunner().invoke(main, words).output
    said = json.loads(CliRunner().invoke(main, [*words, "--json"]).output)
    assert said["left_out"] == {"players": 1, "swings": 5} and said["swings"] == 8
    assert GONE not in json.dumps(said)


NAMED = replace(layout_of(), ids=Ids(pattern="{player}/{session}_{swing}.csv"), swings=Swings("file"))


def recorder_files(folder: Path) -> Path:
    content = recorder_table(SEASON.iloc[:1], layout_of())[["Clock", "Bend", "Tilt", "Twist"]].to_csv(
        index=False
    )
    for at, player in enumerate((STAYS, GONE, ALSO, GONE)):
        path = folder / player / f"2031-05-01_{at:03d}.csv"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("Clock,Bend,Tilt,Twist\nx,y,z,w\n" if at == 3 else content)
    return folder


@pytest.mark.parametrize("part_files", [100, 1])
def test_an_import_takes_nothing_in_and_gives_no_new_pseudonym(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, part_files: int
) -> None:
    monkeypatch.setattr(parts, "PART_FILES", part_files)
    files = recorder_files(tmp_path / "files")
    (tmp_path / "roster.csv").write_text(f"player,pain\n{GONE},wrist\n{STAYS},none\n")
    table = tmp_path / "names.csv"
    run = import_season(
        [files], NAMED, tmp_path / "s", roster=tmp_path / "roster.csv", pseudonyms=load_pseudonyms(table),
        left_out=read_forgotten(store),
    )  # fmt: skip
    assert len(run.left_out) == 1 and run.n_written == run.n_sound == 2 and GONE not in run.players
    for file in (tmp_path / "s").iterdir():
        assert GONE.encode() not in file.read_bytes() or file.name == "_problems.csv", file
    assert sorted(pd.read_csv(table)["player"]) == sorted([STAYS, ALSO])
    assert len((tmp_path / "s" / "roster.csv").read_text().splitlines()) == 2


def test_a_pseudonym_that_was_forgotten_is_not_drawn_anew(store: Path, tmp_path: Path) -> None:
    """The name is known to the store too, since the table that held both is gone by then."""
    table = tmp_path / "names.csv"
    table.write_text(f"player,pseudonym\n{STAYS},x1\n")
    done = CliRunner().invoke(
        main, ["players", "forget", STAYS, "--pseudonyms", str(table), "--store", str(store), "--yes"]
    )
    assert done.exit_code == 0, done.output
    with open_store(store) as opened:
        assert forgotten_players(opened)([STAYS, "x1", ALSO]) == {STAYS, "x1"}


def test_a_stream_of_theirs_is_not_cut_into_the_season(store: Path, tmp_path: Path) -> None:
    one = fake_season(1)
    file = write_long(pd.concat([one.assign(player=STAYS), one.assign(player=GONE)]), tmp_path / "long.csv")

    def cut(recording: object, first_swing: int) -> Iterator[SimpleNamespace]:
        for _ in recording.blocks:  # type: ignore[attr-defined]
            pass
        ids = {"player": [recording.player], "session": [recording.session], "swing": ["001"]}  # type: ignore[attr-defined]
        t_s = one["t_s"].iloc[0]
        angles = tuple(one[name].iloc[0] for name in ("flexion_deg", "ulnar_deg", "pronation_deg"))
        raw = RawSwings(raw_table(1, **ids), pd.Series([len(t_s)]).to_numpy(), t_s, angles)
        cuts = pd.DataFrame({"player": [recording.player]})  # type: ignore[attr-defined]
        yield SimpleNamespace(batch=as_recorded(raw), table=cuts, problems=[])

    run = import_season([file], own_layout([file]), tmp_path / "s", cut=cut, left_out=read_forgotten(store))  # type: ignore[arg-type]
    assert dict(run.left_out) == {GONE: 1} and run.players == {STAYS}
    assert GONE not in (tmp_path / "s" / "_cuts.csv").read_text()


def test_other_spellings_of_a_forgotten_player_are_forgotten(tmp_path: Path) -> None:
    with open_store(tmp_path / "store.sqlite") as store:
        say_same(store, "Stays", STAYS, "ann")
        say_same(store, "stay", "Stays", "ann")
        forget(store, STAYS)
        assert forgotten_players(store)([STAYS, "Stays", "stay", ALSO]) == {STAYS, "Stays", "stay"}
        assert b"stay\0" not in store.path.read_bytes()


def test_a_season_opened_with_the_store_reads_as_if_they_were_not_there(season: Path, store: Path) -> None:
    opened = open_corrected([season], store)
    assert GONE not in opened.players and opened.n_swings == 8 and dict(opened.left_out) == {GONE: 5}
    assert sum(len(batch) for batch in opened.batches()) == 8
    assert GONE not in " ".join(map(str, opened.problems))
    shutil.rmtree(season)
