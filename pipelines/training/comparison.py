"""The comparison beside peers as sections of a page: the model's card takes them over from ``compare.json``."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from scipy.stats import beta

NAMES: Final = {
    "oracle": "oracle (knows the true measures)",
    "recorder": "readings at the true landmarks",
    "ours": "**this model**",
    "ours_small": "this model, learned from the peers' golfers only",
    "edges": "catalogue edges at detected landmarks",
    "minirocket": "MiniRocket + ridge",
    "quant": "QUANT + ridge",
    "tsfresh": "tsfresh efficient + network",
}

PEERS_OF_ALL: Final = ("edges", "minirocket", "quant")
"""Peers that answer for every swing."""
SLOW_PEERS: Final = ("tsfresh",)
"""Peers that answer for some, beside everybody else's answers for the same."""

_SHIFT_SHARE, _MARKED_SHARE, _UNMARKED_SHARE = 0.90, 0.97, 0.94
_MAX_ERROR, _MAX_ERROR_SHIFTED = 0.03, 0.06
_NOTABLE: Final = 0.005

SETS: Final = ("GunPoint", "BasicMotions")

METHODS: Final = {
    "ours": "**general window features + extra trees**",
    "minirocket": "MiniRocket + ridge",
    "quant": "QUANT + extra trees",
    "tsfresh": "tsfresh efficient + extra trees",
    "dtw": "1-NN DTW",
}

GOOD_REFUSED: Final = 0.01
OTHERS_REFUSED: Final = 0.99
"""Wanted: of full swings at most, of the rest at least."""

GROUPS: Final = {
    "full": "full swings",
    "non_swings": "what else a wrist does on a range",
    "other_activities_learned": "no golf, of kinds that training has seen",
    "other_activities_held_out": "no golf, of kinds that training has not seen",
}


def summary_sections(figures: dict[str, Any]) -> list[str]:
    """What the model's card takes over: targets, every contender, what is refused, public data."""
    parts = [_overview(figures["suites"]), _rivals(figures["suites"]), refusal_section(figures["refusals"])]
    return [*parts, public_section(figures["public"])] if figures["public"] else parts


