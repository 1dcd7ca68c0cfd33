"""``/v1/practice/{player}``: a player's repetitions, followed live over a WebSocket (docs/practice-stream.md)."""

from __future__ import annotations

import asyncio
from functools import partial
from typing import Final

import msgspec
from fastapi import APIRouter, WebSocket, WebSocketDisconnect

from faultml.errors import FaultmlError
from faultml.practice.of_results import target_of_results
from faultml.practice.session import PracticeSession
from faultml.practice.swings import ModelReader
from faultml.practice.wire import MAX_BYTES, Wrong, answer
from faultml.service.context import Service
from faultml.service.problems import Refusal

router = APIRouter(tags=["practice"])

_POLICY: Final = 1008
_TOO_LARGE: Final = 1009


@router.websocket("/v1/practice/{player:path}")
async def practise(socket: WebSocket, player: str, drill: str = "") -> None:
    """One session; it ends with the connection, and an open set is kept then."""
    service: Service = socket.app.state.service
    await socket.accept()
    try:
        session = await service.reading.run(partial(_open, service, player, drill))
    except FaultmlError as error:
        await _close(socket, Wrong(code=error.code, expected=error.expected))
        return
    except Refusal as refusal:
        await _close(socket, Wrong(code=refusal.code, expected=""))
        return
    max_pause_s = service.settings.limits.max_pause_s
    try:
        while True:
            async with asyncio.timeout(max_pause_s):
                text = await socket.receive_text()
            if len(text) > MAX_BYTES:
                await socket.close(_TOO_LARGE)
                break
            for event in await service.reading.run(partial(answer, session, text)):
                await socket.send_text(msgspec.json.encode(event).decode())
    except TimeoutError:
        await socket.close(_POLICY)
    except (WebSocketDisconnect, KeyError):  # gone, or a message of bytes
        pass
    finally:
        await service.reading.run(session.finish)


def _open(service: Service, player: str, drill_name: str) -> PracticeSession:
    drill = service.coaching.book.named(drill_name, where="practice")
    store = service.kept_store()
    target = target_of_results(service.results(), player, drill, service.coaching)
    session = PracticeSession(
        player,
        target,
        store,
        lambda: service.known_in_store(player),
        swings=ModelReader(service.assessor.bundle, service.assessor.catalogue),
    )
    care = session.care()
    if care.verdict == "no":
        raise Refusal(409, str(care.public_reason()), "Care does not let this player have the drill now.")
    return session


async def _close(socket: WebSocket, why: Wrong) -> None:
    await socket.send_text(msgspec.json.encode(why).decode())
    await socket.close(_POLICY)
