"""Partitions on a Dask cluster: several machines that see the season and the results under the same paths.

Dask unpickles what its peers send it. So only a cluster on this machine's loopback, or one behind TLS with
certificates, is spoken to; see docs/large-seasons.md.
"""

from __future__ import annotations

import secrets
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

import msgspec

from faultml.errors import FaultmlError, InputError, MissingExtraError, WorkerError
from faultml.recordings.fragments import Fragment
from faultml.season.answering import Answering, load_answering, refusal
from faultml.season.inputs import load_inputs
from faultml.season.messages import Answer
from faultml.season.runners import MAX_ATTEMPTS, Lost, Outcome

LOOPBACK: Final = ("127.0.0.1", "::1", "localhost")
ENDED: Final = "worker-ended"
_CONNECT_S: Final = 30
_LOOK_S: Final = 30
_SILENT: Final = 4
"""So often in a row nobody may answer before the run is given up."""
_AT_ONCE: Final = 4
"""Partitions that wait at each worker, so that none is idle between two."""


@dataclass(frozen=True)
class Cluster:
    """Assesses fragments on the workers of a Dask scheduler.

    Attributes
    ----------
    address
        ``tls://host:port``, or ``tcp://127.0.0.1:port`` on this machine. Certificates are those of Dask's own
        configuration (``distributed.comm.tls``).
    """

    address: str

    def run(self, fragments: Sequence[Fragment], out: Path) -> Iterator[Outcome]:
        """See `faultml.season.runners.Runner`.

        Raises
        ------
        InputError
            ``not-secure`` where the address is neither TLS nor loopback.
        WorkerError
            Where no worker can be reached, or one does not see the season or the parts, or would assess with other
            code, model, catalogue or packages: the message names it.
        """
        with _connected(self.address) as client:
            n_workers = _check_workers(client, fragments, out)
            yield from _submit(client, fragments, out, _AT_ONCE * n_workers)


def check_address(address: str) -> None:
    """Raise unless an address is one that may be spoken to."""
    parts = urlsplit(address)
    if parts.scheme != "tls" and not (parts.scheme == "tcp" and parts.hostname in LOOPBACK):
        expected = "tls://host:port, or tcp://127.0.0.1:port on this machine"
        raise InputError("not-secure", where=address, expected=expected, found=parts.scheme)


@contextmanager
def _connected(address: str) -> Iterator[Any]:
    check_address(address)
    try:
        from distributed import Client
        from distributed.security import Security
    except ImportError as error:
        install = "pip install 'faultml[cluster]'"
        raise MissingExtraError(
            "missing-extra", where="--on", expected=install, found="no distributed"
        ) from error
    secure = Security(require_encryption=True) if address.startswith("tls:") else None
    try:
        client = Client(address, security=secure, timeout=_CONNECT_S, set_as_default=False)
    except Exception as error:  # whatever the transport, TLS and the handshake raise
        found = f"{type(error).__name__}: {error}"
        raise WorkerError("no-scheduler", where=address, expected="a Dask scheduler", found=found) from error
    try:
        yield client
    finally:
        client.close()


def _check_workers(client: Any, fragments: Sequence[Fragment], out: Path) -> int:
    """Ask every worker whether it sees the same files and would assess alike; how many they are."""
    probe = out / f".probe-{secrets.token_hex(4)}"
    probe.write_text(probe.name, encoding="utf-8")
    seen = [piece.path for fragment in (*fragments[:1], *fragments[-1:]) for piece in fragment.pieces[:1]]
    try:
        answers: dict[str, Any] = client.run(probe_worker, str(probe), str(out), seen, on_error="return")
    finally:
        probe.unlink(missing_ok=True)
    if not answers:
        raise WorkerError("no-workers", where=str(client), expected="one worker at least", found="none")
    for worker, answer in answers.items():
        if isinstance(answer, BaseException):
            found = f"{type(answer).__name__}: {answer}"
            raise WorkerError("worker-failed", where=worker, expected="faultml, as here", found=found)
        if answer:
            raise WorkerError("worker-refused", where=worker, found=answer)
    return len(answers)


