"""A client of ``faultml serve`` with nothing but the standard library.

Usage: ``python client.py SWINGS.json [SEASON.parquet ...]``

SWINGS.json is what /v1/assess takes: {"swings": [{"t_s": [...], "flexion_deg": [...], "ulnar_deg": [...], ...}]}.
"""

from __future__ import annotations

import json
import os
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

SERVER = os.environ.get("FAULTML_SERVER", "http://127.0.0.1:8765")
TOKEN = os.environ.get("FAULTML_TOKEN", "")


def ask(method: str, path: str, body: bytes | None = None, media_type: str = "application/json") -> Any:
    """The answer's JSON; SystemExit with the problem document where the server refuses."""
    headers = {"content-type": media_type} if body is not None else {}
    if TOKEN:
        headers["authorization"] = f"Bearer {TOKEN}"
    request = urllib.request.Request(SERVER + path, body, headers, method=method)
    try:
        with urllib.request.urlopen(request, timeout=60) as answer:
            content = answer.read()
    except urllib.error.HTTPError as error:
        raise SystemExit(error.read().decode()) from None
    return json.loads(content) if content else None


def assess(swings: Path) -> None:
    """Tell of each swing which faults it shows."""
    for swing in ask("POST", "/v1/assess", swings.read_bytes())["swings"]:
        shown = [fault for fault in swing["faults"] if fault["flagged"]]
        said = ", ".join(f"{fault['fault']} ({fault['probability']:.0%})" for fault in shown)
        sys.stdout.write(f"{swing['player']} {swing['swing']}: {swing['reason'] or said or 'no fault'}\n")


def classify(season: Path) -> None:
    """Upload a season, wait for it, tell each player's next drill, remove it."""
    job = ask("POST", "/v1/seasons", season.read_bytes(), "application/vnd.apache.parquet")
    while job["state"] in ("waiting", "running"):
        time.sleep(0.5)
        job = ask("GET", f"/v1/seasons/{job['id']}")
    sys.stdout.write(
        f"{job['state']}: {job['assessed']} of {job['swings']} swings assessed {job['reason']}\n"
    )
    ask("DELETE", f"/v1/seasons/{job['id']}")


if __name__ == "__main__":
    assess(Path(sys.argv[1]))
    for each in sys.argv[2:]:
        classify(Path(each))
