"""How surely a contact is placed by its shock, on drawn forms that the thresholds were not tuned on.

``python -m faultml.pipelines.benchmarks.contact`` prints the tables of docs/contact.md. A form is a family of ringing
with a family of motion; every other one was for tuning. Beside it stands the rule that detectors of tennis strokes go
by: peaks of the derivative of acceleration above a threshold, one in a window (Ebner & Findling 2019, MoMM; restated
from its abstract with `scipy.signal.find_peaks`), its threshold chosen on the forms for tuning.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

import click
import numpy as np
from numpy.typing import NDArray
from scipy.signal import find_peaks
from scipy.stats import binomtest

from faultml.motion.contact import ACCELERATION, ANGULAR_RATE, GRAVITY_MPS2, REACH_S, find_shock
from faultml.synthetic.contact import (
    MOTIONS,
    NO_CONTACT,
    RINGINGS,
    ContactRecorder,
    Shocks,
    draw_shocks,
)

Array = NDArray[np.float64]
Signal = Literal["axes", "norm", "rates"]
Form = tuple[str, str]

RATES_HZ: Final = (200.0, 400.0, 800.0)
BANDWIDTHS: Final = {"quarter": 0.25, "half": 0.5, "open": np.inf}
"""Where the recorder's low-pass begins, in parts of its rate."""
LIMITS_MPS2: Final = ((np.inf, False), (16 * GRAVITY_MPS2, True), (8 * GRAVITY_MPS2, False))
WITHIN_S: Final = 0.005
FAT_SHARE: Final = 0.1
"""How many of the balls are taken to be fat, where all balls are put together; practice, no source."""
_WINDOW_S: Final = 0.5
_OPEN_HZ: Final = 1999.0
_THRESHOLDS: Final = np.geomspace(500, 200_000, 25)
"""Of the derivative of acceleration, m/s3."""


@dataclass
class Marks:
    """Marks of one cell: of how many swings, and by how much each mark is off (NaN where there is no contact)."""

    swings: int
    off_s: Array

    @property
    def recall(self) -> float:
        """Share of swings with a mark."""
        return len(self.off_s) / max(self.swings, 1)

    def within(self, rate_hz: float) -> float:
        """Share of the marks within a sample or `WITHIN_S`."""
        return float((np.abs(self.off_s) <= max(WITHIN_S, 1 / rate_hz)).mean()) if len(self.off_s) else np.nan

    @property
    def upper(self) -> float:
        """Upper end of the exact 95 % interval of `recall` (Clopper & Pearson 1934)."""
        test = binomtest(len(self.off_s), self.swings)
        return float(test.proportion_ci(0.95, method="exact").high)

    @staticmethod
    def together(parts: list[Marks]) -> Marks:
        """All of them."""
        return Marks(sum(each.swings for each in parts), np.concatenate([each.off_s for each in parts]))


def forms(*, tuning: bool) -> list[Form]:
    """The forms that thresholds were tuned on, or the others."""
    return [
        (ringing, motion)
        for i, ringing in enumerate(RINGINGS)
        for j, motion in enumerate(MOTIONS)
        if ((i + j) % 2 == 0) == tuning
    ]


def recorders(rate_hz: float, bandwidth: str) -> list[ContactRecorder]:
    """Recorders of one rate and bandwidth: without a limit, at 16 g in the element, at 8 g in the converter."""
    band_hz = min(BANDWIDTHS[bandwidth] * rate_hz, _OPEN_HZ)
    return [ContactRecorder(rate_hz, band_hz, limit, first) for limit, first in LIMITS_MPS2]


def marks_of(shocks: Shocks, signal: Signal) -> Marks:
    """What the detector marks."""
    felt = shocks.rate_dps if signal == "rates" else shocks.acceleration_mps2
    if signal == "norm":
        felt = np.linalg.norm(felt, axis=1, keepdims=True)
    rules = ANGULAR_RATE if signal == "rates" else ACCELERATION
    found = [
        find_shock(t_s, own, near_s, rules)
        for t_s, own, near_s in zip(shocks.t_s, felt, shocks.anchor_s, strict=True)
    ]
    return Marks(len(found), np.array([each.at_s for each in found if each.marked]))


def peaks_of(shocks: Shocks, threshold: float) -> Marks:
    """What the published rule marks near the wrist's fastest moment: the greatest peak of the derivative above it."""
    off_s = []
    for t_s, felt, near_s in zip(shocks.t_s, shocks.acceleration_mps2, shocks.anchor_s, strict=True):
        step_s = float(np.median(np.diff(t_s)))
        slope = np.abs(np.diff(np.linalg.norm(felt, axis=0))) / step_s
        at, found = find_peaks(slope, height=threshold, distance=max(int(_WINDOW_S / step_s), 1))
        near = np.abs(t_s[at] - near_s) <= REACH_S
        if near.any():
            off_s.append(t_s[at[near][np.argmax(found["peak_heights"][near])]] + step_s / 2)
    return Marks(len(shocks.t_s), np.array(off_s))


