"""The shock of contact beside the rule that published detectors of strokes go by.

Ebner & Findling 2019 (17th International Conference on Advances in Mobile Computing and Multimedia; its abstract was
read, its DOI is not verified) find tennis strokes by "peak detection with thresholding and windowing on the derivative
of sensed acceleration". The rule is restated in `faultml.pipelines.benchmarks.contact` with `scipy.signal.find_peaks`.
"""

from __future__ import annotations

import numpy as np
import pytest

from faultml.pipelines.benchmarks.contact import marks_of, peaks_of
from faultml.synthetic.contact import ContactRecorder, draw_shocks

RECORDER = ContactRecorder(800.0, 400.0)
THRESHOLD_MPS3 = 20_000.0


@pytest.mark.parametrize("ringing", ["dead", "middle"])
def test_both_find_the_contacts_and_ours_dates_them_no_worse(ringing: str) -> None:
    drawn = draw_shocks(60, "contact", ringing, "cosh", RECORDER, np.random.default_rng(8))
    ours, peaks = marks_of(drawn, "axes"), peaks_of(drawn, THRESHOLD_MPS3)
    assert ours.recall > 0.4 and peaks.recall > 0.7
    assert np.median(np.abs(ours.off_s)) < np.median(np.abs(peaks.off_s))
    assert ours.within(800.0) >= max(0.97, peaks.within(800.0))


def test_neither_finds_one_in_a_rehearsal_and_the_rule_is_misled_by_the_ground() -> None:
    random = np.random.default_rng(9)
    still = draw_shocks(40, "rehearsal", "dead", "bell", RECORDER, random)
    assert marks_of(still, "axes").recall == peaks_of(still, THRESHOLD_MPS3).recall == 0
    fat = draw_shocks(40, "fat", "middle", "bell", RECORDER, random)
    assert marks_of(fat, "axes").recall <= 0.15 < 0.7 < peaks_of(fat, THRESHOLD_MPS3).recall
    assert peaks_of(fat, THRESHOLD_MPS3).within(800.0) < 0.6
