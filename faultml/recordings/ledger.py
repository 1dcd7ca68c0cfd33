"""What is noticed about the swings of a batch: codes, reasons of refusal, rows for ``problems.csv``."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from faultml.channels import ID_COLUMNS
from faultml.recordings.findings import findings
from faultml.recordings.problems import Problem, swing_problem


class Ledger:
    """Findings of the swings of a batch.

    Parameters
    ----------
    table
        The batch's `faultml.recordings.raw.RAW_SCHEMA` table. Codes its reader gave are taken over, without
        problem rows: the reader has reported those.
    """

    def __init__(self, table: pa.Table) -> None:
        self._findings = findings()
        self._table = table
        self.reasons: list[str] = table["reason"].to_pylist()
        self.codes: list[tuple[str, ...]] = [(reason,) if reason else () for reason in self.reasons]
        noted = table["noted"]
        if noted.null_count < len(noted):
            for row, codes in enumerate(noted.to_pylist()):
                self.codes[row] += tuple(codes or ())
        self.problems: list[Problem] = []

    def note(
        self,
        rows: Sequence[int] | NDArray[np.int64],
        code: str,
        expected: str = "",
        found: Sequence[str] | str = "",
    ) -> None:
        """Note a finding for swings.

        Parameters
        ----------
        rows
            Rows of the batch.
        code
            A code of ``findings.toml``.
        expected, found
            For the problem rows; `found` is one text, or one for each of `rows`.
        """
        finding = self._findings[code]
        for position, row in enumerate(map(int, rows)):
            if code not in self.codes[row]:
                self.codes[row] += (code,)
            if finding.severity == "refuse" and not self.reasons[row]:
                self.reasons[row] = code
            if finding.problem:
                text = found if isinstance(found, str) else found[position]
                self.problems.append(self._problem(row, code, expected, text))

    def refused(self, rows: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Which of the swings have a reason not to be assessed."""
        return np.array([bool(self.reasons[row]) for row in rows], dtype=bool)

    def _problem(self, row: int, code: str, expected: str, found: str) -> Problem:
        file, line, *ids = (self._table[name][row].as_py() for name in ("file", "row", *ID_COLUMNS))
        return swing_problem(file or "", line or 0, ids, code, expected, found)
