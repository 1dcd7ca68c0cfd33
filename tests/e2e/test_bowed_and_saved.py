"""Bowed 37 degrees by the top and back to neutral at impact: a cause at the top and a save, whatever the ball did.

The worked case of common practice (no source), from recordings to the words of the report.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.interpolate import PchipInterpolator

from faultml.channels import FLEXION
from faultml.cli import main
from faultml.faults.catalogue import Catalogue, load_catalogue
from faultml.faults.measure import PHASE_GRID, evaluate_all, evaluate_guards, late_save, phase_times
from faultml.recordings.write import write_season
from faultml.results import Results, read_results
from faultml.synthetic.clock import CLOCK_S
from faultml.synthetic.motion import Motion
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import draw_golfer_season, roster_golfers

BOWED_DEG = 37.0
# Inside every edge until b 0.6, 37 at the top, hardly a change at the start down, neutral again at impact.
_AT = [0, 0.4, 0.6, 0.8, 1.0, 1.2, 1.6, 1.9, 2.0, 2.3, 3.0]
_FLEXION_DEG = [0, 2, 5, 20, BOWED_DEG, 36, 17, 3, 1, 0, -4]

BALLS: dict[str, list[tuple[str, ...]]] = {
    "unknown": [()],
    "straight": [("straight",)],
    "left": [("hook",), ("pull",), ("straight",)],
    "right": [("push",), ("slice",), ("straight",)],
    "both": [("hook",), ("push",)],
}


def bowed_and_saved(catalogue: Catalogue, motion: Motion) -> Motion:
    """The same swings with that flexion, and everything the catalogue measures read anew."""
    flexion = PchipInterpolator(_AT, _FLEXION_DEG)
    d_deg, phase_deg = motion.d_deg.copy(), motion.phase_deg.copy()
    times = phase_times(motion.landmarks_s)
    for row in range(len(d_deg)):
        phase = np.interp(CLOCK_S, times[row], PHASE_GRID)
        d_deg[row, FLEXION] = flexion(phase)
        phase_deg[row, FLEXION] = flexion(PHASE_GRID)
    return replace(
        motion,
        d_deg=d_deg,
        phase_deg=phase_deg,
        measures=evaluate_all(catalogue, phase_deg),
        guards=evaluate_guards(catalogue, phase_deg),
        saved_late=late_save(catalogue, phase_deg)[0],
    )


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Results:
    """One golfer a kind of ball flight; nothing else is wrong with their swings."""
    catalogue = load_catalogue()
    recipe = Recipe(
        golfers=len(BALLS),
        sessions=2,
        swings=8,
        seed=3,
        clean_share=1.0,
        non_swing_share=0.0,
        style_scale=0.3,
    )
    golfers = roster_golfers(catalogue, recipe)
    parts = []
    for index, shots in enumerate(BALLS.values()):
        season = draw_golfer_season(
            catalogue, recipe, golfers, index, change=lambda motion, _: bowed_and_saved(catalogue, motion)
        )
        table = season.batch.table.assign(player=list(BALLS)[index], hand="right", context="play")
        table["shot"] = [shots[row % len(shots)] for row in range(len(table))]
        parts.append(replace(season.batch, table=table))
    folder = tmp_path_factory.mktemp("bowed")
    write_season(parts, folder / "season.parquet")
    ran = CliRunner().invoke(
        main, ["classify", str(folder / "season.parquet"), "--out", str(folder / "results"), "--on", "here"]
    )
    assert ran.exit_code == 0, ran.output
    return read_results(folder / "results")


def of(table, player: str, fault: str):
    return table[(table["player"] == player) & (table["fault"] == fault)].iloc[0]


@pytest.mark.parametrize("player", BALLS)
class TestWhateverTheBallDid:
    def test_each_swing_shows_the_bow_and_the_save(self, results: Results, player: str) -> None:
        faults = results.faults.query("player == @player and fault == 'flexed_top'")
        assert faults["flagged"].mean() >= 0.9
        assert faults["measure"].median() == pytest.approx(BOWED_DEG, abs=5)
        swings = results.swings.query("player == @player")
        assert swings["late_save"].mean() >= 0.9
        assert swings["late_save_probability"].median() > 0.8

    def test_the_bow_is_the_cause_and_ranked_first(self, results: Results, player: str) -> None:
        cause, save = (of(results.players, player, fault) for fault in ("flexed_top", "late_save"))
        assert (cause["kind"], bool(cause["leading"])) == ("fault", True)
        assert save["kind"] == "pattern" and not save["leading"]
        assert cause["onset_phase"] == "b", "it starts going back"
        first = results.drills.query("player == @player and rank == 1").iloc[0]
        assert first["faults"][0] == "flexed_top"
        assert any(note.startswith("late-save-seen") for note in first["notes"])

    def test_the_closure_budget_tells_the_bow_from_the_save(self, results: Results, player: str) -> None:
        swings = results.swings.query("player == @player")
        back, down = (
            swings[[f"closure_{phase}_bend_deg", f"closure_{phase}_bend_sd_deg"]].median()
            for phase in ("backswing", "downswing")
        )
        assert back.iloc[0] > 2 * back.iloc[1] > 0, "the bow closes"
        assert down.iloc[0] < -2 * down.iloc[1] < 0, "the save opens"

    def test_the_report_says_cause_then_save(self, results: Results, player: str, tmp_path: Path) -> None:
        page = tmp_path / "page.html"
        ran = CliRunner().invoke(
            main, ["report", str(results.folder), "--player", player, "--out", str(page)]
        )
        assert ran.exit_code == 0, ran.output
        words = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.read_text(encoding="utf-8")))
        cause = words.index("The player has the wrist bowed at the top")
        save = words.index("then gives most of the bow back before impact (a late save", cause)
        assert "." not in re.sub(r"\d\.\d", "", words[cause:save]), "one sentence, the cause first"
