"""What stands around every place: the way to the others, the page's one heading, and its style."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from importlib import resources
from typing import Final

from nicegui import ui

from faultml.desk.words import Words, heading

PLACES: Final = {
    "Today": "/",
    "Tray": "/tray",
    "Players": "/players",
    "Swings": "/swings",
    "Verdicts": "/verdicts",
    "Practice": "/practice",
}
"""The places in the order of the day, with their addresses."""


@lru_cache(maxsize=1)
def _style() -> str:
    return resources.files("faultml.desk").joinpath("desk.css").read_text(encoding="utf-8")


@contextmanager
def frame(place: str, title: str) -> Iterator[None]:
    """The page around a place's own content.

    Parameters
    ----------
    place
        Which of `PLACES` is marked as the one that is open.
    title
        The page's heading; without a player's name in it where the window's title would show one to others.
    """
    ui.page_title(f"{place} · faultml desk")
    ui.add_css(_style())
    ui.colors(
        primary="#1e2126", secondary="#565b63", accent="#0072b2", positive="#1e2126", negative="#7a2c00"
    )
    with ui.header(fixed=False, elevated=False, bordered=False).classes("desk-head"):
        Words("a", "To the content").props('href="#content"').classes("skip")
        with ui.element("nav").props('aria-label="Places"'):
            for name, address in PLACES.items():
                link = Words("a", name).props(f'href="{address}"')
                if name == place:
                    link.props('aria-current="page"')
    # The library's page around it is the main landmark already.
    with ui.element("div").props('id="content" tabindex="-1"').classes("desk"):
        heading(1, title)
        yield
    # For whoever waits for a page that answers, such as a test in a browser.
    ui.run_javascript("document.body.dataset.ready = 'yes'")
