"""``faultml retrain``: learn a coach's eye from their verdicts."""

from __future__ import annotations

import tempfile
from contextlib import ExitStack
from pathlib import Path

import click


@click.command(short_help="Learn a coach's eye from their verdicts.")
@click.option(
    "--coach", required=True, metavar="NAME", help="Whose verdicts; each coach has an eye of their own."
)
@click.option(
    "--results",
    multiple=True,
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="What classify left of the judged swings; may be given more than once.",
)
@click.option(
    "--season",
    multiple=True,
    type=click.Path(path_type=Path, exists=True),
    help="Recordings of the judged swings, where there are no results of them.",
)
@click.option(
    "--out", required=True, type=click.Path(path_type=Path, file_okay=False), help="Folder for the eye."
)
@click.option(
    "--model",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="Folder of another model than the one that comes along.",
)
@click.option(
    "--store",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The coach's store.  [default: FAULTML_STORE, else faultml-store.sqlite]",
)
def command(
    coach: str,
    results: tuple[Path, ...],
    season: tuple[Path, ...],
    out: Path,
    model: Path | None,
    store: Path | None,
) -> None:
    """Learn where COACH's edges lie, how soft they are and how often answers slip, and say what was learned.

    Few verdicts move an edge a little and lean on the model; a fault with none leans on its neighbours. The eye is
    tried on golfers held out. OUT is then given to classify --coach.

    \b
    Example:
      faultml retrain --coach ann --results results/ --out ann/
      faultml classify season/ --coach ann/ --out results/
    """
    from faultml.classifier.bundle import load_bundle
    from faultml.faults.catalogue import load_catalogue
    from faultml.pipelines.retrain import retrain
    from faultml.results import read_results
    from faultml.season import classify_season
    from faultml.store import open_store, store_path

    if not results and not season:
        raise click.UsageError("Give --results, what classify left, or --season, the recordings.")
    bundle, catalogue = load_bundle(model), load_catalogue()
    with ExitStack() as stack:
        opened = stack.enter_context(open_store(store_path(store), create=False))
        folders = list(results)
        if season:
            fresh = Path(stack.enter_context(tempfile.TemporaryDirectory())) / "results"
            classify_season(season, fresh, bundle=bundle, catalogue=catalogue)
            folders.append(fresh)
        told = retrain(opened, coach, [read_results(each) for each in folders], bundle, catalogue, out)
    for line in told:
        click.echo(line)
