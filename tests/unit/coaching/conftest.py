"""Made-up swings of a made-up academy, as tables: coaching never sees more than that."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest
from care_fakes import HEALTHY, TODAY, known_of
from scipy.stats import norm

from faultml.coaching.book import load_book
from faultml.coaching.prescribe import Prescription, prescribe
from faultml.coaching.rules import Coaching, load_rules
from faultml.coaching.summary import summarise
from faultml.faults.catalogue import load_catalogue

SESSIONS = ("2031-04-02", "2031-04-16", "2031-05-07", "2031-05-28")
INSIDE_DEG = -14.0
"""How far inside its corridor a fault lies that is not asked for."""


@dataclass(frozen=True)
class Made:
    """The two frames a classified season holds."""

    swings: pd.DataFrame
    faults: pd.DataFrame

    def __add__(self, other: Made) -> Made:
        return Made(
            pd.concat([self.swings, other.swings], ignore_index=True),
            pd.concat([self.faults, other.faults], ignore_index=True),
        )


def make_player(
    player: str = "lp-01",
    past: Mapping[str, float] | None = None,
    *,
    sessions: Sequence[str] = SESSIONS,
    swings: int = 12,
    shots: Sequence[Sequence[str]] = ((),),
    missed: Mapping[str, float] | None = None,
    late_save: float = 0.0,
    address: Sequence[float] = (-20.0, 10.0, 0.0),
    address_by_session: Sequence[float] | None = None,
    trend: float = 0.0,
    scatter: float = 2.0,
    measure_sd: float = 1.5,
    guard: float = 0.99,
    pronation: bool = True,
    context: str = "play",
    club: str = "7-iron",
    findings: Sequence[str] = (),
    assessed: bool = True,
    seed: int = 5,
) -> Made:
    """A player whose `past` faults lie so many degrees past their edges, and all others inside.

    For the release a degree is a hundredth of the downswing.

    `shots` are dealt out in turn; `missed` adds degrees to faults on swings whose shot is a miss; `trend`
    adds degrees to the faults asked for from one session to the next; `address_by_session` adds degrees of
    flexion to the address.
    """
    catalogue, rng = load_catalogue(), np.random.default_rng(seed)
    n = len(sessions) * swings
    session = np.repeat(sessions, swings)
    number = np.repeat(np.arange(len(sessions)), swings)
    ids = pd.DataFrame({"player": player, "session": session, "swing": [f"{each:03d}" for each in range(n)]})
    shot = [tuple(shots[each % len(shots)]) for each in range(n)]
    is_miss = np.array([bool(set(words) - {"straight", "draw", "fade"}) for words in shot])
    lean = np.zeros(len(sessions)) if address_by_session is None else np.array(address_by_session)
    table = ids.assign(
        hand="right",
        club=club,
        context=context,
        shot=shot,
        assessed=assessed,
        reason="" if assessed else "not-a-full-swing",
        findings=[list(findings)] * n,
        impact_marked=True,
        impact_from="recorder",
        tempo=3.2,
        address_flexion_deg=address[0] + lean[number] if assessed else np.nan,
        address_ulnar_deg=address[1] if assessed else np.nan,
        address_pronation_deg=address[2] if assessed and pronation else np.nan,
        late_save=late_save > 0.5,
        late_save_probability=late_save if assessed else np.nan,
    )
    frames = []
    for fault, soft in zip(catalogue.faults, catalogue.softness_by_fault, strict=True):
        known = assessed and (pronation or not fault.needs_pronation)
        asked = (past or {}).get(fault.id)
        degrees = np.full(n, INSIDE_DEG if asked is None else asked) + rng.normal(0, scatter, n)
        degrees = (
            degrees
            + (trend * number if asked is not None else 0)
            + (missed or {}).get(fault.id, 0.0) * is_miss
        )
        over = degrees * (1.0 if fault.unit == "deg" else 0.01)
        chance = norm.cdf(over / soft)
        call = np.select([chance > 0.8, chance > 0.2], ["yes", "borderline"], "no")
        edge = catalogue.edge(fault.id, player)
        frames.append(
            ids.assign(
                fault=fault.id,
                status="assessed" if known else "not_assessed",
                reason="" if known else "no-forearm-rotation",
                probability=chance if known else np.nan,
                call=call if known else "",
                flagged=(call == "yes") & known,
                measure=edge.value + fault.sign * over if known else np.nan,
                severity=np.maximum(over, 0) if known else np.nan,
                unit=fault.unit,
                edge=edge.value,
                edge_owner=edge.owner,
                guard_chance=guard if known and fault.guard else np.nan,
                measure_sd=measure_sd * (1.0 if fault.unit == "deg" else 0.01) if known else np.nan,
                onset_phase=fault.measure.start[0] if known else "",
                onset_at=float(fault.measure.start[1:]) if known else np.nan,
            )
        )
    return Made(table, pd.concat(frames, ignore_index=True))


@pytest.fixture(scope="session")
def coaching() -> Coaching:
    return Coaching(load_catalogue(), load_book(), load_rules())


@pytest.fixture(scope="session")
def made() -> Callable[..., Made]:
    return make_player


@pytest.fixture(scope="session")
def coach(coaching: Coaching) -> Callable[..., Prescription]:
    """Prescribe for a made season; every player has the same roster cells (None: no roster at all)."""

    def _coach(season: Made, roster: Mapping[str, object] | None = HEALTHY) -> Prescription:
        summary = summarise(season.swings, season.faults, coaching.catalogue)
        players = season.swings["player"].unique()
        table = None if roster is None else pd.DataFrame([{"player": player, **roster} for player in players])
        return prescribe(summary, known_of(table, list(players)), coaching, TODAY)

    return _coach
