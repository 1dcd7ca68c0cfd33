"""
A coach's labels
================

Verdicts are kept in the coach's store, compared with the tool, and turned into an adaptation where it pays.
"""

# %%
# A season, classified. The simulated coach calls a bowed top 10 degrees later than the catalogue, and says so of
# every assessed swing.
import tempfile
from pathlib import Path

import faultml
from faultml.labels import Verdict, add, agreement, next_swings, verdicts
from faultml.pipelines.retraining.retrain import retrain
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import draw_season

folder = Path(tempfile.mkdtemp())
catalogue, bundle = faultml.load_catalogue(), faultml.load_bundle()
drawn = draw_season(catalogue, Recipe(golfers=24, sessions=1, swings=8, seed=5, clean_share=0))
faultml.write_season(drawn.batch, folder / "season" / "season.parquet")
faultml.classify_season(folder / "season", folder / "results")
results = faultml.read_results(folder / "results")

fault = catalogue["flexed_top"]
ids = ["player", "session", "swing"]
true_deg = drawn.truth.set_index(ids)["measure_flexed_top"].dropna()
seen = results.faults.query("fault == 'flexed_top' and status == 'assessed'").set_index(ids).index
given = [
    Verdict(*swing, "flexed_top", "yes" if true_deg[swing] > fault.edge + 10 else "no", "ann")
    for swing in seen.intersection(true_deg.index)
]

# %%
# Nothing is overwritten in the store: a later verdict stands beside the earlier one.
with faultml.open_store(folder / "store.sqlite") as store:
    print(add(store, given, results=results))
    held = verdicts(store)
    learned = retrain(store, "ann", [results], bundle, catalogue, folder / "ann")
print(agreement(held, results)[["against", "fault", "swings", "golfers", "agree", "kappa", "note"]].head(3))

# %%
# Which swings would teach most next, of those that nobody has judged.
print(next_swings(results, held, swings=3)[["player", "session", "swing", "faults", "why"]])

# %%
# What was learned is tried on golfers held out in turn, and is not used where it does not pay.
print("\n".join(learned.lines))
