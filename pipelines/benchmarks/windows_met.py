"""How many first drills are met already. Every figure is synthetic.

``python -m faultml.pipelines.benchmarks.windows_met``.

Generated seasons are classified as a coach would. For every player with a first drill, the true motion of the swings
with the fault that the drill is given for is held against the window on the drill's row. A drill whose window half of
at least eight such swings meet teaches nothing.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

import click
import numpy as np
import pandas as pd

from faultml.coaching.met import Met
from faultml.coaching.prescribe import prescribe
from faultml.coaching.records import PlayerPlan
from faultml.coaching.rules import Coaching, load_coaching
from faultml.coaching.summary import read_summary
from faultml.coaching.tables import read_plans
from faultml.coaching.window import AnyWindow, SpreadWindow, inside
from faultml.faults.catalogue import load_catalogue
from faultml.recordings.write import write_season
from faultml.season import SeasonRun, classify_season
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import SyntheticSeason, draw_season

FIRST_SEED: Final = 5200
"""Seasons from here on; no window was chosen on them."""


def first_drills(
    season: SyntheticSeason, run: SeasonRun, plans: Sequence[PlayerPlan], coaching: Coaching
) -> pd.DataFrame:
    """A row a player with a first drill: how many truly faulty swings meet its window, and how many flagged ones.

    Returns
    -------
    DataFrame
        ``player, drill, fault`` (the one the drill is given for), ``n_faulty, n_met`` (swings in play past the fault's
        edge by the softness, and those of them whose true motion lies inside the window on the row), and ``n_flagged,
        n_flagged_met`` (as the season's sums have it). Counts are 0 where the window judges no swing.
    """
    counted = {
        (row.player, row.drill, row.fault): (int(row.n_faulty), int(row.n_met))
        for row in read_summary(run.results).windows.itertuples()
    }
    play = season.batch.table["context"].to_numpy(object) != "practice"
    rows = []
    for row in (plan.drills[0] for plan in plans if plan.drills):
        player, drill, fault = row.player, row.drill, row.faults[0]
        own = play & (season.truth["player"] == player).to_numpy(bool)
        met = _true_met(row.window, fault, season, own, coaching)
        flagged, flagged_met = counted.get((player, drill, fault), (0, 0))
        rows.append(
            {"player": player, "drill": drill, "fault": fault, "n_faulty": met.n_faulty, "n_met": met.n_met}
            | {"n_flagged": flagged, "n_flagged_met": flagged_met}
        )
    return pd.DataFrame(rows)


def _true_met(
    window: AnyWindow, fault: str, season: SyntheticSeason, own: np.ndarray, coaching: Coaching
) -> Met:
    if fault not in coaching.catalogue.ids or isinstance(window, SpreadWindow):
        return Met(0, 0)
    entry = coaching.catalogue[fault]
    softness = getattr(coaching.catalogue.softness, entry.unit)
    past = entry.sign * (season.truth[f"measure_{fault}"].to_numpy(float) - entry.edge)
    faulty = own & (past >= softness)
    met = inside(window, season.phase_deg[faulty])
    known = np.isfinite(met)
    return Met(int(known.sum()), int((met[known] == 1).sum()))


def measure_seasons(seasons: int, players: int, first_seed: int) -> pd.DataFrame:
    """`first_drills` of several seasons: as given, and what would have been given without the rule (``rule`` False)."""
    coaching = load_coaching(load_catalogue())
    parts = []
    for season, run in _runs(seasons, players, first_seed):
        summary = read_summary(run.results)
        free = prescribe(replace(summary, windows=summary.windows.iloc[:0]), run.known, coaching, run.day)
        given = read_plans(run.results.players, run.results.drills)
        for rule, plans in ((True, given), (False, free.plans)):
            parts.append(first_drills(season, run, plans, coaching).assign(rule=rule))
    return pd.concat(parts, ignore_index=True)


def _runs(seasons: int, players: int, first_seed: int) -> Iterator[tuple[SyntheticSeason, SeasonRun]]:
    catalogue = load_catalogue()
    for seed in range(first_seed, first_seed + seasons):
        season = draw_season(catalogue, Recipe(golfers=players, sessions=6, swings=12, seed=seed))
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "season" / "season.parquet"
            path.parent.mkdir()
            write_season(season.batch, path)
            season.roster.assign(pain="none").to_csv(path.with_name("roster.csv"), index=False)
            yield season, classify_season([path.parent], Path(folder) / "results")


@click.command()
@click.option("--seasons", default=5, show_default=True)
@click.option("--players", default=40, show_default=True)
@click.option("--seed", default=FIRST_SEED, show_default=True)
def main(seasons: int, players: int, seed: int) -> None:
    """Classify generated seasons and print the share of first drills that are met already."""
    coaching = load_coaching(load_catalogue())
    rates = measure_seasons(seasons, players, seed)
    for rule, rows in rates.groupby("rule", sort=False):
        name = "as given" if rule else "without the rule"
        for kind, n_faulty, n_met in (
            ("true", "n_faulty", "n_met"),
            ("recorded", "n_flagged", "n_flagged_met"),
        ):
            met = [Met(each[n_faulty], each[n_met]) for each in rows.to_dict("records")]
            known = sum(each.n_faulty >= coaching.rules.met.min_swings for each in met)
            already = sum(each.already(coaching.rules.met) for each in met)
            click.echo(
                f"{name}, {kind} motion: {already} of {len(rows)} first drills already met"
                f" ({100 * already / len(rows):.1f} %); {known} could be judged;"
                f" {rows[n_met].sum()} of {rows[n_faulty].sum()} faulty swings lie inside"
            )
        worst = rows.assign(share=rows["n_met"] / rows["n_faulty"]).query("n_faulty >= 8 and share >= 0.5")
        click.echo(worst.to_string(index=False) if len(worst) else "none met on true motion")


if __name__ == "__main__":
    main()
