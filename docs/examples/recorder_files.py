"""
A recorder's files
==================

A layout says once how a recorder writes. It is proposed from a file; what the file does not tell is asked.
"""

# %%
# This file has other names, radians, and extension positive.
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

import faultml
from faultml.importing.propose.check import check_layout
from faultml.importing.propose.proposal import as_toml, propose_layout
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import draw_season

folder = Path(tempfile.mkdtemp())
drawn = draw_season(
    faultml.load_catalogue(), Recipe(golfers=1, sessions=1, swings=4, seed=3, non_swing_share=0)
)
rows = []
for swing in range(len(drawn.batch)):
    n = int(drawn.batch.n_samples[swing])
    flexion, ulnar, pronation = np.radians(drawn.batch.angles_deg[swing, :, :n])
    ids = drawn.batch.table.iloc[swing]
    rows.append(
        pd.DataFrame(
            {
                "Golfer": ids["player"],
                "Day": ids["session"],
                "Shot": ids["swing"],
                "Time [ms]": 1000 * drawn.batch.t_s[swing, :n],
                "Wrist extension [rad]": -flexion,
                "Ulnar deviation [rad]": ulnar,
                "Forearm pronation [rad]": pronation,
            }
        )
    )
recorded = folder / "monday.csv"
pd.concat(rows).to_csv(recorded, index=False)
print(recorded.read_text()[:240])

# %%
# Each guess has its reason, and what cannot be guessed stays a ``"?"``.
proposal = propose_layout([recorded])
text = as_toml(proposal)
print(text)
print("asked:", [question.path for question in proposal.questions])

# %%
# Here the lead arm carries the recorder, and the golfer plays right-handed. An import with an open question is refused.
layout_file = folder / "recorder.toml"
layout_file.write_text(text.replace('arm = "?"', 'arm = "lead"').replace('hand = "?"', 'hand = "right"'))
layout = faultml.load_layout(layout_file)
print("the signs fit a full swing:", check_layout(layout, layout_file, recorded).signs_fit)

# %%
# Every later file of this recorder comes in by one call.
imported = faultml.import_season([recorded], layout, folder / "season")
print(imported.n_sound, "sound swings of", imported.players)

# %%
# What is to be trusted is said before anything is concluded: findings have a code, a severity and a meaning
# (:doc:`/docs/findings`).
assessor = faultml.Assessor(faultml.load_bundle(), faultml.load_catalogue())
for line in faultml.check_season(faultml.open_season([folder / "season"]), assessor).lines:
    if line.status == "found":
        print(line.finding.code, line.swings, line.finding.means)
