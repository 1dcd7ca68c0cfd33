"""Listen and answer until stopped."""

from __future__ import annotations

import socket

import uvicorn
from fastapi import FastAPI

from faultml.errors import InputError
from faultml.practice.wire import MAX_BYTES
from faultml.service.connections import ACCEPTED_AT_ONCE, MAX_IDLE_S, Connections

_GRACE_S = 10
_MAX_UNANSWERED = 2048
_MAX_HEAD_BYTES = 32_768


def listen(host: str, port: int) -> socket.socket:
    """A socket that listens; with port 0 the system chooses one.

    Raises
    ------
    InputError
        ``cannot-listen`` where the address is not ours or taken.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # The protocol is named because asyncio sends at once (TCP_NODELAY) only where it is: else every answer waits 40 ms.
    taken = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        taken.bind((host.strip("[]"), port))
        # Who is quicker than the rest of the start then waits, and is not refused.
        taken.listen(_MAX_UNANSWERED)
    except (OSError, OverflowError) as error:
        taken.close()
        raise InputError(
            "cannot-listen", where=f"{host}:{port}", expected="a free port of this machine", found=str(error)
        ) from error
    return taken


class _Server(uvicorn.Server):
    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Let more connections wait for their turn than are accepted in one: asyncio takes one number for both."""
        await super().startup(sockets)
        for each in sockets or ():
            each.listen(_MAX_UNANSWERED)


def server(app: FastAPI) -> uvicorn.Server:
    """A server for an app of `create_app`; ``run(sockets=[...])`` answers until it is stopped."""
    connections: Connections = app.state.service.connections
    # No access log: players' names stand in paths. The request guard logs what may be logged.
    return _Server(
        uvicorn.Config(
            app,
            access_log=False,
            server_header=False,
            log_level="warning",
            proxy_headers=False,
            ws="websockets-sansio",
            ws_max_size=MAX_BYTES,
            # Not uvloop where it happens to be installed: it accepts without end before a protocol hears of it.
            loop="asyncio",
            http=connections.protocol,  # type: ignore[arg-type]
            backlog=ACCEPTED_AT_ONCE,
            log_config=None,
            h11_max_incomplete_event_size=_MAX_HEAD_BYTES,
            timeout_keep_alive=int(MAX_IDLE_S),
            timeout_graceful_shutdown=_GRACE_S,
        )
    )
