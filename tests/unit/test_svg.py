from __future__ import annotations

from xml.etree import ElementTree

import numpy as np
import pytest

from faultml.svg import TRACE_SCALE, Drawing, Scale, padded_range, trace_path


def walk(path: str) -> list[list[tuple[int, int]]]:
    """Read relative path data back into absolute quarter pixels, one list a run."""
    runs = []
    for run in path.split("M")[1:]:
        start, steps = run.split("l")
        x, y = map(int, start.split())
        numbers = [int(number) for number in steps.replace("-", " -").split()]
        points = [(x, y)]
        for dx, dy in zip(numbers[::2], numbers[1::2], strict=True):
            x, y = x + dx, y + dy
            points.append((x, y))
        runs.append(points)
    return runs


def test_a_scale_maps_its_ends_and_knows_its_ticks() -> None:
    scale = Scale(-30, 50, 200, 40)
    assert (scale(-30), scale(50), scale(10)) == (200, 40, 120)
    assert scale.ticks(20) == [-20, 0, 20, 40]
    assert scale.clip(99) == 50


def test_a_trace_keeps_its_points_to_a_quarter_pixel() -> None:
    x, y = np.linspace(10, 300, 40), 100 + 50 * np.sin(np.linspace(0, 6, 40))
    (points,) = walk(trace_path(x, y))
    back = np.array(points) / TRACE_SCALE
    assert np.abs(back - np.column_stack([x, y])).max() <= 0.5 / TRACE_SCALE


def test_a_gap_breaks_a_trace_and_a_lone_point_is_no_line() -> None:
    y = np.array([1.0, 2, np.nan, 3, np.nan, 4, 5, 6])
    assert [len(run) for run in walk(trace_path(np.arange(8.0), y))] == [2, 3]
    assert trace_path(np.arange(3.0), np.full(3, np.nan)) == ""


def test_whatever_is_drawn_is_well_formed_and_escaped() -> None:
    nasty = "\"'><script>alert(1)</script>&"
    drawing = Drawing(100, 50, nasty)
    drawing.text(1, 2, nasty, class_=nasty)
    drawing.mark("cross", 5, 5)
    drawing.mark("diamond", 5, 5)
    drawing.rect(9, 9, 3, 4)
    root = ElementTree.fromstring(drawing.markup())
    assert root.attrib["aria-label"] == nasty
    assert root[0].text == nasty
    assert not [element for element in root.iter() if element.tag.endswith("script")]
    assert root[-1].attrib | {"x": "3", "y": "4", "width": "6", "height": "5"} == root[-1].attrib


@pytest.mark.parametrize("value", [0.04, -0.04, 0.5, -0.5, 12, -120.26, 100.0])
def test_coordinates_are_short_and_right(value: float) -> None:
    drawing = Drawing(10, 10, "")
    drawing.line(value, 0, 1, 1)
    path = ElementTree.fromstring(drawing.markup())[0].attrib["d"]
    assert float(path[1:].split()[0]) == pytest.approx(value, abs=0.051)


def test_a_range_is_whole_steps_around_everything_finite() -> None:
    assert padded_range([np.nan, -3, 41], (-10, 10), 10) == (-10, 50)
    assert padded_range([], (-10, 10), 10) == (-10, 10)
