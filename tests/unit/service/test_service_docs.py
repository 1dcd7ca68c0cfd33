"""What is written about the service is so: OpenAPI as committed, every limit, route and option described."""

from __future__ import annotations

import json
import os
import re
from dataclasses import fields
from pathlib import Path

from faultml.cli import serve
from faultml.coaching.tables import DRILL_COLUMNS
from faultml.service import Limits, Settings, answers, create_app

ROOT = Path(__file__).parents[3]
PAGE = (ROOT / "docs" / "http.md").read_text(encoding="utf-8")


def test_openapi_is_as_committed() -> None:
    path = ROOT / "docs" / "openapi.json"
    document = json.dumps(create_app(Settings()).openapi(), indent=1, ensure_ascii=False) + "\n"
    if os.environ.get("UPDATE_OPENAPI"):
        path.write_text(document, encoding="utf-8")
    assert document == path.read_text(encoding="utf-8"), "on purpose? UPDATE_OPENAPI=1 writes it anew"


def test_every_limit_is_documented_with_its_default() -> None:
    for limit in fields(Limits):
        said = re.search(rf"^\| `{limit.name}` \| ([\d .]+) \|", PAGE, re.M)
        assert said and float(said[1].replace(" ", "")) == limit.default, limit.name
        assert limit.name in (Limits.__doc__ or "")


def test_every_route_is_documented() -> None:
    routes = create_app(Settings()).openapi()["paths"]
    document = [f"{method.upper()} {path}" for path, methods in routes.items() for method in methods]
    assert [each for each in document if f"`{each}`" not in PAGE] == []
    guide = PAGE + (serve.command.help or "")
    for option in (
        "--host",
        "--tokens",
        "--allow-host",
        "--results",
        "--store",
        "--log",
        "--metrics",
        "--spool",
    ):
        assert option in guide


def test_the_answers_have_the_columns_of_the_tables() -> None:
    table = [
        name for name in DRILL_COLUMNS if name != "note_data"
    ]  # the sentences of `notes` are enough there
    assert ["player", *answers.DRILL_COLUMNS] == table
