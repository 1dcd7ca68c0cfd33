"""
Did it work?
============

Half of a generated group gets a drill that takes 8 degrees off a bowed top. Players are picked as a coach picks
them: when they look worst. So a plain before-and-after difference flatters any drill.
"""

# %%
# ``changes`` needs the season's sums: counts, means and squares a player, session and fault. Results hold them
# (``faultml.coaching.summary.read_summary``); here they are made, so that the true change is known.
import numpy as np
import pandas as pd

import faultml
from faultml.coaching.rules import load_coaching
from faultml.outcomes.effects import drill_effects

catalogue = faultml.load_catalogue()
random = np.random.default_rng(4)
players, sessions, swings, true_change = 12, 8, 10, -8.0
fault = catalogue["flexed_top"]

level = fault.edge + random.normal(0, 8, players)[:, None] + random.normal(0, 3, (players, sessions))
noise = random.normal(0, 4, (players, sessions, swings))
looked = level[:, 3] + noise[:, 3].mean(axis=1)
picked = np.argsort(-looked)[:6]
level[picked, 4:] += true_change
measure = level[:, :, None] + noise

rows = [
    {
        "player": f"p{player:02d}",
        "session": f"2031-03-{1 + 3 * session:02d}",
        "context": "play",
        "fault": fault.id,
        "n": float(swings),
        "p": float((measure[player, session] > fault.edge).sum()),
        "n_measured": float(swings),
        "measure": measure[player, session].sum(),
        "measure2": (measure[player, session] ** 2).sum(),
    }
    for player in range(players)
    for session in range(sessions)
]
given = pd.DataFrame(
    {"player": [f"p{player:02d}" for player in picked], "drill": "pause_then_go", "fault": fault.id}
).assign(since="2031-03-10")

# %%
# ``allowance`` is the luck in having looked bad; ``trend`` is what changed in players without the drill.
table = faultml.changes(pd.DataFrame(rows), given, catalogue)
columns = ["player", "verdict", "change", "change_lo", "change_hi", "smallest", "allowance", "trend"]
print(table[columns].round(1).to_string(index=False))

plain = (measure[picked, 4:].mean(axis=(1, 2)) - looked[picked]).mean()
print(
    f"true change {true_change:.1f}; plain difference {plain:.1f}; estimate {table['change'].mean():.1f} degrees"
)

# %%
# What the drill has brought so far, drawn toward its mechanism while few players have tried it.
print(drill_effects(table, load_coaching(catalogue).serving, catalogue))

# %%
# Where everybody has the drill a drift of the whole group cannot be told from its effect: nothing is claimed.
everybody = pd.DataFrame({"player": [f"p{player:02d}" for player in range(players)]}).assign(
    drill="pause_then_go", fault=fault.id, since="2031-03-10"
)
print(faultml.changes(pd.DataFrame(rows), everybody, catalogue)["verdict"].value_counts())
