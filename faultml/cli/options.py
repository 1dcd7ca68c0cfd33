"""Options that several commands share, each said once."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import click

if TYPE_CHECKING:
    from faultml.classifier.bundle import Registered

MODEL: Final = click.option(
    "--model",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="Folder of another model than the one that comes along.",
)
CHAMPION: Final = click.option(
    "--registry",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="Use the champion of this registry (see models) instead of the model that comes along.",
)
KEPT_IN: Final = click.option(
    "--registry",
    type=click.Path(path_type=Path, file_okay=False),
    help="Keep it in this registry as the challenger, made where there is none.",
)
REGISTRY: Final = click.option(
    "--registry",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("faultml-registry"),
    show_default=True,
    help="The registry's folder.",
)
CATALOGUE: Final = click.option(
    "--catalogue",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="TOML file that moves edges for everybody or for one player.",
)
ROSTER: Final = click.option(
    "--roster",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Another roster than the season's.  [default: the season's, as it is now]",
)
RESULTS: Final = click.option(
    "--results",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="What classify left: checks the player, and reads the season's roster as it is now.",
)
ON: Final = click.option(
    "--on",
    "place",
    metavar="PLACE",
    default="",
    help="Where to assess: here, local:N in N processes, or a Dask cluster as tls://host:port.  [default: as many "
    "processes as cores where the season is large, else here]",
)
ONE_FILE: Final = click.option(
    "--one-file",
    is_flag=True,
    help="The report as one page, with everybody on it, instead of a page a player.",
)
STORE: Final = click.option(
    "--store",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The coach's store.  [default: FAULTML_STORE, else faultml-store.sqlite]",
)

HOST: Final = click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen at.")
ALLOW_HOST: Final = click.option(
    "--allow-host",
    "others",
    multiple=True,
    metavar="NAME[:PORT]",
    help="Another name that this server is called by. May be repeated.",
)


def port(default: int) -> Callable[..., Any]:
    """The port to listen at."""
    return click.option(
        "--port",
        type=click.IntRange(0, 65_535),
        default=default,
        show_default=True,
        help="0: any that is free.",
    )


DAY: Final = click.option(
    "--on",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="DATE",
    help="The day, such as 2031-05-01.  [default: today]",
)

PLAN_DAY: Final = click.option(
    "--on",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="DATE",
    help="The day, such as 2031-05-01.  [default: today; of a season that is over, or ahead, its last day]",
)


class Chosen(NamedTuple):
    """Which model to load, as `faultml.classifier.bundle.load_bundle` takes it; None for the one that comes along."""

    path: Path | None
    registered: Registered | None


def chosen_model(model: Path | None, registry: Path | None, coach: str = "") -> Chosen:
    """The model of a folder, or the champion of a registry; with `coach`, that coach's champion.

    mlflow is imported only where there is a registry.

    Raises
    ------
    click.UsageError
        Where both are given.
    """
    if model and registry:
        raise click.UsageError("--model and --registry both say which model to use: give one of them.")
    if not registry:
        return Chosen(model, None)
    from faultml.pipelines.registry.registry import MODEL, coach_model, locate

    return Chosen(*locate(registry, of=coach_model(coach) if coach else MODEL))
