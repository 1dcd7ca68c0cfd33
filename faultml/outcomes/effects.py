"""What a drill has brought: a posterior for each drill and fault, learned over the coach's own players.

    a player's improvement = the drill's effect + the player's own response (SD kappa) + the change's doubt

It starts at the evidence grade: "low: by mechanism" hopes for a little, and is wide. kappa is summed over a
grid, the effect is integrated exactly.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Final

import msgspec
import numpy as np
import pandas as pd

from faultml.faults.catalogue import Catalogue
from faultml.outcomes.change import changes
from faultml.outcomes.rules import OutcomeRules, load_outcome_rules
from faultml.outcomes.spells import to_degrees
from faultml.outcomes.squad import Floats, log_grid, mixture_quantiles

DECIDED: Final = ("held", "no-change", "worse")
"""Verdicts of a change that could be told either way."""

N_KAPPA: Final = 15

Share = Annotated[float, msgspec.Meta(ge=0, le=1)]


class DrillEffect(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What a drill has brought for a fault.

    Attributes
    ----------
    players, held
        Players who were given it and whose change could be told, and those of them who improved and held it
        without feedback.
    improvement_deg, improvement_lo_deg, improvement_hi_deg
        Posterior of the mean improvement, with a 90 % interval, degrees (0.01 of the downswing counts as one).
    prior_deg
        What the mechanism alone made hope for.
    share
        The posterior as the ranking takes it: the share of the fault the drill may be hoped to take away.
    told
        Whether enough players tell for them to speak in place of the mechanism.
    """

    drill: str
    fault: str
    players: int
    held: int
    improvement_deg: float
    improvement_lo_deg: float
    improvement_hi_deg: float
    prior_deg: float
    share: Share
    told: bool


Effects = Mapping[tuple[str, str], DrillEffect]
"""(drill, fault) -> what it has brought."""


def drill_effects(
    table: pd.DataFrame,
    strengths: Mapping[str, Mapping[str, float]],
    catalogue: Catalogue,
    rules: OutcomeRules | None = None,
) -> dict[tuple[str, str], DrillEffect]:
    """The effect of every drill that somebody's change tells of.

    Parameters
    ----------
    table
        Of `changes`. Of several assignments of one drill to one player for one fault, the last that could be told
        counts.
    strengths
        Drill -> fault -> the share it may be hoped to take away by mechanism. An assignment for a fault the drill
        is not for has none, and hopes for nothing.
    """
    rules = rules or load_outcome_rules()
    told = table[table["verdict"].isin(DECIDED)].drop_duplicates(["player", "drill", "fault"], keep="last")
    found = {}
    for (drill, fault), rows in told.groupby(["drill", "fault"], sort=True):
        strength = strengths.get(str(drill), {}).get(str(fault), 0.0)
        scale = to_degrees(catalogue[str(fault)])
        change, sd, shared_sd = (
            rows[name].to_numpy(float) * scale for name in ("change", "change_sd", "shared_sd")
        )
        low, mean, high = _posterior(-change, sd, shared_sd, strength, rules)
        found[str(drill), str(fault)] = DrillEffect(
            drill=str(drill),
            fault=str(fault),
            players=len(rows),
            held=int((rows["verdict"] == "held").sum()),
            improvement_deg=mean,
            improvement_lo_deg=low,
            improvement_hi_deg=high,
            prior_deg=strength * rules.effect.hoped_deg,
            share=float(np.clip(mean / rules.effect.hoped_deg, 0.0, rules.effect.most)),
            told=len(rows) >= rules.effect.least_players,
        )
    return found


def learned_effects(
    sums: pd.DataFrame,
    assigned: pd.DataFrame,
    strengths: Mapping[str, Mapping[str, float]],
    catalogue: Catalogue,
    rules: OutcomeRules | None = None,
) -> dict[tuple[str, str], DrillEffect]:
    """From a season's sums and the drills that were given straight to what those drills have brought."""
    return drill_effects(changes(sums, assigned, catalogue, rules), strengths, catalogue, rules)


def _posterior(
    improvement: Floats, sd: Floats, shared_sd: Floats, strength: float, rules: OutcomeRules
) -> tuple[float, float, float]:
    """Low, mean and high of a drill's effect, degrees."""
    effect = rules.effect
    kappa, log_prior = log_grid(effect.response_deg, effect.factor, N_KAPPA)
    own = np.maximum(sd**2 - shared_sd**2, 0.0)
    # (n_kappa, n_players, n_players): each player's own doubt and response, and what all changes share.
    doubt = np.multiply.outer(kappa**2, np.eye(len(own))) + np.diag(own) + np.outer(shared_sd, shared_sd)
    precision = np.linalg.inv(doubt)
    ones = np.ones(len(own))
    of_prior = 1 / effect.prior_sd_deg**2
    hoped = strength * effect.hoped_deg
    total = of_prior + ones @ precision @ ones
    pull = of_prior * hoped + precision @ improvement @ ones
    squares = of_prior * hoped**2 + improvement @ (precision @ improvement).T
    log = log_prior + 0.5 * (np.linalg.slogdet(precision)[1] - np.log(total) - squares + pull**2 / total)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    mean, sd_of_effect = pull / total, 1 / np.sqrt(total)
    tail = (1 - rules.claim.interval) / 2
    low, high = mixture_quantiles(weight, mean[:, None], sd_of_effect[:, None], (tail, 1 - tail))[:, 0]
    return float(low), float(weight @ mean), float(high)
