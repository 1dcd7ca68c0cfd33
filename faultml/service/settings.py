"""What a server is given: where things lie, who may ask, and every limit by its name."""

from __future__ import annotations

import ipaddress
import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from faultml.classifier.bundle import Registered
from faultml.errors import InputError

TOKEN_ENVIRONMENT: Final = "FAULTML_TOKEN"
MIN_TOKEN_LETTERS: Final = 24


@dataclass(frozen=True)
class Limits:
    """How much a server takes on. Each is described in docs/http.md.

    Attributes
    ----------
    max_body_bytes
        A request's body, but for a season's upload: 413.
    max_swings
        Swings in one request to assess: 422.
    max_samples
        Samples of one swing: 422.
    max_labels
        Verdicts in one request, and in one answer: 422.
    max_running
        Assessments that run at once, a thread each.
    max_waiting
        Assessments that wait for a thread: 503.
    max_assessment_s
        From the arrival of a request's body to its answer: 503.
    max_read_s
        From a request to its answer out of results or the store: 503.
    max_connections
        Connections at once; fewer where the process may not open so many files. Beyond, the one that has waited longest
        with an unfinished head is closed.
    max_head_s
        Until a request's head has arrived: 408.
    max_body_s
        Until a request's body has arrived, but for a season's upload: 408.
    max_upload_s
        Until a season's upload has arrived: 408.
    max_pause_s
        Between two parts of a body: 408.
    max_unread_s
        How long a client may read nothing of its answer; then the connection is closed.
    max_requests_of_a_client
        Requests of one address that are being answered: 429.
    max_requests
        Requests of all that are being answered: 503.
    max_upload_bytes
        A season's upload, all files together: 413.
    max_upload_files
        Files of a season's upload: 422.
    max_jobs
        Seasons that are kept, finished ones included, of all servers that share a spool: 429.
    max_jobs_running
        Seasons that are classified at once, of all servers that share a spool.
    max_attempts
        How often a season is begun whose server ended; then it is interrupted.
    job_lease_s
        How long a server that is silent keeps a season from the others.
    max_job_s
        One season's classification; then it has failed.
    job_kept_s
        How long a finished season is kept.
    """

    max_body_bytes: int = 16_000_000
    max_swings: int = 200
    max_samples: int = 10_000
    max_labels: int = 1000
    max_running: int = 2
    max_waiting: int = 64
    max_assessment_s: float = 30.0
    max_read_s: float = 40.0
    max_connections: int = 1000
    max_head_s: float = 10.0
    max_body_s: float = 60.0
    max_upload_s: float = 600.0
    max_pause_s: float = 20.0
    max_unread_s: float = 30.0
    max_requests_of_a_client: int = 64
    max_requests: int = 256
    max_upload_bytes: int = 1_000_000_000
    max_upload_files: int = 100
    max_jobs: int = 20
    max_jobs_running: int = 1
    max_attempts: int = 3
    job_lease_s: float = 15.0
    max_job_s: float = 3600.0
    job_kept_s: float = 86_400.0


@dataclass(frozen=True)
class Settings:
    """What a server is given.

    Attributes
    ----------
    model, catalogue
        Folder of the model, file of moved edges; the package's own where None.
    registered
        Which version of a registry the model must be; None where it is none.
    results
        Results folder that drills are taken from; None: those of the latest season that was uploaded.
    store
        The coach's store; None: no labels.
    token_file
        Tokens by their hashes, of which a request must bring one as ``Authorization: Bearer``; None for none.
    token
        One more such token, itself; "" for none.
    metrics
        Whether ``/metrics`` is answered, to whoever brings a token.
    hosts
        ``host:port`` that a request's Host may name, exactly, in small letters.
    spool
        Where uploads are kept; None: beside the store.
    limits
        Every limit.
    """

    model: Path | None = None
    catalogue: Path | None = None
    registered: Registered | None = None
    results: Path | None = None
    store: Path | None = None
    token_file: Path | None = None
    token: str = ""
    metrics: bool = False
    hosts: tuple[str, ...] = ()
    spool: Path | None = None
    limits: Limits = field(default_factory=Limits)


def allowed_hosts(host: str, port: int, others: tuple[str, ...] = ()) -> tuple[str, ...]:
    """Every ``host:port`` that a server which listens at `host` may be called.

    Parameters
    ----------
    host, port
        Where it listens. On loopback all of loopback's names are meant.
    others
        Names it is reached by as well, with a port where that is another.

    Raises
    ------
    InputError
        ``host-needed`` where it listens on all addresses and no name is given.
    """
    names = ["127.0.0.1", "localhost", "[::1]"] if is_loopback(host) else [_bracketed(host)]
    if host in ("0.0.0.0", "::", ""):
        if not others:
            raise InputError(
                "host-needed",
                where=host,
                expected="the name that clients call it by, with --allow-host",
                found="every address of this machine",
            )
        names = []
    allowed = [f"{name.lower()}:{port}" for name in names]
    for other in others:
        has_port = other.rpartition(":")[2].isdecimal() and not other.endswith("]")
        allowed.append(other.lower() if has_port else f"{other.lower()}:{port}")
    default = [each.rpartition(":")[0] for each in allowed if each.endswith((":80", ":443"))]
    return tuple(dict.fromkeys([*allowed, *default]))


def is_loopback(host: str) -> bool:
    """Whether an address or name is only reached from this machine."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def read_token(file: Path | None, host: str) -> str:
    """The token, from a file or from the environment; "" where there is none, which only loopback allows.

    Raises
    ------
    InputError
        ``token-needed`` where others than this machine may ask and there is none, ``token-too-short``,
        ``unreadable``.
    """
    try:
        content = file.read_text(encoding="utf-8") if file else os.environ.get(TOKEN_ENVIRONMENT, "")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError("unreadable", where=str(file), expected="a file with the token") from error
    token = content.strip()
    if not token and (file or not is_loopback(host)):
        raise InputError(
            "token-needed",
            where=str(file or host),
            expected=f"a token in a file or in {TOKEN_ENVIRONMENT}: others than this machine could ask",
            found="none",
        )
    if token and (len(token) < MIN_TOKEN_LETTERS or not token.isascii() or not token.isprintable()):
        raise InputError(
            "token-too-short",
            where=str(file or TOKEN_ENVIRONMENT),
            expected=f"{MIN_TOKEN_LETTERS} letters or more on one line, ASCII: python -c"
            " 'import secrets; print(secrets.token_urlsafe(32))'",
            found=f"{len(token)} letters",
        )
    return token


def _bracketed(host: str) -> str:
    return f"[{host}]" if ":" in host and not host.startswith("[") else host
