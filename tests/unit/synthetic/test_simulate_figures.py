"""The page of pictures: whole, offline, every fault on it, and never passed off as evidence."""

from __future__ import annotations

import re
import sys
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from faultml.channels import FLEXION, ULNAR
from faultml.cli import main
from faultml.errors import InputError, MissingExtraError
from faultml.faults.catalogue import load_catalogue
from faultml.faults.measure import PHASE_GRID, evaluate
from faultml.synthetic.figures import write_figures
from faultml.synthetic.golfers import Golfers
from faultml.synthetic.pairs import FaultPair, draw_pairs
from faultml.synthetic.realised import TrueSwings, load_published, read_true_swings, realised
from faultml.synthetic.season import Recipe, draw_roster, iterate_golfers, roster_golfers
from faultml.synthetic.write import write_synthetic

CATALOGUE = load_catalogue()
RECIPE = Recipe(golfers=4, sessions=2, swings=6, seed=5)
VOID = {"meta", "link", "br", "img", "input", "hr"}


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("generated")
    golfers = roster_golfers(CATALOGUE, RECIPE)
    write_synthetic(iterate_golfers(CATALOGUE, RECIPE, golfers), draw_roster(golfers, RECIPE), out, "parquet")
    return out


@pytest.fixture(scope="module")
def page(season: Path) -> str:
    return write_figures(CATALOGUE, RECIPE, season / "truth", season / "figures.html").read_text(
        encoding="utf-8"
    )


@pytest.fixture(scope="module")
def pairs() -> dict[str, FaultPair]:
    return {pair.fault: pair for pair in draw_pairs(CATALOGUE, seed=1)}


