"""Typed errors. Each says where it happened, what was expected and what was found."""

from __future__ import annotations


class FaultmlError(Exception):
    """Base of every error this package raises on purpose.

    Parameters
    ----------
    code
        Stable, machine-readable code such as ``"missing-column"``.
    where
        File, row, swing or setting the error is about.
    expected, found
        What would have been right, and what was there instead.
    """

    def __init__(self, code: str, *, where: str = "", expected: str = "", found: str = "") -> None:
        self.code = code
        self.where = where
        self.expected = expected
        self.found = found
        super().__init__(str(self))

    def __str__(self) -> str:
        head = f"{self.where}: {self.code}" if self.where else self.code
        tail = [f"expected {self.expected}"] if self.expected else []
        tail += [f"found {self.found}"] if self.found else []
        return f"{head}: {', '.join(tail)}" if tail else head


class InputError(FaultmlError):
    """A file, table or column is not what the season table asks for."""


class CatalogueError(FaultmlError):
    """A fault catalogue, drill book or rules file does not fit its schema."""


class BundleError(FaultmlError):
    """A model bundle is damaged, not trusted, or made for other versions."""


class StoreError(FaultmlError):
    """The coach's store cannot be used: not one of ours, newer than this program, busy or damaged."""


class MissingExtraError(FaultmlError):
    """An optional dependency is not installed; the message holds the install line."""


class WorkerError(FaultmlError):
    """A process or machine that assesses partitions cannot do so; the message names it and says why."""
