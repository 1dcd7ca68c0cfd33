"""Players who are left out of whatever is read, since they have asked to be forgotten."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol


class LeftOut(Protocol):
    """Says which players to leave out: `faultml.store.people.ForgottenPlayers`."""

    def __call__(self, players: Iterable[str]) -> frozenset[str]:
        """Those of the players who are left out."""
        ...

    @property
    def digest(self) -> str:
        """Of all who are left out: another as soon as one more is."""
        ...