def draws(
    rate_hz: float,
    bandwidth: str,
    kind: str,
    forms_of: list[Form],
    count: int,
    random: np.random.Generator,
    *,
    rates: bool = False,
) -> Iterator[tuple[Form, Shocks]]:
    """About `count` swings of a kind, even over forms and recorders; with each form."""
    own = recorders(rate_hz, bandwidth)
    each = max(-(-count // (len(forms_of) * len(own))), 1)
    for form in forms_of:
        for recorder in own:
            yield form, draw_shocks(each, kind, *form, recorder, random, rates=rates)


def tuned_threshold(rate_hz: float, count: int, random: np.random.Generator) -> float:
    """The published rule's threshold with the best F1 on the forms for tuning."""
    drawn = {
        kind: [
            shocks
            for bandwidth in BANDWIDTHS
            for _, shocks in draws(rate_hz, bandwidth, kind, forms(tuning=True)[::3], count, random)
        ]
        for kind in ("contact", *NO_CONTACT)
    }
    scores = []
    for threshold in _THRESHOLDS:
        hits = Marks.together([peaks_of(each, threshold) for each in drawn["contact"]])
        wrong = sum(len(peaks_of(each, threshold).off_s) for kind in NO_CONTACT for each in drawn[kind])
        good = hits.within(rate_hz) * len(hits.off_s) if len(hits.off_s) else 0.0
        scores.append(2 * good / (len(hits.off_s) + wrong + hits.swings))
    return float(_THRESHOLDS[int(np.argmax(scores))])


@click.command()
@click.option(
    "--contacts", default=180, show_default=True, help="Contacts a rate and bandwidth, and fat shots."
)
@click.option("--others", default=1000, show_default=True, help="Swings without a contact a cell.")
@click.option("--signal", type=click.Choice(["axes", "norm", "rates"]), default="axes", show_default=True)
@click.option("--seed", default=7, show_default=True)
@click.option("--peaks/--no-peaks", default=True, help="Measure the published rule too.")
def command(contacts: int, others: int, signal: Signal, seed: int, peaks: bool) -> None:
    """Print what is marked, how well, and what is marked wrongly."""
    random = np.random.default_rng(seed)
    held_out = forms(tuning=False)
    for rate_hz in RATES_HZ:
        threshold = tuned_threshold(rate_hz, 24, np.random.default_rng(seed + 1)) if peaks else np.nan
        by_ringing: dict[str, list[Marks]] = {each: [] for each in RINGINGS}
        totals: dict[str, list[Marks]] = {}
        rule: dict[str, list[Marks]] = {}
        for bandwidth in BANDWIDTHS:
            for kind, count in (("contact", contacts), ("fat", contacts)):
                own = []
                for form, shocks in draws(
                    rate_hz, bandwidth, kind, held_out, count, random, rates=signal == "rates"
                ):
                    own.append(marks_of(shocks, signal))
                    if kind == "contact":
                        by_ringing[form[0]].append(own[-1])
                    if peaks:
                        rule.setdefault(kind, []).append(peaks_of(shocks, threshold))
                totals.setdefault(kind, []).extend(own)
                _say(f"{rate_hz:.0f} Hz, {bandwidth}, {kind}", Marks.together(own), rate_hz)
        for ringing, parts in by_ringing.items():
            _say(f"{rate_hz:.0f} Hz, ringing {ringing}", Marks.together(parts), rate_hz)
        for kind in NO_CONTACT:
            cell, its = [], []
            for bandwidth in BANDWIDTHS:
                drawn = draws(
                    rate_hz, bandwidth, kind, held_out[::3], others // 3, random, rates=signal == "rates"
                )
                for _, shocks in drawn:
                    cell.append(marks_of(shocks, signal))
                    if peaks:
                        its.append(peaks_of(shocks, threshold))
            _say_false(f"{rate_hz:.0f} Hz, {kind}", Marks.together(cell))
            if peaks:
                _say_false(f"{rate_hz:.0f} Hz, {kind}, published rule", Marks.together(its))
        hits, fat = Marks.together(totals["contact"]), Marks.together(totals["fat"])
        _say(f"{rate_hz:.0f} Hz, all contacts", hits, rate_hz)
        _say(f"{rate_hz:.0f} Hz, all fat", fat, rate_hz)
        weights = np.array([(1 - FAT_SHARE) * hits.recall, FAT_SHARE * fat.recall])
        if weights.sum():
            both = np.nansum(weights * [hits.within(rate_hz), fat.within(rate_hz)]) / weights.sum()
            click.echo(f"{rate_hz:.0f} Hz, balls of which {FAT_SHARE:.0%} are fat: {both:.1%} within")
        for kind, parts in rule.items():
            _say(f"{rate_hz:.0f} Hz, all {kind}, published rule", Marks.together(parts), rate_hz)


def _say(what: str, marks: Marks, rate_hz: float) -> None:
    off_ms = marks.off_s * 1000
    spread = f"; median {np.median(off_ms):+.2f} ms, SD {off_ms.std():.2f} ms" if len(off_ms) else ""
    click.echo(
        f"{what}: {marks.recall:.1%} of {marks.swings} marked, {marks.within(rate_hz):.1%} of them within{spread}"
    )


def _say_false(what: str, marks: Marks) -> None:
    click.echo(f"{what}: {len(marks.off_s)} of {marks.swings} marked, at most {marks.upper:.2%}")


if __name__ == "__main__":
    command()
