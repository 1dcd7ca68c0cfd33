"""``faultml catalogue``: faults and drills as the coach reads them."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("catalogue", short_help="Print faults and drills as the coach reads them.")
@click.argument("name", required=False)
@click.option("--faults", "part", flag_value="faults", help="Only the faults.")
@click.option("--drills", "part", flag_value="drills", help="Only the drills.")
@click.option(
    "--catalogue",
    "overrides",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="A file that moves edges; whose each edge is, is shown.",
)
@click.option("--player", default="", help="Show the edges that hold for this player.")
@click.option("--json", "as_json", is_flag=True, help="The same as JSON, for other programs.")
def command(name: str | None, part: str | None, overrides: Path | None, player: str, as_json: bool) -> None:
    """Print faults and drills as the coach reads them.

    NAME is one fault or one drill, by its name or its id; without it, all are printed.

    \b
    Example:
      faultml catalogue flexed_top
      faultml catalogue "bowed top"
    """
    from faultml.coaching.book import load_book
    from faultml.coaching.rules import Coaching, load_rules
    from faultml.faults.catalogue import load_catalogue
    from faultml.report import listing

    entries = listing.entries(Coaching(load_catalogue(overrides), load_book(), load_rules()), player)
    asked = name.casefold() if name else None
    chosen = [
        entry
        for entry in entries
        if asked in (None, entry.id, entry.name.casefold()) and part in (None, entry.part)
    ]
    if not chosen:
        known = ", ".join(entry.id for entry in entries if part in (None, entry.part))
        raise click.BadParameter(
            f"no fault or drill is called {name!r}. There are: {known}", param_hint="NAME"
        )
    click.echo(listing.as_json(chosen) if as_json else listing.as_text(chosen), nl=not as_json)
