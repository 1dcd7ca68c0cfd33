"""What the first swing needs is compiled and read in the background, once somebody has seen a page."""

from __future__ import annotations

import asyncio
from contextlib import suppress

from faultml.desk.desk import Desk
from faultml.desk.drawn import swing_pictures
from faultml.desk.motion import SwingCurves
from faultml.desk.people import People
from faultml.drawings.corridor import corridor_for
from faultml.drawings.echarts import as_echarts
from faultml.errors import FaultmlError


class WarmUp:
    """Draws one swing to nobody, in a thread, once."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._task: asyncio.Task[None] | None = None

    def begin(self) -> None:
        """Start it where it has not been started yet."""
        if self._task is None:
            self._task = asyncio.create_task(asyncio.to_thread(draw_one, self._desk))

    async def ended(self) -> None:
        """Wait for its end, if it was started."""
        if self._task is not None:
            await self._task


def draw_one(desk: Desk) -> None:
    """Draw one assessed swing of the season to nobody."""
    # A season that cannot be read is for the page to say, which reads it again.
    with suppress(FaultmlError, OSError):
        swings = desk.season.swings
        for row in swings[swings["assessed"].astype(bool)].head(1).itertuples(index=False):
            People(desk)
            own = desk.season.swing(row.player, row.session, row.swing)
            curves = None if own is None else desk.season.recordings.curves(own)
            if isinstance(curves, SwingCurves):
                drawn = swing_pictures(curves, None, corridor_for(desk.season.catalogue(), row.player))
                for picture in (drawn.channels, drawn.path, drawn.speed):
                    as_echarts(picture)
