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
    IMPACT_COLUMN,
    IMPACT_FROM_COLUMN,
    IMPACT_SD_COLUMN,
    IMPACT_SOURCES,
    MOUNTING_COLUMN,
    SHOT_WORDS,
)

MAX_MOUNTING_SD_DEG = 90.0
MAX_IMPACT_SD_S = 0.1

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
    table: pa.Table, t_s: NDArray[np.float64], n_samples: NDArray[np.int64], ledger: Ledger
) -> dict[str, object]:
    """Contact marks on the recording's clock, how surely each is placed and what placed it.

    Columns ``impact_s`` and ``impact_sd_s`` (NaN where there is no mark, or it lies outside, or its doubt is none; the
    second also where it is not stated) and ``impact_from`` ("" where there is no mark).
    """
    impact_s, sd_s = (table[name].to_numpy().astype(float) for name in (IMPACT_COLUMN, IMPACT_SD_COLUMN))
    placed_by = [(word or "").strip().lower() for word in table[IMPACT_FROM_COLUMN].to_pylist()]
    if t_s.shape[1]:
        first, last = t_s[:, 0], t_s[np.arange(len(t_s)), np.maximum(n_samples - 1, 0)]
        outside = (n_samples > 0) & ~np.isnan(impact_s) & ~((impact_s >= first) & (impact_s <= last))
        rows = np.flatnonzero(outside)
        found = [f"{impact_s[row]:g} outside {first[row]:g} to {last[row]:g}" for row in rows]
        ledger.note(rows, "impact-outside", "impact_s within the recording", found)
        impact_s = np.where(outside, np.nan, impact_s)
    strange = np.array([word not in ("", *IMPACT_SOURCES) for word in placed_by], dtype=bool)
    unsure = ~np.isnan(sd_s) & ~((sd_s >= 0) & (sd_s <= MAX_IMPACT_SD_S))
    bad = np.isfinite(impact_s) & (strange | unsure)
    rows = np.flatnonzero(bad)
    expected = (
        f"0 to {MAX_IMPACT_SD_S:g} s in {IMPACT_SD_COLUMN}; {' or '.join(IMPACT_SOURCES)} in impact_from"
    )
    said = [f"{sd_s[row]:g} s, {placed_by[row] or 'not stated'}" for row in rows]
    ledger.note(rows, "impact-doubt-unreadable", expected, said)
    impact_s = np.where(bad, np.nan, impact_s)
    marked = np.isfinite(impact_s)
    words = [word or IMPACT_SOURCES[0] if has else "" for word, has in zip(placed_by, marked, strict=True)]
    return {
        IMPACT_COLUMN: impact_s,
        IMPACT_SD_COLUMN: np.where(marked, sd_s, np.nan),
        IMPACT_FROM_COLUMN: words,
    }


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
