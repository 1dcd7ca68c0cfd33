from __future__ import annotations

import re
from importlib import resources
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest

from faultml.drawings.corridor import corridor_for
from faultml.drawings.traces import Traces, shot_group, stack
from faultml.faults.catalogue import load_catalogue
from faultml.report.charts import (
    PhaseClosure,
    SessionPoint,
    Share,
    address_drift,
    closure_budget,
    practice_window,
    trend,
    whisker,
)
from faultml.report.evidence import evidence_for
from faultml.report.figures import angle_angle, channel_curves

GOOD = ("straight", "draw", "fade")
CORRIDOR = corridor_for(load_catalogue(), "")


def made_traces(groups: list[str], clubs: list[str] | None = None, *, pronation: bool = True) -> Traces:
    phase = np.linspace(0, 3, 61)
    shape = np.stack([30 * np.sin(phase), -30 * np.sin(phase * np.pi / 2), 20 * np.cos(phase)])
    curves = shape + np.arange(len(groups))[:, None, None]
    if not pronation:
        curves[:, 2] = np.nan
    return Traces(phase, curves, np.array(groups, object), np.array(clubs or [""] * len(groups), object))


def elements(svg: str, name: str) -> list[ElementTree.Element]:
    return [
        each for each in ElementTree.fromstring(svg).iter() if name in each.attrib.get("class", "").split()
    ]


@pytest.mark.parametrize(
    ("words", "group"),
    [
        (["straight"], "straight"),
        (["draw"], "straight"),
        (["push", "hook"], "miss"),
        (["top"], "miss"),
        ([], "unknown"),
        (None, "unknown"),
    ],
)
def test_a_ball_is_straight_a_miss_or_not_recorded(words: list[str] | None, group: str) -> None:
    assert shot_group(words, GOOD) == group


def test_rows_on_another_grid_are_read_at_the_longest_ones_phases() -> None:
    rows = pd.DataFrame(
        {
            "phase": [[0.0, 1.0, 2.0], [0.0, 0.5, 1.0, 1.5, 2.0], [0.0, 0.5, 1.0]],
            "flexion_deg": [[0.0, 10.0, 20.0], [0.0, 5.0, 10.0, 15.0, 20.0], [0.0, 4.0, 8.0]],
            "ulnar_deg": [[0.0, 1.0, 2.0], [0.0, 0.0, 0.0, 0.0, 4.0], [1.0, 1.0, 1.0]],
            "pronation_deg": [None, [1.0] * 5, []],
            "shot": [["straight"], [], ["hook"]],
            "club": ["driver", None, "7-iron"],
        }
    )
    traces = stack(rows, GOOD)
    assert traces.curves_deg[:2, 0].tolist() == [[0, 5, 10, 15, 20]] * 2
    assert traces.curves_deg[2, 0, :3].tolist() == [0, 4, 8] and np.isnan(traces.curves_deg[2, 0, 3:]).all()
    assert np.isnan(traces.curves_deg[[0, 2], 2]).all()
    assert traces.club.tolist() == ["driver", "", "7-iron"]
    assert traces.groups() == ["straight", "miss", "unknown"]
    assert traces.at(0.75)[:, 0].tolist() == [7.5, 7.5, 6.0]
    assert np.isnan(traces.at(2.5)).all()


def test_a_median_needs_three_swings() -> None:
    assert np.isnan(made_traces(["miss"] * 2).median()).all()
    traces = made_traces(["miss"] * 3)
    assert np.allclose(traces.median(), traces.curves_deg[1])


def test_the_angle_angle_diagram_has_one_scale_for_both_angles() -> None:
    svg = angle_angle(made_traces(["straight"] * 4), CORRIDOR)
    boxes = [
        {key: float(each.attrib[key]) for key in ("x", "y", "width", "height")}
        for each in elements(svg, "corridor")
    ]
    top, impact = boxes  # 45 degrees of bend by 30 of hinge; 40 by 28
    assert top["width"] / 45 == pytest.approx(top["height"] / 30, abs=0.02)
    assert impact["width"] / 40 == pytest.approx(impact["height"] / 28, abs=0.02)
    assert impact["y"] < top["y"] and impact["x"] > top["x"]


def test_miss_and_straight_differ_in_more_than_colour() -> None:
    svg = angle_angle(made_traces(["straight"] * 3 + ["miss"] * 3), CORRIDOR)
    assert len(elements(svg, "trace")) == 8  # six swings and two medians
    style = resources.files("faultml.report").joinpath("templates/style.css").read_text(encoding="utf-8")
    assert re.search(r"\.trace\.miss \{ stroke-dasharray", style)


def test_curves_leave_out_a_channel_that_was_not_recorded() -> None:
    svg = channel_curves(made_traces(["unknown"] * 3, pronation=False), CORRIDOR, "label")
    assert "forearm roll" not in svg and "wrist bend" in svg and "wrist hinge" in svg
    assert "roll_over" not in svg and "bowed top +25°" in svg


