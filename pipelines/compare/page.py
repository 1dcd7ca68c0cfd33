"""The comparison as a page for a person."""

from __future__ import annotations

from typing import Any, Final

from faultml.pipelines.compare.public_series import public_section

NAMES: Final = {
    "oracle": "oracle (knows the true measures)",
    "ours": "**this model**",
    "ours_small": "this model, learned from the peers' golfers only",
    "edges": "catalogue edges at detected landmarks",
    "minirocket": "MiniRocket + ridge",
    "quant": "QUANT + ridge",
    "tsfresh": "tsfresh efficient + network",
}

PEERS_OF_ALL: Final = ("minirocket", "quant")
"""Peers that answer for every swing."""

_SHIFT_SHARE, _MARKED_SHARE, _UNMARKED_SHARE = 0.90, 0.97, 0.94
_MOST_ERROR, _MOST_ERROR_SHIFTED = 0.03, 0.06
_NOTABLE: Final = 0.005

_HEAD: Final = """\
# The model beside its peers

Every figure on this page is **synthetic**: generated golfers, none of whom the shipped model or a peer has learned
from. It says how methods compare on motion like the generator's, and how they bear shifts; not how well your players
are read.

- Model {name} {version}, `{sha}`. Trained once; the {seeds} seeds vary the golfers of every suite and the golfers whom
  the peers learn from.
- Each suite: {test_golfers} golfers of each seed, twenty full swings each, asked about every fault that the recording
  can show. All contenders answer for the same swings.
- Peers learn from {train_swings} windows of {train_golfers} golfers of each seed, the same for all: far fewer than the
  shipped model, so "this model, learned from the peers' golfers only" stands beside them. They see the three angles at
  100 Hz about the fastest moment, the mark and what is missing; they learn how far each true measure lies past its
  edge, and a logistic curve for each fault, fitted on a fifth of the golfers held out, makes it a probability. QUANT
  has a ridge head like MiniRocket, because it does far better here than with its usual trees.
- tsfresh is slow and answers for the first {slow} swings of each suite and seed: the last table.
- AP: average precision. ECE: expected calibration error, 15 bins; mean over the faults and the worst fault. A fault
  with fewer than 15 yes or no answers in a suite is not scored there.
{quick}"""

_QUICK: Final = "\n**A quick run: too small for any conclusion.**\n"


def comparison_page(figures: dict[str, Any]) -> str:
    """Markdown of what `compare` found."""
    sizes = figures["sizes"]
    head = _HEAD.format(
        name=figures["model"]["name"],
        version=figures["model"]["version"],
        sha=figures["model"]["sha256"][:12],
        seeds=sizes["seeds"],
        test_golfers=sizes["test_golfers"],
        train_golfers=sizes["train_golfers"],
        train_swings=20 * sizes["train_golfers"],
        slow=sizes["slow_swings"],
        quick=_QUICK if sizes["test_golfers"] * sizes["seeds"] < 100 else "",
    )
    parts = [head, _overview(figures["suites"])]
    parts += [_suite(suite) for suite in figures["suites"].values()]
    parts += [_small(figures["suites"]), _pace(figures)]
    if figures["public"]:
        parts.append(public_section(figures["public"]))
    return "\n".join(parts)


