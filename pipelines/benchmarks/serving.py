"""How fast ``faultml serve`` answers on loopback: one client after the other, then many at once, and nothing lost.

    python -m faultml.pipelines.benchmarks.serving --clients 32 --seconds 30

The server is a process of its own, as a user starts it. Every answer is compared with the one that the same swing got
alone. The clients share the machine with the server; what else it does shows in the figures.
"""

from __future__ import annotations

import asyncio
import json
import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Final

import click
import numpy as np

from faultml.errors import InputError
from faultml.faults.catalogue import load_catalogue
from faultml.recordings.swings import SwingBatch
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import draw_season

ONE_SWING_MS: Final = 25.0
"""What is wanted of one swing at the median, where one client asks."""
ALONE: Final = 400
_SWINGS: Final = 16
_READY_S: Final = 120.0


@dataclass
class Asked:
    """What came of some requests: how long each took, and how many were lost (no answer, or another than alone)."""

    spent_ms: list[float] = field(default_factory=list)
    lost: int = 0

    def summary(self, what: str, seconds: float) -> str:
        """In a line."""
        median, late, latest = np.percentile(self.spent_ms, [50, 95, 100])
        return (
            f"{what}: {len(self.spent_ms):,} answers, {len(self.spent_ms) / seconds:.0f} a second; "
            f"median {median:.1f} ms, 95 % {late:.1f} ms, longest {latest:.0f} ms; lost {self.lost}"
        )


def swing_bodies(seed: int = 7) -> list[bytes]:
    """Requests to assess one generated swing each."""
    batch = draw_season(load_catalogue(), Recipe(golfers=4, sessions=1, swings=8, seed=seed)).batch
    return [_body(batch, int(row)) for row in np.flatnonzero(batch.n_samples > 0)[:_SWINGS]]


@contextmanager
def serving() -> Iterator[int]:
    """A server's port, while it runs.

    Raises
    ------
    InputError
        ``no-server`` where it does not start.
    """
    program = [
        sys.executable,
        "-c",
        "from faultml.cli import main; main()",
        "serve",
        "--port",
        "0",
        "--spool",
    ]
    environment = {name: value for name, value in os.environ.items() if name != "FAULTML_TOKEN"}
    with (
        tempfile.TemporaryDirectory() as spool,
        subprocess.Popen([*program, spool], stdout=subprocess.PIPE, text=True, env=environment) as server,
    ):
        assert server.stdout is not None
        line = server.stdout.readline()
        found = re.search(r"http://127\.0\.0\.1:(\d+)", line)
        if not found:
            raise InputError("no-server", expected="the line that says where it listens", found=line)
        try:
            yield int(found[1])
        finally:
            server.send_signal(signal.SIGINT)


async def measure(
    port: int, bodies: list[bytes], clients: int, seconds: float, requests: int = ALONE
) -> list[str]:
    """Ask so many times alone, then with many clients at once; what came of it, in lines.

    Parameters
    ----------
    port
        Of a server on this machine, without a token.
    bodies
        Of `swing_bodies`.
    clients, seconds, requests
        How many at once and for how long, and how many times alone.
    """
    await _until_ready(port)
    alone, expected = Asked(), dict[bytes, bytes]()
    async with _Connection(port) as connection:
        started = time.monotonic()
        for number in range(max(requests, len(bodies))):
            body = bodies[number % len(bodies)]
            answer = await _timed(connection, body, alone, expected.get(body))
            expected.setdefault(body, answer)
        lines = [alone.summary("One client", time.monotonic() - started)]
    together, until = Asked(), time.monotonic() + seconds

    async def ask(client: int) -> None:
        async with _Connection(port) as own:
            while time.monotonic() < until:
                body = bodies[(client + len(together.spent_ms)) % len(bodies)]
                await _timed(own, body, together, expected[body])

    await asyncio.gather(*(ask(client) for client in range(clients)))
    lines.append(together.summary(f"{clients} clients at once for {seconds:g} s", seconds))
    wanted = "met" if np.median(alone.spent_ms) <= ONE_SWING_MS and not together.lost else "NOT met"
    return [*lines, f"Wanted: one swing in {ONE_SWING_MS:g} ms at the median, nothing lost: {wanted}"]


class _Connection:
    """One client's connection, kept open."""

    def __init__(self, port: int) -> None:
        self._port = port

    async def __aenter__(self) -> _Connection:
        self._reader, self._writer = await asyncio.open_connection("127.0.0.1", self._port)
        return self

    async def __aexit__(self, *_: object) -> None:
        self._writer.close()

    async def ask(self, head: str, body: bytes = b"") -> tuple[int, bytes]:
        """Status and body of an answer."""
        lines = f"{head} HTTP/1.1\r\nHost: 127.0.0.1:{self._port}\r\nContent-Type: application/json\r\n"
        self._writer.write(f"{lines}Content-Length: {len(body)}\r\n\r\n".encode() + body)
        summary = await self._reader.readuntil(b"\r\n\r\n")
        length = re.search(rb"content-length: (\d+)", summary, re.I)
        return int(summary.split(b" ", 2)[1]), await self._reader.readexactly(int(length[1]) if length else 0)


async def _timed(connection: _Connection, body: bytes, asked: Asked, expected: bytes | None) -> bytes:
    started = time.monotonic()
    status, answer = await connection.ask("POST /v1/assess", body)
    asked.spent_ms.append(1000 * (time.monotonic() - started))
    asked.lost += status != 200 or answer != (expected or answer)
    return answer


async def _until_ready(port: int) -> None:
    patience = time.monotonic() + _READY_S
    async with _Connection(port) as connection:
        while (await connection.ask("GET /readyz"))[0] != 200:
            if time.monotonic() > patience:
                raise InputError("no-server", expected=f"a model that is ready within {_READY_S:g} s")
            await asyncio.sleep(0.1)


def _body(batch: SwingBatch, row: int) -> bytes:
    length = int(batch.n_samples[row])
    samples = {"t_s": batch.t_s[row, :length].tolist()}
    for name, values in zip(
        ("flexion_deg", "ulnar_deg", "pronation_deg"), batch.angles_deg[row], strict=True
    ):
        samples[name] = [float(value) if np.isfinite(value) else None for value in values[:length]]
    return json.dumps({"swings": [samples]}).encode()


@click.command()
@click.option("--clients", type=click.IntRange(1), default=32, show_default=True)
@click.option("--seconds", type=click.FloatRange(0.1), default=30.0, show_default=True)
def main(clients: int, seconds: float) -> None:
    """Measure how fast the HTTP service answers on this machine."""
    bodies = swing_bodies()
    with serving() as port:
        for line in asyncio.run(measure(port, bodies, clients, seconds)):
            click.echo(line)


if __name__ == "__main__":
    main()
