"""The words of a swing and its contact mark, put into the season table's vocabulary."""

from __future__ import annotations

import re
from functools import lru_cache

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from faultml.recordings.ledger import Ledger
from faultml.recordings.schema import (
    CONTEXTS,
    DEFAULT_CONTEXT,
    HANDS,
    MOUNTING_COLUMN,
    SHOT_WORDS,
)

MAX_MOUNTING_SD_DEG = 90.0

_SEPARATOR = re.compile(r"[\s,;|+/]+")


def split_shot(text: str) -> list[str]:
    """The words of a shot cell: ``"push hook"``, ``"push;hook"`` or ``"push|hook"`` are two."""
    return [word for word in _SEPARATOR.split(text.strip()) if word]


def settle_words(table: pa.Table, ledger: Ledger) -> dict[str, object]:
    """Columns ``hand, club, context`` (text) and ``shot`` (tuples) in the known vocabulary."""
    return {
        "hand": _settle(table, "hand", HANDS, "", "unknown-hand", ledger),
        "club": [text or "" for text in table["club"].to_pylist()],
        "context": _settle(table, "context", CONTEXTS, DEFAULT_CONTEXT, "unknown-context", ledger),
        "shot": _settle_shots(table["shot"].to_pylist(), ledger),
    }


def settle_impact(
    impact_s: NDArray[np.float64], t_s: NDArray[np.float64], n_samples: NDArray[np.int64], ledger: Ledger
) -> NDArray[np.float64]:
    """Contact marks ``(n_swings,)`` on the recording's clock; NaN where there is none or it lies outside."""
    if not t_s.shape[1]:
        return impact_s
    first, last = t_s[:, 0], t_s[np.arange(len(t_s)), np.maximum(n_samples - 1, 0)]
    outside = (n_samples > 0) & ~np.isnan(impact_s) & ~((impact_s >= first) & (impact_s <= last))
    rows = np.flatnonzero(outside)
    found = [f"{impact_s[row]:g} outside {first[row]:g} to {last[row]:g}" for row in rows]
    ledger.note(rows, "impact-outside", "impact_s within the recording", found)
    return np.where(outside, np.nan, impact_s)


def settle_mounting(table: pa.Table, ledger: Ledger) -> NDArray[np.float64]:
    """SD of the sensor's turn about the forearm ``(n_swings,)``; NaN where it is not stated, or is no such SD."""
    stated_deg = table[MOUNTING_COLUMN].to_numpy().astype(float)
    rows = np.flatnonzero(~np.isnan(stated_deg) & ~((stated_deg >= 0) & (stated_deg <= MAX_MOUNTING_SD_DEG)))
    expected = f"0 to {MAX_MOUNTING_SD_DEG:g} degrees in {MOUNTING_COLUMN}"
    ledger.note(rows, "mounting-unreadable", expected, [f"{stated_deg[row]:g}" for row in rows])
    stated_deg[rows] = np.nan
    return stated_deg


def _settle(
    table: pa.Table, name: str, known: tuple[str, ...], default: str, code: str, ledger: Ledger
) -> list[str]:
    # Few words stand in many rows: each is looked at once.
    column = table[name].combine_chunks().dictionary_encode()
    words = [(text or "").strip().lower() for text in (*column.dictionary.to_pylist(), None)]
    codes = column.indices.fill_null(len(words) - 1).to_numpy(zero_copy_only=False)
    strange = np.flatnonzero(np.array([bool(word) and word not in known for word in words])[codes])
    ledger.note(strange, code, " or ".join(known), [table[name][row].as_py() for row in strange])
    settled = np.array([word if word in known else default for word in words], dtype=object)
    return list(settled[codes])


def _settle_shots(shots: list[list[str] | None], ledger: Ledger) -> list[tuple[str, ...]]:
    settled = [_plain_words(tuple(shot)) if shot else () for shot in shots]
    known = set(SHOT_WORDS)
    strange = [row for row, words in enumerate(settled) if words and not known.issuperset(words)]
    if strange:
        ledger.note(
            strange, "unknown-shot", " ".join(SHOT_WORDS), [" ".join(settled[row]) for row in strange]
        )
        for row in strange:
            settled[row] = tuple(word for word in settled[row] if word in known)
    return settled


@lru_cache(maxsize=4096)
def _plain_words(shot: tuple[str | None, ...]) -> tuple[str, ...]:
    return tuple(word.strip().lower() for word in shot if word and word.strip())
