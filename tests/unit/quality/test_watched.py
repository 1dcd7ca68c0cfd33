"""The watch as programs read it: typed, with what a retraining would need, and honest where nothing was compared."""

from __future__ import annotations

from typing import Any

import pytest

from faultml.errors import InputError
from faultml.quality.watch import LABELLED_PLAYERS, LABELLED_SWINGS, watch_sentences
from faultml.quality.watched import read_watch

ROW: dict[str, Any] = {"rate_hz": 120, "marked": True, "forearm": True, "swings": 40, "players": 3}
FEATURE: dict[str, Any] = {
    "feature": "timing:tempo", "words": "tempo", "outside": 0.4, "psi": 1.0, "psi_by_chance": 0.2, "ks": 0.4,
    "unlike": True, "shifted": True,
}  # fmt: skip


def run(*rows: dict[str, Any]) -> dict[str, Any]:
    return {"counts": {"assessed": 100}, "watch": list(rows)}


def test_what_is_unlike_says_so_and_what_learning_it_would_need() -> None:
    row = ROW | {"known": True, "features": [FEATURE]}
    watch = read_watch(run(row))
    (recorder,) = watch.recorders
    assert watch.compared and watch.too_few == 60
    assert [recorder.says] == watch_sentences([row]) and recorder.features[0].words == "tempo"
    assert (recorder.needs_swings, recorder.needs_players) == (LABELLED_SWINGS, LABELLED_PLAYERS)
    (recorder,) = read_watch(run(ROW | {"known": False, "features": []})).recorders
    assert "has not learned from" in recorder.says and recorder.needs_swings == LABELLED_SWINGS


def test_what_is_only_shifted_needs_nothing() -> None:
    row = ROW | {"known": True, "features": [FEATURE | {"unlike": False}]}
    (recorder,) = read_watch(run(row)).recorders
    assert (recorder.says, recorder.needs_swings, recorder.needs_players) == ("", 0, 0)


def test_not_compared_is_not_the_same_as_nothing_unlike() -> None:
    assert read_watch(run()).compared and read_watch(run()).too_few == 100
    bare = read_watch({"counts": {"assessed": 100}})
    assert (bare.compared, bare.too_few, bare.recorders) == (False, 0, [])


@pytest.mark.parametrize(
    "rows", [[ROW], ["x"], [ROW | {"known": True, "features": [{}]}], "x", 7, [ROW | {"known": 1}]]
)
def test_a_damaged_record_is_reported(rows: Any) -> None:
    with pytest.raises(InputError, match="damaged-results"):
        read_watch({"counts": {"assessed": 100}, "watch": rows})
    with pytest.raises(InputError, match="damaged-results"):
        read_watch({"watch": []})
