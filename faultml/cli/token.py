"""``faultml token``: who may ask ``faultml serve``."""

from __future__ import annotations

from pathlib import Path

import click

FILE = click.argument("file", type=click.Path(path_type=Path, dir_okay=False))


@click.group(short_help="Make and remove tokens of serve.")
def command() -> None:
    """Make and remove the tokens that programs bring to ``faultml serve --tokens FILE``.

    FILE keeps the hash of each, with a name and limits, which may be edited. Running servers notice what changes within
    a second.

    \b
    Example:
      faultml token add tokens.toml range-tablet
      faultml token remove tokens.toml range-tablet
    """


@command.command("add", short_help="Make a token, and print it once.")
@FILE
@click.argument("name")
@click.option(
    "--max-requests", type=click.IntRange(1), help="That are being answered at once.  [default: 64]"
)
@click.option("--max-requests-a-minute", type=click.IntRange(1), help="[default: 1200]")
@click.option("--max-seasons", type=click.IntRange(1), help="That are kept.  [default: 10]")
def add(
    file: Path,
    name: str,
    max_requests: int | None,
    max_requests_a_minute: int | None,
    max_seasons: int | None,
) -> None:
    """Make a token called NAME and print it; FILE, made where there is none, keeps its hash only.

    \b
    Example:
      faultml token add tokens.toml range-tablet --max-requests 8
    """
    from faultml.service.tokens import add_token

    limits = {
        "max_requests": max_requests,
        "max_requests_a_minute": max_requests_a_minute,
        "max_seasons": max_seasons,
    }
    click.echo(add_token(file, name, **{key: value for key, value in limits.items() if value is not None}))


@command.command("list", short_help="Names and limits.")
@FILE
def list_tokens(file: Path) -> None:
    """Print the name and the limits of each token in FILE.

    \b
    Example:
      faultml token list tokens.toml
    """
    from faultml.service.tokens import read_tokens

    for token in read_tokens(file):
        click.echo(
            f"{token.name}: since {token.added or 'unknown'}, {token.max_requests} requests at once,"
            f" {token.max_requests_a_minute} a minute, {token.max_seasons} seasons"
        )


@command.command("remove", short_help="Take a token out.")
@FILE
@click.argument("name")
def remove(file: Path, name: str) -> None:
    """Take the token called NAME out of FILE; running servers refuse it within a second.

    \b
    Example:
      faultml token remove tokens.toml range-tablet
    """
    from faultml.service.tokens import remove_token

    remove_token(file, name)
