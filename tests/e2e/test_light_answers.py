"""Swings are assessed without the packages that only learning needs: they cost seconds before the first answer."""

from __future__ import annotations

import subprocess
import sys

import pytest

HEAVY = (
    "sklearn",
    "skops",
    "joblib",
    "scipy.stats",
    "scipy.spatial",
    "scipy.optimize",
    "threadpoolctl",
    "tsfresh",
)

ASSESS = """
import sys
import numpy as np
import faultml

t_s = np.arange(0, 2.5, 0.005)
swing = {"t_s": t_s, "flexion_deg": 30 * np.sin(3 * t_s), "ulnar_deg": 20 * np.sin(3 * t_s)}
answered = faultml.assess_swings([swing])
assert len(answered.faults)
print(*(name for name in sys.argv[1:] if name in sys.modules))
"""


@pytest.mark.parametrize("code", [ASSESS], ids=["assess_swings"])
def test_nothing_that_only_learns_is_imported(code: str) -> None:
    done = subprocess.run([sys.executable, "-c", code, *HEAVY], capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == []
