"""``faultml players hurts|says-none|return|history|not-a-player|care``: what a player says, and what it means."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from faultml.cli import options

if TYPE_CHECKING:
    from faultml.care.statements import About

_ON = click.option(
    "--on", "day", type=click.DateTime(["%Y-%m-%d"]), metavar="DATE", help="The day.  [default: today]"
)
_BY = click.option("--by", default="", metavar="NAME", help="Who records it.")
_ANSWER = click.Choice(["yes", "no"])


@click.command("hurts", short_help="A player hurts: every drill is paused.")
@click.argument("player")
@click.option(
    "--where", default="", metavar="WORDS", help="Where, or how: wrist, numb, swollen, after a fall."
)
@_ON
@_BY
@options.RESULTS
@options.STORE
def hurts(
    player: str, where: str, day: datetime | None, by: str, results: Path | None, store: Path | None
) -> None:
    """Record that something hurts PLAYER. Every drill is paused from now on, until a return to practice is recorded.

    \b
    Example:
      faultml players hurts p07 --where wrist --by Ann
    """
    from faultml.cli.known import names_in_store, stale_pages
    from faultml.store import store_path

    _record_all(player, {"pain": where}, day, store, results, by=by)
    click.echo(f"Recorded. Every drill of {player} is paused; who hurts sees a clinician.")
    # Somebody in another folder would take it for recorded there too.
    place = store_path(store).absolute()
    click.echo(f"Store: {place}. Commands in other folders do not know it: name it there with --store.")
    for page in stale_pages(place, results):
        click.echo(
            f"Drawn before, and still showing drills: {page}. faultml report {page.parent} draws it anew."
        )
    if results is None and (unchecked := names_in_store(player, store)):
        click.echo(unchecked, err=True)


@click.command("mistake", short_help="Hurts was recorded by mistake, today.")
@click.argument("player")
@click.option("--by", required=True, metavar="NAME", help="Who recorded it, and takes it back.")
@options.STORE
def mistake(player: str, by: str, store: Path | None) -> None:
    """Take back that something hurts PLAYER, where it was recorded by mistake. Only on the same day, only by who
    recorded it, and only where no word was said of where it hurts. Both stay on record.

    
    Example:
      faultml players mistake p07 --by Ann
    """
    _record(player, "mistake", None, store, by=by)
    click.echo(f"Recorded. What stood before holds for {player} again.")


@click.command("says-none", short_help="A player was asked: nothing hurts.")
@click.argument("player")
@click.option("--practised", is_flag=True, help="A day of practice, and nothing hurt.")
@_ON
@_BY
@options.STORE
def says_none(player: str, practised: bool, day: datetime | None, by: str, store: Path | None) -> None:
    """Record that PLAYER was asked, and nothing hurts. It lasts 14 days, and never lifts pain that is on record.

    After a return to practice, record each day of practice with --practised, on that day: six of them within 14 days
    end the halved dose. What is recorded on one day counts for one.

    \b
    Example:
      faultml players says-none p07
      faultml players says-none p07 --practised --on 2031-04-05
    """
    from faultml.cli.known import say_what_was_not_read

    _record(player, "practised" if practised else "none", day, store, by=by)
    click.echo("Recorded.")
    say_what_was_not_read(None)


@click.command("return", short_help="A player returns to practice after pain.")
@click.argument("player")
@click.option("--by", required=True, metavar="NAME", help="Who says so.")
@click.option("--role", required=True, metavar="ROLE", help="As what: a role of docs/care.md, such as coach.")
@click.option(
    "--advice", required=True, metavar="ROLE[: NAME]", help="On whose advice, such as 'hand therapist: Ort'."
)
@click.option("--guardian", default="", metavar="NAME", help="The guardian of a player under 16.")
@_ON
@options.RESULTS
@options.ROSTER
@options.STORE
def return_to_practice(
    player: str,
    by: str,
    role: str,
    advice: str,
    guardian: str,
    day: datetime | None,
    results: Path | None,
    roster: Path | None,
    store: Path | None,
) -> None:
    """Record that PLAYER returns to practice: by whom, as what, on whose advice. It is no medical clearance.

    It has to lie on a later day than the pain. All but a plain complaint (sore, aching, stiff, and where) needs a
    clinician's advice, players under 16 a guardian's word. Doses are halved at first.

    \b
    Example:
      faultml players return p07 --by Ann --role coach --advice "hand surgeon: Ort" --results results/
    """
    who = {"by": by, "role": role, "advice": advice, "guardian": guardian}
    _record_all(player, {"return": ""}, day, store, results, roster, **who)
    click.echo(f"Recorded. {player} begins with half the dose; see: faultml players care {player}")


@click.command("history", short_help="What a player says of earlier trouble, and the year of birth.")
@click.argument("player")
@click.option("--ulnar", type=_ANSWER, help="Ever trouble on the little-finger side of the wrist?")
@click.option("--thumb", type=_ANSWER, help="Ever trouble on the thumb side of the wrist?")
@click.option("--elbow", type=_ANSWER, help="Ever trouble with the elbow?")
@click.option("--nerve", type=_ANSWER, help="Ever numbness or tingling, or trouble with a nerve?")
@click.option("--hamate", type=_ANSWER, help="Ever trouble in the heel of the hand, such as a broken hamate?")
@click.option("--born", metavar="YEAR", help="Year of birth.")
@click.option("--experienced", type=_ANSWER, help="Is the player experienced?")
@_ON
@_BY
@options.STORE
def history(
    player: str,
    ulnar: str | None,
    thumb: str | None,
    elbow: str | None,
    nerve: str | None,
    hamate: str | None,
    born: str | None,
    experienced: str | None,
    day: datetime | None,
    by: str,
    store: Path | None,
) -> None:
    """Record what PLAYER answers about earlier trouble, and the year of birth. A yes of the roster always counts.

    \b
    Example:
      faultml players history p07 --ulnar no --thumb no --elbow no --nerve no --hamate no --born 1994
    """
    answers: dict[About, str | None] = {
        "ulnar_history": ulnar,
        "thumb_history": thumb,
        "elbow_history": elbow,
        "nerve_history": nerve,
        "hamate_history": hamate,
        "birth_year": born,
        "experienced": experienced,
    }
    given: dict[About, str] = {about: answer for about, answer in answers.items() if answer is not None}
    if not given:
        raise click.UsageError("give an answer, such as --ulnar no")
    _record_all(player, given, day, store, by=by)
    click.echo("Recorded.")


@click.command("not-a-player", short_help="A name of the roster is none of the recorded players.")
@click.argument("name")
@click.option("--by", required=True, metavar="NAME", help="Who says so.")
@_ON
@options.STORE
def not_a_player(name: str, by: str, day: datetime | None, store: Path | None) -> None:
    """Record that the roster's NAME is none of the recorded players: what its row says holds nobody any more.

    Where it is one of them, mend the name in the roster instead.

    \b
    Example:
      faultml players not-a-player "p01l" --by Ann
    """
    _record(name, "name", day, store, by=by)
    click.echo(
        "Recorded. It covers what the store has seen of the name so far: a row that is first seen later, or pain said"
        " later, holds again. A player's own name is never released."
    )


@click.command("care", short_help="What is known of a player's body now. For the coach's eyes only.")
@click.argument("player")
@options.RESULTS
@options.ROSTER
@options.STORE
def care(player: str, results: Path | None, roster: Path | None, store: Path | None) -> None:
    """Show what is known of PLAYER's body now, and what it means for drills. For the coach's eyes only.

    \b
    Example:
      faultml players care p07 --results results/
    """
    from faultml.care.words import care_lines
    from faultml.cli.known import known_of_player
    from faultml.coaching.book import load_book

    known = known_of_player(player, results, roster, store)
    demands = {f"{drill.name} [{drill.id}]": drill.demands for drill in load_book().drills}
    click.echo("\n".join(care_lines(known.body(player), demands, date.today())))


def _record(
    player: str,
    about: About,
    day: datetime | None,
    store: Path | None,
    value: str = "",
    by: str = "",
) -> None:
    _record_all(player, {about: value}, day, store, by=by)


def _record_all(
    player: str,
    answers: dict[About, str],
    day: datetime | None,
    store: Path | None,
    results: Path | None = None,
    roster: Path | None = None,
    *,
    by: str = "",
    role: str = "",
    advice: str = "",
    guardian: str = "",
) -> None:
    """Keep what was said, in a store that is made where there is none."""
    from faultml.care.record import record
    from faultml.care.statements import Statement, latest_day
    from faultml.cli.known import known_of_player
    from faultml.store import open_store, store_path

    today = date.today()
    body = known_of_player(player, results, roster, store).body(player)
    with open_store(store_path(store)) as opened:
        said = [
            Statement(
                player,
                about,
                day.date() if day else latest_day(about, today),
                value,
                by=by,
                role=role,
                advice=advice,
                guardian=guardian,
            )
            for about, value in answers.items()
        ]
        record(opened, said, body, today)
