"""Commands of care state where they wrote, and what they did not read."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from faultml.cli.players_care import hurts, says_none


def test_hurts_names_its_store(tmp_path: Path) -> None:
    store = tmp_path / "store.sqlite"
    ran = CliRunner().invoke(hurts, ["p1", "--store", str(store)])
    assert ran.exit_code == 0 and str(store) in ran.output and "other folders" in ran.output


@pytest.mark.parametrize("options", [[], ["--practised"]])
def test_practice_without_results_says_that_no_roster_was_read(tmp_path: Path, options: list[str]) -> None:
    ran = CliRunner().invoke(says_none, ["p1", *options, "--store", str(tmp_path / "store.sqlite")])
    assert ran.exit_code == 0 and "No roster was read" in ran.output
