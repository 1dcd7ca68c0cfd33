"""The command line: one module a command, imported when it is used, so that ``--help`` answers at once."""

from __future__ import annotations

from importlib import import_module
from typing import Final

import click

from faultml import __version__
from faultml.errors import FaultmlError

COMMANDS: Final = {
    "demo": "Make a season, classify it and write its report.",
    "desk": "Open the page on which a coach does everything.",
    "classify": "Find faults and drills in a season of recordings.",
    "layout": "Propose a layout for a recorder's files, or check one.",
    "import": "Read any recorder's files into a season.",
    "cut": "Cut range sessions into swings.",
    "check": "Say what is wrong with recordings, and what it means.",
    "align": "Find how the sensors sit on the arm, from three movements.",
    "report": "Write the season as offline pages.",
    "card": "Write a player's practice card, one page to print.",
    "assign": "Note that a player was given a drill.",
    "practice": "Rehearse a drill with a sensor, or judge a recording.",
    "practised": "Note what a player has practised.",
    "baseline": "Note a moved sensor or a new grip.",
    "plan": "Say which drill each player is on, and why.",
    "outcomes": "Did it work? What each drill changed.",
    "labels": "Keep a coach's verdicts, and choose the next.",
    "names": "Two spellings of one player, merged or parted.",
    "landmarks": "List, export or take back landmarks a coach moved.",
    "timing": "Learn golfers' timing from marked swings.",
    "retrain": "Learn a coach adaptation from their verdicts.",
    "explain": "Show every number behind one player's drill.",
    "catalogue": "Print faults and drills as the coach reads them.",
    "simulate": "Make a season of generated golfers.",
    "players": "What a player says of pain; export or forget one.",
    "store": "Look after the coach's store.",
    "serve": "Answer other programs over HTTP.",
    "token": "Make and remove tokens of serve.",
    "train": "Train the default model from a seed.",
    "models": "Keep models, and promote the better one.",
}
"""Every command in the order a coach meets them, with its line of help; for its module see `module_of`."""

_OTHER_MODULES: Final = {"import": "import_season"}
"""Commands whose name cannot be a module's."""

WRONG_USE: Final = 2


def module_of(name: str) -> str:
    """The module of a command: of the same name where Python allows it, with ``_`` for ``-``."""
    return f"faultml.cli.{_OTHER_MODULES.get(name, name.replace('-', '_'))}"


class _Refusal(click.ClickException):
    """One of our typed errors, shown as one message without a traceback."""

    exit_code = WRONG_USE


class LazyGroup(click.Group):
    """A group whose commands are imported only when one of them is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of `COMMANDS`."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of that name, from its module."""
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = import_module(module_of(cmd_name)).command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The list of commands, without importing any of them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def invoke(self, ctx: click.Context) -> object:
        """Run a command; a typed error becomes one clean message on stderr and exit code 2."""
        try:
            return super().invoke(ctx)
        except FaultmlError as error:
            raise _Refusal(str(error)) from error


@click.group(
    "faultml",
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, prog_name="faultml")
def main() -> None:
    """Find lead-wrist swing faults in a season of recordings, and the one drill to work on next.

    \b
    Example:
      faultml classify season/ --out results/
      faultml explain --player p07 results/
    """
