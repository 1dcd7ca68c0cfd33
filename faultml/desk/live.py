"""Pages that follow what other pages and commands change."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from nicegui import ui

from faultml.desk.desk import Desk

EVERY_S: Final = 1.0


def on_change(desk: Desk, redraw: Callable[[], None]) -> None:
    """Call `redraw` on this page soon after the store, the results, the roster or a job has changed."""
    seen = desk.folder.stamp()

    def look() -> None:
        nonlocal seen
        stamp = desk.folder.stamp()
        if stamp != seen:
            redraw()
            # Drawing may itself note what the roster says now.
            seen = desk.folder.stamp()

    ui.timer(EVERY_S, look)
