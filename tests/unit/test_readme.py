"""The pages explain every column and name every command, links lead somewhere, and the README's Python runs."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import click
import pytest

from faultml.cli import COMMANDS, main
from faultml.coaching.retest import COLUMNS as RETEST_COLUMNS
from faultml.coaching.tables import DRILL_COLUMNS, PLAYER_COLUMNS
from faultml.plan.table import PLANS
from faultml.recordings.roster import ROSTER_COLUMNS
from faultml.recordings.schema import KNOWN_COLUMNS
from faultml.results.columns import FAULTS, PROBLEMS, SWINGS

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def page(name: str) -> str:
    """A page of docs/."""
    return (ROOT / "docs" / name).read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "columns",
    [
        SWINGS,
        FAULTS,
        PROBLEMS,
        PLAYER_COLUMNS,
        DRILL_COLUMNS,
        RETEST_COLUMNS,
        PLANS,
        ROSTER_COLUMNS,
        KNOWN_COLUMNS,
    ],
)
def test_every_column_is_explained(columns: list[str]) -> None:
    explained = page("formats.md") if columns in (ROSTER_COLUMNS, KNOWN_COLUMNS) else page("columns.md")
    assert [name for name in columns if not re.search(rf"\b{name}\b", explained)] == []


def test_every_command_is_named() -> None:
    guide = (
        page("commands.md")
        + (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
        + (ROOT / "Makefile").read_text(encoding="utf-8")
    )
    assert [name for name in COMMANDS if f"faultml {name}" not in guide] == []


PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md"), *(ROOT / "models").glob("*.md")])


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#\s]+)[^)]*\)", page.read_text(encoding="utf-8")):
        assert "://" in target or (page.parent / target).exists(), target


LINE = re.compile(r"(?m)^    (?:\.venv/bin/)?faultml (.*?)(?:\s+#.*)?$")


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_command_lines_have_the_options_they_name(page: Path) -> None:
    """Parsed, not run: unknown commands and options, values that are missing, options that are needed."""
    for line in LINE.findall(page.read_text(encoding="utf-8").replace("\\\n", " ")):
        words, command = shlex.split(line), main
        context = click.Context(main)
        while isinstance(command, click.Group) and words and not words[0].startswith("-"):
            found = command.get_command(context, words.pop(0))
            assert found is not None, line
            command = found  # type: ignore[assignment]
        given = command.make_parser(click.Context(command)).parse_args(list(words))[0]
        needed = [each.name for each in command.params if isinstance(each, click.Option) and each.required]
        assert "--help" in words or set(needed) <= set(given), line


def test_the_python_of_the_readme_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from faultml.faults.catalogue import load_catalogue
    from faultml.recordings.write import write_season
    from faultml.synthetic.season import Recipe, draw_season

    monkeypatch.chdir(tmp_path)
    season = draw_season(load_catalogue(), Recipe(golfers=1, sessions=1, swings=3, seed=3))
    write_season(season.batch, Path("generated/season/season.parquet"))
    code = re.search(r"\n\n(    import faultml\n(?:    .*\n)+)", README)
    assert code is not None
    exec(re.sub(r"(?m)^    ", "", code[1]), {})
    assert Path("results/swings.parquet").exists()
