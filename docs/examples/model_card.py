"""
A model card read
=================

The figures of the card stand in the model's manifest, bound to the file by its hash. **All of them are synthetic.**
"""

# %%
# A bundle is data: its hash and the type of every tensor are checked before anything is built.
import matplotlib.pyplot as plt
import pandas as pd

import faultml

bundle = faultml.load_bundle()
manifest = bundle.manifest
print(manifest.name, manifest.version, manifest.sha256[:12], "seed", manifest.seed)

# %%
# Fault by fault, on 300 golfers not trained on, with contact marked and without.
marked = pd.DataFrame(manifest.figures["contact_marked"]["faults"]).T
not_marked = pd.DataFrame(manifest.figures["contact_not_marked"]["faults"]).T
print(list(marked.columns))
print(marked.iloc[:5, :6].to_string())

# %%
# What a contact mark is worth: without one, impact is inferred from the wrist alone.
precision = next(name for name in marked.columns if "precision" in name or name == "ap")
lost = (marked[precision].astype(float) - not_marked[precision].astype(float)).sort_values()
fig, ax = plt.subplots(figsize=(7, 4), layout="constrained")
ax.barh(lost.index, lost)
ax.set(xlabel="average precision lost without a contact mark (synthetic)")

# %%
# Are the probabilities honest? Of swings given a probability of about so much, that share should be a yes.
print(pd.DataFrame(manifest.figures["contact_not_marked"]["reliability"]).to_string(index=False))

# %%
# How much doubt unfamiliar golfers and sensors are given, and how many of their recordings are refused.
print(pd.DataFrame(manifest.evidence["risk_coverage"]).T[["refused", "mean_sd_softness"]])
