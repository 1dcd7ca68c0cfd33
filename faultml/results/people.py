"""One player in a results folder: copied out, or taken out."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any, Final

import pandas as pd

from faultml.results.columns import REPORT_FILE, RUN_FILE
from faultml.results.folders import replaced_folder
from faultml.results.reader import Results, read_results
from faultml.results.sheets import write_sheet
from faultml.results.tables import TableWriter, read_table, stream_table
from faultml.results.writer import check_ours

_ROWS: Final = 20_000


def copy_from_results(folder: Path, player: str, out: Path) -> dict[str, int]:
    """Copy the rows about a player into a new folder as CSV, and what is kept as JSON beside; rows by table.

    Raises
    ------
    InputError
        Where `folder` holds no results, or damaged ones.
    """
    results = read_results(folder)
    counts = _counts(results, player)
    out.mkdir(parents=True, exist_ok=True)
    for table in counts:
        path, schema = _file(results, table)
        rows = [each[each["player"] == player] for each in stream_table(path, schema, _ROWS)]
        write_sheet(pd.concat(rows), out / f"{table}.csv", schema)
    for name, records in _records(results).items():
        own = [each for each in records if each["player"] == player]
        if own:
            (out / name).write_text(_json(own), encoding="utf-8")
    return counts


def remove_from_results(folder: Path, player: str, *, dry_run: bool = False) -> dict[str, int]:
    """Take the rows about a player out of a results folder, which is replaced as a whole; rows by table.

    The report is left out, since it shows the player: `faultml report` writes it anew. What was learned from the
    player about others stays until the season is classified again.

    Raises
    ------
    InputError
        Where `folder` holds no results, or damaged ones.
    """
    results = read_results(folder)
    counts = _counts(results, player)
    if dry_run or not counts:
        return counts
    records = _records(results)
    tables = {name: dict(table) for name, table in results.run["tables"].items()}
    with replaced_folder(folder, check_ours) as part:
        for name, table in tables.items():
            path, schema = _file(results, name)
            writer = TableWriter(part / path.name, schema)
            for rows in stream_table(path, schema, _ROWS):
                writer.append(rows[rows["player"] != player])
            writer.close()
            table["rows"] = writer.n_rows
        for name, kept in records.items():
            others = [each for each in kept if each["player"] != player]
            (part / name).write_text(_json(others), encoding="utf-8")
        written = {path.name for path in part.iterdir()}
        for name in set(results.run["files"]) - written - {REPORT_FILE, RUN_FILE}:
            shutil.copy2(folder / name, part / name)
        files = sorted(name for name in results.run["files"] if name != REPORT_FILE)
        kept_run = {
            **_without(results.run, player),
            "counts": _recount(results, part, tables),
            "tables": tables,
        }
        kept_run["files"] = files
        (part / RUN_FILE).write_text(_json(kept_run) + "\n", encoding="utf-8")
    return counts


def _file(results: Results, table: str) -> tuple[Path, dict[str, Any]]:
    described = results.run["tables"][table]
    return results.folder / described["file"], described["columns"]


def _counts(results: Results, player: str) -> dict[str, int]:
    """Rows about a player by table, where there are any."""
    counts = {}
    for table in results.run["tables"]:
        path, schema = _file(results, table)
        rows = stream_table(path, schema, _ROWS, ["player"])
        counts[table] = sum(int((each["player"] == player).sum()) for each in rows)
    return {table: n for table, n in counts.items() if n}


def _records(results: Results) -> dict[str, list[dict[str, Any]]]:
    """What is kept as JSON, one record a player, by file."""
    found = {}
    for name in results.run["files"]:
        path = results.folder / name
        if path.suffix == ".json" and name != RUN_FILE and path.is_file():
            content = json.loads(path.read_text(encoding="utf-8"))
            if isinstance(content, list) and all(
                isinstance(each, dict) and "player" in each for each in content
            ):
                found[name] = content
    return found


def _without(run: dict[str, Any], player: str) -> dict[str, Any]:
    """``run.json`` less what it tells of a player, such as an address that moved."""

    def about(each: object) -> bool:
        return isinstance(each, dict) and each.get("player") == player

    return {
        name: [each for each in kept_run if not about(each)] if isinstance(kept_run, list) else kept_run
        for name, kept_run in run.items()
    }


def _recount(results: Results, part: Path, tables: dict[str, dict[str, Any]]) -> dict[str, int]:
    swings = tables["swings"]
    frame = read_table(part / swings["file"], swings["columns"], ["player", "assessed"])
    return {
        **results.run["counts"],
        "swings": len(frame),
        "assessed": int(frame["assessed"].sum()),
        "players": int(frame["player"].nunique()),
        "problems": tables["problems"]["rows"],
    }


def _json(content: object) -> str:
    return json.dumps(content, indent=1, ensure_ascii=False)
