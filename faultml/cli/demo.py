"""``faultml demo``: a generated season, classified, with its report."""

from __future__ import annotations

import sys
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

if TYPE_CHECKING:
    from faultml.coaching.giving import Giving
    from faultml.faults.catalogue import Catalogue

SEED: Final = 7
PLAYERS: Final = (
    "alder", "aspen", "birch", "cedar", "elder", "hazel", "juniper", "larch", "linden", "maple", "rowan", "willow",
)  # fmt: skip
"""The players of Tarnholt Academy, which does not exist."""


@click.command(short_help="Make a season, classify it and write its report.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("demo"),
    show_default=True,
    help="Folder for everything.",
)
@click.option(
    "--seed", type=click.IntRange(0), default=SEED, show_default=True, help="Of the generated season."
)
@click.option(
    "--jobs", type=click.IntRange(1), default=2, show_default=True, help="Processes that draw the season."
)
def command(out: Path, seed: int, jobs: int) -> None:
    """Make a season of twelve generated players of an academy that does not exist, and classify it.

    \b
    Example:
      faultml demo --out demo/
    """
    code = make_demo(out, seed, jobs)
    if code == 0:
        click.echo(f"On a page, to look and press: faultml desk {out}")
    sys.exit(code)


def make_demo(out: Path, seed: int = SEED, jobs: int = 2) -> int:
    """Make the generated season in a folder and classify it; the exit code."""
    import pandas as pd

    from faultml.cli.season_run import run_season
    from faultml.coaching.giving import note_givings
    from faultml.faults.catalogue import load_catalogue
    from faultml.plan.evidence import GivenNote, StoreNotes
    from faultml.season.inputs import ModelSource
    from faultml.store import open_store
    from faultml.store.place import DEFAULT
    from faultml.synthetic.recipe import Recipe
    from faultml.synthetic.season import iterate_golfers, roster_golfers
    from faultml.synthetic.tables import draw_roster
    from faultml.synthetic.write import write_synthetic

    catalogue = load_catalogue()
    click.echo("Tarnholt Academy: twelve generated players, six sessions each. Nobody in it is real.")
    recipe = Recipe(golfers=len(PLAYERS), seed=seed, names=PLAYERS)
    golfers = roster_golfers(catalogue, recipe)
    parts = iterate_golfers(catalogue, recipe, golfers, jobs=jobs)
    write_synthetic(parts, draw_roster(golfers, recipe), out, "parquet")
    lessons = _lessons(out, catalogue)
    columns = ["player", "drill", "fault", "since"]
    given = pd.DataFrame([asdict(each.given) for each in lessons], columns=columns)
    given.to_csv(out / "given.csv", index=False)
    with open_store(out / DEFAULT) as store:
        note_givings(store, lessons, date.today())
    run = run_season(
        [out / "season"],
        out / "results",
        source=ModelSource(),
        catalogue=catalogue,
        assigned=given,
        notes=StoreNotes(given=tuple(GivenNote(*row) for row in given.itertuples(index=False))),
        store=out / DEFAULT,
    )
    # Problems in its input are part of what the demo shows.
    return 0 if run.n_assessed else run.exit_code


def _lessons(out: Path, catalogue: Catalogue) -> list[Giving]:
    """The drills the generated players were given, as the generator knows it.

    A player practises from a lesson on, and one fault is smaller from then on: the drill is the strongest for it that
    care allows.
    """
    import pandas as pd

    from faultml.care.check import care_check
    from faultml.care.known import known_from_file
    from faultml.channels import ID_COLUMNS
    from faultml.coaching.giving import Giving, check_giving
    from faultml.coaching.rules import load_coaching
    from faultml.synthetic.write import TRUTH_RECORDINGS

    coaching, today = load_coaching(catalogue), date.today()
    sizes = [f"size_{fault}" for fault in catalogue.ids]
    truth = pd.read_parquet(out / "truth" / TRUTH_RECORDINGS, columns=[*ID_COLUMNS, *sizes])
    season = pd.read_parquet(out / "season" / "season.parquet", columns=[*ID_COLUMNS, "context"])
    known = known_from_file(out / "season" / "roster.csv", season["player"].unique(), today)
    given = []
    for player, swings in truth.merge(season, on=list(ID_COLUMNS)).groupby("player"):
        practice = swings.loc[swings["context"] == "practice", "session"]
        before = swings["session"] < practice.min() if len(practice) else swings["session"].eq("")
        smaller = (swings[before][sizes].mean() - swings[~before][sizes].mean()) / catalogue.softness_by_fault
        if smaller.isna().all():
            continue
        fault = catalogue.ids[int(smaller.fillna(0.0).argmax())]
        allowed = [
            drill
            for drill in coaching.book.drills
            if fault in coaching.serving[drill.id]
            and not drill.when
            and care_check(drill.demands, known.body(str(player)), today).verdict == "give"
        ]
        if allowed:
            best = max(allowed, key=lambda drill: coaching.serving[drill.id][fault])
            since = str(swings.loc[before, "session"].max())
            cells = {"player": str(player), "drill": best.id, "fault": fault, "since": since}
            read = check_giving(cells, known, set(known.bodies), coaching, today)
            if isinstance(read, Giving):
                given.append(read)
    return given
