"""
One swing explained
===================

From samples in memory to landmarks, curves and probabilities, and to every number behind a player's drill.
"""

# %%
# ``assess_swings`` takes mappings, a pandas or Arrow table, or a batch. Angles are degrees of the lead wrist.
import tempfile
from pathlib import Path

import matplotlib.pyplot as plt

import faultml
from faultml.coaching.explain import decode, explain_player
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import draw_season

catalogue = faultml.load_catalogue()
drawn = draw_season(
    catalogue, Recipe(golfers=2, sessions=1, swings=6, seed=8, non_swing_share=0, clean_share=0)
)
batch, row = drawn.batch, 0
n = int(batch.n_samples[row])
swing = {
    "t_s": batch.t_s[row, :n],
    "flexion_deg": batch.angles_deg[row, 0, :n],
    "ulnar_deg": batch.angles_deg[row, 1, :n],
    "pronation_deg": batch.angles_deg[row, 2, :n],
}
known = faultml.assess_swings([swing])
landmarks = known.swings.loc[0, ["takeaway_s", "top_s", "impact_s", "finish_s"]].astype(float)
print(landmarks)

# %%
fig, ax = plt.subplots(figsize=(8, 3.5), layout="constrained")
for name in ("flexion_deg", "ulnar_deg", "pronation_deg"):
    ax.plot(swing["t_s"], swing[name], label=name)
for name, at in landmarks.items():
    ax.axvline(at, color="0.6", linewidth=0.8)
    ax.annotate(str(name)[:-2], (at, ax.get_ylim()[1]), rotation=90, va="top", fontsize=8)
ax.set(xlabel="time, s", ylabel="angle, degrees", title="A generated swing and its landmarks")
ax.legend(fontsize=8)

# %%
# What is likeliest to be seen in it, with the measure, the catalogue's edge and how surely the measure is known.
columns = ["fault", "probability", "call", "measure", "measure_sd", "edge", "onset_phase", "onset_at"]
print(known.faults.sort_values("probability", ascending=False)[columns].head(5).to_string(index=False))

# %%
# A drill rests on a season, never on one swing. ``explanations.json`` holds every factor of the ranking.
folder = Path(tempfile.mkdtemp())
faultml.write_season(batch, folder / "season" / "season.parquet")
faultml.classify_season(folder / "season", folder / "results")
explanations = decode((folder / "results" / "explanations.json").read_bytes())
why = explain_player(explanations, sorted(explanations)[0])
print("leading:", why.leading or "none", "| styles:", why.styles, "| setup:", why.setup_deg)
for option in why.options[:3]:
    print(option)