class Balance(HTMLParser):
    """Fails where an element is closed that is not open."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.ids += [value for name, value in attrs if name == "id" and value]
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_page_is_whole_and_shows_every_fault_and_figure(page: str) -> None:
    parsed = Balance()
    parsed.feed(page)
    assert parsed.open == []
    assert {*CATALOGUE.ids, *(figure.id for figure in load_published())} <= set(parsed.ids)
    assert len(parsed.ids) == len(set(parsed.ids))
    assert page.count('role="img"') == 3 * len(CATALOGUE.ids) + len(load_published())
    assert page.count('class="edge"') == len(CATALOGUE.ids) + 1, "an edge a fault, and one in the key"
    assert "nan" not in re.sub(r"<style>.*?</style>", "", page, flags=re.S).lower()


def test_the_page_says_that_it_is_calibration(page: str) -> None:
    head, table = page.split('id="calibration"')
    assert "Calibration, not evidence." in head and ": calibration</h2>" in table


def test_the_page_loads_and_runs_nothing(page: str) -> None:
    assert not re.search(r"<script|<link|<img|\ssrc=|@import|javascript:", page)
    assert re.findall(r"(?:href|url)[=(]\W*(\w+)", page) == ["outside"], "only the page's own hatching"
    assert "://" not in page
    assert "default-src 'none'" in page


def test_the_same_recipe_gives_the_same_page(season: Path, page: str) -> None:
    again = write_figures(CATALOGUE, RECIPE, season / "truth", season / "again.html")
    assert again.read_text(encoding="utf-8") == page


def test_without_jinja2_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch, season: Path) -> None:
    monkeypatch.setitem(sys.modules, "jinja2", None)
    with pytest.raises(MissingExtraError, match=r"pip install 'faultml\[report\]'"):
        write_figures(CATALOGUE, RECIPE, season / "truth", season / "none.html")
    assert not (season / "none.html").exists()


def test_a_page_that_cannot_be_written_is_a_typed_error(season: Path) -> None:
    with pytest.raises(InputError, match="not-writable"):
        write_figures(CATALOGUE, RECIPE, season / "truth", season / "no folder" / "page.html")


@pytest.mark.parametrize("fault", CATALOGUE.ids)
def test_a_pair_differs_by_the_fault_alone(fault: str, pairs: dict[str, FaultPair]) -> None:
    pair, entry = pairs[fault], CATALOGUE[fault]
    past = [
        entry.sign * (picture.measure - entry.edge) for picture in (pair.clean, pair.typical, pair.largest)
    ]
    assert past[0] < 0 < past[1] < past[2]
    for picture in (pair.clean, pair.typical, pair.largest):
        assert evaluate(entry.measure, picture.curves_deg[None])[0] == pytest.approx(picture.measure)
    moved = np.abs(pair.typical.curves_deg - pair.clean.curves_deg).max(axis=1)
    assert moved.argmax() == entry.measure.channel_index
    assert (moved > 1e-9).sum() == 1 or entry.phase in ("downswing", "impact"), (
        "only a release moves two channels"
    )


def test_figures_of_a_swing_worked_out_by_hand() -> None:
    """Tempo 3, 40 degrees unhinged evenly over the last half of the downswing, half as much flexion gained."""
    phase_deg = np.zeros((2, 3, len(PHASE_GRID)))
    unhinging = np.interp(PHASE_GRID, [0, 1, 1.5, 2, 2.2, 3], [0, -40, -40, 0, 4, 4])
    phase_deg[:, ULNAR], phase_deg[:, FLEXION] = unhinging, unhinging / 2
    table = pd.DataFrame(
        {"player": ["a", "b"], "takeaway_s": 1.0, "top_s": 1.75, "impact_s": 2.0, "finish_s": 3.0}
    )
    for name in ("flexion_deg", "ulnar_deg", "pronation_deg"):
        table[f"address_{name}"] = 10.0
    golfers = Golfers(
        pd.DataFrame({"player": ["a", "b"], "skill": [0.2, 0.9]}),
        np.empty((2, 0)),
        np.empty((2, 3, 3)),
        np.array([[[-70.0, 75.0], [-20.0, 35.0], [-80.0, 76.0]]] * 2),
    )
    found = realised(TrueSwings(table, phase_deg), golfers)
    assert set(found) == {figure.id for figure in load_published()}
    assert found["tempo"] == pytest.approx([3, 3])
    assert found["downswing"] == pytest.approx([0.25, 0.25])
    assert found["release_rate"] == pytest.approx([40 / 0.125]), "of the more skilled half alone"
    assert found["coupling"] == pytest.approx([0.5, 0.5])
    assert found["coupling_r2"] == pytest.approx([1, 1])
    assert found["most_hinged"] == pytest.approx([0, 0], abs=1e-6)
    assert found["range_radial"] == pytest.approx([20, 20])
    assert found["reached_radial"] == pytest.approx([30, 30])
    assert found["reached_flexion"] == pytest.approx([12, 12])


def test_the_spread_between_players_leaves_out_the_spread_within() -> None:
    random = np.random.default_rng(0)
    player = np.repeat(np.arange(400), 6)
    tempo = random.normal(3.5, 0.8, 400)[player] + random.normal(0, 0.4, len(player))
    table = pd.DataFrame(
        {"player": player.astype(str), "takeaway_s": 0.0, "top_s": tempo, "impact_s": tempo + 1}
    )
    table = table.assign(
        finish_s=9.0, address_flexion_deg=0.0, address_ulnar_deg=0.0, address_pronation_deg=0.0
    )
    golfers = Golfers(
        pd.DataFrame({"player": [str(k) for k in range(400)], "skill": 0.5}),
        np.empty((400, 0)),
        np.empty((400, 3, 3)),
        np.zeros((400, 3, 2)),
    )
    phase_deg = random.normal(0, 1, (len(table), 3, len(PHASE_GRID)))
    found = realised(TrueSwings(table, phase_deg), golfers)
    assert found["tempo_within"] == pytest.approx([0.4], abs=0.02)
    assert found["tempo_between"] == pytest.approx([0.8], abs=0.08)


def test_the_truth_is_read_swing_by_swing(season: Path) -> None:
    swings = read_true_swings(season / "truth")
    for fault in CATALOGUE.faults:
        again = evaluate(fault.measure, swings.phase_deg)
        np.testing.assert_allclose(again, swings.table[f"measure_{fault.id}"], atol=0.02)


def test_a_season_written_piece_by_piece_is_the_season(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, season: Path
) -> None:
    monkeypatch.setattr("faultml.synthetic.write._SWINGS_AT_ONCE", 1)
    golfers = roster_golfers(CATALOGUE, RECIPE)
    parts = iterate_golfers(CATALOGUE, RECIPE, golfers)
    assert write_synthetic(parts, draw_roster(golfers, RECIPE), tmp_path, "parquet") == 48
    files = [path.relative_to(season) for path in season.rglob("*.*") if path.suffix != ".html"]
    assert len(files) == 4
    for file in files:
        read = pd.read_parquet if file.suffix == ".parquet" else pd.read_csv
        pd.testing.assert_frame_equal(read(tmp_path / file), read(season / file))


def test_a_season_that_breaks_off_leaves_no_half_of_it(tmp_path: Path) -> None:
    golfers = roster_golfers(CATALOGUE, RECIPE)

    def breaking():
        yield next(iterate_golfers(CATALOGUE, RECIPE, golfers))
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_synthetic(breaking(), draw_roster(golfers, RECIPE), tmp_path, "parquet")
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


def test_the_command_says_where_the_page_is(tmp_path: Path) -> None:
    arguments = [
        "simulate",
        "--out",
        str(tmp_path),
        "--golfers",
        "2",
        "--sessions",
        "1",
        "--swings",
        "3",
        "--figures",
    ]
    done = CliRunner().invoke(main, [*arguments, "--jobs", "1"])
    assert done.exit_code == 0, done.output
    assert f"6 recordings of 2 generated players: {tmp_path / 'season'}" in done.stdout
    assert f"{tmp_path / 'figures.html'}" in done.stdout and (tmp_path / "figures.html").exists()
