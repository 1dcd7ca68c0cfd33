"""A plan in words: one sentence or two of why, by `plan.toml`."""

from __future__ import annotations

import datetime as dt

from faultml.coaching.notes import count
from faultml.plan.records import Gain, LessonPlan
from faultml.plan.rules import PlanRules


def reason_words(plan: LessonPlan, rules: PlanRules, ranked_from: str = "") -> str:
    """Why the plan is in its state; `ranked_from` is the day from which on it is known what to start."""
    figures = _figures(plan, rules) | {"ranked_from": ranked_from}
    lacks = "; ".join(rules.lack[code].format(**figures) for code in plan.lacks)
    why = rules.reason[plan.reason].words.format(**figures, lacks=lacks)
    return f"{why} {_joined(plan, rules).format(**figures)}".rstrip()


def _joined(plan: LessonPlan, rules: PlanRules) -> str:
    """The sentence on a re-test and a change that seem to disagree, "" where they do not or the drill is over."""
    test, gain = plan.last_retest, plan.progress.gain if plan.progress else None
    if test is None or gain is None or plan.state not in ("carry on", "change"):
        return ""
    if gain.lo > 0 and not test.passed:
        return rules.join.better_not_passed
    return rules.join.passed_not_better if test.passed and gain.lo <= 0 else ""


def gain_words(gain: Gain) -> str:
    """``4 degrees better, 90 % interval 1 degree worse to 9 degrees better``."""
    low, high = _way(gain.lo, gain.unit), _way(gain.hi, gain.unit)
    return f"{_way(gain.gain, gain.unit)}, 90 % interval {low} to {high}"


def _figures(plan: LessonPlan, rules: PlanRules) -> dict[str, str | int | float]:
    carry, change = rules.carry_on, rules.change
    figures: dict[str, str | int | float] = {
        "needed_days": carry.practice_days,
        "needed_unknown_days": carry.days_where_unknown,
        "needed_swings": carry.free_swings,
        "needed_sessions": carry.free_sessions,
        "change_days": change.days,
        "worse_sessions": change.worse_sessions,
        "worse_deg": change.worse_deg,
        "undecided_weeks": f"{change.undecided_days / 7:.0f}",
        "gaining_weeks": f"{change.gaining_days / 7:.0f}",
        "check_swings": rules.check.swings,
    }
    if plan.progress is not None:
        progress = plan.progress
        figures |= {
            "days": progress.days,
            "practice_days": progress.practice_days or 0,
            "swings": progress.free_swings,
            "sessions": progress.free_sessions,
            "free_words": f"{count(progress.free_swings, 'swing')} without feedback in "
            f"{count(progress.free_sessions, 'session')}",
            "sets_done": progress.sets_done,
            "sets_planned": progress.sets_planned,
            "gain": "nothing to compare with",
        }
        if progress.gain is not None:
            gain = progress.gain
            figures |= {
                "gain": gain_words(gain),
                "gain_hi": _size(gain.hi, gain.unit),
                "gain_range": f"{_way(gain.lo, gain.unit)} to {_way(gain.hi, gain.unit)}",
            }
    if plan.retests is not None:
        figures |= {
            "inside": plan.retests.inside,
            "retest_swings": plan.retests.swings,
            "first_retest": day_words(plan.retests.first),
            "last_retest": day_words(plan.retests.last),
        }
    if plan.last_retest is not None:
        test = plan.last_retest
        figures |= {
            "test_day": day_words(test.day),
            "test_inside": test.inside,
            "test_swings": test.swings,
            "test_needed": test.needed,
            "test_of": test.of,
        }
    if plan.check is not None:
        figures |= {"outside": plan.check.outside, "check_total": plan.check.swings}
    return figures


def day_words(day: dt.date | None) -> str:
    """The day as the tables write it, "" for none."""
    return day.isoformat() if day else ""


def _way(gain: float, unit: str) -> str:
    """``4 degrees better``; nothing is neither better nor worse."""
    if _number(abs(gain), unit) == _number(0.0, unit):
        return "no change"
    return f"{_size(abs(gain), unit)} {'better' if gain > 0 else 'worse'}"


def _number(value: float, unit: str) -> str:
    """Without a sign for nothing: ``-2``, ``0``, ``0.04``."""
    digits = 0 if unit == "deg" else 2
    return f"{round(value, digits) + 0.0:.{digits}f}"


def _size(value: float, unit: str) -> str:
    number = _number(value, unit)
    if unit != "deg":
        return f"{number} of the downswing"
    return f"{number} degree{'' if number in ('1', '-1') else 's'}"
