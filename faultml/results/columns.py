"""The result tables whose columns are fixed; what each means is in docs/columns.md."""

from __future__ import annotations

from typing import Final

from faultml.results.tables import Kind

PROGRAM: Final = "faultml"
RUN_FILE: Final = "run.json"
"""Lists the files and each table's columns, and marks a folder as results of ours."""

REPORT_FILE: Final = "report.html"

_IDS: Final[dict[str, Kind]] = {"player": "text", "session": "text", "swing": "text"}
_CLOSURE: Final = tuple(
    f"closure_{phase}_{part}_deg"
    for phase in ("backswing", "downswing", "release")
    for part in ("bend", "roll")
)
_CLOSURE_SD: Final = tuple(name.replace("_deg", "_sd_deg") for name in _CLOSURE)

SWINGS: Final[dict[str, Kind]] = {
    **_IDS,
    **dict.fromkeys(("hand", "club", "context"), "text"),
    "shot": "words",
    "assessed": "flag",
    "reason": "text",
    "findings": "words",
    **dict.fromkeys(("takeaway_s", "top_s", "impact_s", "finish_s"), "number"),
    **dict.fromkeys(("takeaway_sd_s", "top_sd_s", "impact_sd_s", "finish_sd_s"), "number"),
    "impact_marked": "flag",
    "impact_from": "text",
    "timing_offset_s": "number",
    "coach_landmarks": "words",
    "tempo": "number",
    **dict.fromkeys(("address_flexion_deg", "address_ulnar_deg", "address_pronation_deg"), "number"),
    **dict.fromkeys((*_CLOSURE, "closure_total_deg"), "number"),
    **dict.fromkeys((*_CLOSURE_SD, "closure_total_sd_deg"), "number"),
    "late_save": "flag",
    "late_save_probability": "number",
}  # fmt: skip
"""Columns of ``swings``: every swing of the input, once."""

FAULTS: Final[dict[str, Kind]] = {
    **_IDS,
    **dict.fromkeys(("fault", "status", "reason"), "text"),
    "probability": "number",
    "call": "text",
    "flagged": "flag",
    "promised": "number",
    **dict.fromkeys(("measure", "severity", "severity_lo", "severity_hi"), "number"),
    "unit": "text",
    "edge": "number",
    "edge_owner": "text",
    "measure_sd": "number",
    "guard_chance": "number",
    "onset_phase": "text",
    "onset_at": "number",
}
"""Columns of ``faults``: a swing times a fault."""

PROBLEMS: Final[dict[str, Kind]] = {
    "file": "text",
    "row": "whole",
    **_IDS,
    **dict.fromkeys(("code", "expected", "found"), "text"),
}

SUMS_PREFIX: Final = "sums_"
"""How the tables of the season's sums are called, from which a report is drawn and drills are judged."""

STREAMED: Final = {"swings": SWINGS, "faults": FAULTS, "problems": PROBLEMS}
TABLES: Final = (*STREAMED, "players", "drills", "retests", "outcomes", "plans", "curves")
