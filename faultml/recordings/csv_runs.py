"""Runs of lines of a CSV block that say the same of their swing: found in its bytes, without parsing a field."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from faultml.kernels import kernel

_QUOTE: Final = 34
_NEW_LINE: Final = 10
_RETURN: Final = 13


class Runs(NamedTuple):
    """Runs of neighbouring lines whose marked fields are equal, byte for byte.

    Attributes
    ----------
    n_lines
        Lines of the block.
    lines
        ``(n_runs,)`` line of the block in which each run begins, from 0.
    starts, stops
        ``(n_runs,)`` bytes of that line, its end not included.
    """

    n_lines: int
    lines: NDArray[np.int64]
    starts: NDArray[np.int64]
    stops: NDArray[np.int64]


def find_runs(block: NDArray[np.uint8], delimiter: str, marked: NDArray[np.bool_]) -> Runs | None:
    """Runs of a block of whole lines; None where a line needs a closer look.

    That is one that is empty, has another number of fields, a return within or a quote that does not close at the end
    of its field.

    Parameters
    ----------
    block
        ``(n_bytes,)``; its last line may lack the end.
    marked
        ``(n_fields,)`` the fields that are compared.
    """
    # A line has at least a delimiter between fields, and its end.
    room = len(block) // len(marked) + 2
    lines, starts, stops = (np.empty(room, dtype=np.int64) for _ in range(3))
    ends_field = np.zeros(256, dtype=np.bool_)
    ends_field[[ord(delimiter), _NEW_LINE, _RETURN]] = True
    n_lines, n_runs = _find(block, ord(delimiter), ends_field, marked, lines, starts, stops)
    if n_lines < 0:
        return None
    return Runs(n_lines, lines[:n_runs], starts[:n_runs], stops[:n_runs])


@kernel
def _find(
    block: NDArray[np.uint8],
    delimiter: int,
    ends_field: NDArray[np.bool_],
    marked: NDArray[np.bool_],
    lines: NDArray[np.int64],
    starts: NDArray[np.int64],
    stops: NDArray[np.int64],
) -> tuple[int, int]:
    """Fill `lines`, `starts` and `stops`; number of lines, -1 where one is odd, and of runs.

    `ends_field` says of each byte whether an unquoted field may end with it.
    """
    n_fields, end = len(marked), len(block)
    begins, ends = np.zeros(n_fields, np.int64), np.zeros(n_fields, np.int64)
    n_lines, n_runs, at = 0, 0, 0
    while at < end:
        line = at
        same = n_lines > 0
        for field in range(n_fields):
            begin = at
            if at < end and block[at] == _QUOTE:
                at += 1
                while True:
                    while at < end and block[at] != _QUOTE and block[at] != _NEW_LINE:
                        at += 1
                    if at >= end or block[at] == _NEW_LINE:
                        return -1, 0
                    at += 1
                    if at < end and block[at] == _QUOTE:
                        at += 1
                    else:
                        break
                last = at
                if at < end and block[at] == _RETURN:
                    at += 1
                if at < end and block[at] != _NEW_LINE and (block[at] != delimiter or last != at):
                    return -1, 0
            else:
                while at < end and not ends_field[block[at]]:
                    at += 1
                last = at
                if at < end and block[at] == _RETURN:
                    at += 1
                    if at < end and block[at] != _NEW_LINE:
                        return -1, 0
            closed = at >= end or block[at] == _NEW_LINE
            if closed != (field == n_fields - 1) or (n_fields == 1 and last == begin):
                return -1, 0
            if marked[field]:
                if same:
                    before, n_bytes = begins[field], last - begin
                    same = ends[field] - before == n_bytes
                    place = 0
                    while same and place < n_bytes:
                        same = block[before + place] == block[begin + place]
                        place += 1
                begins[field], ends[field] = begin, last
            at += 1
        if not same:
            lines[n_runs], starts[n_runs], stops[n_runs] = n_lines, line, min(at - 1, end)
            n_runs += 1
        n_lines += 1
    return n_lines, n_runs
