"""Which swings to judge next: unsure, unlike, of golfers not seen; the same list again, whatever the batch."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from label_fakes import fake_frame, fake_results

from faultml.faults.catalogue import load_catalogue
from faultml.labels import Verdict, next_swings, repeat_swings
from faultml.labels.verdict import COLUMNS
from faultml.results import FAULTS, SWINGS, Results, ResultsWriter, read_results, reader

NOBODY = pd.DataFrame(columns=list(COLUMNS)).astype(str)
IDS = ["player", "session", "swing"]


def said(*verdicts: Verdict) -> pd.DataFrame:
    return pd.DataFrame([each._asdict() for each in verdicts], columns=list(COLUMNS))


def season(folder: Path, swings: list[dict[str, object]]) -> Results:
    """A season described swing by swing: player, swing, the probability of a flip and its measure; all else is sure."""
    faults = []
    for swing in swings:
        for fault in load_catalogue().ids:
            is_flip = fault == "flip"
            reported = {
                "probability": swing["p"] if is_flip else 0.0,
                "measure": swing["measure"] if is_flip else 0.0,
            }
            faults.append(
                {**{name: swing[name] for name in IDS}, "fault": fault, "status": "assessed", **reported}
            )
    rows = [{**{name: swing[name] for name in IDS}, "assessed": True} for swing in swings]
    with ResultsWriter(folder) as results:
        results.append("swings", fake_frame(SWINGS, rows))
        results.append("faults", fake_frame(FAULTS, faults))
    return read_results(folder)


def swing(player: str, number: int, p: float, measure: float) -> dict[str, object]:
    return {"player": player, "session": "s", "swing": str(number), "p": p, "measure": measure}


def test_the_unsure_come_first(tmp_path: Path) -> None:
    results = season(
        tmp_path / "r", [swing(f"g{at}", 1, p, 0.0) for at, p in enumerate((0.02, 0.5, 0.95, 0.7))]
    )
    table = next_swings(results, NOBODY, swings=1)
    assert table[["player", "faults"]].values.tolist() == [["g1", ("flip",)]]


def test_the_unlike_come_before_the_like(tmp_path: Path) -> None:
    swings = [swing("g0", 1, 0.5, 0.0), swing("g1", 1, 0.49, 0.1), swing("g2", 1, 0.4, 30.0)]
    table = next_swings(season(tmp_path / "r", swings), NOBODY, swings=3)
    assert table["player"].tolist() == ["g0", "g2", "g1"]
    judged = said(
        Verdict("g2", "s", "1", "flip", "yes", "ann"), Verdict("gone", "s", "1", "flip", "no", "ann")
    )
    assert next_swings(season(tmp_path / "r", swings), judged, swings=3)["player"].tolist() == ["g0", "g1"]


def test_golfers_not_seen_come_before_those_seen(tmp_path: Path) -> None:
    swings = [swing("g0", at, 0.5, at * 10.0) for at in range(4)] + [swing("g1", 1, 0.45, 0.0)]
    results = season(tmp_path / "r", swings)
    assert next_swings(results, NOBODY, swings=1)["player"].tolist() == ["g0"]
    judged = said(Verdict("g0", "s", "3", "flip", "yes", "ann"))
    first = next_swings(results, judged, swings=1)
    assert first["player"].tolist() == ["g1"] and "nobody has judged this golfer" in first["why"][0]


def test_what_is_judged_or_not_assessed_is_not_asked(tmp_path: Path) -> None:
    results = read_results(fake_results(tmp_path / "r", golfers=3, swings=8))
    everything = [
        Verdict(*row, "unsure", "ann")
        for row in results.faults[[*IDS, "fault"]].itertuples(index=False, name=None)
    ]
    assert len(next_swings(results, said(*everything))) == 0
    table = next_swings(results, said(*everything[: 17 * 8]), swings=100)
    assert "golfer0" not in set(table["player"])
    assert "006" not in set(table["swing"])
    part = said(*(each for each in everything if each.fault != "flip"))
    assert set(next_swings(results, part)["faults"]) == {("flip",)}


def test_never_one_golfer_alone(tmp_path: Path) -> None:
    results = read_results(fake_results(tmp_path / "r", golfers=2, swings=60))
    assert next_swings(results, NOBODY)["player"].value_counts().max() == 4
    alone = read_results(fake_results(tmp_path / "one", golfers=1, swings=60))
    assert len(next_swings(alone, NOBODY)) == 4
    assert len(next_swings(alone, NOBODY, swings=1)) == 1


def test_the_list_is_the_same_again_whatever_the_batch(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    results = read_results(fake_results(tmp_path / "r", golfers=9, swings=40))
    judged = said(Verdict("golfer1", "2031-04-05", "003", "flip", "yes", "ann"))
    whole = next_swings(results, judged)
    assert len(whole) == 12 and whole["rank"].tolist() == list(range(1, 13))
    pd.testing.assert_frame_equal(whole, next_swings(results, judged))
    batches = Results.batches
    monkeypatch.setattr(Results, "batches", lambda self, rows=0: batches(self, 7))
    assert reader.BATCH_SWINGS != 7
    pd.testing.assert_frame_equal(whole, next_swings(results, judged))


def test_why_does_not_say_what_the_tool_thinks(tmp_path: Path) -> None:
    table = next_swings(read_results(fake_results(tmp_path / "r")), NOBODY)
    assert not any(letter in why for why in table["why"] for letter in "%.")
    factors = table[["unsure", "unlike", "unseen", "teaches"]].to_numpy(dtype=float)
    assert ((factors > 0) & (factors <= 1)).all()
    assert np.allclose(factors[:, :3].prod(axis=1), factors[:, 3])


def test_repeats_are_what_was_judged_once(tmp_path: Path) -> None:
    given = [
        Verdict(f"g{golfer}", "s", str(at), fault, "yes", coach)
        for golfer in range(4)
        for at in range(5)
        for fault in ("flip", "underset")
        for coach in ("ann", "bob")
    ]
    again = [each._replace(occasion="2") for each in given if each.player == "g0" and each.coach == "ann"]
    table = repeat_swings(said(*given, *again), "ann", swings=6)
    assert len(table.drop_duplicates(IDS)) == 6 and len(table) == 12
    assert table.drop_duplicates(IDS)["player"].value_counts().to_dict() == {"g1": 2, "g2": 2, "g3": 2}
    assert len(repeat_swings(said(*given), "carol")) == 0
