"""What is written about the service is so: OpenAPI as committed, every limit, route and option told, examples run."""

from __future__ import annotations

import json
import os
import re
from dataclasses import fields
from pathlib import Path

import pytest

import faultml
from faultml.cli import serve
from faultml.coaching.prescribe import DRILL_COLUMNS
from faultml.service import Limits, Settings, answers, create_app

ROOT = Path(__file__).parents[3]
PAGE = (ROOT / "docs" / "http.md").read_text(encoding="utf-8")


def test_openapi_is_as_committed() -> None:
    path = ROOT / "docs" / "openapi.json"
    told = json.dumps(create_app(Settings()).openapi(), indent=1, ensure_ascii=False) + "\n"
    if os.environ.get("UPDATE_OPENAPI"):
        path.write_text(told, encoding="utf-8")
    assert told == path.read_text(encoding="utf-8"), "on purpose? UPDATE_OPENAPI=1 writes it anew"


def test_every_limit_is_told_with_its_default() -> None:
    for limit in fields(Limits):
        said = re.search(rf"^\| `{limit.name}` \| ([\d .]+) \|", PAGE, re.M)
        assert said and float(said[1].replace(" ", "")) == limit.default, limit.name
        assert limit.name in (Limits.__doc__ or "")


def test_every_route_is_told() -> None:
    routes = create_app(Settings()).openapi()["paths"]
    told = [f"{method.upper()} {path}" for path, methods in routes.items() for method in methods]
    assert [each for each in told if f"`{each}`" not in PAGE] == []
    guide = PAGE + (serve.command.help or "")
    for option in ("--host", "--token-file", "--allow-host", "--results", "--store", "--log"):
        assert option in guide


def test_the_answers_have_the_columns_of_the_tables() -> None:
    assert ["player", *answers.DRILL_COLUMNS] == DRILL_COLUMNS


def test_public_names_are_there_and_documented() -> None:
    guide = (ROOT / "docs" / "python.md").read_text(encoding="utf-8")
    for name in faultml.__all__:
        assert len(getattr(faultml, name).__doc__) > 40, name
        assert f"faultml.{name}" in guide, name


def test_the_python_of_the_guide_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from faultml.faults.catalogue import load_catalogue
    from faultml.recordings.write import write_season
    from faultml.synthetic.recipe import Recipe
    from faultml.synthetic.season import draw_season

    monkeypatch.chdir(tmp_path)
    drawn = draw_season(load_catalogue(), Recipe(golfers=2, sessions=2, swings=4, seed=3))
    write_season(drawn.batch, Path("generated/season/season.parquet"))
    names: dict[str, object] = {}
    page = (ROOT / "docs" / "python.md").read_text(encoding="utf-8")
    blocks = re.findall(r"^```python\n(.*?)^```", page, re.M | re.S)
    assert len(blocks) >= 5
    for block in blocks:
        exec(compile(block, "docs/python.md", "exec"), names)
    assert "flexed_top" in capsys.readouterr().out
