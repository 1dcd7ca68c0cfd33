"""Serve the desk until stopped."""

from __future__ import annotations

import uvicorn
from starlette.types import ASGIApp

_GRACE_S = 3


def desk_server(app: ASGIApp) -> uvicorn.Server:
    """A server for the desk; ``run(sockets=[...])`` answers until it is stopped."""
    return uvicorn.Server(
        uvicorn.Config(
            app,
            access_log=False,
            server_header=False,
            log_level="warning",
            proxy_headers=False,
            ws_max_size=1 << 20,
            timeout_graceful_shutdown=_GRACE_S,
        )
    )
