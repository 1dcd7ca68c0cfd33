"""Agreement and the next list in words, for a terminal."""

from __future__ import annotations

from typing import Any, Final

import pandas as pd

from faultml.faults.catalogue import Catalogue
from faultml.labels.agree import ALL_FAULTS, TOOL
from faultml.labels.rules import LabelRules

_PAIRS: Final = {
    "tool": "{coach} against " + TOOL,
    "coach": "{coach} against {other}",
    "again": "{coach} asked again: {other}",
}
_NONE: Final = "No swing has a verdict from two sides yet."


def agreement_lines(table: pd.DataFrame, rules: LabelRules) -> list[str]:
    """What `faultml.labels.agreement` found, a section for each two sides, beside what other raters reached."""
    if not len(table):
        return [_NONE]
    lines = []
    width = max(len(fault) for fault in table["fault"])
    for (against, coach, other), rows in table.groupby(["against", "coach", "other"], sort=False):
        lines.append(_PAIRS[str(against)].format(coach=coach, other=other))
        level = f"{rules.agreement.interval:.0%} interval"
        lines.append(f"  {'fault':<{width}}  swings  golfers  agree  kappa  {level}")
        lines += [f"  {row['fault']:<{width}}  {_figures(row)}" for row in rows.to_dict("records")]
        left_out = rows.loc[rows["fault"] == ALL_FAULTS, "left_out"].sum()
        lines += [f"  left out because somebody was unsure: {left_out}", ""]
    published = (
        f"{each.words} {each.kappa[0]:.2f} to {each.kappa[1]:.2f} ({each.source})" for each in rules.published
    )
    return [*lines, "Kappa is 1 for the same answers throughout and 0 for chance. Published, for comparison:",
            *(f"  {line}" for line in published)]  # fmt: skip


def next_lines(table: pd.DataFrame, catalogue: Catalogue) -> list[str]:
    """The swings to judge next: two lines each, and a line for every fault in the coach's words."""
    lines = []
    for row in table.to_dict("records"):
        club = f", {row['club']}" if row["club"] else ""
        lines.append(f"{row['rank']:>3}. {row['player']}, {row['session']}, swing {row['swing']}{club}")
        lines.append(f"     {row['why']}")
        lines += [f"     judge {_named(fault, catalogue)}" for fault in row["faults"]]
    return lines or ["No swing is left to ask about."]


def _named(fault: str, catalogue: Catalogue) -> str:
    return f"{catalogue[fault].name} [{fault}]" if fault in catalogue.ids else fault


def _figures(row: dict[Any, Any]) -> str:
    agree = "-" if pd.isna(row["agree"]) else f"{row['agree']:.0%}"
    counts = f"{row['swings']:>6}  {row['golfers']:>7}  {agree:>5}"
    if pd.isna(row["kappa"]):
        return f"{counts}  {row['note']}"
    between = row["note"] or f"{row['kappa_lo']:.2f} to {row['kappa_hi']:.2f}"
    return f"{counts}  {row['kappa']:>5.2f}  {between}"
