"""One row a player and fault: how often it shows, how far, which way it goes, and what kind it is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Protocol, TypeVar

import msgspec
import pandas as pd

from faultml.care.rules import CareRules
from faultml.coaching.figures import by_session, figures
from faultml.coaching.misses import MissProfile, Shot, explains, fits, listed_faults, pass_back, profile
from faultml.coaching.records import FaultFigures, Kind, PlayerFault, ReadingDoubt, records_of
from faultml.coaching.rules import LATE_SAVE, Coaching, Rules
from faultml.coaching.setup import FROM_ADDRESS, PlayerSetup, player_setups
from faultml.coaching.summary import Summary
from faultml.results.sessions import COUNTING
from faultml.rules_file import Record

FLAGGED: Final = ("fault", "style", "pattern")
"""Kinds of what is seen often enough in a player."""


@dataclass(frozen=True)
class PlayerFacts:
    """What holds for a player beside the faults.

    Attributes
    ----------
    setup, misses
        The usual address, and what the player misses with.
    late_save
        Whether the pattern shows often enough to count.
    swings, assessed, practice
        Recorded swings, assessed ones, and those of the assessed that were practice with feedback.
    forearm_seen
        Whether forearm rotation was recorded in most assessed swings.
    findings
        Codes carried by a tenth of the assessed swings or more.
    near_end
        Faults whose usual reading lies near the end of usual wrist motion.
    limited
        Of the recorded swings, how many carry each finding that limits quality.
    limited_share
        Share of the assessed swings with findings that limit quality (at most; a swing may carry two).
    """

    setup: PlayerSetup
    misses: MissProfile
    late_save: bool
    swings: int
    assessed: int
    practice: int
    forearm_seen: bool
    findings: frozenset[str]
    limited: Mapping[str, int]
    limited_share: float
    near_end: frozenset[str]


@dataclass(frozen=True)
class PlayerSeason:
    """One player's season: faults, and doubts of their reading, by fault in catalogue order; what else holds."""

    player: str
    faults: Mapping[str, PlayerFault]
    doubts: Mapping[str, ReadingDoubt]
    facts: PlayerFacts


class _Session(Record, frozen=True):
    """Sums of one session and context: a row of `Summary.sessions`."""

    player: str
    context: str
    n_swings: float
    n_assessed: float
    n_pronation: float


class _Shots(Record, frozen=True):
    """How far one fault shows in the swings of one shot: a row of `Summary.shots`."""

    player: str
    shot: str
    fault: str
    n: float
    p: float


class _Code(Record, frozen=True):
    """How many swings carry a code: a row of `Summary.codes`."""

    player: str
    kind: str
    code: str
    n: float


def player_seasons(
    summary: Summary, usual_misses: Mapping[str, str], coaching: Coaching, care: CareRules
) -> list[PlayerSeason]:
    """Every player of the season with every fault, the session faults and the late save.

    `usual_misses` holds the roster's word for a player's miss; who is not in it has none.
    """
    rules = coaching.rules
    everyone = sorted(summary.sessions["player"].unique())
    index = pd.MultiIndex.from_product(
        [everyone, (*coaching.fault_ids, LATE_SAVE)], names=["player", "fault"]
    )
    table = figures(by_session(summary, coaching.catalogue), index, coaching).reset_index()
    rows = _by_player(records_of(table, FaultFigures))
    doubts = _by_player(records_of(table, ReadingDoubt))
    shots, codes = _by_player(records_of(summary.shots, _Shots)), _by_player(records_of(summary.codes, _Code))
    sessions = _by_player(records_of(summary.sessions, _Session))
    setups = player_setups(summary.sessions, care.reference_setup, coaching.catalogue.address, rules.address)
    seasons = []
    for player in everyone:
        own, doubt = ({row.fault: row for row in rows[player]}, {row.fault: row for row in doubts[player]})
        hit = [Shot(row.shot, row.fault, row.n, row.p) for row in shots.get(player, [])]
        misses = profile(hit, usual_misses.get(player, ""), rules)
        save_rate = own[LATE_SAVE].rate_now
        near_end = _near_end(own, setups[player], care, coaching)
        facts = _facts(
            save_rate, sessions[player], codes.get(player, []), misses, setups[player], near_end, rules
        )
        seasons.append(PlayerSeason(player, _with_kinds(own, doubt, hit, facts, coaching), doubt, facts))
    return seasons


class _OfPlayer(Protocol):
    @property
    def player(self) -> str: ...


Row = TypeVar("Row", bound=_OfPlayer)


def _by_player(rows: Sequence[Row]) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {}
    for row in rows:
        found.setdefault(row.player, []).append(row)
    return found


