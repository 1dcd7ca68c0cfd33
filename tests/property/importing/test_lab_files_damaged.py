"""Files of laboratories with bytes changed, cut off or made up: blocks or a typed error, and nothing else."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from stranger_files import Swing
from stranger_kinds import c3d_points, feather, hdf5, json_lines

from faultml.errors import FaultmlError
from faultml.importing.layout import FileLayout
from faultml.importing.readers import read_blocks

MAKERS = {"jsonl": json_lines, "feather": feather, "hdf5": hdf5, "c3d": c3d_points}
LIBRARIES = {"hdf5": "h5py", "c3d": "c3d"}


@lru_cache
def sample(reader: str) -> bytes:
    t_s = np.arange(60) / 100
    swing = Swing(t_s, np.stack([np.sin(t_s), np.cos(t_s), t_s]) * 30, 0.4, "g")
    with TemporaryDirectory() as folder:
        return MAKERS[reader](Path(folder), [swing]).read_bytes()


@pytest.mark.parametrize("reader", list(MAKERS))
@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_damaged_files_give_blocks_or_a_typed_error(reader: str, data: st.DataObject) -> None:
    if reader in LIBRARIES:
        pytest.importorskip(LIBRARIES[reader])
    content = bytearray(sample(reader))
    how = data.draw(st.sampled_from(["changed", "cut", "made up"]))
    if how == "changed":
        for at in data.draw(st.lists(st.integers(0, len(content) - 1), min_size=1, max_size=8)):
            content[at] = data.draw(st.integers(0, 255))
    elif how == "cut":
        content = content[: data.draw(st.integers(0, len(content)))]
    else:
        content = bytearray(data.draw(st.binary(max_size=600)))
    with TemporaryDirectory() as folder:
        path = Path(folder) / "a"
        path.write_bytes(content)
        try:
            for block in read_blocks(path, FileLayout(reader)):
                assert len(block.lines) == len(block.table)
        except FaultmlError:
            pass
