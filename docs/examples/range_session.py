"""
A whole range session in one file
=================================

A recorder that ran all the time is cut into swings: address and finish are kept whole, and what was left out is said.
"""

# %%
# Two minutes of a generated session: swings, waggles and walking, on one clock.
import tempfile
from pathlib import Path

import faultml
from faultml.streams.cut import Ids
from faultml.synthetic.range_session import draw_range_session, write_stream

folder = Path(tempfile.mkdtemp())
catalogue = faultml.load_catalogue()
pieces = draw_range_session(catalogue, 9001, duration_s=120.0, rate_hz=100.0, contact_mark=True)
write_stream(pieces, folder / "range.csv", "p001", "2031-05-01")

# %%
cut = faultml.cut_season([folder / "range.csv"], folder / "season")
print(cut.n_swings, "full swings; exit code", cut.exit_code)
print((folder / "season" / "_cuts.csv").read_text()[:600])

# %%
# As the samples come in, block by block.
blocks = (piece.block for piece in draw_range_session(catalogue, 9001, duration_s=60.0))
for cuts in faultml.cut_stream(blocks, Ids("p001", "2031-05-02")):
    print(len(cuts.batch), "swings;", cuts.table["kind"].value_counts().to_dict())