def _overview(suites: dict[str, Any]) -> str:
    lines = [
        "## Targets (synthetic)",
        "",
        "| suite | AP, share of the oracle's | wanted | best peer's AP, share | log loss | best peer's | ECE, worst "
        "| wanted | log loss over the base rate's | edges better at | severity error, median | 90 % covers |",
        "|---|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    for suite in suites.values():
        ours, oracle = (suite["contenders"][name] for name in ("ours", "oracle"))
        if not ours["macro"]["faults"]:
            continue
        peers = [suite["contenders"][name]["macro"] for name in PEERS_OF_ALL if name in suite["contenders"]]
        wanted = _SHIFT_SHARE if suite["shift"] else _UNMARKED_SHARE
        wanted = _MARKED_SHARE if suite["marks"] == "all" else wanted
        ceiling = oracle["macro"]["average_precision"]
        best = max((each["average_precision"] for each in peers), default=None)
        severity = suite["severity"]
        cells = [
            suite["words"],
            f"{ours['macro']['average_precision'] / ceiling:.3f}",
            f"{wanted:.2f}",
            _number(best and best / ceiling, ".3f"),
            f"{ours['macro']['log_loss']:.3f}",
            _number(min((each["log_loss"] for each in peers), default=None), ".3f"),
            f"{ours['macro']['worst_calibration_error']:.3f}",
            f"{_MOST_ERROR_SHIFTED if suite['shift'] else _MOST_ERROR:.2f}",
            _listed(f for f, row in ours["faults"].items() if row["log_loss"] >= row["base_rate_log_loss"]),
            _listed(_edges_better(suite)),
            _number(severity["severity_error_median"], ".2f"),
            _number(severity["interval_covers"], ".1%"),
        ]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join([*lines, ""])


def _edges_better(suite: dict[str, Any]) -> list[str]:
    """Faults at which the bare edges have notably the better average precision or log loss."""
    ours, edges = (suite["contenders"][name]["faults"] for name in ("ours", "edges"))
    return [
        fault
        for fault, row in ours.items()
        if edges[fault]["average_precision"] > row["average_precision"] + _NOTABLE
        or edges[fault]["log_loss"] < row["log_loss"] - _NOTABLE
    ]


def _suite(suite: dict[str, Any]) -> str:
    lines = [
        f"## {suite['words']} (synthetic)",
        "",
        f"{suite['swings']} swings of {suite['golfers']} golfers; contact marked: {suite['marks']}. "
        f"{suite['asked_share']:.1%} of the answerable questions are assessed, and scored.",
        "",
        "| contender | macro AP | SD over seeds | macro log loss | ECE | worst ECE |",
        "|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {NAMES[name]} | {_macro(each['macro'], 'average_precision')} "
        f"| {_number(each['macro']['average_precision_sd'], '.3f')} | {_macro(each['macro'], 'log_loss')} "
        f"| {_macro(each['macro'], 'calibration_error')} | {_macro(each['macro'], 'worst_calibration_error')} |"
        for name, each in _ordered(suite["contenders"])
    ]
    contenders = dict(_ordered(suite["contenders"]))
    lines += [
        "",
        "Per fault, AP / log loss / ECE:",
        "",
        "| fault | share yes | "
        + " | ".join(NAMES[name] for name in contenders)
        + " | base rate's log loss |",
        "|---|---|" + "---|" * len(contenders) + "---|",
    ]
    for fault, row in suite["contenders"]["ours"]["faults"].items():
        cells = [
            " / ".join(
                f"{each['faults'][fault][key]:.3f}"
                for key in ("average_precision", "log_loss", "calibration_error")
            )
            for each in contenders.values()
        ]
        lines.append(
            f"| {fault} | {row['prevalence']:.1%} | "
            + " | ".join(cells)
            + f" | {row['base_rate_log_loss']:.3f} |"
        )
    return "\n".join([*lines, ""])


def _small(suites: dict[str, Any]) -> str:
    """Every contender on the swings that the slow peers answered for."""
    lines = [
        "## All contenders on the small subset (synthetic)",
        "",
        "| suite | swings | contender | macro AP | macro log loss | ECE |",
        "|---|---|---|---|---|---|",
    ]
    for suite in suites.values():
        small = suite["small_subset"]
        lines += [
            f"| {suite['words']} | {small['swings']} | {NAMES[name]} | {_macro(macro, 'average_precision')} "
            f"| {_macro(macro, 'log_loss')} | {_macro(macro, 'calibration_error')} |"
            for name, macro in _ordered(small["contenders"])
        ]
    return "\n".join([*lines, ""])


def _pace(figures: dict[str, Any]) -> str:
    pace = figures["swings_per_second"]
    lines = [
        "## Pace",
        "",
        f"From windows to answers, in this run; peers with {figures['threads']} threads, this model with one.",
        "",
        "| contender | swings a second |",
        "|---|---|",
    ]
    lines += [f"| {NAMES[name]} | {pace[name]:.0f} |" for name in NAMES if name in pace]
    return "\n".join([*lines, ""])


def _ordered(contenders: dict[str, Any]) -> list[tuple[str, Any]]:
    return [(name, contenders[name]) for name in NAMES if name in contenders]


def _macro(macro: dict[str, Any], key: str) -> str:
    return _number(macro.get(key), ".3f")


def _number(value: float | None, form: str) -> str:
    return "" if value is None else format(value, form)


def _listed(names: Any) -> str:
    return ", ".join(names) or "none"
