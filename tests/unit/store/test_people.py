"""Everything about a player, given out and removed: no byte of it is left where the program can reach."""

from __future__ import annotations

import gzip
import json
import sqlite3
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner, Result
from label_fakes import fake_results
from season_fakes import fake_season, write_long, write_parquet

from faultml.classifier.coach_adaptation import save_adaptation
from faultml.cli import main
from faultml.errors import InputError, StoreError
from faultml.faults.catalogue import load_catalogue
from faultml.labels import Verdict, add, verdicts
from faultml.results import read_results
from faultml.store import Store, base, open_store
from faultml.store.people import (
    forget,
    models_of,
    models_to_retrain,
    note_training,
    readmit,
    rows_about,
    tokens_of,
)

NAME = "golfer0"
"""Whom the tests forget; `STAYS` has a name that begins the same."""
STAYS = "golfer01"


def said(player: str, swing: str = "001", comment: str = "") -> Verdict:
    return Verdict(player, "2031-04-05", swing, "flip", "yes", "ann", comment=comment)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    store = open_store(tmp_path / "store.sqlite")
    add(store, [said(NAME, f"{at:03d}", "hurts " * 50) for at in range(200)])
    add(store, [said(STAYS), said("golfer2")])
    with store.writing() as connection:
        connection.exec_driver_sql(
            f"INSERT INTO assignments VALUES ('{NAME}', 'drill', 'flip', '2031', 9, '2031')"
        )
    return store


def bytes_of(store: Store) -> bytes:
    return b"".join(file.read_bytes() for file in store.path.parent.glob(f"{store.path.name}*"))


def test_every_table_about_players_is_given_out(store: Store) -> None:
    assert {table: len(rows) for table, rows in rows_about(store, NAME).items()} == {
        "assignments": 1,
        "verdicts": 200,
    }
    assert rows_about(store, "nobody") == {}


def test_a_table_that_came_later_is_searched_too(store: Store) -> None:
    with store.writing() as connection:
        connection.exec_driver_sql("CREATE TABLE later (player TEXT, pain TEXT)")
        connection.exec_driver_sql(f"INSERT INTO later VALUES ('{NAME}', 'wrist')")
    assert forget(store, NAME).rows == {"assignments": 1, "later": 1, "verdicts": 200}


def test_no_byte_is_left_in_the_file(store: Store) -> None:
    assert bytes_of(store).count(NAME.encode()) > 200
    removed = forget(store, NAME)
    assert removed.rows == {"assignments": 1, "verdicts": 200}
    left = bytes_of(store)
    assert left.count(NAME.encode()) == left.count(STAYS.encode()) > 0
    assert b"hurts" not in left
    assert set(verdicts(store)["player"]) == {STAYS, "golfer2"}


def test_no_byte_is_left_in_the_log_while_another_has_the_store_open(store: Store) -> None:
    another = sqlite3.connect(store.path)
    try:
        another.execute("SELECT count(*) FROM verdicts").fetchall()  # keeps the log from being deleted
        add(store, [said(NAME, "300", "hurts")])
        forget(store, NAME)
        assert b"hurts" not in bytes_of(store)
    finally:
        another.close()


