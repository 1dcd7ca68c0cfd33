"""Faults of a session: how much a measure wanders from swing to swing, once landmark error is taken out."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import chdtr

from faultml.coaching.estimates import difference
from faultml.faults.catalogue import Catalogue

COLUMNS = ["player", "session", "fault", "n", "sd", "p", "severity"]


def session_faults(spread: pd.DataFrame, catalogue: Catalogue) -> pd.DataFrame:
    """Judge every session that has enough assessed swings.

    Swings are compared within a club. With k clubs the scatter of n swings has n - k degrees of freedom,
    and the chance that the true SD lies past the edge is that of a scaled chi-square (normal measures, flat
    prior on the log of the variance).

    Parameters
    ----------
    spread
        `Summary.spread`.

    Returns
    -------
    DataFrame
        One row a player, session and session fault: swings ``n``, ``sd`` with the landmark error taken out,
        probability ``p`` that it lies past the edge, ``severity`` past it, in the fault's unit. Of several
        watched measures the worse one.
    """
    scatter = spread.assign(
        scatter=difference(spread["measure2"].to_numpy(), (spread["measure"] ** 2 / spread["n"]).to_numpy()),
        freedom=(spread["n"] - 1).clip(lower=0),
    )
    sums = (
        scatter.groupby(["player", "session", "fault"])[["n", "scatter", "freedom", "error2"]]
        .sum()
        .reset_index()
    )
    judged = []
    for fault in catalogue.session_faults:
        rows = sums[sums["fault"].isin(fault.of) & (sums["n"] >= fault.min_swings) & (sums["freedom"] > 0)]
        noise = rows["error2"] / rows["n"]
        variance = rows["scatter"] / rows["freedom"]
        sd = np.sqrt((variance - noise).clip(lower=0))
        p = chdtr(rows["freedom"], (rows["scatter"] / (fault.edge**2 + noise)).clip(lower=0))
        each = rows.assign(sd=sd, p=p, severity=(sd - fault.edge).clip(lower=0), fault=fault.id)
        judged.append(
            each.sort_values(["p", "sd"]).drop_duplicates(["player", "session"], keep="last")[COLUMNS]
        )
    return pd.concat(judged, ignore_index=True) if judged else pd.DataFrame(columns=COLUMNS)
