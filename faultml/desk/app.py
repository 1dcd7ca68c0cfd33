"""The desk as one application: its places, its guard, and the library that shows them."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Final

from fastapi import FastAPI, Request
from nicegui import Client, core, ui
from starlette.types import ASGIApp

from faultml.desk.desk import Desk
from faultml.desk.frame import frame
from faultml.desk.guard import SESSION, DeskGuard
from faultml.desk.places.notes import NotesPlace
from faultml.desk.places.player import CardPlace, PlayerPlace
from faultml.desk.places.players import PlayersPlace
from faultml.desk.places.practice import PracticeList, PracticePlace
from faultml.desk.places.swing import SwingPlace, no_swings
from faultml.desk.places.today import TodayPlace
from faultml.desk.places.tray import TrayPlace
from faultml.desk.places.verdicts import VerdictPlace
from faultml.desk.sessions import Session
from faultml.desk.warm_up import WarmUp
from faultml.desk.words import Words, para

_FAVICON: Final = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 32 32"><path d="M4 26C10 26 12 6 20 6S26 14 28 16" '
    'fill="none" stroke="#1e2126" stroke-width="3"/></svg>'
)
RECONNECT_S: Final = 60.0
"""How long a page that has lost its connection is kept."""


def create_desk(desk: Desk, hosts: tuple[str, ...], token: str = "") -> ASGIApp:
    """The desk's application.

    Parameters
    ----------
    desk
        What it works on.
    hosts
        ``host:port`` that a Host may name.
    token
        What a browser must give once; "" for none, on loopback only.
    """

    warm_up = WarmUp(desk)

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        async with desk.running():
            yield
            await warm_up.ended()

    inner = FastAPI(docs_url=None, redoc_url=None, openapi_url=None, lifespan=lifespan)
    add_places(desk)
    ui.run_with(
        inner,
        title="faultml desk",
        favicon=_FAVICON,
        language="en-US",
        tailwind=False,
        show_welcome_message=False,
        reconnect_timeout=RECONNECT_S,
        gzip_middleware_factory=None,
    )
    # Over polling every question would be a request of its own, to be guarded and timed one by one.
    core.app.config.socket_io_js_transports = ["websocket"]
    core.app.on_connect(warm_up.begin)
    return DeskGuard(inner, hosts, token, desk.sessions, _session_of_page)


def add_places(desk: Desk) -> None:
    """Register every page of the desk."""

    @ui.page("/")
    def today(request: Request) -> None:
        TodayPlace(desk, session_of(desk, request)).build()

    @ui.page("/players")
    def players(request: Request) -> None:
        if not _says_unreadable(desk):
            PlayersPlace(desk, session_of(desk, request)).build()

    @ui.page("/player/{key}")
    def player(key: str, request: Request) -> None:
        session = session_of(desk, request)
        if name := _known_player(desk, session, key):
            PlayerPlace(desk, session, name).build()

    @ui.page("/card/{key}")
    async def card(key: str, request: Request) -> None:
        session = session_of(desk, request)
        if name := _known_player(desk, session, key):
            await CardPlace(desk, session, name).build()

    @ui.page("/notes/{key}")
    def notes(key: str, request: Request) -> None:
        session = session_of(desk, request)
        if name := _known_player(desk, session, key):
            NotesPlace(desk, session, name).build()

    @ui.page("/practice")
    def practice(request: Request) -> None:
        if not _says_unreadable(desk):
            PracticeList(desk, session_of(desk, request)).build()

    @ui.page("/practice/{key}")
    def practice_of(key: str, request: Request) -> None:
        session = session_of(desk, request)
        if name := _known_player(desk, session, key):
            PracticePlace(desk, session, name).build()

    @ui.page("/swings")
    def swings() -> None:
        players = desk.season.players
        SwingPlace(desk, players[0]).build() if players else no_swings()

    @ui.page("/tray")
    def tray() -> None:
        TrayPlace(desk).build()

    @ui.page("/verdicts")
    def verdicts() -> None:
        VerdictPlace(desk).build()

    @ui.page("/swing/{key}")
    def swing(key: str, request: Request) -> None:
        named = session_of(desk, request).named(key)
        if named is None or not len(desk.season.of_player("swings", named[0])):
            unknown()
        else:
            SwingPlace(desk, *named).build()


def _known_player(desk: Desk, session: Session, key: str) -> str:
    """The player that a key of the session stands for; else the page says why there is none, and this is ""."""
    named = session.named(key)
    if named is None or named[0] not in desk.season.players:
        unknown()
        return ""
    return "" if _says_unreadable(desk) else named[0]


def _says_unreadable(desk: Desk) -> bool:
    """Whether the page had to say that the results cannot be read."""
    why = desk.season.unreadable()
    if why:
        with frame("Players", "Assess the season again"):
            para(f"The results cannot be read as they are: {why}.", "said")
            Words("a", "To the Tray").props('href="/tray"')
    return bool(why)


def session_of(desk: Desk, request: Request) -> Session:
    """The session of a request; one of its own where no guard stands before the pages, as in tests."""
    session: Session | None = request.scope.get(SESSION)
    return session if session is not None else desk.sessions.unguarded


def unknown() -> None:
    """The page of an address that means nothing, or nothing any more."""
    with frame("Today", "Not known here"):
        para("This address belonged to an earlier visit, or to something that is no longer there.")
        Words("a", "To today's page").props('href="/"')


def _session_of_page(page: str) -> Session | None:
    client = Client.instances.get(page)
    session: Session | None = client.request.scope.get(SESSION) if client is not None else None
    return session
