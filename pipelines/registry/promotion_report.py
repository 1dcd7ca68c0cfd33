"""The promotion test's report, in words: whether a challenger may become champion, fault by fault, and why not."""

from __future__ import annotations

from faultml.pipelines.registry.promotion_rule import CERTAINTY, MARGIN, Comparison, Gain, Verdict


def report(verdict: Verdict, challenger: str, champion: str, note: str = "") -> str:
    """The report as Markdown.

    Parameters
    ----------
    verdict
        Of the promotion test.
    challenger, champion
        What they are called.
    note
        How the champion came to what it says, where that is not plain.
    """
    lines = [f"# {challenger} against {champion}", ""]
    if verdict.passed:
        lines.append(f"**May become champion.** It is shown better than {champion}, and on no fault worse.")
    else:
        lines += ["**May not become champion:**", "", *(f"- {reason}" for reason in verdict.reasons)]
    lines += [
        "",
        f"Gains are above 0 where {challenger} is better; in brackets a bound of {CERTAINTY:.0%} certainty to either "
        f"side, by drawing whole golfers anew. In average precision a loss of less than {MARGIN} counts as no worse.",
    ]
    if note:
        lines += ["", note]
    for comparison in verdict.comparisons:
        lines += ["", *_section(comparison)]
    return "\n".join(lines) + "\n"


def _section(comparison: Comparison) -> list[str]:
    lines = [
        f"## {comparison.name[0].upper()}{comparison.name[1:]}",
        "",
        f"{comparison.swings:,} swings of {comparison.golfers:,} golfers from whom neither has learned. Asked here: "
        f"of log loss {comparison.demand.loss}, of average precision, each fault's and the mean, "
        f"{comparison.demand.precision}.",
    ]
    if comparison.log_loss is None or comparison.average_precision is None:
        return [*lines, "Too few answers to compare."]
    lines += [
        "",
        "| | gain in average precision | |",
        "|---|---|---|",
        *(f"| {fault} | {_gain(gain)} | {_verdict(gain)} |" for fault, gain in comparison.faults.items()),
        f"| **mean** | {_gain(comparison.average_precision)} | {_verdict(comparison.average_precision)} |",
        f"| **mean log loss** | {_gain(comparison.log_loss)} | {_verdict(comparison.log_loss, 0.0)} |",
    ]
    return lines


def _gain(gain: Gain) -> str:
    return f"{gain.gain:+.4f} [{gain.lo:+.4f}, {gain.hi:+.4f}]"


def _verdict(gain: Gain, margin: float = MARGIN) -> str:
    if gain.lo > 0:
        return "better"
    if gain.hi < -margin:
        return "worse"
    return "no worse" if gain.lo > -margin and margin else "cannot tell"