def test_a_reader_in_the_way_is_reported_and_the_rest_cleared_later(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(base, "WAIT_S", 0.05)
    with store.reading() as connection:
        connection.exec_driver_sql("SELECT count(*) FROM verdicts").scalar()
        with pytest.raises(StoreError, match="store-busy"):
            forget(store, NAME)
    assert rows_about(store, NAME) == {}
    again = run("forget", NAME, "--store", store.path)
    assert again.exit_code == 0 and "was forgotten before" in again.stdout
    assert b"hurts" not in bytes_of(store)


def test_a_dry_run_removes_nothing(store: Store) -> None:
    before = bytes_of(store)
    assert forget(store, NAME, dry_run=True).rows == {"assignments": 1, "verdicts": 200}
    assert bytes_of(store) == before


def test_who_is_forgotten_is_not_taken_in_again_unless_readmitted(store: Store) -> None:
    forget(store, NAME)
    with pytest.raises(InputError, match="forgotten-player"):
        add(store, [said("golfer2", "009"), said(NAME)])
    assert len(verdicts(store)) == 2, "all or none"
    assert readmit(store, NAME) and not readmit(store, NAME)
    assert add(store, [said(NAME)]).added == 1


def test_others_words_about_a_player_are_reported(store: Store) -> None:
    add(store, [said("golfer2", "002", f"as {NAME.upper()} does it")])
    assert forget(store, NAME).mentions == {"verdicts": 2}, "the comment, and the longer name"


def test_models_stay_honest(store: Store) -> None:
    note_training(store, "a" * 64, [NAME, STAYS])
    note_training(store, "b" * 64, [STAYS])
    assert models_to_retrain(store) == ()
    assert forget(store, NAME).bundles == ("a" * 64,)
    assert models_to_retrain(store) == ("a" * 64,)
    assert models_of(store, NAME) == ("a" * 64,), "reported even after"


def test_tokens_tell_nobody_else_a_name(store: Store, tmp_path: Path) -> None:
    with open_store(tmp_path / "another.sqlite") as another:
        assert set(tokens_of(store, [NAME, STAYS])).isdisjoint(tokens_of(another, [NAME, STAYS]))
    assert tokens_of(store, [NAME, STAYS]) == tokens_of(store, [STAYS, NAME, NAME])


def adaptation_in(folder: Path) -> str:
    """A coach adaptation that moves nothing; its SHA-256."""
    figures = dict.fromkeys(("lapse_rate", "lapse_rate_sd", "unrelated"), 0.01)
    words = dict.fromkeys(("coach", "learned", "model_sha256", "labels_sha256", "why"), "ann")
    rest = {"adopted": False, "swings": 1, "golfers": 1, "labelled_players": (), "held_out": {}, "faults": {}}
    return save_adaptation(folder, load_catalogue(), {**figures, **words, **rest}).sha256


def run(*arguments: object, text: str = "") -> Result:
    result = CliRunner().invoke(main, ["players", *map(str, arguments)], input=text)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


@pytest.fixture
def season(tmp_path: Path) -> Path:
    """A Parquet file and a CSV file of three players, one file of a single one, and the roster."""
    folder = tmp_path / "season"
    folder.mkdir()
    one = fake_season(2)
    three = pd.concat([one.assign(player=name) for name in (NAME, STAYS, "golfer2")])
    write_parquet(three, folder / "a.parquet")
    write_long(three.assign(session="2031-04-12"), folder / "b.csv")
    write_parquet(one.assign(player=NAME, session="2031-04-19"), folder / "c.parquet")
    (folder / "roster.csv").write_text(f"player,pain\nGolfer0 ,wrist\n{STAYS},none\n")
    return folder


@pytest.fixture
def everything(tmp_path: Path, season: Path, store: Store) -> list[object]:
    results = fake_results(tmp_path / "results", golfers=2, swings=7)
    return ["--season", season, "--results", results, "--store", store.path]


def test_forget_reaches_all_that_is_given(
    tmp_path: Path, season: Path, store: Store, everything: list[object]
) -> None:
    dry = run("forget", NAME, *everything, "--dry-run")
    assert dry.exit_code == 0 and (season / "c.parquet").exists()
    refused = run("forget", NAME, *everything, text="n\n")
    assert refused.exit_code == 1 and (season / "c.parquet").exists()
    done = run("forget", NAME, *everything, text="y\n")
    assert done.exit_code == 0
    for reported in (
        "a.parquet: 2 rows",
        "c.parquet: 2 rows, the whole file",
        "roster.csv: 1 row",
        "verdicts: 200 rows",
    ):
        assert reported in dry.stdout and reported in done.stdout
    assert "copies and backups of the store" in done.stdout

    assert not (season / "c.parquet").exists()
    assert pq.read_table(season / "a.parquet")["player"].to_pylist() == [STAYS] * 2 + ["golfer2"] * 2
    assert pd.read_csv(season / "b.csv")["player"].unique().tolist() == [STAYS, "golfer2"]
    assert (season / "roster.csv").read_text() == f"player,pain\n{STAYS},none\n"
    results = read_results(tmp_path / "results")
    assert set(results.swings["player"]) == set(results.faults["player"]) == {"golfer1"}
    assert results.run["counts"]["swings"] == results.run["tables"]["swings"]["rows"] == 7
    assert not (tmp_path / "results" / "report.html").exists()
    for file in tmp_path.rglob("*"):
        if file.is_file():
            content = file.read_bytes()
            assert content.count(NAME.encode()) == content.count(STAYS.encode()), file


def test_what_is_left_of_a_season_reads_as_before(season: Path, store: Store) -> None:
    from faultml.recordings.read import open_season

    def swings() -> dict[tuple[str, ...], bytes]:
        return {
            tuple(row[:3]): batch.angles_deg[at].tobytes()
            for batch in open_season([season]).batches()
            for at, row in enumerate(
                batch.table[["player", "session", "swing"]].itertuples(index=False, name=None)
            )
        }

    before = swings()
    run("forget", NAME, "--season", season, "--store", store.path, "--yes")
    assert swings() == {ids: angles for ids, angles in before.items() if ids[0] != NAME}


def test_export_gives_out_all_and_only_that(tmp_path: Path, everything: list[object]) -> None:
    out = tmp_path / "out"
    done = run("export", NAME, *everything, "--out", out)
    assert done.exit_code == 0
    assert len(pd.read_csv(out / "store" / "verdicts.csv")) == 200
    assert set(pd.read_csv(out / "results-1" / "swings.csv")["player"]) == {NAME}
    assert json.loads((out / "results-1" / "explanations.json").read_text()) == [{"player": NAME}]
    assert sorted(file.name for file in (out / "season").iterdir()) == [
        "001-a.parquet", "002-b.csv", "003-c.parquet", "004-roster.csv"
    ]  # fmt: skip
    for file in out.rglob("*"):
        assert not file.is_file() or STAYS.encode() not in file.read_bytes()
    again = run("export", NAME, *everything, "--out", out)
    assert again.exit_code == 2 and "file-exists" in again.stderr


def test_what_run_json_tells_of_a_player_goes_too(tmp_path: Path, everything: list[object]) -> None:
    file = tmp_path / "results" / "run.json"
    reported = json.loads(file.read_text())
    reported["address_drift"] = [{"player": name, "change_deg": 9.0} for name in (NAME, STAYS)]
    file.write_text(json.dumps(reported))
    assert run("forget", NAME, *everything, "--yes").exit_code == 0
    assert json.loads(file.read_text())["address_drift"] == [{"player": STAYS, "change_deg": 9.0}]


def test_an_adaptation_learned_from_the_player_is_named_by_its_folder(tmp_path: Path, store: Store) -> None:
    adaptation = adaptation_in(tmp_path / "ann")
    note_training(store, adaptation, [NAME])
    note_training(store, "b" * 64, [NAME])
    where = ["--store", store.path, "--coach", tmp_path / "ann"]
    exported = run("export", NAME, *where, "--out", tmp_path / "out")
    done = run("forget", NAME, *where, "--yes")
    for said in (exported.stdout, done.stdout):
        assert f"the coach adaptation in {tmp_path / 'ann'} has learned from the player's verdicts" in said
        assert f"SHA-256 {'b' * 64}" in said
    info = CliRunner().invoke(main, ["store", "info", "--store", str(store.path)])
    assert info.stdout.count("to be trained anew") == 2


def test_a_name_with_spaces_about_it_is_found_in_others_words(store: Store) -> None:
    assert forget(store, f" {NAME} ", dry_run=True).mentions["verdicts"] == 201


def test_what_was_not_given_is_reported(store: Store) -> None:
    done = run("forget", NAME, "--store", store.path, "--yes")
    reported = done.stdout.partition("Not within reach")[2]
    for words in ("--season", "--results", "--pseudonyms", "copies and backups", "a server, which"):
        assert words in reported
    assert "--store)" not in reported.replace("--store COPY)", "")


def test_nobody_of_that_name_is_reported(tmp_path: Path, everything: list[object]) -> None:
    assert run("forget", "nobody", *everything, "--yes").exit_code == 1
    assert run("export", "nobody", *everything, "--out", tmp_path / "out").exit_code == 2
    assert not (tmp_path / "out").exists()
    assert run("forget", NAME, "--store", tmp_path / "none", "--yes").exit_code == 2


def test_a_name_leads_to_the_pseudonym_and_goes_with_it(tmp_path: Path, store: Store) -> None:
    table = tmp_path / "names.csv"
    table.write_text(f"player,pseudonym\nAda Q,{NAME}\nBo R,golfer2\n")
    done = run("forget", "ada q", "--pseudonyms", table, "--store", store.path, "--yes")
    assert done.exit_code == 0 and "verdicts: 200 rows" in done.stdout
    assert table.read_text() == "player,pseudonym\nBo R,golfer2\n"


def test_an_export_tells_the_name_behind_the_pseudonym(tmp_path: Path, store: Store) -> None:
    table = tmp_path / "names.csv"
    table.write_text(f"player,pseudonym\nAda Q,{NAME}\nBo R,golfer2\n")
    done = run("export", "Ada Q", "--pseudonyms", table, "--store", store.path, "--out", tmp_path / "out")
    assert f"Ada Q is {NAME} there" in done.stdout and "Bo R" not in done.stdout


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("d.parquet", b"PAR1 and no more"),
        ("d.csv.gz", gzip.compress(b"player,session,swing,t_s,flexion_deg,ulnar_deg\n" * 99)[:-20]),
        ("d.csv", b"session,swing,t_s,flexion_deg,ulnar_deg\ns,1,0,0,0\n"),
    ],
    ids=["parquet", "packed", "no players"],
)
def test_a_season_that_cannot_be_read_to_its_end_stops_it(
    season: Path, everything: list[object], name: str, content: bytes
) -> None:
    (season / name).write_bytes(content)
    done = run("forget", NAME, *everything, "--yes")
    assert done.exit_code == 2 and name in done.stderr
    assert (season / "c.parquet").exists()


def test_a_parquet_file_without_players_stops_it(season: Path, everything: list[object]) -> None:
    fake_season(1).drop(columns="player").to_parquet(season / "d.parquet")
    done = run("forget", NAME, *everything, "--yes")
    assert done.exit_code == 2 and "d.parquet" in done.stderr
