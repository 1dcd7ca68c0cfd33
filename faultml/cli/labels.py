"""``faultml labels``: a coach's verdicts, kept, compared with others, and which swings to judge next."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from faultml.store import Store

MAX_SHOWN = 10

STORE = click.option(
    "--store",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The coach's store.  [default: FAULTML_STORE, else faultml-store.sqlite]",
)
CHECKED = click.option(
    "--results",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="What classify left: each swing and fault must be in it.",
)


@click.group(short_help="Keep a coach's verdicts, and choose the next.")
def command() -> None:
    """Keep a coach's verdicts on swings, compare them with others', and choose the swings to judge next.

    \b
    Example:
      faultml labels next results/ --csv to_judge.csv
      faultml labels import to_judge.csv --coach ann --results results/
      faultml labels agree --results results/
    """


@command.command("add", short_help="Add one verdict.")
@click.argument("player")
@click.argument("session")
@click.argument("swing")
@click.argument("fault")
@click.argument("verdict", type=click.Choice(["yes", "no", "unsure", "retract"]))
@click.option("--coach", required=True, metavar="NAME", help="Who says so.")
@click.option("--severity", type=float, metavar="X", help="How far past the edge, in the fault's unit.")
@click.option("--occasion", default="1", show_default=True, help="Another one where asked again on purpose.")
@click.option("--when", default="", metavar="DATE", help="When it was said, UTC.  [default: now]")
@click.option("--comment", default="", help="In words.")
@CHECKED
@STORE
def add_verdict(
    player: str,
    session: str,
    swing: str,
    fault: str,
    verdict: str,
    coach: str,
    severity: float | None,
    occasion: str,
    when: str,
    comment: str,
    results: Path | None,
    store: Path | None,
) -> None:
    """Add a verdict: whether SWING of PLAYER in SESSION shows FAULT.

    A later verdict of the same coach holds instead of an earlier one, which stays on record; retract takes it back.

    \b
    Example:
      faultml labels add p07 2031-04-05 012 flip yes --coach ann --severity 6
    """
    from faultml.labels import Verdict, add
    from faultml.results import read_results

    given = Verdict(
        player, session, swing, fault, verdict, coach, severity, "", occasion, when, comment
    )  # fmt: skip
    with _opened(store) as opened:
        added = add(opened, [given], results=read_results(results) if results else None)
    click.echo("Kept." if added.added else "That is what already holds.")


@command.command("import", short_help="Take in a sheet of verdicts.")
@click.argument("sheet", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.option("--coach", default="", metavar="NAME", help="Who filled it in, where a row does not say.")
@click.option("--occasion", default="", help="Which occasion, where a row does not say.  [default: 1]")
@click.option("--keep-good", is_flag=True, help="Take the good rows where others are wrong.")
@CHECKED
@STORE
def import_sheet(
    sheet: Path, coach: str, occasion: str, keep_good: bool, results: Path | None, store: Path | None
) -> None:
    """Take in SHEET (CSV): player, session, swing, fault and verdict; further columns as export writes them.

    Where a row is wrong nothing is taken in, unless asked otherwise; rows without a verdict are passed over.

    \b
    Exit codes: 0 done, 2 wrong use or a wrong row, 3 done but for wrong rows (--keep-good).

    \b
    Example:
      faultml labels import to_judge.csv --coach ann --results results/
    """
    from faultml.labels import import_verdicts
    from faultml.results import read_results

    with _opened(store) as opened:
        done = import_verdicts(
            opened,
            sheet,
            coach=coach,
            occasion=occasion,
            keep_good=keep_good,
            results=read_results(results) if results else None,
        )
    for problem in done.problems[:MAX_SHOWN]:
        click.echo(f"{sheet}: {problem}", err=True)
    if len(done.problems) > MAX_SHOWN:
        click.echo(f"and {len(done.problems) - MAX_SHOWN} more", err=True)
    if done.problems and not keep_good:
        click.echo("Nothing was taken in.", err=True)
        sys.exit(2)
    click.echo(f"{done.added} verdicts kept, {done.already} known already, {done.blank} rows not filled in.")
    sys.exit(3 if done.problems else 0)


@command.command("export", short_help="Write the verdicts as a sheet.")
@click.argument("sheet", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--history", is_flag=True, help="Every verdict ever given, not only those that hold.")
@STORE
def export_sheet(sheet: Path, history: bool, store: Path | None) -> None:
    """Write the verdicts that hold to SHEET (CSV), which import reads back the same.

    \b
    Example:
      faultml labels export verdicts.csv
    """
    from faultml.labels import export_verdicts

    with _opened(store, create=False) as opened:
        n = export_verdicts(opened, sheet, history=history)
    click.echo(f"{n} verdicts: {sheet}")


@command.command("others", short_help="Faults that the catalogue lacks, as coaches named them.")
@click.option(
    "--csv", "sheet", type=click.Path(path_type=Path, dir_okay=False), help="Also write every one as a sheet."
)
@STORE
def show_others(sheet: Path | None, store: Path | None) -> None:
    """List the faults that coaches named under "something else" on the desk, how often, and what it would take to
    learn each.

    \b
    Example:
      faultml labels others --csv others.csv
    """
    from faultml.labels.other import export_others, named_faults, named_line

    with _opened(store, create=False) as opened:
        named = named_faults(opened)
        n = export_others(opened, sheet) if sheet else 0
    click.echo("\n".join(map(named_line, named)) or "No fault was named outside the catalogue.")
    if sheet:
        click.echo(f"{n} swings: {sheet}")


@command.command("agree", short_help="How far coaches, and the tool, agree.")
@click.option(
    "--results",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="What classify left: the tool's side.",
)
@click.option("--json", "as_json", is_flag=True, help="The same as JSON, for other programs.")
@STORE
def show_agreement(results: Path | None, as_json: bool, store: Path | None) -> None:
    """Compare each coach with the tool, with each other coach, and with themselves when asked again. Answers that were
    changed after the tool's opinion had been shown are left out.

    \b
    Example:
      faultml labels agree --results results/
    """
    from faultml.labels import agreement, verdicts
    from faultml.labels.lines import agreement_lines
    from faultml.labels.rules import load_label_rules
    from faultml.results import read_results

    with _opened(store, create=False) as opened:
        given = verdicts(opened)
    table = agreement(given, read_results(results) if results else None)
    if as_json:
        click.echo(table.to_json(orient="records", double_precision=15, force_ascii=False))
    else:
        click.echo("\n".join(agreement_lines(table, load_label_rules())))


@command.command("next", short_help="The swings to judge next.")
@click.argument("results", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option(
    "--coach", default="", metavar="NAME", help="Who is to judge.  [default: anybody's verdict counts]"
)
@click.option("--swings", type=click.IntRange(1, 1000), help="How many.  [default: 12]")
@click.option("--repeat", is_flag=True, help="Swings this coach has judged once, to be judged again unseen.")
@click.option(
    "--csv", "sheet", type=click.Path(path_type=Path, dir_okay=False), help="Write a sheet to be filled in."
)
@STORE
def show_next(
    results: Path, coach: str, swings: int | None, repeat: bool, sheet: Path | None, store: Path | None
) -> None:
    """List the swings of RESULTS whose verdict would teach the most; what the tool thinks of them is not shown.

    \b
    Example:
      faultml labels next results/ --coach ann --csv to_judge.csv
    """
    import pandas as pd

    from faultml.faults.catalogue import load_catalogue
    from faultml.labels import next_swings, repeat_swings, verdicts, write_blank
    from faultml.labels.choose import REPEAT_OCCASION
    from faultml.labels.lines import next_lines
    from faultml.labels.rules import load_label_rules
    from faultml.labels.verdict import FIRST_OCCASION
    from faultml.results import read_results

    if repeat and not coach:
        raise click.UsageError("--repeat needs --coach")
    with _opened(store) as opened:
        given = verdicts(opened, coach=coach or None)
    wanted = swings or load_label_rules().next.swings
    if repeat:
        rows = repeat_swings(given, coach, swings=wanted)
        rows = rows.groupby(["player", "session", "swing"], sort=False)["fault"].agg(tuple).reset_index()
        table = pd.DataFrame(
            rows.assign(rank=range(1, len(rows) + 1), club="", faults=rows["fault"], why="once more, unseen")
        )
    else:
        table = next_swings(read_results(results), given, swings=wanted)
    click.echo("\n".join(next_lines(table, load_catalogue())))
    if sheet is not None:
        each = (
            table.drop(columns="fault", errors="ignore").explode("faults").rename(columns={"faults": "fault"})
        )
        write_blank(each, sheet, coach=coach, occasion=REPEAT_OCCASION if repeat else FIRST_OCCASION)
        click.echo(f"To be filled in: {sheet}")


@command.command("promise", short_help="What verdicts show of the flags on your own golfers.")
@click.argument(
    "results", nargs=-1, required=True, type=click.Path(path_type=Path, exists=True, file_okay=False)
)
@click.option("--coach", required=True, metavar="NAME", help="Whose verdicts.")
@click.option(
    "--adaptation",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="The coach adaptation that RESULTS were made with: whom it has learned from is left out.",
)
@click.option(
    "--model",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="Folder of another model than the one that comes along.",
)
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="A file for classify --promise.")
@STORE
def show_promise(
    results: tuple[Path, ...],
    coach: str,
    adaptation: Path | None,
    model: Path | None,
    out: Path | None,
    store: Path | None,
) -> None:
    """Hold the flags in RESULTS against COACH's verdicts: is at most the promised share of them wrong?

    On generated golfers that is shown beforehand. On a coach's own it is an estimate until some 55 of them are judged.
    Judge swings as they come, or picked by chance: those of labels next are picked because they are hard to call.
    Answers that were changed after the tool's opinion had been shown are left out.

    \b
    Example:
      faultml labels promise results/ --coach ann --out ann-promise.json
      faultml classify season/ --out results/ --promise ann-promise.json
    """
    from faultml.classifier.bundle import load_bundle
    from faultml.classifier.coach_adaptation import load_adaptation
    from faultml.faults.catalogue import load_catalogue
    from faultml.pipelines.retraining.own_promise import encode, learn_own_promise, report_lines
    from faultml.results import read_results

    learned, catalogue = load_adaptation(adaptation) if adaptation else (None, load_catalogue())
    with _opened(store, create=False) as opened:
        tables = [read_results(each) for each in results]
        own = learn_own_promise(opened, coach, tables, load_bundle(model), catalogue, learned)
    if out:
        out.parent.mkdir(parents=True, exist_ok=True)
        out.write_bytes(encode(own))
    click.echo("\n".join(report_lines(own)))


def _opened(given: Path | None, *, create: bool = True) -> Store:
    """The store, made where there is none, and reported then."""
    from faultml.store import open_store, store_path

    store = open_store(store_path(given), create=create)
    if store.is_new:
        click.echo(f"A new store: {store.path}", err=True)
    return store
