"""What the cutter of range sessions is worth. Every figure is synthetic.

``python -m faultml.pipelines.benchmarks.ranges``.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Final

import click
import numpy as np
import pandas as pd

from faultml.classifier.bundle import Bundle, load_bundle
from faultml.faults.catalogue import Catalogue, load_catalogue
from faultml.recordings.stream import Block
from faultml.streams.cut import LEFT_OUT, PRACTICE, Ids, cut_stream
from faultml.synthetic.range_session import FULL, RangePiece, draw_range_session

FIRST_SEED: Final = 9000
"""Golfers from here on; the cutter's figures were chosen on others."""

SAME_S: Final = 0.3
"""A cut whose impact lies so near to a true one is that swing."""
STILL_S: Final = 0.3
AFTER_IMPACT_S: Final = 1.2
"""A cut is whole with so much stillness before the takeaway, where there is as much, and to the finish or so long after
impact."""


def measure_session(
    pieces: Iterable[RangePiece], bundle: Bundle, catalogue: Catalogue
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The true full swings of a session, each with whether it was `found`, `reported` where not, and whether its cut is
    `whole` and `ball_right`; and the cuts, each with whether it is `true`."""
    episodes: list[dict[str, object]] = []

    def blocks() -> Iterator[Block]:
        for piece in pieces:
            episodes.append(piece.truth)
            yield piece.block

    tables = [
        piece.table for piece in cut_stream(blocks(), Ids("p", "s"), bundle=bundle, catalogue=catalogue)
    ]
    truth = pd.DataFrame(episodes)
    swings = truth[truth["kind"].isin([FULL, PRACTICE])].reset_index(drop=True)
    rows = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=["kind", "impact_s"])
    cuts = rows[rows["kind"] != LEFT_OUT].reset_index(drop=True)
    apart_s = np.abs(swings["impact_s"].to_numpy(float)[:, None] - cuts["impact_s"].to_numpy(float))
    found = (apart_s < SAME_S).any(axis=1)
    cuts["true"] = (apart_s < SAME_S).any(axis=0)
    swings["found"] = found
    swings["reported"] = [
        bool(((rows["start_s"] <= each.finish_s) & (rows["end_s"] >= each.takeaway_s)).any())
        for each in swings.itertuples()
    ]
    if found.any():
        own = cuts.iloc[apart_s[found].argmin(axis=1)].reset_index(drop=True)
        seen = swings[found].reset_index(drop=True)
        still_s = np.minimum(seen["takeaway_s"] - seen["still_s"], STILL_S)
        address = seen["takeaway_s"] - own["start_s"] >= still_s - 0.001
        finish = (own["end_s"] >= seen["finish_s"]) | (own["end_s"] >= seen["impact_s"] + AFTER_IMPACT_S)
        swings.loc[found, "whole"] = (address & finish).to_numpy(float)
        right = (own["ball"] == "unknown") | ((own["kind"] == PRACTICE) == (seen["kind"] == PRACTICE))
        swings.loc[found, "ball_right"] = right.to_numpy(float)
        swings.loc[found, "ball_known"] = (own["ball"] != "unknown").to_numpy(float)
    return swings, cuts


def summary(swings: pd.DataFrame, cuts: pd.DataFrame) -> dict[str, float]:
    """Shares: full swings found (if no gap broke them), false cuts, whole cuts, balls right, broken ones reported."""
    intact, broken = swings[~swings["broken"]], swings[swings["broken"]]
    return {
        "swings": len(intact),
        "found": float(intact["found"].mean()),
        "false": float(1 - cuts["true"].mean()),
        "whole": float(intact["whole"].mean()),
        "ball_known": float(intact["ball_known"].mean()),
        "ball_right": float(intact["ball_right"].mean()),
        "broken": len(broken),
        "broken_reported": float((broken["found"] | broken["reported"]).mean()),
    }


def measure(seeds: Sequence[int], duration_s: float) -> pd.DataFrame:
    """`summary` for recorders that mark contacts, those that do not, and both: a row each."""
    bundle, catalogue = load_bundle(), load_catalogue()
    parts: dict[bool, list[tuple[pd.DataFrame, pd.DataFrame]]] = {True: [], False: []}
    for seed in seeds:
        marked = seed % 2 == 0
        pieces = draw_range_session(catalogue, seed, duration_s=duration_s, contact_mark=marked)
        parts[marked].append(measure_session(pieces, bundle, catalogue))
    groups = {"with marks": parts[True], "without": parts[False], "all": parts[True] + parts[False]}
    return pd.DataFrame(
        {
            name: summary(*(pd.concat(tables, ignore_index=True) for tables in zip(*group, strict=True)))
            for name, group in groups.items()
            if group
        }
    ).T


@click.command()
@click.option("--sessions", type=click.IntRange(1), default=60, show_default=True)
@click.option("--minutes", type=click.FloatRange(1), default=10.0, show_default=True)
@click.option("--seed", type=click.IntRange(0), default=FIRST_SEED, show_default=True, help="Of the first.")
def main(sessions: int, minutes: float, seed: int) -> None:
    """Cut generated range sessions of golfers that nothing was tuned on, and compare with the truth."""
    click.echo(measure(range(seed, seed + sessions), minutes * 60).round(4).to_string())


if __name__ == "__main__":
    main()
