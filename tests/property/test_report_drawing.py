"""Whatever the input, what is drawn is well formed, says the same text and stays where it belongs."""

from __future__ import annotations

import unicodedata
from xml.etree import ElementTree

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from faultml.report.text import LONGEST_ID, degrees, shown
from faultml.svg import TRACE_SCALE, Drawing, Scale, trace_path

PIXELS = st.lists(st.one_of(st.floats(-2000, 2000), st.just(float("nan"))), max_size=40)


@given(st.text(max_size=200))
def test_shown_text_is_visible_bounded_and_settled(text: str) -> None:
    seen = shown(text)
    assert len(seen) <= LONGEST_ID
    assert not {unicodedata.category(char) for char in seen} & {"Cc", "Cf", "Cs", "Co"}
    assert shown(seen) == seen


@given(st.text(max_size=80))
def test_text_in_a_figure_comes_back_as_it_went(text: str) -> None:
    safe = shown(text)
    drawing = Drawing(10, 10, safe)
    drawing.text(0, 0, safe, class_=safe)
    root = ElementTree.fromstring(drawing.markup())
    (label,) = list(root)
    # A figure without a sentence is decoration to a screen reader.
    sentence = root.attrib["aria-label"] if safe else ""
    assert (label.text or "") == safe and sentence == label.attrib["class"]


@given(PIXELS)
def test_a_trace_has_every_finite_point_that_has_a_neighbour(values: list[float]) -> None:
    y = np.array(values)
    path = trace_path(np.arange(len(y)), y)
    steps = sum(len(run.split("l")[1].replace("-", " -").split()) // 2 for run in path.split("M")[1:])
    finite = np.isfinite(y)
    assert steps == int((finite[1:] & finite[:-1]).sum())


@given(st.lists(st.floats(-500, 500), min_size=2, max_size=30))
def test_a_trace_does_not_drift(values: list[float]) -> None:
    y = np.array(values)
    numbers = trace_path(np.zeros(len(y)), y).replace("-", " -").replace("l", " ").removeprefix("M").split()
    end = (int(numbers[1]) + sum(map(int, numbers[3::2]))) / TRACE_SCALE
    assert abs(end - y[-1]) <= 0.5 / TRACE_SCALE + 1e-9


@given(st.floats(-200, 200), st.floats(1, 200), st.floats(0, 1))
def test_a_scale_keeps_proportion(lo: float, length: float, share: float) -> None:
    scale = Scale(lo, lo + length, 300, 20)
    assert abs(scale(lo + share * length) - (300 - 280 * share)) < 1e-6


@given(st.floats(-400, 400))
def test_numbers_are_said_without_a_computer_in_them(angle: float) -> None:
    assert "nan" not in degrees(angle) and "-" not in degrees(angle) and degrees(angle).endswith("°")
