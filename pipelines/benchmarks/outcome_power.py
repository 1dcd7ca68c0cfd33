"""How often a drill without effect is said to have held, and how often one with an effect is found.

``python -m faultml.pipelines.benchmarks.outcome_power``. Groups of players are drawn here and judged as
`faultml.changes` judges them, which knows nothing of how they were drawn. Every figure is synthetic.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import click
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from faultml.faults.catalogue import Catalogue, Fault, load_catalogue
from faultml.outcomes.change import CHANGE_COLUMNS, Quantity
from faultml.outcomes.claims import count_sessions, smallest_change, verdicts
from faultml.outcomes.periods import measured, periods_of
from faultml.outcomes.rules import OutcomeRules, load_outcome_rules

Floats = NDArray[np.float64]

FAULT: Final = "flexed_top"
DRILL: Final = "pause_then_go"
MEASURES: Final = ("held", "held_se", "worse", "no_controls", "covered", "smallest_deg")


@dataclass(frozen=True)
class Scenario:
    """How groups are drawn; all angles in degrees.

    Attributes
    ----------
    effect_deg
        What the drill takes off the measure of everybody who has it.
    players, drilled
        Size of a group, and how many have the drill: those who look worst in the last session before.
    before, after, swings
        Sessions on each side, and swings in each.
    level_sd_deg, between_sd_deg
        How groups differ, and players in a group; a group lies 5 degrees inside the edge on average.
    session_sd_deg, correlation
        How a player's sessions differ, and the correlation of two that follow each other (AR(1)).
    swing_sd_deg
        How swings differ within a session.
    drift_sd_deg
        How much a whole group changes from the middle of the sessions before to the middle of those after, in equal
        steps and whatever the drill does.
    """

    name: str
    effect_deg: float = 0.0
    players: int = 12
    drilled: int = 6
    before: int = 3
    after: int = 3
    swings: int = 10
    level_sd_deg: float = 5.0
    between_sd_deg: float = 8.0
    session_sd_deg: float = 3.0
    correlation: float = 0.0
    swing_sd_deg: float = 4.0
    drift_sd_deg: float = 0.0


PLAIN: Final = Scenario("independent sessions")
WITHOUT_EFFECT: Final = (
    PLAIN,
    replace(PLAIN, name="correlation 0.6", correlation=0.6),
    replace(PLAIN, name="correlation 0.6, 6 sessions a side", correlation=0.6, before=6, after=6),
    replace(PLAIN, name="6 of 12 drilled, drift SD 4", drift_sd_deg=4.0),
    replace(PLAIN, name="11 of 12 drilled, drift SD 4", drift_sd_deg=4.0, drilled=11),
    replace(PLAIN, name="9 of 12 drilled, drift SD 4", drift_sd_deg=4.0, drilled=9),
    replace(PLAIN, name="all drilled, drift SD 4", drift_sd_deg=4.0, drilled=12),
)
WITH_EFFECT: Final = tuple(
    replace(
        PLAIN,
        name=f"effect {effect:.0f}, session SD {session_sd:.0f}",
        effect_deg=effect,
        session_sd_deg=session_sd,
    )
    for session_sd in (3.0, 5.0)
    for effect in (4.0, 8.0, 12.0)
)


def draw_group(
    scenario: Scenario, random: np.random.Generator, fault: Fault
) -> tuple[Floats, NDArray[np.int64]]:
    """The measure of every swing, ``(players, sessions, swings)`` in degrees, and the players with the drill."""
    sessions = scenario.before + scenario.after
    level = random.normal(random.normal(-5, scenario.level_sd_deg), scenario.between_sd_deg, scenario.players)
    kick = random.normal(size=(scenario.players, sessions))
    session = np.empty_like(kick)
    session[:, 0] = kick[:, 0]
    for at in range(1, sessions):
        new = np.sqrt(1 - scenario.correlation**2) * kick[:, at]
        session[:, at] = scenario.correlation * session[:, at - 1] + new
    past = level[:, None] + scenario.session_sd_deg * session
    middles = (sessions / 2, (scenario.before - 1) / 2)
    drift = random.normal(0, scenario.drift_sd_deg) if scenario.drift_sd_deg else 0.0
    past += drift * (np.arange(sessions) - middles[1]) / middles[0]
    swing = random.normal(0, scenario.swing_sd_deg, (scenario.players, sessions, scenario.swings))
    looks = past[:, scenario.before - 1] + swing[:, scenario.before - 1].mean(axis=1)
    drilled = np.argsort(-looks)[: scenario.drilled]
    past[drilled, scenario.before :] -= scenario.effect_deg
    return fault.edge + fault.sign * (past[:, :, None] + swing), drilled


def season(
    measure: Floats, drilled: NDArray[np.int64], before: int, fault: Fault
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Sums and assignments as `faultml.changes` reads them."""
    players, sessions, swings = measure.shape
    who, when = (each.ravel() for each in np.indices((players, sessions)))
    names = [f"p{number:02d}" for number in range(players)]
    sums = pd.DataFrame(
        {
            "player": [names[each] for each in who],
            "session": [f"s{each}" for each in when],
            "context": "play",
            "fault": fault.id,
            "n": float(swings),
            "p": (fault.sign * (measure - fault.edge) > 0).sum(axis=2).ravel().astype(float),
            "n_measured": float(swings),
            "measure": measure.sum(axis=2).ravel(),
            "measure2": (measure**2).sum(axis=2).ravel(),
        }
    )
    given = pd.DataFrame({"player": [names[each] for each in drilled], "since": f"s{before - 1}"})
    return sums, given.assign(drill=DRILL, fault=fault.id)


