"""
A first season
==============

A season is drawn, classified, and read back as tables.
"""

# %%
# A season is a Parquet file or folder with a row a swing. Here it is generated; your own comes from
# ``faultml.import_season`` (see :ref:`sphx_glr_docs_gallery_recorder_files.py`).
import tempfile
from pathlib import Path

import faultml
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import draw_season

folder = Path(tempfile.mkdtemp())
drawn = draw_season(faultml.load_catalogue(), Recipe(golfers=3, sessions=2, swings=6, seed=3))
faultml.write_season(drawn.batch, folder / "season" / "season.parquet")
drawn.roster.to_csv(folder / "season" / "roster.csv", index=False)

# %%
# One call assesses every swing and writes the tables. One bad swing or file never stops it.
run = faultml.classify_season(folder / "season", folder / "results")
print(run.n_assessed, "of", run.n_swings, "swings assessed; exit code", run.exit_code)

# %%
# One drill a player is the one to work on next (rank 1). Rank 0 means none, with the reason.
results = faultml.read_results(folder / "results")
print(results.drills[["player", "rank", "drill", "confidence", "care", "reason"]].to_string(index=False))

# %%
# Every swing and fault has a probability, a call and an estimate of the fault's measure with its SD.
columns = ["swing", "fault", "probability", "call", "measure", "measure_sd", "unit"]
print(results.faults.query("flagged")[["player", *columns]].head(8).to_string(index=False))

# %%
# Whether these recordings are like what the model has learned from is stated too.
for recorder in faultml.read_watch(results.run).recorders:
    print(recorder.rate_hz, "Hz:", recorder.says or "like what the model knows")
