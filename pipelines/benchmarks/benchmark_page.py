"""What was measured of pace and memory, as text, as a page and as JSON."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Final

import pandas as pd

from faultml.classifier.bundle import MANIFEST_FILE, read_manifest
from faultml.pipelines.training.card import TIMED, write_card

PAGE_FILE: Final = "BENCHMARK.md"

_PAGE: Final = """\
# Pace and memory

{head} Recordings are generated. A season's pace is that of the whole command, from Parquet to written tables and
report, start-up included; a peer's is that of its answers alone, for windows in memory as long as the recordings, with
as many threads. Where other work kept the cores busy, the pace in CPU seconds says more than the clock.

{table}

Measured by `make benchmark`, with {model}.
"""


def write_page(figures: dict[str, Any], folder: Path) -> None:
    """Leave ``BENCHMARK.md`` and ``benchmark.json`` in a folder; a model card in it is written anew."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / TIMED).write_text(as_json(figures), encoding="utf-8")
    (folder / PAGE_FILE).write_text(as_page(figures), encoding="utf-8")
    if (folder / MANIFEST_FILE).exists():
        write_card(folder, read_manifest(folder))


def as_text(figures: dict[str, Any]) -> str:
    """The figures for a person, with what is wanted beside them."""
    table = pd.DataFrame(_rows(figures), columns=["", "measured", "wanted"])
    return f"{_head(figures)}\n{table.to_string(index=False, justify='left')}"


def as_page(figures: dict[str, Any]) -> str:
    """The figures as Markdown."""
    lines = ["| | measured | wanted |", "|---|---:|---:|"]
    lines += [f"| {what.strip()} | {found} | {wanted} |" for what, found, wanted in _rows(figures)]
    model = figures["model"]
    named = f"the {model['name']} model {model['version']} (`{model['sha256'][:12]}`)"
    return _PAGE.format(head=_head(figures), table="\n".join(lines), model=named)


def as_json(figures: dict[str, Any]) -> str:
    """The figures for a program."""
    return json.dumps(_rounded(figures), indent=1) + "\n"


def _rounded(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _rounded(each) for name, each in value.items()}
    return round(value, 4) if isinstance(value, float) else value


def _head(figures: dict[str, Any]) -> str:
    return (
        f"Swings of {figures['samples']:.0f} samples, {figures['threads']} threads on {figures['cores']} cores "
        f"(load before: {figures['load_before']})."
    )


def _rows(figures: dict[str, Any]) -> list[tuple[str, str, str]]:
    """What was measured, how much, how much is wanted."""

    def number(value: float | None, form: str = ",.0f") -> str:
        return "not measured" if value is None else format(value, form)

    rows = []
    seasons = [figures[name] for name in ("season", "long_season") if name in figures]
    for season in seasons:
        last = season is seasons[-1]
        what = f"swings a second, season of {season['swings']:,}"
        rows.append((what, number(season["swings_per_s"]), "10,000" if last else ""))
        rows.append(("  in a CPU second", number(season["swings_per_cpu_s"]), "5,000" if last else ""))
        rows.append(("  peak memory, MB", number(season["peak_mb"]), ""))
    return [
        *rows,
        ("the longer season's memory, times the other's", number(figures.get("times_memory"), ".2f"), "1.2"),
        ("times the pace of QUANT", number(figures["times_quant"], ".1f"), "4"),
        ("times the pace of tsfresh's efficient features", number(figures["times_tsfresh"]), "800"),
        ("QUANT's swings a second", number(figures["quant_per_s"]), ""),
        ("swings a second of tsfresh's efficient features", number(figures["tsfresh_per_s"], ".1f"), ""),
        ("one swing through the Python API, ms, median", number(figures["one_swing_ms"], ".1f"), "10"),
        ("faultml --help, s", number(figures["help_s"], ".2f"), "0.4"),
        ("classify of 60 swings, s", number(figures["small_classify_s"], ".1f"), "3"),
    ]
