"""Every command has its verb in Python: typed, documented in docs/python.md and called by what runs there."""

from __future__ import annotations

import inspect
import re
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from calibration_fakes import record_angles

import faultml
from faultml.cli import COMMANDS

PAGE = (Path(__file__).parents[2] / "docs" / "python.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```python\n(.*?)^```", PAGE, re.M | re.S)
ROWS = {
    command: re.findall(r"`(faultml\.[\w.]+)`", cells[1])
    for cells in re.findall(r"^\| (`.*?) \| (.*) \|$", PAGE, re.M)
    for command in re.findall(r"`([\w-]+)`", cells[0])
    if command != "command"
}
MINUTES = {"train", "models", "desk"}
"""Commands that take minutes, or until they are stopped: their verbs are stated and not called."""


def found(name: str) -> Any:
    """What a dotted name means."""
    parts = name.split(".")
    for end in range(len(parts), 0, -1):
        try:
            at = import_module(".".join(parts[:end]))
        except ModuleNotFoundError:
            continue
        for part in parts[end:]:
            at = getattr(at, part)
        return at
    raise AssertionError(name)


def test_every_command_has_its_row() -> None:
    assert set(ROWS) == set(COMMANDS), "a command is new or gone: its verbs go into docs/python.md"
    assert all(ROWS.values())


@pytest.mark.parametrize("name", sorted({name for names in ROWS.values() for name in names}))
def test_every_verb_is_typed_and_documented(name: str) -> None:
    verb = found(name)
    assert callable(verb) and len(inspect.getdoc(verb) or "") > 25
    signature = inspect.signature(verb)
    untyped = [
        each.name for each in signature.parameters.values() if each.annotation is inspect.Parameter.empty
    ]
    assert [each for each in untyped if each != "self"] == []
    assert inspect.isclass(verb) or signature.return_annotation is not inspect.Signature.empty


def test_every_verb_is_called_in_the_guide() -> None:
    called = set(re.findall(r"(\w+)\(|=page\.(\w+)", "\n".join(BLOCKS)))
    words = {word for pair in called for word in pair}
    verbs = {name for command, names in ROWS.items() if command not in MINUTES for name in names}
    assert [name for name in sorted(verbs) if name.rpartition(".")[2] not in words] == []


def test_public_names_are_documented() -> None:
    for name in faultml.__all__:
        assert len(getattr(faultml, name).__doc__) > 40, name
        assert f"faultml.{name}" in PAGE, name


def test_the_guide_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    recorded = record_angles(np.random.default_rng(1), 10.0)
    angles = dict(zip(("flexion_deg", "ulnar_deg", "pronation_deg"), recorded.angles_deg, strict=True))
    pd.DataFrame({"t_s": recorded.t_s, **angles}).to_csv("calibration.csv", index=False)
    names: dict[str, Any] = {}
    for block in BLOCKS:
        exec(compile(block, "docs/python.md", "exec"), names)
    said = capsys.readouterr().out
    assert "flexed_top" in said and "bad-layout nowhere.toml" in said
    assert names["imported"].n_sound and names["cut"].n_swings and abs(names["alignment"].turn_deg - 10) < 2
    assert names["run"].n_assessed and names["watch"].compared
    given = [each.given.player for each in names["givings"]]
    assert len(given) > 1 and list(names["drills"]["player"]) == given[:-1]
    assert len(BLOCKS) >= 9
