"""What docs/own-steps.md shows runs as it stands."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

PAGE = (Path(__file__).parents[2] / "docs" / "own-steps.md").read_text(encoding="utf-8")
CODE = "\n".join(re.findall(r"^```python\n(.*?)^```", PAGE, re.M | re.S))


def test_a_pipeline_of_ones_own_is_trained_scored_by_golfer_and_used(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    found: dict[str, object] = {"__name__": "guide"}
    exec(compile(CODE, "own-steps.md", "exec"), found)
    shown = capsys.readouterr().out
    assert re.findall(r"^(\w+): own ([\d.]+), default ([\d.]+)$", shown, re.M)
    assert "guide.Widened" not in shown and "OwnProbabilities" in shown
    assert "'not_learned'" in shown and "'assessed'" in shown
