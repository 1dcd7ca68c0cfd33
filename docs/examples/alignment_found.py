"""
How the sensor sits on the arm
==============================

A sensor turned about the forearm mixes the wrist's two angles. Three movements at a session's start show the turn
(:doc:`/docs/alignment`).
"""

# %%
# A recording of the movements: 2 s still, then the wrist bent to and fro. The sensor sits turned by 12 degrees, so
# that some of the bend reads as ulnar deviation that is not there.
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

import faultml

turned_deg, random = 12.0, np.random.default_rng(2)
t_s = np.arange(0, 12, 0.01)
bend_deg = 40 * np.sin(np.pi * np.clip(t_s - 2, 0, 8))
read = pd.DataFrame(
    {
        "t_s": t_s,
        "flexion_deg": bend_deg * np.cos(np.radians(turned_deg)),
        "ulnar_deg": bend_deg * np.sin(np.radians(turned_deg)),
    }
)
read[["flexion_deg", "ulnar_deg"]] += random.normal(0, 0.5, (len(read), 2))
folder = Path(tempfile.mkdtemp())
read.to_csv(folder / "calibration.csv", index=False)
print(f"largest ulnar deviation read: {read['ulnar_deg'].max():.1f} degrees; true: 0")

# %%
# A layout of the recorder says what its columns mean.
layout_file = folder / "recorder.toml"
layout_file.write_text(
    """
schema = 1
[file]
reader = "text"
[time]
column = "t_s"
unit = "s"
[angles.flexion]
column = "flexion_deg"
unit = "deg"
positive = "flexion"
[angles.ulnar]
column = "ulnar_deg"
unit = "deg"
positive = "ulnar"
[worn]
arm = "lead"
[ids]
player = "p001"
session = "2031-05-01"
[swings]
split = "stream"
"""
)
alignment = faultml.calibrate(folder / "calibration.csv", faultml.load_layout(layout_file), arm="left")
print(f"turn that takes it out: {alignment.turn_deg:.1f} degrees, SD {alignment.mounting_sd_deg:.1f}")
