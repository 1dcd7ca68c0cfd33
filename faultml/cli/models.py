"""``faultml models``: which models there are, which one is in use, and whether another may take its place."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from faultml.cli import options

if TYPE_CHECKING:
    from faultml.pipelines.registry.promotion import TestedVersion
    from faultml.pipelines.registry.registry import Version

HELD_BACK = 1

COACH = click.option(
    "--coach", default="", metavar="NAME", help="Of this coach's adaptations, instead of everybody's model."
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
@options.REGISTRY
def register_bundle(bundle: Path, registry: Path) -> None:
    """Keep BUNDLE, which train or retrain made, with its training's figures, and call it the challenger.

    \b
    Example:
      faultml models register mymodel/
    """
    from faultml.pipelines.registry.registry import register

    version = register(registry, bundle)
    click.echo(f"Version {version.number}: {version.model}, now the challenger.")


@command.command("list", short_help="Every version, and which is in use.")
@options.REGISTRY
def list_versions(registry: Path) -> None:
    """List every version, the oldest first: when it was registered, and what it is now. Coach adaptations come last.

    \b
    Example:
      faultml models list
    """
    from faultml.pipelines.registry.registry import all_versions

    found = all_versions(registry)
    if not found:
        click.echo("No model is registered yet: faultml models register BUNDLE")
    for each in found:
        what = " and ".join(each.aliases)
        since = f" since {each.champion_since}" if "champion" in each.aliases else ""
        back = f"rolled back {each.rolled_back}" if each.rolled_back and not since else ""
        gone = f"withdrawn {each.withdrawn}" if each.withdrawn else ""
        state = "; ".join(part for part in (f"{what}{since}", back, gone) if part)
        digest = (each.adaptation_sha256 or each.sha256)[:12]
        click.echo(
            f"{each.of:<16} {each.number:>3}  {each.model:<16} {digest}  {each.registered}  {state}".rstrip()
        )


@command.command("promote", short_help="Run the promotion test; put the challenger in use if it may.")
@click.option("--version", type=click.IntRange(1), help="Which version.  [default: the challenger]")
@click.option("--report", "only_report", is_flag=True, help="Only tell what the promotion test says.")
@click.option(
    "--season",
    multiple=True,
    type=click.Path(path_type=Path, exists=True),
    help="Recordings that the coach has judged, for the promotion test to look at too.",
)
@COACH
@click.option(
    "--results",
    multiple=True,
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="With --coach: the results that its adaptation was learned from.",
)
@options.STORE
@click.option("--jobs", type=click.IntRange(1), default=1, show_default=True, help="Processes.")
@options.REGISTRY
def promote_version(
    version: int | None,
    only_report: bool,
    season: tuple[Path, ...],
    coach: str,
    results: tuple[Path, ...],
    store: Path | None,
    jobs: int,
    registry: Path,
) -> None:
    """Judge the challenger against the champion, and put it in use if it is shown better and on no fault worse.

    They are judged on generated golfers who are always the same, which takes some minutes, and with --season on the
    coach's verdicts too. A coach adaptation is judged on the verdicts it was learned from, golfers held out. The
    report is kept with the challenger.

    \b
    Exit codes: 0 it may, 1 it may not, 2 wrong use.

    \b
    Example:
      faultml models promote --report
      faultml models promote --season season/ --store faultml-store.sqlite
      faultml models promote --coach ann --results results/
    """
    from faultml.pipelines.registry.promotion import promote

    number = version or "challenger"
    if bool(coach) != bool(results) or (coach and season):
        raise click.UsageError(
            "--coach goes with --results, those its adaptation was learned from; --season is for everybody's model."
        )
    if coach:
        tested = _evaluate_adaptation(registry, coach, number, results, store, jobs)
    else:
        tested = _evaluate_model(registry, number, season, store, jobs)
    click.echo(tested.report)
    if not tested.verdict.passed:
        sys.exit(HELD_BACK)
    if not only_report:
        promoted = promote(registry, tested)
        click.echo(f"Version {promoted.number if promoted else ''} is the champion now.")


def _evaluate_model(
    registry: Path, number: int | str, season: tuple[Path, ...], store: Path | None, jobs: int
) -> TestedVersion:
    from faultml.pipelines.registry.promotion import evaluate_version

    verdicts, learned = None, None
    if season:
        from faultml.labels import verdicts as held_verdicts
        from faultml.store import open_store, store_path
        from faultml.store.people import models_of

        with open_store(store_path(store), create=False) as opened:
            verdicts = held_verdicts(opened)
            learned = {player: models_of(opened, player) for player in verdicts["player"].unique()}
    return evaluate_version(
        registry, number, season=list(season), verdicts=verdicts, learned=learned, jobs=jobs
    )


def _evaluate_adaptation(
    registry: Path, coach: str, number: int | str, results: tuple[Path, ...], store: Path | None, jobs: int
) -> TestedVersion:
    from faultml.pipelines.registry.adaptation_promotion import evaluate_adaptation
    from faultml.results import read_results
    from faultml.store import open_store, store_path

    with open_store(store_path(store), create=False) as opened:
        read = [read_results(each) for each in results]
        return evaluate_adaptation(registry, coach, opened, read, number, jobs=jobs)


@command.command("rollback", short_help="Put the champion before this one in use again.")
@COACH
@options.REGISTRY
def roll_back_champion(coach: str, registry: Path) -> None:
    """Put the former champion in use again.

    \b
    Example:
      faultml models rollback
    """
    from faultml.pipelines.registry.registry import MODEL, coach_model, roll_back

    version = roll_back(registry, coach_model(coach) if coach else MODEL)
    click.echo(f"Version {version.number} ({version.model}) is the champion again.")


@command.command("withdraw", short_help="Take a version out of use for good.")
@click.option("--version", type=click.IntRange(1), help="Which version.")
@click.option(
    "--forgotten",
    is_flag=True,
    help="Every version, of everybody's model and each coach's, that has learned from somebody who was forgotten.",
)
@click.option("--yes", is_flag=True, help="Do not ask.")
@COACH
@options.STORE
@options.REGISTRY
def withdraw_version(
    version: int | None, forgotten: bool, yes: bool, coach: str, store: Path | None, registry: Path
) -> None:
    """Take a version out of use for good and delete its files. The champion before it is in use again; where there is
    none, nobody is until another is promoted. A server keeps the version that it was started with: start it again.

    \b
    Example:
      faultml models withdraw --coach ann --version 2
      faultml models withdraw --forgotten --store faultml-store.sqlite
    """
    from faultml.pipelines.registry.registry import MODEL, coach_model, find, learned_from

    if bool(version) == forgotten or (forgotten and coach):
        raise click.UsageError("Give --version, with --coach where it is a coach's, or --forgotten.")
    if version:
        chosen = [find(registry, version, coach_model(coach) if coach else MODEL)]
    else:
        from faultml.store import open_store, store_path
        from faultml.store.people import models_to_retrain

        with open_store(store_path(store), create=False) as opened:
            chosen = learned_from(registry, models_to_retrain(opened))
    if not chosen:
        click.echo("No version has learned from somebody who was forgotten.")
        return
    for each in chosen:
        click.echo(
            f"{each.of}, version {each.number} ({each.model}), {' and '.join(each.aliases) or 'not in use'}"
        )
    if not yes:
        click.confirm("Withdraw, and delete its files? They cannot be brought back", abort=True)
    for line in withdraw_all(registry, chosen):
        click.echo(line)


def withdraw_all(registry: Path, chosen: Sequence[Version]) -> list[str]:
    """Withdraw versions, those in use last, and say what is in use then."""
    from faultml.pipelines.registry.registry import withdraw

    lines = []
    for each in sorted(chosen, key=lambda version: "champion" in version.aliases):
        now = withdraw(registry, each.number, each.of)
        in_use = f"version {now.number} is in use" if now else "none is in use"
        lines.append(f"Withdrawn: version {each.number} of {each.of}; {in_use}.")
    return lines


@command.command("convert", short_help="Write a bundle of a former version in today's form.")
@click.argument("bundle", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder of the converted bundle.",
)
def convert_former(bundle: Path, out: Path) -> None:
    """Write BUNDLE, which a former version trained, in today's form. Nothing is trained; the model stays the same.

    \b
    Example:
      faultml models convert old/ --out mymodel/
    """
    from faultml.classifier.convert import convert_bundle

    converted = convert_bundle(bundle, out)
    click.echo(f"{converted.name} {converted.version}: SHA-256 {converted.sha256[:12]}..., in {out}")
