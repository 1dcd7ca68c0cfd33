"""The comparison as a page for a person."""

from __future__ import annotations

from typing import Any, Final

from faultml.pipelines.training.comparison import NAMES, macro_cell, number_cell, summary_sections

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
        f"| {NAMES[name]} | {macro_cell(each['macro'], 'average_precision')} "
        f"| {number_cell(each['macro']['average_precision_sd'], '.3f')} | {macro_cell(each['macro'], 'log_loss')} "
        f"| {macro_cell(each['macro'], 'calibration_error')} | {macro_cell(each['macro'], 'worst_calibration_error')} |"
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
            f"| {suite['words']} | {small['swings']} | {NAMES[name]} | {macro_cell(macro, 'average_precision')} "
            f"| {macro_cell(macro, 'log_loss')} | {macro_cell(macro, 'calibration_error')} |"
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