def _overview(suites: dict[str, Any]) -> str:
    lines = [
        "## Targets (synthetic)",
        "",
        "| suite | AP, share of the oracle's | wanted | of the readings' at the true landmarks | ECE, worst | wanted "
        "| log loss over the base rate's | severity error, median | 90 % covers |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for suite in suites.values():
        ours = suite["contenders"]["ours"]
        if not ours["macro"]["faults"]:
            continue
        wanted = _SHIFT_SHARE if suite["shift"] else _UNMARKED_SHARE
        wanted = _MARKED_SHARE if suite["marks"] == "all" else wanted
        severity = suite["severity"]
        cells = [
            suite["words"],
            _share(suite, "oracle"),
            f"{wanted:.2f}",
            _share(suite, "recorder"),
            f"{ours['macro']['worst_calibration_error']:.3f}",
            f"{_MAX_ERROR_SHIFTED if suite['shift'] else _MAX_ERROR:.2f}",
            _listed(f for f, row in ours["faults"].items() if row["log_loss"] >= row["base_rate_log_loss"]),
            number_cell(severity["severity_error_median"], ".2f"),
            number_cell(severity["interval_covers"], ".1%"),
        ]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join([*lines, ""])


def _share(suite: dict[str, Any], of: str) -> str:
    """The model's macro average precision as a share of another's."""
    own, other = (suite["contenders"][name]["macro"]["average_precision"] for name in ("ours", of))
    return f"{own / other:.3f}"


def _rivals(suites: dict[str, Any]) -> str:
    """The model beside every other reader of recordings, and where one of them is better."""
    rivals = [name for name in (*PEERS_OF_ALL, *SLOW_PEERS) if _asked(suites, name)]
    lines = [
        "## Against every contender (synthetic)",
        "",
        "Macro AP / log loss. Who answers for a part of the swings only has this model's figures on these in brackets. "
        f"The edges are better at a fault where their AP (set beside the model's) or log loss is by over {_NOTABLE}.",
        "",
        "| suite | **this model** | "
        + " | ".join(NAMES[name] for name in rivals)
        + " | better than this model | edges better at |",
        "|---|---|" + "---|" * len(rivals) + "---|---|",
    ]
    for suite in suites.values():
        ours = suite["contenders"]["ours"]["macro"]
        beside = {name: _beside(suite, name) for name in rivals}
        cells = [suite["words"], _both(ours)]
        cells += [
            _both(theirs) + (f" ({_both(own)})" if name in SLOW_PEERS else "")
            for name, (own, theirs) in beside.items()
        ]
        better = [NAMES[name] for name, (own, theirs) in beside.items() if _is_better(theirs, own)]
        cells += [_listed(better), _listed(_edges_better(suite))]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join([*lines, ""])


def _asked(suites: dict[str, Any], name: str) -> bool:
    return all(name in suite["small_subset"]["contenders"] for suite in suites.values())


def _beside(suite: dict[str, Any], name: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """The model's macro figures and a rival's, on the swings that the rival answers for."""
    if name in SLOW_PEERS:
        small = suite["small_subset"]["contenders"]
        return small["ours"], small[name]
    return suite["contenders"]["ours"]["macro"], suite["contenders"][name]["macro"]


def _is_better(theirs: dict[str, Any], own: dict[str, Any]) -> bool:
    """Whether a rival is ahead in either figure."""
    if not (theirs["faults"] and own["faults"]):
        return False
    return bool(
        theirs["average_precision"] >= own["average_precision"] or theirs["log_loss"] <= own["log_loss"]
    )


def _both(macro: dict[str, Any]) -> str:
    return f"{macro_cell(macro, 'average_precision')} / {macro_cell(macro, 'log_loss')}"


def _edges_better(suite: dict[str, Any]) -> list[str]:
    """Faults at which the bare edges have notably the better average precision or log loss, and both AP."""
    ours, edges = (suite["contenders"][name]["faults"] for name in ("ours", "edges"))
    return [
        f"{fault} ({edges[fault]['average_precision']:.3f} to {row['average_precision']:.3f})"
        for fault, row in ours.items()
        if edges[fault]["average_precision"] > row["average_precision"] + _NOTABLE
        or edges[fault]["log_loss"] < row["log_loss"] - _NOTABLE
    ]


def refusal_section(refusals: dict[str, Any]) -> str:
    """The figures in Markdown."""
    lines = [
        "## What is refused (synthetic)",
        "",
        "Recordings of everyday golfers and of hands that play no golf, written and read as a season. Wanted: "
        f"{OTHERS_REFUSED:.0%} of what is no full swing, {GOOD_REFUSED:.0%} of full swings at most. In brackets the "
        "exact binomial 95 % interval (Clopper & Pearson 1934).",
        "",
        "| recordings | number | refused | by kind |",
        "|---|---|---|---|",
    ]
    for group, words in GROUPS.items():
        kinds = refusals[group]
        count, number = (sum(pair[k] for pair in kinds.values()) for k in (0, 1))
        if not count:
            continue
        low, high = _interval(number, count)
        by_kind = ", ".join(
            f"{kind.replace('_', ' ')} {no / n:.1%}" for kind, (n, no) in sorted(kinds.items())
        )
        cells = [words, f"{count:,}", f"{number / count:.1%} ({low:.1%} to {high:.1%})"]
        lines.append("| " + " | ".join([*cells, by_kind if len(kinds) > 1 else ""]) + " |")
    return "\n".join([*lines, ""])


def _interval(number: int, count: int) -> tuple[float, float]:
    low = 0.0 if number == 0 else float(beta.ppf(0.025, number, count - number + 1))
    high = 1.0 if number == count else float(beta.ppf(0.975, number + 1, count - number))
    return low, high


def public_section(figures: dict[str, Any]) -> str:
    """The figures in Markdown."""
    lines = [
        "## On other people's data (not synthetic)",
        "",
        "Accuracy on the official test parts of GunPoint and BasicMotions, which are no golf: what the general window",
        f"features are worth. Mean of {figures['seeds']} seeds, all in this run. Published, with how it is known: read",
        "in the authors' own result files, or from memory; sources stand in",
        "`pipelines/benchmarks/compare/public_series.py`.",
        "",
        "| method | GunPoint | BasicMotions | mean | published |",
        "|---|---|---|---|---|",
    ]
    for method, found in figures["accuracy"].items():
        published = figures["published"].get(method, {})
        sources = ", ".join(f"{name} {value} ({known})" for name, (value, known) in published.items())
        cells = [METHODS[method], *(f"{found[name]:.3f}" for name in SETS)]
        lines.append("| " + " | ".join([*cells, f"{np.mean(list(found.values())):.4f}", sources]) + " |")
    return "\n".join([*lines, ""])


def macro_cell(macro: dict[str, Any], key: str) -> str:
    """A macro figure with three digits; empty where there is none."""
    return number_cell(macro.get(key), ".3f")


def number_cell(value: float | None, form: str) -> str:
    """A number in a format; empty where there is none."""
    return "" if value is None else format(value, form)


def _listed(names: Any) -> str:
    return ", ".join(names) or "none"
