"""The coach's verdicts: kept, compared, and which to ask for next."""

from __future__ import annotations

from faultml.labels.agree import agreement
from faultml.labels.choose import next_swings, repeat_swings
from faultml.labels.sheet import export_verdicts, import_verdicts, write_blank
from faultml.labels.verdict import Added, Verdict, add, verdicts

__all__ = [
    "Added",
    "Verdict",
    "add",
    "agreement",
    "export_verdicts",
    "import_verdicts",
    "next_swings",
    "repeat_swings",
    "verdicts",
    "write_blank",
]