def measure_changes(
    sums: pd.DataFrame, given: pd.DataFrame, catalogue: Catalogue, rules: OutcomeRules | None = None
) -> pd.DataFrame:
    """What `faultml.changes` says of the measure of a group that never practised with feedback, and nothing else.

    It is several times as fast. Columns are those of `CHANGE_COLUMNS`, NaN where they are not of the measure.
    """
    rules = rules or load_outcome_rules()
    fault = catalogue[FAULT]
    periods = periods_of(sums.assign(practice=False, n_retest=0.0), given)
    quantity = Quantity(periods, lambda each: measured(each, fault), -rules.group.inside_deg, rules)
    change = quantity.change(given)
    before, after = count_sessions(periods, periods.before), count_sessions(periods, periods.after)
    table = given.assign(
        before_swings=before.swings.astype(int),
        after_swings=after.swings.astype(int),
        change=change.estimate,
        change_lo=change.low,
        change_hi=change.high,
        change_sd=change.sd,
        shared_sd=change.shared_sd,
        smallest=smallest_change(before, after, quantity.session_sd_deg, quantity.swing_sd_deg, rules.claim),
    )
    return table.assign(verdict=verdicts(table, change.controls, rules.claim)).reindex(columns=CHANGE_COLUMNS)


def judged(
    scenario: Scenario, groups: int, seed: int, catalogue: Catalogue, rules: OutcomeRules | None = None
) -> Iterator[pd.DataFrame]:
    """What is said of every player with the drill, a table a group; `rules` as in `changes`."""
    random = np.random.default_rng(seed)
    fault = catalogue[FAULT]
    for _ in range(groups):
        measure, drilled = draw_group(scenario, random, fault)
        yield measure_changes(*season(measure, drilled, scenario.before, fault), catalogue, rules)


def measure_scenario(scenario: Scenario, groups: int, seed: int, catalogue: Catalogue) -> dict[str, float]:
    """Shares of the verdicts over all players with the drill, and of intervals that cover what the drill did.

    ``held_se`` is the standard error of ``held`` with groups as the units.
    """
    tables = list(judged(scenario, groups, seed, catalogue))
    held = np.array([(table["verdict"] == "held").mean() for table in tables])
    table = pd.concat(tables)
    covered = (table["change_lo"] <= -scenario.effect_deg) & (-scenario.effect_deg <= table["change_hi"])
    return {
        "held": float(held.mean()),
        "held_se": float(held.std(ddof=1) / np.sqrt(groups)),
        "worse": float((table["verdict"] == "worse").mean()),
        "no_controls": float((table["verdict"] == "no-controls").mean()),
        "covered": float(covered.mean()),
        "smallest_deg": float(table["smallest"].mean()),
    }


@click.command()
@click.option("--groups", default=300, show_default=True, help="Groups drawn of each kind.")
@click.option("--seed", default=20311127, show_default=True)
@click.option("--only", default="", help="Scenarios whose name contains this.")
def main(groups: int, seed: int, only: str) -> None:
    """Measure false claims and power, and print the table of docs/outcomes.md."""
    catalogue = load_catalogue()
    click.echo(f"{'scenario':36}" + "".join(f"{name:>13}" for name in MEASURES))
    for each in (*WITHOUT_EFFECT, *WITH_EFFECT):
        if only in each.name:
            row = measure_scenario(each, groups, seed, catalogue)
            click.echo(f"{each.name:36}" + "".join(f"{row[name]:13.3f}" for name in MEASURES))


if __name__ == "__main__":
    main()
