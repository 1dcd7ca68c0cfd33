"""``faultml layout propose`` and ``check``, as a person meets them."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import stranger_files as strangers
from click.testing import CliRunner

from faultml.cli import main


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    drawn = strangers.draw_swings(8, 4, 5, rate_hz=120.0)
    sound = [swing for swing in drawn if np.isfinite(swing.angles_deg).all()]
    return strangers.motion_file(tmp_path_factory.mktemp("recordings"), sound[6])


def test_propose_answer_and_check(recording: Path, tmp_path: Path) -> None:
    out, runner = tmp_path / "recorder.toml", CliRunner()
    result = runner.invoke(main, ["layout", "propose", str(recording), "--out", str(out)])
    assert result.exit_code == 0, result.output
    assert "worn.hand: Does the golfer play right- or left-handed" in result.output

    again = runner.invoke(main, ["layout", "propose", str(recording), "--out", str(out)])
    assert again.exit_code == 2
    assert "--force replaces it" in again.output

    unanswered = runner.invoke(main, ["layout", "check", str(out), str(recording)])
    assert unanswered.exit_code == 2
    assert "worn.hand" in unanswered.output

    text = out.read_text(encoding="utf-8").replace('hand = "?"', 'hand = "left"')
    out.write_text(text, encoding="utf-8")
    right = runner.invoke(main, ["layout", "check", str(out), str(recording)])
    assert right.exit_code == 0, right.output
    assert "falls (hinges) going back, as it should" in right.output

    out.write_text(text.replace('positive = "ulnar"', 'positive = "radial"'), encoding="utf-8")
    turned = runner.invoke(main, ["layout", "check", str(out), str(recording)])
    assert turned.exit_code == 1  # its one swing would be refused
    assert "RISES going back" in turned.output
    assert "0 of 1 can be assessed; 1 sign-suspected" in turned.output

    bowed = text.replace('positive = "flexion"', 'positive = "extension"')
    assert bowed != text
    out.write_text(bowed, encoding="utf-8")
    turned = runner.invoke(main, ["layout", "check", str(out), str(recording)])
    assert turned.exit_code == 3
    assert "is the sign right?" in turned.output


def test_the_same_for_programs(recording: Path) -> None:
    result = CliRunner().invoke(main, ["layout", "propose", str(recording), "--json"])
    assert json.loads(result.output)["open"] == ["worn.hand"]
