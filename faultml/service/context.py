"""What the routes share: the model, the coaching rules, the store, the jobs and the threads."""

from __future__ import annotations

from datetime import date
from typing import Final

import numpy as np
from fastapi import Request

from faultml.assessing import AssessedSwings, assess_swings, default_assessor
from faultml.care.known import Known, known_now, known_with_store
from faultml.classifier.assess import Assessor
from faultml.classifier.bundle import load_bundle
from faultml.coaching.rules import Coaching, load_coaching
from faultml.errors import InputError
from faultml.faults.catalogue import load_catalogue
from faultml.recordings.files import ROSTER_FILE
from faultml.recordings.roster import read_roster
from faultml.recordings.roster_match import match_roster
from faultml.results import Results, read_results
from faultml.service.answers import ModelOut
from faultml.service.connections import Connections
from faultml.service.jobs import Jobs
from faultml.service.metrics import Metrics
from faultml.service.pool import Pool
from faultml.service.problems import Refusal
from faultml.service.settings import Settings
from faultml.service.spool import open_spool
from faultml.service.tokens import ANONYMOUS, Token, Tokens
from faultml.service.usage import Usage
from faultml.store.base import Store

TOKEN: Final = "faultml_token"
"""Where the token of a request stands in its scope; None where there is none."""

_READERS = 4
_WARM_RATE_HZ, _WARM_S = 200.0, 2.5


class Service:
    """Everything behind the routes.

    Attributes
    ----------
    assessing, reading
        Threads that assess, and threads that wait for disks.
    connections
        Everybody who is connected.
    tokens
        Who may ask.
    metrics
        Figures for Prometheus; None where they are off.
    jobs, usage
        Uploaded seasons, and how often each token has asked; there while the server runs.
    ready
        Whether every kernel is compiled.

    Raises
    ------
    FaultmlError
        Where the model, the catalogue, the results, the store or the tokens cannot be used.
    """

    jobs: Jobs
    usage: Usage

    def __init__(self, settings: Settings) -> None:
        limits = settings.limits
        self.settings = settings
        self.connections = Connections(limits)
        self.tokens = Tokens(settings.token_file, settings.token)
        self.metrics = self._metrics() if settings.metrics else None
        self.assessor = _assessor(settings)
        self.coaching: Coaching = load_coaching(self.assessor.catalogue)
        self.store = _open(settings)
        if settings.results is not None:
            read_results(settings.results)
        self.assessing = Pool(
            "assess",
            running=limits.max_running,
            waiting=limits.max_waiting,
            max_s=limits.max_assessment_s,
        )
        self.reading = Pool("read", running=_READERS, waiting=limits.max_requests, max_s=limits.max_read_s)
        self.ready = False
        self._started = False

    @property
    def model(self) -> ModelOut:
        """Which model it is."""
        manifest = self.assessor.bundle.manifest
        return ModelOut(name=manifest.name, version=manifest.version, sha256=manifest.sha256)

    def warm(self) -> None:
        """Assess a made-up movement, so that no request waits for kernels to be compiled."""
        t_s = np.arange(0, _WARM_S, 1 / _WARM_RATE_HZ)
        back = np.exp(-(((t_s - 1.3) / 0.25) ** 2))
        down = np.tanh((t_s - 1.6) / 0.08)
        swing = {"t_s": t_s, "flexion_deg": 20 * back, "ulnar_deg": 15 * down, "pronation_deg": 40 * back}
        assessed: AssessedSwings = assess_swings([swing], assessor=self.assessor)
        self.ready = len(assessed.swings) == 1

    def results(self) -> Results:
        """The results that drills are taken from.

        Raises
        ------
        Refusal
            ``no-results`` (404) where there are none yet.
        """
        if self.settings.results is not None:
            return read_results(self.settings.results)
        job = self.jobs.latest_done()
        if job is None:
            raise Refusal(404, "no-results", "No season has been classified yet.")
        return read_results(self.jobs.results(job))

    def known(self) -> tuple[Known, frozenset[str]]:
        """What is known of everybody now, and who was recorded in the results that drills are taken from.

        Raises
        ------
        Refusal
            ``no-results`` (404) where there are none yet.
        """
        return self.known_of(self.results(), uploaded=self.settings.results is None)

    def known_of(self, results: Results, *, uploaded: bool) -> tuple[Known, frozenset[str]]:
        """The same of given results, which were uploaded or not."""
        recorded = frozenset(map(str, results.players["player"]))
        # An upload's roster lies beside its results.
        kept = results.folder.parent / ROSTER_FILE
        roster = kept if uploaded and kept.exists() else None
        return known_with_store(results.run, recorded, date.today(), self.store, roster), recorded

    def known_in_store(self, player: str) -> Known:
        """What is known of one player: with the roster where there are results that hold the player."""
        try:
            known, recorded = self.known()
        except Refusal:
            recorded = frozenset()
        if player in recorded:
            return known
        return known_now(
            match_roster(read_roster(None), ()), [player], date.today(), self.store, recorded=False
        )

    def kept_store(self) -> Store:
        """The coach's store; raises a `Refusal` (404, ``no-store``) where the server was started without."""
        if self.store is None:
            raise Refusal(404, "no-store", "This server was started without a store.")
        return self.store

    def _metrics(self) -> Metrics:
        if not self.tokens.needed:
            raise InputError(
                "token-needed", where="--metrics", expected="a token: whoever asks can see", found="none"
            )
        return Metrics(self.connections, lambda: [job.state for job in self.jobs.all()])

    def start(self) -> None:
        """Open the spool."""
        spool = open_spool(self.settings.spool, self.settings.store)
        self.jobs, self.usage = Jobs(self.settings, spool), Usage(spool)
        self._started = True

    def close(self) -> None:
        """Let go of threads, store and, where the server has run, the spool."""
        if self._started:
            self.usage.close()
        self.assessing.close()
        self.reading.close()
        if self.store is not None:
            self.store.close()


def service_of(request: Request) -> Service:
    """The service behind an app's routes."""
    service: Service = request.app.state.service
    return service


def uploader(request: Request, service: Service) -> tuple[str, int]:
    """Whose a season is that a request uploads: name of the token, and how many seasons it may have."""
    token: Token | None = request.scope[TOKEN]
    return (token.name, token.max_seasons) if token else (ANONYMOUS, service.settings.limits.max_jobs)


def _assessor(settings: Settings) -> Assessor:
    if settings.model is None and settings.catalogue is None:
        return default_assessor()
    return Assessor(load_bundle(settings.model, settings.registered), load_catalogue(settings.catalogue))


def _open(settings: Settings) -> Store | None:
    if settings.store is None:
        return None
    from faultml.store import open_store

    return open_store(settings.store)
