"""``faultml explain``: every number behind one player's drill."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("explain", short_help="Show every number behind one player's drill.")
@click.argument("results", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--player", required=True, metavar="ID", help="The player to explain.")
@click.option("--json", "as_json", is_flag=True, help="The same as JSON, for other programs.")
def command(results: Path, player: str, as_json: bool) -> None:
    """Show every number behind the drills of one player in RESULTS, the folder that classify left.

    \b
    Example:
      faultml explain --player p07 results/
    """
    from faultml.coaching.book import load_book
    from faultml.coaching.explain import EXPLANATIONS_FILE, as_lines, decode, encode, explain_player
    from faultml.coaching.rules import Coaching, load_rules
    from faultml.errors import InputError
    from faultml.faults.catalogue import load_catalogue

    file = results / EXPLANATIONS_FILE
    try:
        content = file.read_bytes()
    except OSError as error:
        expected = f"{EXPLANATIONS_FILE}, which classify leaves there"
        raise InputError("no-explanations", where=str(results), expected=expected) from error
    told = explain_player(decode(content), player)
    if as_json:
        click.echo(encode({player: told}))
    else:
        click.echo("\n".join(as_lines(told, Coaching(load_catalogue(), load_book(), load_rules()))))
