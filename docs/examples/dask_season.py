"""
A season on Dask
================

The same partitions run in one process, in several, or on a Dask cluster, and the tables are equal.

A cluster of one worker on the loopback stands for a real one, which is spoken to behind TLS only
(:doc:`/docs/large-seasons`). Needs ``pip install 'faultml[cluster]'``.
"""

# %%
import logging
import tempfile
from pathlib import Path

import pandas as pd
from distributed import LocalCluster

import faultml
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import draw_season

logging.getLogger("distributed").setLevel(logging.ERROR)
folder = Path(tempfile.mkdtemp())
catalogue = faultml.load_catalogue()
drawn = draw_season(catalogue, Recipe(golfers=3, sessions=2, swings=5, seed=6))
faultml.write_season(drawn.batch, folder / "season" / "season.parquet")

# %%
# Partitions hold about 4,000 swings; here 8, so that there are several.
faultml.classify_season(folder / "season", folder / "here", on="here", partition_swings=8)
with LocalCluster(
    n_workers=1,
    threads_per_worker=1,
    processes=False,
    protocol="tcp",
    host="127.0.0.1",
    dashboard_address=None,
) as cluster:
    faultml.classify_season(
        folder / "season", folder / "dask", on=cluster.scheduler_address, partition_swings=8
    )

for name in ("swings", "faults", "players", "drills"):
    here, dask = (faultml.read_results(folder / place).frame(name) for place in ("here", "dask"))
    pd.testing.assert_frame_equal(here, dask)
    print(name, len(here), "rows, equal")

# %%
# One partition by itself, for a scheduler of one's own: rows in, tables and sums out.
season = faultml.open_season([folder / "season"])
assessor = faultml.Assessor(faultml.load_bundle(), catalogue)
for fragment in season.fragments(swings=8):
    part = faultml.assess_partition(fragment, folder / "parts", assessor=assessor, repeats=season.repeats)
    print(part.place, part.n_assessed, "assessed")
