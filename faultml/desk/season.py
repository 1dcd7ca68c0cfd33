"""The season as the desk sees it: the results that are there now, read again when they have been replaced."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import msgspec
import pandas as pd

from faultml.channels import ID_COLUMNS
from faultml.classifier.coach_adaptation import load_adaptation
from faultml.coaching.tables import read_plans
from faultml.desk.folder import DeskFolder
from faultml.desk.motion import Recordings
from faultml.desk.plain_words import error_words
from faultml.errors import FaultmlError
from faultml.faults.catalogue import Catalogue, load_catalogue
from faultml.recordings.same_names import SameName
from faultml.results import Results, read_results
from faultml.season.corrections import read_forgotten

_LISTED: Final = (*ID_COLUMNS, "club", "shot", "context", "assessed", "reason")


class Season:
    """Results and recordings of a desk's folder.

    A results folder is replaced as a whole; what was read of the former one is dropped with it.
    """

    def __init__(self, folder: DeskFolder) -> None:
        self._folder = folder
        self._stamp: tuple[int, int] | None = None
        self._results: Results | None = None
        self._swings: pd.DataFrame | None = None
        self._left_out: frozenset[str] = frozenset()
        self._of_player = lru_cache(maxsize=12)(self._read_player)
        self._catalogue = lru_cache(maxsize=4)(self._read_catalogue)
        self.recordings = Recordings([folder.season])

    @property
    def results(self) -> Results | None:
        """The results; None where nothing has been classified yet."""
        path = self._folder.results / "run.json"
        try:
            stat = path.stat()
        except OSError:
            self._stamp = self._results = self._swings = None
            return None
        stamp = (stat.st_mtime_ns, stat.st_ino)
        if stamp != self._stamp:
            self._results, self._stamp, self._swings = read_results(self._folder.results), stamp, None
            self.recordings.names = msgspec.convert(
                self._results.run.get("same_names", []), tuple[SameName, ...]
            )
            self._of_player.cache_clear()
            self.recordings.forget()
        return self._results

    @property
    def swings(self) -> pd.DataFrame:
        """A row a swing with its ids, club, shot, context and whether it was assessed; empty without results.

        Players who have asked to be forgotten since the season was classified are left out.
        """
        return self._read_swings()

    def _read_swings(self) -> pd.DataFrame:
        results = self.results
        if results is None:
            return pd.DataFrame(columns=list(_LISTED))
        if self._swings is None:
            held = results.frame("swings", list(_LISTED))
            store = self._folder.store
            asked = read_forgotten(store) if store.exists() else None
            self._left_out = frozenset() if asked is None else asked(held["player"].unique())
            self._swings = held[~held["player"].isin(self._left_out)].reset_index(drop=True)
        return self._swings

    @property
    def players(self) -> list[str]:
        """Everybody in the results, in the order of names."""
        return sorted(self.swings["player"].unique())

    @property
    def left_out(self) -> int:
        """How many players the results hold who have asked to be forgotten since."""
        self._read_swings()
        return len(self._left_out)

    def of_player(self, table: str, player: str) -> pd.DataFrame:
        """The rows of a table about one player; empty without results."""
        if self.results is None:
            return pd.DataFrame()
        rows = self._of_player(table, player)
        return rows if player in self.players else rows.iloc[:0]

    def swing(self, player: str, session: str, swing: str) -> pd.Series | None:
        """A swing's row of the table ``swings``; None where it is not there."""
        rows = self.of_player("swings", player)
        if not len(rows):
            return None
        own = rows[(rows["session"] == session) & (rows["swing"] == swing)]
        return own.iloc[0] if len(own) else None

    def faults(self, player: str, session: str, swing: str) -> pd.DataFrame:
        """A swing's rows of the table ``faults``."""
        rows = self.of_player("faults", player)
        return rows[(rows["session"] == session) & (rows["swing"] == swing)] if len(rows) else rows

    def unreadable(self) -> str:
        """Why plans cannot be read from the results, such as those of another version; "" where they can."""
        if self.results is None:
            return ""
        try:
            read_plans(self.results.players, self.results.drills)
        except FaultmlError as error:
            return error_words(error)
        return ""

    def catalogue(self) -> Catalogue:
        """The faults with the edges that the results were made with: a coach's own where an adaptation was in use."""
        results = self.results
        made_with = results.run.get("coach", {}).get("adaptation_sha256", "") if results is not None else ""
        return self._catalogue(made_with)

    @property
    def own_catalogue(self) -> Catalogue:
        """The faults with the edges of the package."""
        return self._catalogue("")

    def _read_catalogue(self, adaptation_sha256: str) -> Catalogue:
        for folder in self._folder.coaches.iterdir() if adaptation_sha256 else ():
            try:
                adaptation, catalogue = load_adaptation(folder)
            except FaultmlError:
                continue
            if adaptation.sha256 == adaptation_sha256:
                return catalogue
        return load_catalogue()

    def _read_player(self, table: str, player: str) -> pd.DataFrame:
        assert self._results is not None
        return self._results.of_player(table, player)
