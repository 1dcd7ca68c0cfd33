"""How long the desk's server takes for what a coach waits for.

``python -m faultml.pipelines.benchmarks.desk_pace FOLDER``.

FOLDER is a desk's folder with a classified season. Times of the server alone, wall and processor, without what a
browser adds. Verdicts are given to a store of its own beside, which is removed.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import msgspec

from faultml.desk.desk import Desk
from faultml.desk.drawn import swing_pictures
from faultml.desk.folder import DeskFolder
from faultml.desk.motion import SwingCurves
from faultml.desk.people import People
from faultml.desk.season import Season
from faultml.drawings.corridor import corridor_for
from faultml.drawings.echarts import as_echarts
from faultml.labels.queue import VerdictQueue
from faultml.store import open_store

STEPS = 40
ANSWERS = 30


@dataclass(frozen=True)
class Pace:
    """One thing a coach waits for: the longest and the median of its times, seconds, by the clock and the processor."""

    what: str
    times: int
    median_s: float
    max_s: float
    median_cpu_s: float


def measure(folder: Path) -> list[Pace]:
    """Every pace on a desk's folder."""
    desk = Desk(DeskFolder(folder))
    made = [
        _paced("first sight: who to see first", 1, lambda _: _first_sight(desk)),
        _paced("the same once more", 5, lambda _: People(desk).persons()),
        *_swings(desk),
        *_verdicts(desk),
    ]
    desk.store.close()
    return made


def as_text(made: list[Pace]) -> str:
    """A table for a terminal."""
    lines = [f"{'':44s} times  median ms  longest ms  median cpu ms"]
    lines += [
        f"{each.what:44s} {each.times:5d}  {1000 * each.median_s:9.1f}  {1000 * each.max_s:10.1f}"
        f"  {1000 * each.median_cpu_s:13.1f}"
        for each in made
    ]
    return "\n".join(lines) + "\n"


def _first_sight(desk: Desk) -> None:
    desk.season = Season(desk.folder)
    People(desk).persons()


def _swings(desk: Desk) -> list[Pace]:
    season = desk.season
    swings = season.swings[season.swings["assessed"].astype(bool)]
    rows = [tuple(map(str, row)) for row in swings[["player", "session", "swing"]].itertuples(index=False)]
    corridor = corridor_for(season.catalogue(), rows[0][0])

    def draw(at: int) -> None:
        row = season.swing(*rows[at])
        assert row is not None
        curves = desk.motion(row)
        assert isinstance(curves, SwingCurves)
        pictures = swing_pictures(curves, None, corridor)
        for picture in (pictures.channels, pictures.path, pictures.speed):
            msgspec.json.encode(as_echarts(picture))
        season.faults(*rows[at])

    firsts = list({row[0]: at for at, row in reversed(list(enumerate(rows)))}.values())[::-1]
    first = _paced("the first swing since the start, drawn", 1, draw)
    others = _paced("another player's first swing", len(firsts[1:6]), lambda number: draw(firsts[1 + number]))
    own = [at for at, row in enumerate(rows) if row[0] == rows[0][0]]
    return [
        first,
        others,
        _paced("a swing of the same player", min(STEPS, len(own)), lambda number: draw(own[number])),
    ]


def _verdicts(desk: Desk) -> list[Pace]:
    results = desk.season.results
    assert results is not None
    with tempfile.TemporaryDirectory() as place, open_store(Path(place) / "pace.sqlite") as store:
        queue = VerdictQueue(store, results, "pace", desk.season.catalogue())
        chosen = _paced("choose the next swings, in a thread", 1, lambda _: queue.refill())

        def answer(_: int) -> None:
            assert queue.question() is not None
            queue.answer("yes")

        return [chosen, _paced("a verdict, kept on the disk", ANSWERS, answer)]


def _paced(what: str, times: int, do: Callable[[int], object]) -> Pace:
    walls, cpus = [], []
    for number in range(times):
        wall, cpu = time.perf_counter(), time.process_time()
        do(number)
        walls.append(time.perf_counter() - wall)
        cpus.append(time.process_time() - cpu)
    return Pace(what, times, sorted(walls)[times // 2], max(walls), sorted(cpus)[times // 2])


if __name__ == "__main__":
    sys.stdout.write(as_text(measure(Path(sys.argv[1]))))
