"""
The closure budget by hand
==========================

How much wrist bend and forearm roll turned the club about its own shaft, and when. It says who turned the face, never
where the face is: the sum depends on the path.
"""

# %%
# With ``k`` the angle from the forearm's line to the shaft, the club turns about its shaft at the rate (closing +)
# ``flexion rate * sin(k) - pronation rate * cos(flexion) * cos(k)``, where ``k`` is 55 degrees less the change of
# ulnar deviation since address (55 at address: common practice, no source).
import matplotlib.pyplot as plt
import numpy as np

import faultml
from faultml.faults.measure import PHASE_GRID
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import draw_season

drawn = draw_season(
    faultml.load_catalogue(), Recipe(golfers=2, sessions=1, swings=4, seed=8, non_swing_share=0)
)
known = faultml.assess_swings(drawn.batch)
row = int(np.flatnonzero(known.swings["assessed"])[0])
d_flexion, d_ulnar, d_pronation = drawn.phase_deg[row]
address = known.swings.loc[row, "address_flexion_deg"]

# %%
# Steps between neighbouring points of the phase grid, taken at their middle.
middle = lambda curve: 0.5 * (curve[1:] + curve[:-1])  # noqa: E731
k = np.radians(55.0 - middle(d_ulnar))
flexion = np.radians(middle(d_flexion) + address)
bend = np.diff(d_flexion) * np.sin(k)
roll = -np.diff(d_pronation) * np.cos(flexion) * np.cos(k)

# %%
# The budget adds them up by phase: backswing, downswing, and from impact to f 0.30.
ends = [0, *(int(np.abs(PHASE_GRID - at).argmin()) for at in (1.0, 2.0, 2.3))]
print("phase      bend    roll   degrees; what the classifier estimates in brackets")
for phase, first, last in zip(("backswing", "downswing", "release"), ends, ends[1:], strict=False):
    found = [known.swings.loc[row, f"closure_{phase}_{part}_deg"] for part in ("bend", "roll")]
    sums = [steps[first:last].sum() for steps in (bend, roll)]
    print(f"{phase:10s} {sums[0]:+.1f} ({found[0]:+.1f})  {sums[1]:+.1f} ({found[1]:+.1f})")

# %%
fig, ax = plt.subplots(figsize=(7, 3.2), layout="constrained")
ax.plot(PHASE_GRID[1:], np.cumsum(bend), label="bend")
ax.plot(PHASE_GRID[1:], np.cumsum(roll), label="roll")
ax.plot(PHASE_GRID[1:], np.cumsum(bend + roll), label="both", color="k")
for at, name in ((1, "top"), (2, "impact")):
    ax.axvline(at, color="0.7")
    ax.annotate(name, (at, 0), fontsize=8)
ax.set(xlabel="phase (0-1 backswing, 1-2 downswing, 2-3 after impact)", ylabel="closing +, degrees")
ax.legend(fontsize=8)

# %%
# The sum depends on the path: bow by 40 degrees where ``k`` is 90, unbow where it is 45. The wrist is back, the sum
# is not zero.
print(f"{40 * np.sin(np.radians(90)) - 40 * np.sin(np.radians(45)):+.1f} degrees")
