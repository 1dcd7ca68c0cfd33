from __future__ import annotations

import json
from pathlib import Path
from typing import get_args

import pandas as pd
import pytest
from click.testing import CliRunner, Result
from recorder_files import layout_of, recorder_table, write_recorder
from season_fakes import fake_season, write_parquet

from faultml.cli import main
from faultml.cli.check import LACKS
from faultml.importing.layout_toml import write_layout
from faultml.recordings.findings import Need, findings


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["check", *map(str, arguments)])


def season(*, flipped: int = 0) -> pd.DataFrame:
    frame = fake_season(4, address_s=0.8)
    frame["ulnar_deg"] = [-flat if at < flipped else flat for at, flat in enumerate(frame["ulnar_deg"])]
    return frame


def test_a_clean_season_says_what_was_checked_and_what_could_not_be(tmp_path: Path) -> None:
    result = run(write_parquet(season(), tmp_path / "a.parquet"))
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith("4 of 4 recordings can be assessed.")
    passed, not_applicable = result.stdout.split("Not applicable here")
    assert "dead-channel" in passed and "Not assessed because of" not in passed
    assert "inconsistent-rows (no CSV rows)" in " ".join(not_applicable.split())
    assert "dead-channel" not in not_applicable


def test_every_need_of_a_check_has_its_words() -> None:
    assert set(LACKS) == set(get_args(Need))


def test_what_is_found_says_where_and_what_it_means(tmp_path: Path) -> None:
    (tmp_path / "notes.docx").write_text("hello")
    write_parquet(season(flipped=2), tmp_path / "a.parquet")
    result = run(tmp_path)
    assert result.exit_code == 3
    assert "notes.docx:not-a-season-file" in "".join(result.stdout.split())
    assert "sign-suspected, 2 swings: ulnar deviation turns the wrong way" in result.stdout
    assert "first p1 2026-05-01 001" in result.stdout and "docs/findings.md#sign-suspected" in result.stdout
    assert "The swing is not" in result.stdout


def test_nothing_to_assess_is_another_exit_code(tmp_path: Path) -> None:
    assert run(write_parquet(season(flipped=4), tmp_path / "a.parquet")).exit_code == 1


def test_the_same_as_json(tmp_path: Path) -> None:
    result = run(write_parquet(season(flipped=1), tmp_path / "a.parquet"), "--json")
    reported = json.loads(result.stdout)
    assert (reported["swings"], reported["assessed"], reported["exit_code"]) == (
        4,
        3,
        3,
    ) and result.exit_code == 3
    checks = {line["code"]: line for line in reported["checks"]}
    assert list(checks) == list(findings())
    assert checks["sign-suspected"]["status"] == "found" and checks["sign-suspected"]["swings"] == 1
    assert checks["field-count"]["status"] == "not-applicable" and checks["gap"]["status"] == "passed"


def test_what_an_import_leaves_out_is_still_reported(tmp_path: Path) -> None:
    layout = layout_of(arm="right", hand="right")
    (tmp_path / "l.toml").write_text(write_layout(layout))
    path = write_recorder(recorder_table(season(), layout), tmp_path / "a.csv", layout)
    result = run(path, "--layout", tmp_path / "l.toml")
    assert result.exit_code == 1 and "trail-arm" in result.stdout.split("Checked")[0]


def test_any_recorders_file_by_its_layout(tmp_path: Path) -> None:
    layout = layout_of(unit="rad", positive=("extension", "radial", "supination"))
    (tmp_path / "l.toml").write_text(write_layout(layout))
    path = write_recorder(recorder_table(season(flipped=1), layout), tmp_path / "a.csv", layout)
    result = run(path, "--layout", tmp_path / "l.toml", "--json")
    reported = json.loads(result.stdout)
    assert result.exit_code == 3 and reported["assessed"] == 3
    checks = {line["code"]: line for line in reported["checks"]}
    assert checks["sign-suspected"]["swings"] == 1
    assert checks["trail-arm"]["status"] == "passed", "with a layout it is known which arm it is"
    assert "faultml-check-" not in result.stdout, "where a copy stood for a moment helps nobody"


@pytest.mark.parametrize("code", findings())
def test_every_code_is_explained(code: str) -> None:
    result = run("--explain", code)
    assert result.exit_code == 0
    assert result.stdout.startswith(f"{code} ({findings()[code].severity})")
    assert f"docs/findings.md#{code}" in result.stdout


def test_wrong_use() -> None:
    assert run().exit_code == 2
    result = run("--explain", "sign-suspect")
    assert result.exit_code == 2 and "Did you mean 'sign-suspected'?" in result.output


def test_a_check_counts_the_swings_it_could_be_made_on(tmp_path: Path) -> None:
    frame = season()
    frame["pronation_deg"] = [None, *frame["pronation_deg"][1:]]
    reported = json.loads(run(write_parquet(frame, tmp_path / "a.parquet"), "--json").stdout)
    checks = {line["code"]: line for line in reported["checks"]}
    assert checks["pronation-missing"]["swings"] == 1
    assert checks["pronation-unusable"]["checked"] == 3
