"""Pseudonyms: stable, telling nothing, kept by the coach; no name is left in the season."""

from __future__ import annotations

import stat
from pathlib import Path

import pandas as pd
import pytest
from recorder_files import layout_of, recorder_table, text_bytes
from season_fakes import fake_season

from faultml.errors import InputError
from faultml.importing.pseudonyms import load_pseudonyms
from faultml.importing.season import SEASON_FILE, import_season


def import_named(folder: Path, names: list[str], roster: str = "") -> Path:
    season = fake_season(len(names), rate_hz=60.0)
    season["player"] = names
    (folder / "a.csv").write_bytes(text_bytes(recorder_table(season, layout_of()), layout_of()))
    if roster:
        (folder / "roster.csv").write_text(roster, encoding="utf-8")
    import_season(
        [folder / "a.csv"],
        layout_of(),
        folder / "season",
        roster=folder / "roster.csv" if roster else None,
        pseudonyms=load_pseudonyms(folder / "names.csv"),
    )
    return folder / "season"


def test_names_are_left_in_the_table_only(tmp_path: Path) -> None:
    roster = 'player;hand;pain\nAnn Orme;right;"sore, since May"\nZoe;left;none\n'
    season = import_named(tmp_path, ["Ann Orme", "ann  orme", "Bo"], roster)
    for path in season.iterdir():
        assert b"Orme" not in path.read_bytes()
    players = pd.read_parquet(season / SEASON_FILE)["player"].tolist()
    assert players[0] == players[1] != players[2]
    assert all(name.startswith("p-") for name in players)
    copied = pd.read_csv(season / "roster.csv", sep=";")
    assert copied.loc[0].tolist() == [players[0], "right", "sore, since May"]
    names = tmp_path / "names.csv"
    assert stat.S_IMODE(names.stat().st_mode) == 0o600


def test_a_player_keeps_the_pseudonym(tmp_path: Path) -> None:
    first = (import_named(tmp_path, ["Ann", "Bo"]) / SEASON_FILE).read_bytes()
    table = (tmp_path / "names.csv").read_bytes()
    assert (import_named(tmp_path, ["Ann", "Bo"]) / SEASON_FILE).read_bytes() == first
    assert (tmp_path / "names.csv").read_bytes() == table
    more = pd.read_parquet(import_named(tmp_path, ["Ann", "Cy"]) / SEASON_FILE)["player"]
    known = pd.read_csv(tmp_path / "names.csv").set_index("player")["pseudonym"]
    assert sorted(known.index) == ["Ann", "Bo", "Cy"]
    assert more.tolist() == [known["Ann"], known["Cy"]]


@pytest.mark.parametrize(
    "content",
    [
        "",
        "player\nx\n",
        "a,b\n",
        "player,pseudonym\nAnn,p1\nann,p2\n",
        "player,pseudonym\nAnn,p1\nBo,p1\n",
        "player,pseudonym\nAnn,\n",
    ],
)
def test_a_table_with_a_mistake_is_refused(content: str, tmp_path: Path) -> None:
    (tmp_path / "names.csv").write_text(content)
    with pytest.raises(InputError, match="bad-pseudonyms"):
        load_pseudonyms(tmp_path / "names.csv")


def test_an_import_that_fails_leaves_the_table_as_it_was(tmp_path: Path) -> None:
    import_named(tmp_path, ["Ann"])
    table = (tmp_path / "names.csv").read_bytes()
    (tmp_path / "season" / "notes.txt").write_text("mine")
    with pytest.raises(InputError, match="not-a-season-folder"):
        import_named(tmp_path, ["Bo"])
    assert (tmp_path / "names.csv").read_bytes() == table
    assert (tmp_path / "season" / "notes.txt").read_text() == "mine"
