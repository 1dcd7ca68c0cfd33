"""The plan over simulated years: how often each state, how long, and what became of drills that work and that do not.

    python -m faultml.pipelines.benchmarks.plan_years --players 200 --seed 1

Session sums are drawn from numpy's generator, no swing is made: this measures the rules of the plan, and says nothing
of any real player. Everything here is practice, no source: a player has two faults and one sound measure, sessions
scatter about the true mean, and half of the drills take most of a fault away as they are practised.

A coach looks each Sunday and does what the plan has said for a week. Where it cannot tell for four weeks, the coach
gives another drill.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

import click
import numpy as np
import pandas as pd

from faultml.coaching.rules import Coaching, load_coaching
from faultml.faults.catalogue import load_catalogue
from faultml.outcomes.periods import to_degrees
from faultml.plan.evidence import (
    GivenNote,
    SeasonFacts,
    StoreNotes,
    drill_facts,
    fault_channels,
    player_evidence,
)
from faultml.plan.gains import season_gains
from faultml.plan.records import Hold, LessonPlan, PlayerEvidence, PracticeNote
from faultml.plan.rules import STATES, load_plan_rules
from faultml.plan.state import Gains, courses, plan_on
from faultml.plan.table import is_active, next_drill, plan_row

FAULTS: Final = ("flexed_top", "flip", "overflexed_impact")
FIRST_DAY: Final = dt.date(2031, 1, 6)  # a Monday
WEEKS: Final = 52
GROUP: Final = 12

PAST_EDGE_DEG: Final = (9.0, 5.0, -8.0)
"""Mean of each fault past its edge, degrees, before any drill; players differ by `BETWEEN_DEG`."""
BETWEEN_DEG: Final = 3.0
SESSION_DEG: Final = 3.0
SWING_DEG: Final = 4.0
SWINGS: Final = {"play": 12, "retest": 10}
RECORDS: Final = 0.7
"""How likely a player records on a Saturday."""
WORKS: Final = 0.5
"""Share of drills that do anything for a player."""
EFFECT_DEG: Final = (12.0, 3.0)
PRACTICE_DAYS_TO_GAIN: Final = 10.0
RELAPSES: Final = 0.25
"""Share of gains that are lost again over `RELAPSE_WEEKS` once the drill is left."""
RELAPSE_WEEKS: Final = 8
NOTES: Final = 0.7
"""Share of players whose practice is noted."""
PAUSED: Final = 0.2
"""Share of players whom care holds once, for one to four weeks."""
PATIENCE_DAYS: Final = 28


@dataclass
class Trial:
    """A drill that was given, and what became of it."""

    player: str
    drill: str
    fault: str
    day: dt.date
    works: bool
    ended: str = "still on it"
    days: int = 0


@dataclass
class Player:
    """A generated player, with what is true and what was noted."""

    name: str
    past_edge_deg: dict[str, float]
    practises: float
    notes: bool
    hold: Hold | None
    works: dict[str, float] = field(default_factory=dict)
    gained_deg: dict[str, float] = field(default_factory=dict)
    leaving: dict[str, float] = field(default_factory=dict)
    trial: Trial | None = None
    cannot_tell_since: dt.date | None = None


@dataclass
class Years:
    """What was counted.

    Attributes
    ----------
    days
        Player-days in each state.
    reasons
        Player-days of each reason.
    stretches
        Lengths of the unbroken stretches in each state, days; those that the year's end cut short included.
    trials
        Every drill that was given.
    two_active
        Player-weeks on which the plan named another drill than the one given last, or offered one beside it.
    """

    days: Counter[str] = field(default_factory=Counter)
    reasons: Counter[str] = field(default_factory=Counter)
    stretches: dict[str, list[int]] = field(default_factory=lambda: {state: [] for state in STATES})
    trials: list[Trial] = field(default_factory=list)
    two_active: int = 0


def simulate(players: int, seed: int) -> Years:
    """A year of so many players, in groups of `GROUP` who are one season each."""
    years = Years()
    for group in range(-(-players // GROUP)):
        size = min(GROUP, players - group * GROUP)
        _Group(np.random.default_rng([seed, group]), size, years).run()
    return years


class _Group:
    """One season's players."""

    def __init__(self, random: np.random.Generator, size: int, years: Years) -> None:
        self._random, self._years = random, years
        self._coaching: Coaching = load_coaching(load_catalogue())
        self._rules = load_plan_rules()
        self._facts = drill_facts(self._coaching.book)
        self._channels = fault_channels(self._coaching.catalogue)
        self._players = [self._player(f"p{number:03d}") for number in range(size)]
        self._rows: list[dict[str, object]] = []
        self._given: list[GivenNote] = []
        self._practice: list[PracticeNote] = []
        self._known: dict[str, Gains] = {}
        self._since: dict[str, tuple[str, dt.date]] = {}

    def run(self) -> None:
        """The year, week by week."""
        plans: dict[str, LessonPlan] = {}
        for week in range(WEEKS):
            monday = FIRST_DAY + dt.timedelta(weeks=week)
            for player in self._players:
                self._practise(player, monday)
                self._record(player, monday + dt.timedelta(days=5), plans.get(player.name))
            sunday = monday + dt.timedelta(days=6)
            before, plans = plans, self._plans(sunday)
            for player in self._players:
                plan = plans[player.name]
                self._count(player, plan, sunday)
                if week and before[player.name].state == plan.state:
                    self._follow(player, plan, sunday)
        end = FIRST_DAY + dt.timedelta(weeks=WEEKS)
        for state, since in self._since.values():
            self._years.stretches[state].append((end - since).days)
        for player in self._players:
            if player.trial is not None:
                player.trial.days = (end - player.trial.day).days

    def _player(self, name: str) -> Player:
        random = self._random
        start = FIRST_DAY + dt.timedelta(days=int(random.integers(60, 250)))
        hold = Hold(start, start + dt.timedelta(days=int(random.integers(7, 29))))
        order = random.permutation(len(FAULTS))
        past = {
            FAULTS[place]: PAST_EDGE_DEG[number] + random.normal(0, BETWEEN_DEG)
            for number, place in enumerate(order)
        }
        works = {
            drill: max(random.normal(*EFFECT_DEG), 0.0) if random.random() < WORKS else 0.0
            for fault in FAULTS
            for drill in self._serving(fault)
        }
        return Player(
            name=name,
            past_edge_deg=past,
            practises=float(random.beta(5, 2)),
            notes=bool(random.random() < NOTES),
            hold=hold if random.random() < PAUSED else None,
            works=works,
        )

    def _serving(self, fault: str) -> list[str]:
        serving = {
            drill: served[fault] for drill, served in self._coaching.serving.items() if fault in served
        }
        return sorted(serving, key=lambda drill: (-serving[drill], drill))

    def _true_deg(self, player: Player, fault: str) -> float:
        return player.past_edge_deg[fault] - player.gained_deg.get(fault, 0.0)

    def _practise(self, player: Player, monday: dt.date) -> None:
        """A week's practice: what is gained comes with the days, and some of it goes again once the drill is left."""
        for fault, rate in player.leaving.items():
            player.gained_deg[fault] *= 1 - rate
        trial = player.trial
        if trial is None or trial.ended != "still on it":
            return
        for number in range(5):
            day = monday + dt.timedelta(days=number)
            held = player.hold is not None and player.hold.covers(day)
            if held or self._random.random() > player.practises:
                continue
            left = player.works[trial.drill] - player.gained_deg.get(trial.fault, 0.0)
            gain = max(left, 0.0) / PRACTICE_DAYS_TO_GAIN
            player.gained_deg[trial.fault] = player.gained_deg.get(trial.fault, 0.0) + gain
            if player.notes:
                sets = self._facts[trial.drill].sets_a_day
                self._practice.append(PracticeNote(player.name, trial.drill, day.isoformat(), sets))

    def _record(self, player: Player, day: dt.date, plan: LessonPlan | None) -> None:
        """A Saturday's session: a re-test where the plan wants one."""
        if self._random.random() > RECORDS or (player.hold is not None and player.hold.covers(day)):
            return
        wanted = plan is not None and plan.state == "carry on" and plan.next_check and plan.next_check <= day
        context = "retest" if wanted else "play"
        for fault in FAULTS:
            entry = self._coaching.catalogue[fault]
            mean = self._true_deg(player, fault) + self._random.normal(0, SESSION_DEG)
            past = mean + self._random.normal(0, SWING_DEG, SWINGS[context])
            measure = entry.edge + entry.sign * past / to_degrees(entry)
            self._rows.append(
                {
                    "player": player.name,
                    "session": day.isoformat(),
                    "context": context,
                    "fault": fault,
                    "n": float(len(past)),
                    "p": float((past > 0).sum()),
                    "n_measured": float(len(past)),
                    "n_inside": float((past <= 0).sum()),
                    "measure": float(measure.sum()),
                    "measure2": float((measure**2).sum()),
                }
            )

    def _plans(self, day: dt.date) -> dict[str, LessonPlan]:
        """Every player's plan; gains that were read before are not read again."""
        faults = pd.DataFrame(self._rows)
        sessions = faults[["player", "session", "context"]].drop_duplicates().assign(n_swings=12.0)
        notes = StoreNotes(given=tuple(self._given), practice=tuple(self._practice))
        holds = {each.name: [each.hold] for each in self._players if each.hold is not None}
        evidence = player_evidence(notes, SeasonFacts(faults, sessions), self._coaching.catalogue, holds)
        evidence |= {each.name: PlayerEvidence() for each in self._players if each.name not in evidence}
        on = {
            player: courses(each, day, facts=self._facts, channels=self._channels, rules=self._rules)
            for player, each in evidence.items()
        }
        self._known = season_gains(faults, on, self._coaching.catalogue, day, self._rules, self._known)
        return {
            player: plan_on(
                each,
                day,
                facts=self._facts,
                channels=self._channels,
                gains=self._known[player],
                rules=self._rules,
            )
            for player, each in evidence.items()
        }

    def _follow(self, player: Player, plan: LessonPlan, day: dt.date) -> None:
        """Do what the plan says."""
        cannot_tell = plan.reason in ("cannot-tell", "stopped-short")
        player.cannot_tell_since = (player.cannot_tell_since or day) if cannot_tell else None
        waited = player.cannot_tell_since is not None and (day - player.cannot_tell_since).days
        if is_active(plan.state, plan.drill) and not (waited and waited >= PATIENCE_DAYS):
            return
        options = list(self._options(player, plan))
        if is_active(plan.state, plan.drill):
            options = [each for each in options if each[0] != plan.drill]
            chosen = next(iter(options), ("", ""))
        else:
            chosen = next_drill(plan, options)
        self._end(player, plan, day)
        if chosen[0] and plan.state != "waits":
            self._give(player, *chosen, day)

    def _end(self, player: Player, plan: LessonPlan, day: dt.date) -> None:
        trial = player.trial
        if trial is None or trial.ended != "still on it":
            return
        trial.ended = plan.reason if plan.reason != "check-due" else "seldom-shows"
        trial.days = (day - trial.day).days
        if self._random.random() < RELAPSES and trial.fault in player.gained_deg:
            player.leaving[trial.fault] = 1 - 0.1 ** (1 / RELAPSE_WEEKS)

    def _options(self, player: Player, plan: LessonPlan) -> Iterator[tuple[str, str]]:
        """Drills for what the last sessions show, the worst fault first; a fault that has returned before all."""
        recent = pd.DataFrame([row for row in self._rows if row["player"] == player.name][-9:])
        if recent.empty:
            return
        sums = recent.groupby("fault")[["p", "n"]].sum()
        rate = (sums["p"] / sums["n"]).sort_values(ascending=False)
        faults = [plan.fault] if plan.state == "returned" else []
        faults += [fault for fault in rate.index if rate[fault] >= 0.3]
        for fault in faults:
            for drill in self._serving(str(fault)):
                yield drill, str(fault)

    def _give(self, player: Player, drill: str, fault: str, day: dt.date) -> None:
        self._given.append(
            GivenNote(player.name, drill, fault, day.isoformat(), f"{day.isoformat()}T09:00:00Z")
        )
        player.trial = Trial(player.name, drill, fault, day, works=player.works[drill] > 0)
        player.leaving.pop(fault, None)
        player.cannot_tell_since = None
        self._years.trials.append(player.trial)

    def _count(self, player: Player, plan: LessonPlan, day: dt.date) -> None:
        years = self._years
        years.days[plan.state] += 7
        years.reasons[f"{plan.state}: {plan.reason}"] += 7
        row = plan_row(player.name, plan, day, self._options(player, plan), self._rules)
        given = player.trial.drill if player.trial else ""
        years.two_active += int(row.active and (bool(row.next_drill) or row.drill != given))
        state, since = self._since.get(player.name, (plan.state, day))
        if state != plan.state:
            years.stretches[state].append((day - since).days)
            since = day
        self._since[player.name] = (plan.state, since)


