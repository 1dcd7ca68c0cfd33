"""Risk falls as the less sure answers are left out, where doubt is honest."""

from __future__ import annotations

from xml.etree import ElementTree

import numpy as np
import pytest

from faultml.pipelines.training.risk_coverage import COVERAGES, risk_by_coverage, risk_curve, risk_section
from faultml.pipelines.training.risk_figure import risk_figure


def test_honest_doubt_lowers_risk_with_every_answer_left_out() -> None:
    random = np.random.default_rng(0)
    chance = random.random(20_000)
    labels = (random.random(20_000) < chance).astype(float)
    labels[::50] = np.nan
    rows = risk_by_coverage(chance, labels)
    assert [row["coverage"] for row in rows] == list(COVERAGES)
    wrong = [row["wrong"] for row in rows]
    assert wrong == sorted(wrong, reverse=True) and abs(wrong[0] - 0.25) < 0.02
    text = risk_section({"everyday": {"refused": 0.01, "mean_sd_softness": 0.8, "risk": rows}})
    assert "| everyday | 1.0% | 0.80 | 2" in text and "synthetic" in text


def test_doubt_that_tells_nothing_lowers_no_risk() -> None:
    random = np.random.default_rng(1)
    chance, labels = random.random(20_000), random.integers(0, 2, 20_000).astype(float)
    wrong = [row["wrong"] for row in risk_by_coverage(chance, labels)]
    assert max(wrong) - min(wrong) < 0.02


def test_the_line_is_the_table_with_more_places_and_ends_where_answers_end() -> None:
    random = np.random.default_rng(2)
    chance = random.random((5000, 2))
    labels = (random.random(chance.shape) < chance).astype(float)
    labels[::7, 0] = np.nan
    table, line = risk_by_coverage(chance, labels), risk_curve(chance, labels, assessed=0.9)
    at = dict(zip(line["answered"], line["wrong"], strict=True))
    for row in table:
        assert at[round(0.9 * row["coverage"], 4)] == row["wrong"]
    assert max(at) == 0.9


def test_the_figure_stands_alone_and_draws_every_kind_of_golfer_to_its_scale() -> None:
    def kind(wrong: float, assessed: float) -> dict[str, object]:
        shares = np.linspace(0.1, 1, 10)
        return {"curve": {"answered": (assessed * shares).tolist(), "wrong": (wrong * shares**2).tolist()}}

    reported = {"everyday": kind(0.04, 1.0), "far": kind(0.08, 0.5), "noisy": kind(0.041, 1.0)}
    root = ElementTree.fromstring(risk_figure(reported))
    space = "{http://www.w3.org/2000/svg}"
    assert root.tag == f"{space}svg" and "synthetic" in "".join(root.itertext())
    words = {node.text: float(node.get("y", "nan")) for node in root.iter(f"{space}text")}
    assert {"everyday: 4.0%", "far: 8.0%", "noisy: 4.1%"} <= set(words)
    assert words["everyday: 4.0%"] - words["noisy: 4.1%"] >= 15, "labels do not lie on each other"
    lines = [node for node in root.iter(f"{space}path") if node.get("class") == "curve"]
    assert len({node.get("stroke-dasharray") for node in lines}) == 3
    ends = []
    for node in lines:
        start, steps = (node.get("d") or "").removeprefix("M").split("l")
        moves = np.array([int(n) for n in steps.replace("-", " -").split()]).reshape(-1, 2)
        ends.append((np.array(start.split(), dtype=int) + moves.sum(axis=0)) / 4)
    # Axes from the ticks: 0 % and 100 % below, 0 % and 8 % on the left.
    ticks = {
        (node.text, node.get("text-anchor")): (float(node.get("x", "0")), float(node.get("y", "0")))
        for node in root.iter(f"{space}text")
        if node.get("class") == "tick"
    }
    left, right = ticks["0%", "middle"][0], ticks["100%", "middle"][0]
    low, high = ticks["0%", "end"][1], ticks["8%", "end"][1]
    for (x, y), (answered, wrong) in zip(ends, ((1, 0.04), (0.5, 0.08), (1, 0.041)), strict=True):
        assert x == pytest.approx(left + answered * (right - left), abs=0.3)
        assert y == pytest.approx(low - 3.5 + wrong / 0.08 * (high - low), abs=0.3)
