"""What the routes share: the model, the coaching rules, the store, the jobs and the threads."""

from __future__ import annotations

from datetime import date

import numpy as np
from fastapi import Request

from faultml.assessing import AssessedSwings, assess_swings, default_assessor
from faultml.care.known import Known, known_now, known_with_store
from faultml.classifier.assess import Assessor
from faultml.classifier.bundle import load_bundle
from faultml.coaching.rules import Coaching, load_coaching
from faultml.faults.catalogue import load_catalogue
from faultml.recordings.files import ROSTER_FILE
from faultml.recordings.roster import read_roster
from faultml.recordings.roster_match import match_roster
from faultml.results import Results, read_results
from faultml.service.answers import ModelOut
from faultml.service.connections import Connections
from faultml.service.jobs import Jobs
from faultml.service.pool import Pool
from faultml.service.problems import Refusal
from faultml.service.settings import Settings
from faultml.store.base import Store

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
    jobs
        Uploaded seasons; there while the server runs.
    ready
        Whether every kernel is compiled.

    Raises
    ------
    FaultmlError
        Where the model, the catalogue, the results or the store cannot be used.
    """

    jobs: Jobs

    def __init__(self, settings: Settings) -> None:
        limits = settings.limits
        self.settings = settings
        self.connections = Connections(limits)
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

    def close(self) -> None:
        """Let go of threads and store."""
        self.assessing.close()
        self.reading.close()
        if self.store is not None:
            self.store.close()


def service_of(request: Request) -> Service:
    """The service behind an app's routes."""
    service: Service = request.app.state.service
    return service


def _assessor(settings: Settings) -> Assessor:
    if settings.model is None and settings.catalogue is None:
        return default_assessor()
    return Assessor(load_bundle(settings.model, settings.registered), load_catalogue(settings.catalogue))


def _open(settings: Settings) -> Store | None:
    if settings.store is None:
        return None
    from faultml.store import open_store

    return open_store(settings.store)
