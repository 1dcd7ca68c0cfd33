"""Range sessions cut into swings: what is found, what is reported, what must not change the result."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from faultml.recordings.stream import Block
from faultml.streams.activity import activity, movements
from faultml.streams.cut import BROKEN, LEFT_OUT, OFF, PRACTICE, REPEATED, SWING, Ids, cut_stream
from faultml.streams.runs import AFTER_S, BEFORE_S, CORE_S, windows
from faultml.synthetic.clock import CLOCK_S
from faultml.synthetic.other_activities import HELD_OUT, LEARNED, OTHER_ACTIVITIES, draw_other_activities
from faultml.synthetic.range_session import RangePiece, draw_range_session, write_stream

if TYPE_CHECKING:
    from faultml.classifier.bundle import Bundle
    from faultml.faults.catalogue import Catalogue

IDS = Ids("007", "2031-05-01")
SEED, LENGTH_S = 9001, 240.0


@pytest.fixture(scope="module")
def pieces(catalogue: Catalogue) -> list[RangePiece]:
    """Four minutes of a golfer whose recorder marks contacts."""
    return list(draw_range_session(catalogue, SEED, duration_s=LENGTH_S, rate_hz=100.0, contact_mark=True))


@pytest.fixture(scope="module")
def stream(pieces: list[RangePiece]) -> Block:
    """The same as one block; times are whole 1/1024 s, so that adding a whole number loses nothing."""
    t_s = np.round(np.concatenate([piece.block.t_s for piece in pieces]) * 1024) / 1024
    marks_s = np.round(np.concatenate([piece.block.marks_s for piece in pieces]) * 1024) / 1024
    return Block(t_s, np.concatenate([piece.block.angles_deg for piece in pieces], axis=1), marks_s)


def split(block: Block, at: list[int]) -> list[Block]:
    """The block in pieces; a mark goes with the last piece that begins before it."""
    bounds = [0, *sorted(at), len(block.t_s)]
    begins_s = [block.t_s[min(first, len(block.t_s) - 1)] for first in bounds[:-1]]
    owner = np.maximum(np.searchsorted(begins_s, block.marks_s, side="right") - 1, 0)
    return [
        Block(block.t_s[first:stop], block.angles_deg[:, first:stop], block.marks_s[owner == number])
        for number, (first, stop) in enumerate(pairwise(bounds))
    ]


def table_of(blocks: list[Block], bundle: Bundle, catalogue: Catalogue, **more: object) -> pd.DataFrame:
    cuts = cut_stream(blocks, IDS, bundle=bundle, catalogue=catalogue, **more)  # type: ignore[arg-type]
    return pd.concat([piece.table for piece in cuts], ignore_index=True)


@pytest.fixture(scope="module")
def table(stream: Block, bundle: Bundle, catalogue: Catalogue) -> pd.DataFrame:
    return table_of([stream], bundle, catalogue)


def test_the_swings_of_a_session_are_found_and_practice_is_reported(
    pieces: list[RangePiece], table: pd.DataFrame
) -> None:
    truth = pd.DataFrame([piece.truth for piece in pieces])
    swings = truth[truth["kind"].isin(["full", "practice"]) & ~truth["broken"]]
    cuts = table[table["kind"] != LEFT_OUT]
    apart_s = np.abs(swings["impact_s"].to_numpy()[:, None] - cuts["impact_s"].to_numpy(float))
    assert len(swings) >= 5
    assert (apart_s.min(axis=1) < 0.3).mean() >= 0.85
    assert (apart_s.min(axis=0) > 0.3).sum() <= 1
    for at, swing in zip(apart_s.argmin(axis=1), swings.itertuples(), strict=True):
        if apart_s[:, at].min() < 0.3:
            own = cuts.iloc[at]
            assert own["start_s"] <= swing.takeaway_s
            assert own["end_s"] >= min(swing.finish_s, swing.impact_s + 1.2)
            assert own["kind"] == (PRACTICE if swing.kind == "practice" else SWING)


@pytest.mark.parametrize("size", [37, 1000, 5001])
def test_blocks_do_not_matter(
    size: int, stream: Block, table: pd.DataFrame, bundle: Bundle, catalogue: Catalogue
) -> None:
    blocks = split(stream, list(range(size, len(stream.t_s), size)))
    pd.testing.assert_frame_equal(table_of(blocks, bundle, catalogue), table)


def test_the_clock_may_begin_anywhere(
    stream: Block, table: pd.DataFrame, bundle: Bundle, catalogue: Catalogue
) -> None:
    moved = Block(stream.t_s + 4096.0, stream.angles_deg, stream.marks_s + 4096.0)
    times = ["start_s", "end_s", "impact_s"]
    again = table_of([moved], bundle, catalogue)
    np.testing.assert_allclose(again[times].to_numpy(float) - 4096.0, table[times].to_numpy(float), atol=1e-3)
    pd.testing.assert_frame_equal(again.drop(columns=times), table.drop(columns=times), atol=1e-3)


def test_a_shock_of_contact_tells_swings_with_a_ball_from_rehearsals(
    bundle: Bundle, catalogue: Catalogue
) -> None:
    pieces = list(draw_range_session(catalogue, SEED, duration_s=150.0, rate_hz=400.0, contact_mark=False))
    t_s = np.concatenate([piece.block.t_s for piece in pieces])
    sensed = np.stack([9.81 + 0 * t_s, 0 * t_s, 0 * t_s])
    truth = pd.DataFrame([piece.truth for piece in pieces])
    swings = truth[truth["kind"].isin(["full", "practice"]) & ~truth["broken"]]
    hits = swings.loc[swings["kind"] == "full", "impact_s"].to_numpy(float)[1:]
    for at_s in hits:
        since = t_s - at_s
        ring = np.exp(-np.maximum(since, 0) / 0.01) * np.cos(440 * since)
        sensed += np.where(since >= 0, 100 * ring, 0) * [[0.6], [0.5], [0.62]]
    angles = np.concatenate([piece.block.angles_deg for piece in pieces], axis=1)
    blocks = [
        Block(t_s[at : at + 9000], angles[:, at : at + 9000], np.empty(0), sensed[:, at : at + 9000])
        for at in range(0, len(t_s), 9000)
    ]
    cuts = pd.concat(
        [piece.batch.table for piece in cut_stream(blocks, IDS, bundle=bundle, catalogue=catalogue)]
    )
    marked = cuts[cuts["impact_from"] == "shock"]
    assert len(hits) >= 2 and len(marked) == len(hits)
    np.testing.assert_allclose(np.sort(marked["impact_s"].to_numpy(float)), np.sort(hits), atol=0.0025)
    assert (marked["impact_sd_s"] < 0.003).all() and set(marked["context"]) == {"play"}
    # Where the sensor shows nothing though it shows contacts elsewhere, there was no ball.
    rest = cuts[cuts["impact_from"] == ""]
    assert len(rest) >= 1 and set(rest["context"]) == {"practice"}


def test_without_marks_the_ball_is_unknown_and_nothing_becomes_practice(
    stream: Block, bundle: Bundle, catalogue: Catalogue
) -> None:
    silent = table_of([Block(stream.t_s, stream.angles_deg, np.empty(0))], bundle, catalogue)
    cuts = silent[silent["kind"] != LEFT_OUT]
    assert set(cuts["ball"]) == {"unknown"} and set(cuts["kind"]) == {SWING}
    declared = table_of(
        [Block(stream.t_s, stream.angles_deg, np.empty(0))], bundle, catalogue, marks_contacts=True
    )
    assert set(declared.loc[declared["kind"] != LEFT_OUT, "kind"]) == {PRACTICE}


def test_a_swing_broken_by_a_gap_is_a_problem_and_a_gap_at_rest_is_reported(
    stream: Block, table: pd.DataFrame, bundle: Bundle, catalogue: Catalogue
) -> None:
    impact_s = float(table.loc[table["kind"] != LEFT_OUT, "impact_s"].iloc[1])
    kept = (stream.t_s < impact_s - 0.12) | (stream.t_s > impact_s + 0.1)
    broken = Block(stream.t_s[kept], stream.angles_deg[:, kept], stream.marks_s)
    parts = list(cut_stream([broken], IDS, bundle=bundle, catalogue=catalogue))
    rows = pd.concat([part.table for part in parts])
    gap = rows[(rows["reason"] == BROKEN) & (rows["start_s"] < impact_s) & (rows["end_s"] > impact_s)]
    assert len(gap) == 1
    assert any(problem.code == "gap" for part in parts for problem in part.problems)

    t_s = np.concatenate([np.arange(0, 10, 0.01), np.arange(15, 25, 0.01)])
    parts = list(
        cut_stream([Block(t_s, np.zeros((3, 2000)), np.empty(0))], IDS, bundle=bundle, catalogue=catalogue)
    )
    assert list(parts[0].table["reason"]) == [OFF]
    assert not parts[0].problems


def test_windows_cover_a_run_once_and_are_bounded() -> None:
    t_s = np.arange(0, 130, 0.01)
    blocks = split(Block(t_s, np.zeros((3, len(t_s))), np.array([64.5])), list(range(700, len(t_s), 700)))
    found = list(windows(blocks))
    assert [window.core_s[0] for window in found] == [k * CORE_S for k in range(len(found))]
    assert found[-1].core_s[1] == np.inf and found[-1].ends_run and not found[0].ends_run
    longest = max(window.t_s[-1] - window.t_s[0] for window in found)
    assert longest <= BEFORE_S + CORE_S + AFTER_S + 0.011
    marked = [window for window in found if len(window.marks_s)]
    assert any(window.core_s[0] <= 64.5 < window.core_s[1] for window in marked)


def test_lost_samples_and_a_clock_that_falls_back() -> None:
    t_s = np.concatenate([np.arange(0, 5, 0.01), np.arange(0, 5, 0.01)])
    angles_deg = np.zeros((3, len(t_s)))
    angles_deg[0, 100:103] = np.nan
    found = list(windows([Block(t_s, angles_deg, np.empty(0))]))
    assert len(found) == 2 and all(window.starts_run and window.ends_run for window in found)
    assert len(found[0].t_s) == 497


def test_movement_that_repeats_is_no_release() -> None:
    t_s = np.arange(0, 12, 0.01)
    shape = np.exp(-0.5 * ((t_s[:, None] - np.array([4.0, 5.4, 6.8])) / 0.07) ** 2).sum(axis=1)
    alone = np.exp(-0.5 * ((t_s - 5.4) / 0.07) ** 2)
    for curve, lone in ((shape, False), (alone, True)):
        angles_deg = np.stack([0 * t_s, 40 * curve, 0 * t_s])
        window = next(windows([Block(t_s, angles_deg, np.empty(0))]))
        reported = [movement.lone for movement in movements(window, activity(window))]
        assert reported and all(each is lone for each in reported)


def test_a_movement_below_any_release_is_no_candidate() -> None:
    t_s = np.arange(0, 12, 0.01)
    window = next(windows([Block(t_s, np.stack([20 * np.sin(3 * t_s)] * 3), np.empty(0))]))
    assert movements(window, activity(window)) == []


def other_activity_stream(kind: str, count: int) -> Block:
    """Eight seconds of each of some movements, the recorder off between them."""
    angles_deg = draw_other_activities(
        kind, count, np.random.default_rng([11, ACTIVITIES_IN_ORDER.index(kind)])
    )[:, :, ::4]
    clock = np.concatenate([CLOCK_S[::4] + 3 + 30 * at for at in range(count)])
    noise = np.random.default_rng(12).normal(0, 0.3, (3, len(clock)))
    return Block(clock, np.concatenate(list(angles_deg), axis=1) + noise, np.empty(0))


ACTIVITIES_IN_ORDER = [*LEARNED, *HELD_OUT]


def test_every_other_activity_is_learned_or_held_out() -> None:
    assert sorted(ACTIVITIES_IN_ORDER) == sorted(OTHER_ACTIVITIES)


def test_other_work_of_the_wrist_is_no_swing(bundle: Bundle, catalogue: Catalogue) -> None:
    count, cut = 15, 0
    for kind in HELD_OUT:
        found = table_of([other_activity_stream(kind, count)], bundle, catalogue)
        cut += int((found["kind"] != LEFT_OUT).sum())
    assert cut <= 0.05 * count * len(HELD_OUT)


def test_stirring_is_reported_as_repeated(bundle: Bundle, catalogue: Catalogue) -> None:
    found = table_of([other_activity_stream("waving", 5)], bundle, catalogue)
    assert (found["reason"] == REPEATED).any()


def test_the_command_leaves_a_season_that_reads_back(catalogue: Catalogue, tmp_path: Path) -> None:
    from faultml.cli import main
    from faultml.recordings.read import open_season

    drawn = draw_range_session(catalogue, SEED, duration_s=90.0, rate_hz=100.0, contact_mark=True)
    write_stream(drawn, tmp_path / "tuesday.csv", "007", "2031-05-01")
    result = CliRunner().invoke(
        main, ["cut", str(tmp_path / "tuesday.csv"), "--out", str(tmp_path / "season")]
    )
    assert result.exit_code in (0, 3), result.output
    assert "_cuts.csv" in result.output
    cuts = pd.read_csv(tmp_path / "season" / "_cuts.csv", dtype=str, keep_default_na=False)
    season = open_season([tmp_path / "season"])
    swings = pd.concat([batch.table for batch in season.batches()])
    assert list(swings["swing"]) == [name for name in cuts["swing"] if name]
    assert set(swings["player"]) == {"007"} and not any(swings["reason"])
    practised = cuts.loc[cuts["swing"] != "", "kind"] == "practice"
    assert list(swings["context"] == "practice") == list(practised)


def test_a_layout_that_does_not_cut_is_refused(tmp_path: Path) -> None:
    from faultml.cli import main

    (tmp_path / "a.csv").write_text("player,session,t_s\n")
    (tmp_path / "l.toml").write_text('schema = 1\nswings.split = "file"\n')
    arguments = ["cut", str(tmp_path / "a.csv"), "--layout", str(tmp_path / "l.toml")]
    result = CliRunner().invoke(main, [*arguments, "--out", str(tmp_path / "s")])
    assert result.exit_code == 2 and "stream" in result.output
