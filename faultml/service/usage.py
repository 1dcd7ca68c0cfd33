"""How often each token has asked of late, counted over all servers that share a spool."""

from __future__ import annotations

import sqlite3
import time
from pathlib import Path
from typing import Final

USAGE_FILE: Final = "usage.sqlite"

_MINUTE_S: Final = 60.0
_BUSY_S: Final = 0.5
_COUNT: Final = """
INSERT INTO usage (token, due_s) VALUES (:token, :now + :each)
ON CONFLICT (token) DO UPDATE SET due_s = max(due_s, :now) + :each WHERE max(due_s, :now) + :each - :now <= :minute
"""


class Usage:
    """Requests of each token by the generic cell rate algorithm.

    A token's requests are due one after the other, evenly over a minute; one that would be due more than a minute ahead
    is refused. The file may be lost with the machine's power, which costs a minute's count.

    Parameters
    ----------
    folder
        The spool.
    """

    def __init__(self, folder: Path) -> None:
        self._connection = sqlite3.connect(
            folder / USAGE_FILE, timeout=_BUSY_S, isolation_level=None, check_same_thread=False
        )
        self._connection.execute("PRAGMA journal_mode = WAL")
        self._connection.execute("PRAGMA synchronous = OFF")
        self._connection.execute(
            "CREATE TABLE IF NOT EXISTS usage (token TEXT PRIMARY KEY, due_s REAL NOT NULL) STRICT"
        )

    def count(self, token: str, a_minute: int) -> float:
        """Count a request; how long to wait, s, where it is one too many and not counted, else 0."""
        now, each = time.time(), _MINUTE_S / a_minute
        values = {"token": token, "now": now, "each": each, "minute": _MINUTE_S}
        if self._connection.execute(_COUNT, values).rowcount:
            return 0.0
        (due,) = self._connection.execute("SELECT due_s FROM usage WHERE token = ?", (token,)).fetchone()
        # Due a day ahead is of a clock that was wrong.
        return float(min(max(due + each - now - _MINUTE_S, 0.1), _MINUTE_S))

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()
