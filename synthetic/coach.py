"""A coach who labels: sees the true motion, says yes or no, with an adaptation of their own and the odd lapse."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from faultml.faults.catalogue import Catalogue

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Coach:
    """A coach adaptation.

    Attributes
    ----------
    bias
        ``(n_faults,)`` how much further past the edge a swing must be before this coach says yes as readily as a
        careful one, in each fault's unit.
    lapse_rate
        Chance that an answer is simply the wrong way round.
    """

    bias: Array
    lapse_rate: float

    @classmethod
    def careful(cls, catalogue: Catalogue) -> Coach:
        """No bias, no lapses: what a reported probability is the chance of."""
        return cls(np.zeros(len(catalogue.ids)), 0.0)

    @classmethod
    def draw(
        cls,
        catalogue: Catalogue,
        random: np.random.Generator,
        *,
        bias_share: float = 0.75,
        lapse_rate: float = 0.03,
    ) -> Coach:
        """A coach with a personal bias of about `bias_share` of each edge's softness."""
        return cls(random.normal(0, bias_share, len(catalogue.ids)) * catalogue.softness_by_fault, lapse_rate)

    def chance_of_yes(self, catalogue: Catalogue, measures: Array, guards: Array) -> Array:
        """Chance of a yes for each swing and fault, ``(n_swings, n_faults)``; NaN where the measure is not defined.

        It rises across the edge like a normal curve whose SD is the catalogue's softness.
        """
        edges = np.array([fault.edge for fault in catalogue.faults])
        past = catalogue.signs * (measures - edges) - self.bias
        chance = ndtr(past / catalogue.softness_by_fault)
        guarded = [column for column, fault in enumerate(catalogue.faults) if fault.guard]
        for reading, column in zip(guards.T, guarded, strict=True):
            guard = catalogue.faults[column].guard
            if guard is not None:
                chance[:, column] *= reading < guard.below
        return chance * (1 - self.lapse_rate) + (1 - chance) * self.lapse_rate

    def label(
        self, catalogue: Catalogue, measures: Array, guards: Array, random: np.random.Generator
    ) -> Array:
        """1 for yes, 0 for no, NaN where the measure is not defined, ``(n_swings, n_faults)``."""
        chance = self.chance_of_yes(catalogue, measures, guards)
        return np.where(np.isnan(chance), np.nan, random.random(chance.shape) < chance)
