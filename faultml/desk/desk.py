"""What all places of a desk share: its folder, the season in it, the store, sessions, and long work."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import cached_property
from pathlib import Path

import msgspec
import pandas as pd

from faultml.coaching.rules import Coaching, load_coaching
from faultml.desk.folder import Adaptation, DeskFolder, Remembered
from faultml.desk.jobs import ClassifyWork, Job, Jobs, RetrainWork
from faultml.desk.landmarks import landmarks_now
from faultml.desk.motion import RawCurves, SwingCurves
from faultml.desk.season import Season
from faultml.desk.sessions import Sessions
from faultml.store import Store, open_store
from faultml.store.base import now


class Desk:
    """One desk on one folder, which is made where there is none.

    Attributes
    ----------
    folder, season, sessions, jobs
        See their classes.
    """

    def __init__(self, folder: DeskFolder) -> None:
        folder.make()
        self.folder = folder
        self.season = Season(folder)
        self.sessions = Sessions()
        self.jobs = Jobs(folder)

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        """Hold the folder and do long work; raises ``desk-open`` where another desk holds it."""
        async with self.jobs.running():
            try:
                yield
            finally:
                if "store" in self.__dict__:
                    self.store.close()

    @cached_property
    def store(self) -> Store:
        """The coach's store, made where there is none."""
        return open_store(self.folder.store)

    @property
    def coaching(self) -> Coaching:
        """Drill book, rules and words for the catalogue in use."""
        return load_coaching(self.season.catalogue())

    @property
    def remembered(self) -> Remembered:
        """What the desk remembers."""
        return self.folder.recall()

    def motion(self, row: pd.Series) -> SwingCurves | RawCurves | None:
        """The motion of a swing with its landmarks as they are now; see `Recordings.curves`."""
        return self.season.recordings.curves(landmarks_now(self.store, row))

    def name_coach(self, name: str) -> None:
        """Keep who gives verdicts here."""
        self.folder.remember(lambda known: msgspec.structs.replace(known, coach=name))

    def classify(self) -> Job:
        """Classify the season anew, with the adaptation in use."""
        return self._classify(self.remembered.used)

    def _classify(self, used: tuple[str, ...]) -> Job:
        """Classify with the last adaptation of `used`, which is remembered as in use once that is done."""
        adaptation = str(self.folder.coaches / used[-1]) if used else ""

        def remember() -> None:
            self.folder.remember(lambda known: msgspec.structs.replace(known, used=used))

        return self.jobs.start("Assess every swing", ClassifyWork(adaptation), after=remember)

    def retrain(self, coach: str) -> Job:
        """Learn from a coach's verdicts into a new folder, which is remembered and not yet in use."""
        name = now().replace(":", "").replace("-", "").lower()
        out = Path(self.folder.coaches.name, name)

        def remember() -> None:
            learned = Adaptation(name, coach, now())
            self.folder.remember(
                lambda known: msgspec.structs.replace(known, learned=(*known.learned, learned))
            )

        return self.jobs.start(f"Learn from {coach}'s verdicts", RetrainWork(coach, str(out)), after=remember)

    def adopt(self, adaptation: Adaptation) -> Job:
        """Use an adaptation from now on: the season is assessed anew with it."""
        return self._classify((*self.remembered.used, adaptation.folder))

    def roll_back(self) -> Job:
        """Use what was in use before the last adoption."""
        return self._classify(self.remembered.used[:-1])
