"""A tally of watched features as JSON, as a part keeps it."""

from __future__ import annotations

from collections import Counter

import msgspec
import numpy as np

from faultml.quality.watch import Recorder, Tally


class _Counts(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    recorder: tuple[int, bool, bool]
    shape: tuple[int, int]
    counts: list[int]
    players: dict[str, int]


def encode_tally(tally: Tally) -> bytes:
    """The tally as JSON."""
    rows = [
        _Counts(
            (recorder.rate_hz, recorder.marked, recorder.forearm),
            (counts.shape[0], counts.shape[1]),
            counts.ravel().tolist(),
            tally.players[recorder],
        )
        for recorder, counts in sorted(tally.counts.items())
    ]
    return msgspec.json.encode(rows)


def decode_tally(content: bytes) -> Tally:
    """What `encode_tally` wrote; raises `msgspec.MsgspecError` where it is something else."""
    tally = Tally()
    for row in msgspec.json.decode(content, type=list[_Counts]):
        recorder = Recorder(*row.recorder)
        tally.counts[recorder] = np.array(row.counts, dtype=np.int64).reshape(row.shape)
        tally.players[recorder] = Counter(row.players)
    return tally
