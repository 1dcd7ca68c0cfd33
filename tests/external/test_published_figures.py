"""Published and derived figures of facts.md that something here must agree with, each with its source beside it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from season_fakes import fake_swing, write_parquet
from sklearn.metrics import cohen_kappa_score

from faultml.channels import CHANNELS
from faultml.faults.catalogue import Catalogue
from faultml.faults.measure import PHASE_GRID, evaluate, phase_times
from faultml.recordings.read import open_season
from faultml.synthetic.coach import Coach

FASTEST_DPS = 2413.0
"""Mean peak rate of the shaft in professionals' downswings: Zheng 2008, Int J Sports Med 29:487-493."""


def recorded_release(peak_dps: float, limit_dps: float) -> dict[str, object]:
    """A swing whose ulnar deviation is released at a peak rate, through a gyroscope that stops at a limit."""
    swing = fake_swing(rate_hz=500.0)
    t_s = np.asarray(swing["t_s"])
    rate_dps = peak_dps * np.exp(-(((t_s - 1.35) / 0.012) ** 2)) + 15 * np.sin(4 * t_s)
    swing["ulnar_deg"] = (-30 + np.cumsum(np.clip(rate_dps, -limit_dps, limit_dps)) / 500).astype(np.float32)
    return {"player": "p1", "session": "s", "swing": "001", **swing}


@pytest.mark.parametrize(
    ("peak_dps", "limit_dps", "clips"),
    [(FASTEST_DPS, 2000.0, True), (FASTEST_DPS, np.inf, False), (1085.0, 2000.0, False)],
)
def test_a_fast_release_on_a_slow_gyroscope_is_clipping(
    tmp_path: Path, peak_dps: float, limit_dps: float, clips: bool
) -> None:
    """facts.md, check 5: 2413 deg/s against a 2000 deg/s range; the wrist's own mean of 1085 (Zheng 2008) is not."""
    season = pd.DataFrame([recorded_release(peak_dps, limit_dps)])
    (batch,) = open_season([write_parquet(season, tmp_path / "season.parquet")]).batches()
    assert batch.table["reason"].tolist() == [""]
    assert ("clipping" in batch.table["findings"][0]) is clips


def test_two_coaches_with_lapses_agree_as_derived(catalogue: Catalogue) -> None:
    """facts.md, check 6: 15 % lapses at a prevalence of 0.3: kappa 0.447 between coaches, 0.66 against the truth."""
    random = np.random.default_rng(6)
    coach = Coach(np.zeros(len(catalogue.ids)), lapse_rate=0.15)
    edges = np.array([fault.edge for fault in catalogue.faults])
    # Far from every edge, so that nothing but the lapses is unsure.
    truth = random.random((12_000, len(edges))) < 0.3
    measures = edges + catalogue.signs * catalogue.softness_by_fault * np.where(truth, 12, -12)
    guards = np.full((len(truth), sum(fault.guard is not None for fault in catalogue.faults)), -60.0)
    first, second = (coach.label(catalogue, measures, guards, random).ravel() for _ in range(2))
    assert cohen_kappa_score(first, second) == pytest.approx(0.447, abs=0.01)
    assert cohen_kappa_score(first, truth.ravel()) == pytest.approx(0.66, abs=0.01)


def test_a_timing_error_is_an_angle_error(catalogue: Catalogue) -> None:
    """facts.md, Time: at 1085 deg/s (Zheng 2008), 5 ms are 5.4 degrees and 10 ms 10.9, read off measured curves."""
    t_s = np.arange(0, 2, 0.005)
    ulnar = np.clip((t_s - 1.0) * 1085, -60, 200)
    for late_s, error_deg in ((0.005, 5.4), (0.010, 10.9)):
        landmarks_s = np.array([[0.0, 0.75, 1.0 + late_s, 1.5]])
        at_phases = np.zeros((1, len(CHANNELS), len(PHASE_GRID)))
        at_phases[0, 1] = np.interp(phase_times(landmarks_s)[0], t_s, ulnar)
        held = evaluate(catalogue["held_hinge"].measure, at_phases)
        assert held[0] == pytest.approx(error_deg, abs=0.06)