def probe_worker(probe: str, out: str, seen: Sequence[str]) -> str:
    """Runs on a worker: why it cannot take part, "" where it can."""
    path = Path(probe)
    if not path.is_file() or path.read_text(encoding="utf-8") != path.name:
        return f"it does not see the results folder under {path.parent.parent}"
    missing = [each for each in seen if not Path(each).is_file()]
    if missing:
        return f"it does not see the season under {missing[0]}"
    try:
        written = path.with_name(f"{path.name}-{secrets.token_hex(4)}")
        written.write_bytes(b"")
        written.unlink()
    except OSError as error:
        return f"it cannot write to {path.parent.parent}: {error.strerror or error}"
    try:
        load_answering(Path(out))
    except FaultmlError as error:
        return str(error)
    return ""


def answer_on_worker(fragment: bytes, out: str, digest: str) -> bytes:
    """Runs on a worker: a fragment in, an answer out, both as JSON."""
    try:
        answering = _loaded(out, digest)
    except FaultmlError as error:
        return msgspec.json.encode(refusal(error))
    answer = answering.answer(msgspec.json.decode(fragment, type=Fragment))
    if answer.part is None:
        from distributed import get_worker

        answer = msgspec.structs.replace(answer, error=f"{get_worker().address}: {answer.error}")
    return msgspec.json.encode(answer)


@lru_cache(maxsize=1)
def _loaded(out: str, digest: str) -> Answering:
    """The inputs of a run, loaded once a worker; `digest` tells one run from the next in the same folder."""
    return load_answering(Path(out))


def _submit(client: Any, fragments: Sequence[Fragment], out: Path, at_once: int) -> Iterator[Outcome]:
    digest = load_inputs(out)[0].digest
    waiting = [(number, 1) for number in reversed(range(len(fragments)))]
    running: dict[Any, tuple[int, int]] = {}
    while waiting or running:
        while waiting and len(running) < at_once:
            number, attempt = waiting.pop()
            content = msgspec.json.encode(fragments[number])
            future = client.submit(answer_on_worker, content, str(out), digest, pure=False, retries=0)
            running[future] = (number, attempt)
        for future in _some_done(client, running):
            number, attempt = running.pop(future)
            answer = _answer_of(future)
            if answer.part is not None:
                yield Outcome(number, answer.part)
            elif answer.stops:
                raise WorkerError(answer.code, where=str(client), found=answer.error)
            elif attempt < MAX_ATTEMPTS and answer.code != ENDED:
                waiting.append((number, attempt + 1))
            else:
                yield Outcome(number, Lost(answer.error))


def _some_done(client: Any, running: Collection[Any]) -> Collection[Any]:
    """Wait until something is done, as long as there are workers.

    Raises
    ------
    WorkerError
        ``no-workers`` where all have gone, ``no-scheduler`` where the scheduler has.
    """
    from distributed import wait

    silent = 0
    while True:
        try:
            with client.as_current():
                return wait(list(running), timeout=_LOOK_S, return_when="FIRST_COMPLETED").done
        except TimeoutError:
            silent = 0 if _has_workers(client) else silent + 1
        except Exception as error:  # cancelled futures: the scheduler has gone, and every worker with it
            raise WorkerError("no-scheduler", where=str(client), found=type(error).__name__) from error
        if silent == _SILENT:
            raise WorkerError("no-workers", where=str(client), expected="workers", found="none answers")


def _has_workers(client: Any) -> bool:
    try:
        return bool(client.sync(client.scheduler.identity, n_workers=-1, callback_timeout=_LOOK_S)["workers"])
    except (TimeoutError, OSError):
        return False


def _answer_of(future: Any) -> Answer:
    """What a partition has come to; Dask gives one that ends its worker to another, and gives up in the end."""
    from distributed.scheduler import KilledWorker

    try:
        return msgspec.json.decode(future.result(), type=Answer)
    except KilledWorker as error:
        return Answer(error=f"{error.last_worker.address}: it ended its workers", code=ENDED)
    except Exception as error:  # what a worker raises comes as it is
        return Answer(error=f"{type(error).__name__}: {error}", code="worker-failed")