def tables(years: Years) -> list[str]:
    """What was counted, as the tables of docs/plan.md."""
    total = sum(years.days.values())
    lines = ["| state | share of player-days | stretches | median days (10 %, 90 %) |", "|---|---|---|---|"]
    for state in STATES:
        lengths = years.stretches[state]
        low, middle, high = np.percentile(lengths, [10, 50, 90]) if lengths else (np.nan,) * 3
        lines.append(
            f"| `{state}` | {years.days[state] / total:.1%} | {len(lengths)} | {middle:.0f} ({low:.0f}, {high:.0f}) |"
        )
    lines += ["", "| reason | share of player-days |", "|---|---|"]
    lines += [f"| {reason} | {days / total:.1%} |" for reason, days in years.reasons.most_common()]
    ended = sorted({trial.ended for trial in years.trials})
    lines += ["", f"| drills given | {' | '.join(ended)} |", f"|---|{'---|' * len(ended)}"]
    for works in (True, False):
        own = [trial for trial in years.trials if trial.works is works]
        cells = [_cell([trial.days for trial in own if trial.ended == code], len(own)) for code in ended]
        lines.append(f"| {len(own)} that {'work' if works else 'do nothing'} | {' | '.join(cells)} |")
    lines += [
        "",
        f"Player-weeks with two active drills, or another one offered beside it: {years.two_active}.",
    ]
    return lines


def _cell(days: list[int], total: int) -> str:
    return f"{len(days) / max(total, 1):.0%}, {np.median(days):.0f} days" if days else "0 %"


@click.command()
@click.option("--players", type=click.IntRange(1), default=200, show_default=True)
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True)
def main(players: int, seed: int) -> None:
    """Simulate years of the plan and print what came of them."""
    click.echo("\n".join(tables(simulate(players, seed))))


if __name__ == "__main__":
    main()
