"""``faultml retrain``: learn a coach adaptation from their verdicts."""

from __future__ import annotations

import tempfile
from contextlib import ExitStack
from pathlib import Path

import click

from faultml.cli import options
from faultml.cli.season_run import left_out_lines


@click.command(short_help="Learn a coach adaptation from their verdicts.")
@click.option(
    "--coach",
    required=True,
    metavar="NAME",
    help="Whose verdicts; each coach has an adaptation of their own.",
)
@click.option(
    "--results",
    multiple=True,
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="What classify left of the labelled swings; may be given more than once.",
)
@click.option(
    "--season",
    multiple=True,
    type=click.Path(path_type=Path, exists=True),
    help="Recordings of the labelled swings, where there are no results of them.",
)
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for the adaptation.",
)
@options.MODEL
@options.KEPT_IN
@options.STORE
def command(
    coach: str,
    results: tuple[Path, ...],
    season: tuple[Path, ...],
    out: Path,
    model: Path | None,
    registry: Path | None,
    store: Path | None,
) -> None:
    """Learn where COACH's edges lie, how soft they are and how often answers lapse, and say what was learned.

    Few verdicts move an edge a little and keep close to the model; a fault with none is pulled to its neighbours. The
    adaptation is tried on golfers held out. OUT is then given to classify --coach. With --registry the adaptation is
    kept as the coach's challenger too, and learned on the registry's champion unless --model says otherwise.

    \b
    Example:
      faultml retrain --coach ann --results results/ --out ann/
      faultml classify season/ --coach ann/ --out results/
    """
    from faultml.classifier.assess import Assessor
    from faultml.classifier.bundle import load_bundle
    from faultml.faults.catalogue import load_catalogue
    from faultml.pipelines.retraining.retrain import retrain
    from faultml.results import read_results
    from faultml.season import classify_season
    from faultml.store import open_store, store_path

    if not results and not season:
        raise click.UsageError("Give --results, what classify left, or --season, the recordings.")
    chosen = _measured_with(model, registry)
    bundle, catalogue = load_bundle(*chosen), load_catalogue()
    with ExitStack() as stack:
        opened = stack.enter_context(open_store(store_path(store), create=False))
        folders = list(results)
        if season:
            fresh = Path(stack.enter_context(tempfile.TemporaryDirectory())) / "results"
            run = classify_season(season, fresh, assessor=Assessor(bundle, catalogue), store=opened.path)
            for line in left_out_lines(*run.left_out):
                click.echo(line)
            folders.append(fresh)
        learned = retrain(opened, coach, [read_results(each) for each in folders], bundle, catalogue, out)
    for line in learned.lines:
        click.echo(line)
    if registry:
        from faultml.classifier.bundle import default_bundle_path
        from faultml.pipelines.registry.registry import register_adaptation
        from faultml.pipelines.retraining.coach_curve import coach_curve

        curve = coach_curve(catalogue, bundle.classifier, learned.labelled)
        version = register_adaptation(registry, chosen.path or default_bundle_path(), out, curve)
        click.echo(f"Kept in {registry} as version {version.number} of {version.of}, the challenger.")


def _measured_with(model: Path | None, registry: Path | None) -> options.Chosen:
    """The model whose measures were judged: the one said, else a registry's champion, else the one that comes along."""
    if registry and not model:
        from faultml.pipelines.registry.registry import champion_or_none

        if champion_or_none(registry):
            return options.chosen_model(None, registry)
    return options.Chosen(model, None)
