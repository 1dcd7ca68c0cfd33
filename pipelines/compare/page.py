"""The comparison as a page for a person."""

from __future__ import annotations

from typing import Any, Final

from faultml.pipelines.compare.public_series import public_section
from faultml.pipelines.compare.refusals import refusal_section

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
- tsfresh is slow and answers for {slow} swings of each suite and seed, spread over its golfers: one of the last tables
  has everybody's figures for these.
- "Readings at the true landmarks" is an additional figure, and no contender: the coach's rule on measures read from the
  **recorded** curves at the **true** landmarks, with the line and the SD that the suite's other golfers give. What it
  lacks of the oracle is lost in the recording itself (sensors turned on the arm, noise, few samples); the targets
  stay against the oracle. It is no strict ceiling: who knows how golfers move can correct a reading.
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
    suites = figures["suites"]
    details = [*(_suite(suite) for suite in suites.values()), _small(suites), _pace(figures)]
    return "\n".join([head, *summary_sections(figures), *details])


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
            _number(severity["severity_error_median"], ".2f"),
            _number(severity["interval_covers"], ".1%"),
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
    return f"{_macro(macro, 'average_precision')} / {_macro(macro, 'log_loss')}"


def _edges_better(suite: dict[str, Any]) -> list[str]:
    """Faults at which the bare edges have notably the better average precision or log loss, and both AP."""
    ours, edges = (suite["contenders"][name]["faults"] for name in ("ours", "edges"))
    return [
        f"{fault} ({edges[fault]['average_precision']:.3f} to {row['average_precision']:.3f})"
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
