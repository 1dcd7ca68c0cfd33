"""A desk under test: a folder with a small classified season, and the library's simulated user on its pages."""

from __future__ import annotations

import asyncio
import shutil
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import httpx
from nicegui import Client, core, ui
from nicegui.functions.download import download
from nicegui.functions.navigate import Navigate
from nicegui.functions.notify import notify
from nicegui.testing.general import nicegui_reset_globals, prepare_simulation
from nicegui.testing.user import User

from faultml.desk.app import add_places
from faultml.desk.desk import Desk
from faultml.desk.folder import DeskFolder
from faultml.desk.jobs import Job

Visit = Callable[[User, Desk], Awaitable[None]]

KEY = {
    "action": "keydown",
    "altKey": False,
    "ctrlKey": False,
    "shiftKey": False,
    "metaKey": False,
    "repeat": False,
}


def visit(folder: Path, story: Visit) -> Desk:
    """Let a simulated user live through a story on a desk; gives back the desk."""
    return asyncio.run(_visit(folder, story))


async def _visit(folder: Path, story: Visit) -> Desk:
    async with _opened(folder) as (desk, user):
        await story(user, desk)
    return desk


@asynccontextmanager
async def _opened(folder: Path) -> AsyncIterator[tuple[Desk, User]]:
    with nicegui_reset_globals():
        try:
            prepare_simulation()
            desk = Desk(DeskFolder(folder))
            add_places(desk)
            async with desk.running(), core.app.router.lifespan_context(core.app):
                transport = httpx.ASGITransport(core.app)
                async with httpx.AsyncClient(transport=transport, base_url="http://test") as client:
                    yield desk, User(client)
        finally:
            ui.navigate, ui.notify, ui.download = Navigate(), notify, download
            # Else the library would take our modules out of sys.modules.
            Client.page_routes.clear()


def press(user: User, key: str) -> None:
    """A key pressed anywhere on the page."""
    user.find(kind=ui.keyboard).trigger(
        "key", {**KEY, "key": key, "code": f"Key{key.upper()}", "location": 0}
    )


async def ended(desk: Desk) -> Job:
    """The last job, once everything has ended."""
    while desk.jobs.active is not None:
        await asyncio.sleep(0.05)
    return desk.jobs.all[0]


def copied(season: Path, out: Path) -> Path:
    """A desk's folder of one's own out of a shared one."""
    shutil.copytree(season, out)
    return out