def test_every_edge_of_a_recorded_channel_is_drawn_and_named() -> None:
    svg = channel_curves(made_traces(["unknown"] * 3), CORRIDOR, "label")
    edges = [edge for band in CORRIDOR for edge in band.edges()]
    assert len(elements(svg, "edge")) == len(edges) == len(elements(svg, "outside"))
    assert all(edge.name in svg for edge in edges)


@pytest.mark.parametrize(
    ("clubs", "panels"),
    [
        (["driver"] * 4, ["Driver: 4 swings"]),
        (["driver"] * 3 + ["7-iron"] * 2, ["Driver: 3 swings", "7-iron: 2 swings"]),
        (
            ["a"] * 4 + ["b"] * 3 + ["c"] * 2 + ["d"] * 2,
            ["A: 4 swings", "B: 3 swings", "Other clubs: 4 swings"],
        ),
        (["a", "b", "c"], ["A, B, C: 3 swings"]),
    ],
)
def test_curves_come_by_club(clubs: list[str], panels: list[str]) -> None:
    evidence = evidence_for(made_traces(["unknown"] * len(clubs), clubs), CORRIDOR, np.array([-20.0, 5, 10]))
    assert [
        panel.caption.removesuffix(", bold the median of three or more.") for panel in evidence.curves
    ] == panels


def test_the_landmark_table_holds_relative_and_absolute_angles() -> None:
    evidence = evidence_for(made_traces(["unknown"] * 3), CORRIDOR, np.array([-20.0, 5, np.nan]))
    rows = {row.name: row.cells for row in evidence.landmarks}
    bend = 30 * np.sin(1.0) + 1
    assert rows["top"][0] == (f"+{bend:.0f}° ± 1", f"+{bend - 20:.0f}°")
    assert rows["address"][0] == ("0°", "−20°") and rows["top"][2][1] == "–"


def test_a_whisker_stands_where_its_share_is() -> None:
    svg = ElementTree.fromstring(whisker(Share(0.5, 0.25, 1.0), filled=True, label="half"))
    circle = next(each for each in svg.iter() if each.tag.endswith("circle"))
    line = next(each for each in svg if each.attrib.get("class") == "whisker")
    assert float(circle.attrib["cx"]) == 66
    assert line.attrib["d"].startswith("M36.0 5") and "H126.0" in line.attrib["d"]


def test_bend_and_roll_point_to_their_own_side() -> None:
    svg = closure_budget([PhaseClosure("backswing", 20, 5, -10, np.nan)], "label")
    (bend,), (roll,) = elements(svg, "bend"), elements(svg, "roll")
    zero = float(bend.attrib["x"])
    assert float(roll.attrib["x"]) + float(roll.attrib["width"]) == pytest.approx(zero, abs=0.1)
    assert float(bend.attrib["width"]) == pytest.approx(2 * float(roll.attrib["width"]), abs=0.2)
    assert "roll not recorded" in closure_budget([PhaseClosure("backswing", 20, 5, np.nan, np.nan)], "label")


def test_a_retest_and_a_lesson_can_be_reported_on_the_trend() -> None:
    points = [
        SessionPoint("s1", (Share(0.8, 0.6, 0.9), None), np.array([-20, 5, np.nan]), False),
        SessionPoint("s2", (Share(0.2, 0.1, 0.4), Share(0.5, 0.3, 0.7)), np.array([-26, 5, np.nan]), True),
    ]
    svg = trend(points, ["a", "b"], [1], "label")
    assert len(elements(svg, "mark")) == 3 and len(elements(svg, "open")) == 2 and "lesson" in svg
    drift = address_drift(points, (8, 32), "label")
    assert len(elements(drift, "mark")) == 4 and len(elements(drift, "corridor")) == 1


def test_the_window_shows_where_the_player_is() -> None:
    words = {"zero": "setup", "ends": ("cupped", "bowed"), "label": "label"}
    svg = practice_window(12, "below", now_deg=37.0, edge_deg=25.0, **words)
    assert all(word in svg for word in ("below +12°", "setup", "now", "edge", "bowed"))
    (box,), (now,) = elements(svg, "window"), elements(svg, "mark")
    right = float(box.attrib["x"]) + float(box.attrib["width"])
    at = float(re.match(r"M([\d.]+)", now.attrib["d"])[1])  # type: ignore[index]
    assert at > right, "the player lies outside"
    other = practice_window(12, "above", now_deg=37.0, edge_deg=None, **words)
    (box,) = elements(other, "window")
    assert float(box.attrib["x"]) == pytest.approx(right, abs=60) and float(box.attrib["x"]) < at
    assert "now" not in practice_window(12, "below", now_deg=None, edge_deg=None, **words)