def _facts(
    save_rate: float,
    sessions: Sequence[_Session],
    codes: Sequence[_Code],
    misses: MissProfile,
    setup: PlayerSetup,
    near_end: frozenset[str],
    rules: Rules,
) -> PlayerFacts:
    assessed = sum(row.n_assessed for row in sessions)
    found = {row.code: row.n for row in codes if row.kind == "finding"}
    limiting = sum(n for code, n in found.items() if code in rules.confidence.quality_codes)
    return PlayerFacts(
        setup=setup,
        misses=misses,
        late_save=save_rate >= rules.shows.late_save_rate,
        swings=int(sum(row.n_swings for row in sessions)),
        assessed=int(assessed),
        practice=int(sum(row.n_assessed for row in sessions if row.context not in COUNTING)),
        forearm_seen=sum(row.n_pronation for row in sessions) > assessed / 2,
        findings=frozenset(code for code, n in found.items() if n >= max(assessed, 1) / 10),
        limited={code: round(found[code]) for code in rules.confidence.quality_codes if found.get(code)},
        limited_share=min(1.0, limiting / assessed) if assessed else 0.0,
        near_end=near_end,
    )


def _near_end(
    own: Mapping[str, FaultFigures], setup: PlayerSetup, care: CareRules, coaching: Coaching
) -> frozenset[str]:
    """Faults whose mean reading, as an absolute angle, lies near the end of usual wrist motion.

    A reading from the address is one angle; a difference or a moment is none.
    """
    if not setup.measured:
        return frozenset()
    return frozenset(
        fault.id
        for fault in coaching.catalogue.faults
        if fault.measure.stat in FROM_ADDRESS
        and care.usual_motion.near_end(
            fault.measure.channel,
            getattr(setup.setup, fault.measure.channel) + own[fault.id].measure,
        )
    )


def _with_kinds(
    own: Mapping[str, FaultFigures],
    doubts: Mapping[str, ReadingDoubt],
    shots: Sequence[Shot],
    facts: PlayerFacts,
    coaching: Coaching,
) -> dict[str, PlayerFault]:
    """Say of a player's faults what explains the miss, and whether each is a fault, a style, or nothing."""
    rules, misses, known = coaching.rules, facts.misses, facts.misses.known
    of_sessions = {fault.id for fault in coaching.catalogue.session_faults}
    shown = {
        name
        for name, row in own.items()
        if name != LATE_SAVE
        and row.rate_now >= rules.shows.rate
        and (name not in of_sessions or _wanders(row, rules))
    }
    seen = shown | ({LATE_SAVE} if facts.late_save else set())
    explained = explains(facts.misses, shots, own, rules)
    explained = pass_back(explained, coaching.brings, seen, rules.explaining.inherit)
    if facts.late_save:
        cause = rules.late_save.cause
        explained[cause] = max(explained[cause], rules.explaining.save_floor)
    listed = listed_faults(misses, coaching.brings, seen, own, rules)
    hit: dict[str, list[Shot]] = {}
    for shot in shots:
        hit.setdefault(shot.fault, []).append(shot)
    kinds: dict[str, Kind] = {}
    faults = {}
    for name, row in own.items():  # in catalogue order, in which causes come before what they bring
        unlearned = doubts[name].n_unlearned > 0
        kinds[name] = _kind(row, unlearned, name in shown, kinds, explained[name], facts, coaching)
        fit = fits(misses, hit.get(name, []), name in listed, rules)
        enough = kinds[name] in FLAGGED and explained[name] >= rules.explaining.explains_at
        enough = enough and fit.word in ("agree", "catalogue")
        faults[name] = PlayerFault(
            **msgspec.structs.asdict(row),
            kind=kinds[name],
            explains=explained[name],
            explains_miss=enough if known else None,
            miss=misses.main,
            miss_balls=misses.balls.get(misses.main, 0),
            straight_balls=misses.straight,
            known_balls=round(misses.swings),
            usual_miss=" ".join(misses.usual),
            fit=fit.word,
            fit_balls=fit.n_with,
            fit_rate=fit.rate_with,
            fit_others=fit.n_without,
            fit_others_rate=fit.rate_without,
        )
    return faults


def _wanders(row: FaultFigures, rules: Rules) -> bool:
    """Whether a fault of a session is past its edge on average, in more than a session or two."""
    return row.measure_now > row.edge and row.rate_lo >= rules.shows.session_least


def _kind(
    row: FaultFigures,
    unlearned: bool,
    shown: bool,
    earlier: Mapping[str, Kind],
    explained: float,
    facts: PlayerFacts,
    coaching: Coaching,
) -> Kind:
    """What a fault is in this player; `earlier` holds the kinds of what comes before it in the catalogue."""
    fault, style, save = row.fault, coaching.rules.style, coaching.rules.late_save
    if row.swings == 0:
        return "not_learned" if unlearned else "not_assessed"
    if fault == LATE_SAVE:
        return "pattern" if facts.late_save else "none"
    if not shown:
        return "none"
    harmless = facts.misses.known and explained < style.explains_below
    saving = facts.late_save and fault in (save.cause, *save.waits)
    brought = any(
        kind == "fault" and fault in coaching.brings.get(cause, ()) for cause, kind in earlier.items()
    )
    steady = row.spread * coaching.to_degrees(fault) <= style.spread_deg
    often = row.rate_now >= style.rate and row.swings >= style.swings
    alone = not saving and not brought and fault not in facts.near_end
    return "style" if harmless and steady and often and alone else "fault"
