"""What a drill has brought: a posterior for each drill and fault, learned over the coach's own players.

    a player's improvement = the drill's effect + the player's own response (SD kappa) + the change's doubt

It starts at the evidence grade: "low: by mechanism" hopes for a little, and is wide. How wide is itself not known
(SD sigma): a drill that does far more, or harm, is not drawn back to the mechanism for long. kappa and sigma are
summed over a grid, the effect is integrated exactly.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import pandas as pd

from faultml.faults.catalogue import Catalogue
from faultml.outcomes.claims import DECIDED
from faultml.outcomes.model import log_grid, mixture_quantiles
from faultml.outcomes.periods import to_degrees
from faultml.outcomes.rules import OutcomeRules, load_outcome_rules
from faultml.outcomes.session_means import Floats
from faultml.rules_file import Record, Share

N_KAPPA: Final = 15
N_SIGMA: Final = 9


MIN_GAIN_DEG: Final = 0.5
"""Where a mean improvement is printed as one degree: less is no gain. Practice, no source."""


class DrillEffect(Record, frozen=True):
    """What a drill has brought for a fault.

    Attributes
    ----------
    players, held
        Players who were given it and whose change was decided, and those of them who improved and held it
        without feedback.
    improvement_deg, improvement_lo_deg, improvement_hi_deg
        Posterior of the mean improvement, with a 90 % interval, degrees (0.01 of the downswing counts as one).
    prior_deg
        What the mechanism alone made hope for.
    share
        As the ranking takes it: the share of the fault the drill may be hoped to take away. That of the mechanism until
        enough players tell.
    enough_players
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
    enough_players: bool

    @property
    def gains(self) -> bool:
        """Whether the mean improvement is a gain of half a degree or more."""
        return self.improvement_deg >= MIN_GAIN_DEG


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
        Of `changes`. Of several assignments of one drill to one player for one fault, the last that was decided
        counts.
    strengths
        Drill -> fault -> the share it may be hoped to take away by mechanism. An assignment for a fault the drill
        is not for has none, and hopes for nothing.
    """
    rules = rules or load_outcome_rules()
    known = table[table["verdict"].isin(DECIDED) & table["fault"].isin(catalogue.ids)]
    last = known.drop_duplicates(["player", "drill", "fault"], keep="last")
    found = {}
    for (drill, fault), rows in last.groupby(["drill", "fault"], sort=True):
        strength = strengths.get(str(drill), {}).get(str(fault), 0.0)
        scale = to_degrees(catalogue[str(fault)])
        change, sd, shared_sd = (
            rows[name].to_numpy(float) * scale for name in ("change", "change_sd", "shared_sd")
        )
        enough_players = len(rows) >= rules.effect.min_players
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
            share=_share(mean if enough_players else strength * rules.effect.hoped_deg, rules),
            enough_players=enough_players,
        )
    return found


def _share(improvement_deg: float, rules: OutcomeRules) -> float:
    return float(np.clip(improvement_deg / rules.effect.hoped_deg, 0.0, rules.effect.max_share))


def _posterior(
    improvement: Floats, sd: Floats, shared_sd: Floats, strength: float, rules: OutcomeRules
) -> tuple[float, float, float]:
    """Low, mean and high of a drill's effect, degrees."""
    effect = rules.effect
    kappa, log_kappa = log_grid(effect.response_deg, effect.factor, N_KAPPA)
    sigma, log_sigma = log_grid(effect.prior_sd_deg, effect.factor, N_SIGMA)
    own = np.maximum(sd**2 - shared_sd**2, 0.0)
    # (n_kappa, n_players, n_players): each player's own doubt and response, and what all changes share.
    doubt = np.multiply.outer(kappa**2, np.eye(len(own))) + np.diag(own) + np.outer(shared_sd, shared_sd)
    precision = np.linalg.inv(doubt)
    # (n_kappa, 1) against (n_sigma,): what the players say, and what the mechanism hopes for.
    said = precision.sum(axis=(1, 2))[:, None]
    pull = (precision @ improvement).sum(axis=1)[:, None]
    squares = (improvement @ (precision @ improvement).T)[:, None]
    prior, hoped = sigma**-2, strength * effect.hoped_deg
    total = prior + said
    mean = (prior * hoped + pull) / total
    fit = np.linalg.slogdet(precision)[1][:, None] + np.log(prior) - np.log(total)
    log = log_kappa[:, None] + log_sigma + 0.5 * (fit - prior * hoped**2 - squares + total * mean**2)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    points, tail = (weight.size, 1), (1 - rules.claim.interval) / 2
    low, high = mixture_quantiles(
        weight.ravel(), mean.reshape(points), (total**-0.5).reshape(points), (tail, 1 - tail)
    )[:, 0]
    return float(low), float((weight * mean).sum()), float(high)
