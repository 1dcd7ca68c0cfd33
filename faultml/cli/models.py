"""``faultml models``: which models there are, which one is in use, and whether another may take its place."""

from __future__ import annotations

import sys
from pathlib import Path

import click

HELD_BACK = 1

REGISTRY = click.option(
    "--registry",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("faultml-registry"),
    show_default=True,
    help="The registry's folder.",
)


@click.group(short_help="Keep models, and promote the better one.")
def command() -> None:
    """Keep trained models with how they were made, and let a better one take the champion's place.

    \b
    Example:
      faultml models register mymodel/
      faultml models promote
      faultml models list
    """


@command.command("register", short_help="Keep a bundle as the challenger.")
@click.argument("bundle", type=click.Path(path_type=Path, exists=True, file_okay=False))
@REGISTRY
def register_bundle(bundle: Path, registry: Path) -> None:
    """Keep BUNDLE, which train or retrain made, with its training's figures, and call it the challenger.

    \b
    Example:
      faultml models register mymodel/
    """
    from faultml.pipelines.registry import register

    version = register(registry, bundle)
    click.echo(f"Version {version.number}: {version.model}, now the challenger.")


@command.command("list", short_help="Every version, and which is in use.")
@REGISTRY
def list_versions(registry: Path) -> None:
    """List every version, the oldest first: when it was registered, and what it is now.

    \b
    Example:
      faultml models list
    """
    from faultml.pipelines.registry import versions

    found = versions(registry)
    if not found:
        click.echo("No model is registered yet: faultml models register BUNDLE")
    for each in found:
        what = " and ".join(each.aliases)
        since = f" since {each.champion_since}" if "champion" in each.aliases else ""
        back = f"; rolled back {each.rolled_back}" if each.rolled_back and not since else ""
        told = f"  {what}{since}{back}" if what or back else ""
        click.echo(f"{each.number:>3}  {each.model:<16} {each.sha256[:12]}  {each.registered}{told}")


@command.command("promote", short_help="Run the gate; put the challenger in use if it may.")
@click.option("--version", type=click.IntRange(1), help="Which version.  [default: the challenger]")
@click.option("--report", "only_report", is_flag=True, help="Only tell what the gate says.")
@click.option(
    "--season",
    multiple=True,
    type=click.Path(path_type=Path, exists=True),
    help="Recordings that the coach has judged, for the gate to look at too.",
)
@click.option(
    "--store",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The coach's store with the verdicts.  [default: FAULTML_STORE, else faultml-store.sqlite]",
)
@click.option("--jobs", type=click.IntRange(1), default=1, show_default=True, help="Processes.")
@REGISTRY
def promote_version(
    version: int | None,
    only_report: bool,
    season: tuple[Path, ...],
    store: Path | None,
    jobs: int,
    registry: Path,
) -> None:
    """Judge the challenger against the champion, and put it in use if it is shown better and on no fault worse.

    They are judged on generated golfers who are always the same, and with --season on the coach's verdicts too.
    The report is kept with the challenger.

    \b
    Exit codes: 0 it may, 1 it may not, 2 wrong use.

    \b
    Example:
      faultml models promote --report
      faultml models promote --season season/ --store faultml-store.sqlite
    """
    from faultml.pipelines.promotion import judge_version, promote

    verdicts, learned = None, None
    if season:
        from faultml.labels import verdicts as held_verdicts
        from faultml.store import open_store, store_path
        from faultml.store.people import models_of

        with open_store(store_path(store), create=False) as opened:
            verdicts = held_verdicts(opened)
            learned = {player: models_of(opened, player) for player in verdicts["player"].unique()}
    judged = judge_version(
        registry, version or "challenger", season=list(season), verdicts=verdicts, learned=learned, jobs=jobs
    )
    click.echo(judged.report)
    if not judged.verdict.passed:
        sys.exit(HELD_BACK)
    if not only_report:
        promoted = promote(registry, judged)
        click.echo(f"Version {promoted.number if promoted else ''} is the champion now.")


@command.command("rollback", short_help="Put the champion before this one in use again.")
@REGISTRY
def roll_back_champion(registry: Path) -> None:
    """Put the former champion in use again.

    \b
    Example:
      faultml models rollback
    """
    from faultml.pipelines.registry import roll_back

    version = roll_back(registry)
    click.echo(f"Version {version.number} ({version.model}) is the champion again.")
