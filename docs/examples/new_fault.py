"""
A new fault
===========

A fault is data: which statistic of which angle, between which moments, on which side of which edge. Before one goes
into the catalogue it is looked at on many swings.
"""

# %%
# Moments are ``b`` (backswing), ``d`` (downswing) and ``f`` (after impact). This one asks how far the forearm
# rolls closed from the middle of the downswing to impact.
import tempfile
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np

import faultml
from faultml.faults.catalogue import Fault, Measure
from faultml.faults.measure import evaluate
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import draw_season

late_roll = Fault(
    id="late_roll",
    name="late roll",
    words="most of the forearm's roll comes in the last half of the downswing",
    measure=Measure(stat="change", channel="pronation_deg", start="d0.5", end="d1.0"),
    side="below",
    edge=-45.0,
    phase="downswing",
    face="closes",
    ball="hook, or held off later",
    mimics=("soft tissue under the sensor",),
)

# %%
# The generator keeps every swing's true curves on the phase grid, so the measure can be read without any error.
catalogue = faultml.load_catalogue()
drawn = draw_season(catalogue, Recipe(golfers=40, sessions=1, swings=5, seed=12, non_swing_share=0))
value = evaluate(late_roll.measure, drawn.phase_deg)
shown = late_roll.sign * (value - late_roll.edge) > 0
players = drawn.truth["player"].to_numpy()
print(
    f"{np.isfinite(value).sum()} swings measured; past the edge: {shown.mean():.0%} of the swings, "
    f"at least once in {len(set(players[shown]))} of {len(set(players))} golfers"
)

# %%
# An edge in the thick of the distribution flags ordinary swings, and one beyond it nobody. More than a quarter of the
# swings is too many: a stricter edge, or a second condition (a ``guard``), is needed.
fig, ax = plt.subplots(figsize=(7, 3), layout="constrained")
ax.hist(value[np.isfinite(value)], bins=30, color="0.7")
ax.axvline(late_roll.edge, color="C3")
ax.set(xlabel="change of pronation d 0.5 to d 1.0, degrees", ylabel="generated swings", title=late_roll.name)

# %%
# What it says beyond the faults there are: a measure that goes with another is no new fault. This one mostly repeats
# the roll-over, so it would have to be shown to matter by itself first.
others = {name: drawn.truth[f"measure_{name}"].to_numpy(float) for name in catalogue.ids}
ok = np.isfinite(value)
goes_with = {
    name: np.corrcoef(value[ok & np.isfinite(other)], other[ok & np.isfinite(other)])[0, 1]
    for name, other in others.items()
}
for name, r in sorted(goes_with.items(), key=lambda pair: -abs(pair[1]))[:3]:
    print(f"{name}: r = {r:+.2f}")

# %%
# To adopt it: its entry in ``faults/catalogue.toml``, a pattern in ``synthetic/patterns.toml``, two drills in
# ``coaching/rules.toml``, words in ``report/text.toml``, then ``make train`` (:doc:`/DEVELOPERS`). Tests name what
# is missing. An **edge** of your own needs no training, only a file:
edges = Path(tempfile.mkdtemp()) / "edges.toml"
edges.write_text(
    'owner = "Tarnholt Academy"\n[[edge]]\nfault = "flexed_top"\nvalue = 30.0\nplayer = "p001"\n'
)
moved = faultml.load_catalogue(edges)
print(
    [
        (moved.edge("flexed_top", player).value, moved.edge("flexed_top", player).owner)
        for player in ("p001", "p002")
    ]
)
