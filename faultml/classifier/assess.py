"""Assess a batch of swings: windows, landmarks, curves, features, the swing filter, and a posterior for every fault."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final
from uuid import uuid4

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from faultml.channels import LANDMARKS
from faultml.classifier.bundle import Bundle
from faultml.classifier.coded import Coded
from faultml.classifier.mounting import with_mounting
from faultml.classifier.promise import DEFAULT_FALSE_SHARE, golfers_needed
from faultml.classifier.shock_marks import without_far_shocks
from faultml.classifier.steps import ClassifierStep, DetectorStep, FeatureStep, FilterStep
from faultml.errors import BundleError
from faultml.faults.catalogue import Catalogue
from faultml.faults.measure import coordinate, late_save, phase_times
from faultml.features.table import Features
from faultml.features.table import compute_features as default_features
from faultml.motion.closure import ClosureBudget, closure_budget
from faultml.motion.coach_landmarks import place, with_timing
from faultml.motion.curves import Curves
from faultml.motion.landmark_model import Landmarks
from faultml.motion.window import Windows, make_windows
from faultml.quality.notice import notice_motion, refusals, widening, with_noticed
from faultml.recordings.corrections import MOVABLE, landmark_sds, landmark_times, timings_of
from faultml.recordings.schema import IMPACT_FROM_COLUMN, IMPACT_SOURCES
from faultml.recordings.swings import SwingBatch
from faultml.runtime.faults import INTERVAL_Z, Posterior

Array = NDArray[np.float64]
Texts = NDArray[np.object_]

YES_FROM: Final = 0.50
NO_BELOW: Final = 0.25
YES_PAST_SOFTNESS: Final = 0.80
"""A call is yes from this probability on, if the estimate also lies this far past the edge (in units of its softness:
3.2 degrees); it is no below `NO_BELOW`, else borderline."""

CALLS: Final = ("", "no", "borderline", "yes")
STATUSES: Final = ("assessed", "not_assessed", "not_learned")

INFERRED, TIMING = "inferred", "timing"
"""What placed an impact that nothing marks: the motion alone, or with the golfer's timing."""

PROMISED_MARK_SD_S: Final = 0.0025
"""The promise was shown on contact marks of 2 ms."""

NOT_FULL: Final = "no-full-swing"
NO_PRONATION: Final = "pronation-missing"
ENDS_EARLY: Final = "ends-too-soon"
LITTLE_UNHINGING: Final = "too-little-unhinging"
NOT_LEARNED: Final = "not-learned"


@dataclass(frozen=True)
class Assessment:
    """What is known of a batch's swings.

    Attributes
    ----------
    batch
        The swings.
    by_coach
        ``(n_swings, 3)`` which of takeaway, top and impact a coach has moved.
    timing_s
        ``(n_swings,)`` the golfer's timing that the inferred impact was moved by; NaN where none was.
    reason
        ``(n_swings,)`` why a swing is not assessed; "" where it is.
    findings
        Codes for each swing.
    coded_status, coded_reason
        ``(n_swings, n_faults)``: ``assessed``, ``not_assessed`` or ``not_learned``, and why.
    probability
        ``(n_swings, n_faults)``; NaN where not assessed.
    posterior
        Estimated measures with uncertainty (widened where the recording asks for it).
    edges
        ``(n_swings, n_faults)`` edges that hold for each swing's player.
    late_save, late_save_probability
        ``(n_swings,)``.
    """

    batch: SwingBatch
    windows: Windows
    landmarks: Landmarks
    by_coach: NDArray[np.bool_]
    timing_s: Array
    curves: Curves
    closure: ClosureBudget
    features: Features
    reason: Texts
    findings: list[tuple[str, ...]]
    coded_status: Coded
    coded_reason: Coded
    probability: Array
    posterior: Posterior
    edges: Array
    late_save: NDArray[np.bool_]
    late_save_probability: Array

    @property
    def assessed(self) -> NDArray[np.bool_]:
        """Which swings were assessed."""
        return self.reason == ""

    @property
    def status(self) -> Texts:
        """``(n_swings, n_faults)``: ``assessed``, ``not_assessed`` or ``not_learned``."""
        return self.coded_status.texts

    @property
    def fault_reason(self) -> Texts:
        """``(n_swings, n_faults)``: why a fault is not assessed; "" where it is."""
        return self.coded_reason.texts

    @property
    def fault_assessed(self) -> NDArray[np.bool_]:
        """``(n_swings, n_faults)`` which faults were assessed."""
        return self.coded_status.codes == STATUSES.index("assessed")

    @property
    def impact_from(self) -> Texts:
        """``(n_swings,)`` what placed the impact: ``recorder``, ``shock``, ``coach``, ``timing`` or ``inferred``."""
        table = self.batch.table
        placed_by = table[IMPACT_FROM_COLUMN].to_numpy(object) if IMPACT_FROM_COLUMN in table else ""
        marked = np.where(placed_by == "", IMPACT_SOURCES[0], placed_by)
        found = np.where(self.windows.marked, marked, np.where(np.isfinite(self.timing_s), TIMING, INFERRED))
        return np.where(self.by_coach[:, MOVABLE.index("impact")], "coach", found).astype(object)

    @property
    def landmarks_s(self) -> Array:
        """Landmark times on the recording's clock, ``(n_swings, 4)``; a finish after the recording's end is NaN."""
        times = self.landmarks.offset_s + self.windows.anchor_s[:, None]
        late = self.landmarks.offset_s > self.windows.end_s[:, None] + 1e-9
        late[:, : LANDMARKS.index("finish")] = False
        return np.where(late | ~self.assessed[:, None], np.nan, times)


class Assessor:
    """Assesses batches with one bundle and one catalogue. Holds no state between batches.

    Parameters
    ----------
    bundle, catalogue
        The model, and the faults.
    detector, compute_features, swing_filter, classifier
        Steps in place of the bundle's own; `faultml.classifier.steps` says what each must keep. With any of them
        nothing is promised of the flags, because what was shown was shown of the bundle's own steps.
    false_share
        Of what is flagged, at most this share is wrong where the bundle can promise it.

    Raises
    ------
    BundleError
        ``bundle-faults`` where the bundle was trained for other faults, ``promise-model`` where a coach's promise is of
        another model.
    """

    def __init__(
        self,
        bundle: Bundle,
        catalogue: Catalogue,
        *,
        detector: DetectorStep | None = None,
        compute_features: FeatureStep | None = None,
        swing_filter: FilterStep | None = None,
        classifier: ClassifierStep | None = None,
        false_share: float = DEFAULT_FALSE_SHARE,
    ) -> None:
        if bundle.manifest.faults != catalogue.ids:
            raise BundleError(
                "bundle-faults", expected=", ".join(catalogue.ids), found=", ".join(bundle.manifest.faults)
            )
        own = bundle.own_promise
        if own is not None and (
            not bundle.manifest.is_model(own.model_sha256) or own.false_share != false_share
        ):
            raise BundleError(
                "promise-model",
                where=own.coach,
                expected=f"flags of model {own.model_sha256[:12]}... at a false share of {own.false_share:g}",
                found=f"{bundle.manifest.sha256[:12]}... at {false_share:g}; run faultml labels promise again",
            )
        self.bundle = bundle
        self.catalogue = catalogue
        self.false_share = false_share
        self.detector: DetectorStep = detector or bundle.detector
        self.compute_features: FeatureStep = compute_features or default_features
        self.swing_filter: FilterStep = swing_filter or bundle.swing_filter
        self.classifier: ClassifierStep = classifier or bundle.classifier
        steps = {
            "detector": detector,
            "features": compute_features,
            "swing_filter": swing_filter,
            "classifier": classifier,
        }
        self.own_steps = {name: _named(step) for name, step in steps.items() if step is not None}
        """Which steps are not the bundle's, and what they are."""
        self.token = uuid4().hex if self.own_steps else ""
        """Tells an assessor with steps of its own from any other: their content cannot be hashed."""

    @cached_property
    def _reaches(self) -> Array:
        """Last phase coordinate that each fault needs, ``(n_faults,)``."""
        return np.array([max(map(coordinate, fault.measure.span)) for fault in self.catalogue.faults])

    def assess(self, batch: SwingBatch) -> Assessment:
        """Assess every swing of a batch; a swing's result does not depend on the others."""
        recorded = without_far_shocks(batch, make_windows(batch), self.detector)
        inferred = self.detector.predict(recorded)
        placed = place(recorded, inferred, landmark_times(batch), landmark_sds(batch))
        placed = with_timing(placed, *timings_of(batch))
        windows, landmarks = placed.windows, placed.landmarks
        curves = Curves.read(windows, landmarks)
        features = self.compute_features(self.catalogue, windows, landmarks, curves)
        self._check_features(features)

        full = self.swing_filter.predict(features.values)
        noticed = notice_motion(batch, placed, curves, full)
        reason = batch.table["reason"].to_numpy(object).copy()
        for code in (refusals(noticed, len(batch)), np.where(full, "", NOT_FULL)):
            reason = np.where(reason == "", code, reason)
        found = with_noticed(batch.table["findings"], noticed)

        posterior = _widened(self.classifier.posterior(features.values), widening(found))
        posterior = with_mounting(posterior, self.catalogue, batch, curves)
        edges = self.catalogue.edges(batch.table["player"].to_numpy(object))
        status, fault_reason = self._statuses(reason, windows, curves, features)
        open_faults = status.codes == STATUSES.index("assessed")
        chance = self.classifier.predict_proba(features.values, edges, posterior)
        saved, saved_chance = self._late_save(curves, posterior)
        assessed = reason == ""
        return Assessment(
            batch=batch,
            windows=windows,
            landmarks=landmarks,
            by_coach=placed.used,
            timing_s=placed.timing_s,
            curves=curves,
            closure=closure_budget(curves.d_deg, curves.address_deg),
            features=features,
            reason=reason,
            findings=found,
            coded_status=status,
            coded_reason=fault_reason,
            probability=np.where(open_faults, chance, np.nan),
            posterior=posterior,
            edges=edges,
            late_save=saved & assessed,
            late_save_probability=np.where(assessed, saved_chance, np.nan),
        )

    def _check_features(self, features: Features) -> None:
        swapped = {"features", "swing_filter", "classifier"}
        if swapped <= self.own_steps.keys():
            return
        if features.names != self.bundle.manifest.features:
            raise BundleError(
                "bundle-features",
                expected=f"{len(self.bundle.manifest.features)} features as trained",
                found=f"{len(features.names)} others",
            )

    def _statuses(
        self, reason: Texts, windows: Windows, curves: Curves, features: Features
    ) -> tuple[Coded, Coded]:
        words = ["", NOT_LEARNED, LITTLE_UNHINGING, ENDS_EARLY, NO_PRONATION]
        why = np.zeros(features.measures.shape, dtype=np.int64)
        why[:, ~self.classifier.learned] = words.index(NOT_LEARNED)
        releases = np.array([fault.measure.stat == "release" for fault in self.catalogue.faults])
        why[releases & np.isnan(features.measures)] = words.index(LITTLE_UNHINGING)
        ends = phase_times(curves.offset_s, self._reaches) > windows.end_s[:, None] + 0.005
        why[ends] = words.index(ENDS_EARLY)
        forearm = np.array([fault.needs_pronation for fault in self.catalogue.faults])
        why[forearm & ~windows.has_pronation[:, None]] = words.index(NO_PRONATION)
        refused, place = np.unique(reason.astype(str), return_inverse=True)
        why = np.where((reason != "")[:, None], len(words) + place[:, None], why)
        status = np.where(
            why == 0,
            STATUSES.index("assessed"),
            np.where(why == 1, STATUSES.index("not_learned"), STATUSES.index("not_assessed")),
        )
        return Coded(status, STATUSES), Coded(why, (*words, *refused.tolist()))

    def _late_save(self, curves: Curves, posterior: Posterior) -> tuple[NDArray[np.bool_], Array]:
        """The pattern on the curves as read, and how likely it is given the uncertainty at top and impact."""
        saved, peak, given_back = late_save(self.catalogue, curves.d_deg)
        pattern = self.catalogue.late_save
        top_sd = posterior.sd[:, self.catalogue.ids.index("flexed_top")]
        both_sd = np.hypot(top_sd, posterior.sd[:, self.catalogue.ids.index("flip")])
        needed = np.maximum(pattern.given_back, pattern.given_back_share * peak)
        chance = ndtr((peak - pattern.past) / top_sd) * ndtr((given_back - needed) / both_sd)
        return saved, np.nan_to_num(chance)

    def severity(self, assessment: Assessment) -> tuple[Array, Array, Array]:
        """How far past the edge, with a 90 % interval, ``(n_swings, n_faults)`` each; 0 inside the edge."""
        past = self.catalogue.signs * (assessment.posterior.mean - assessment.edges)
        half = INTERVAL_Z * assessment.posterior.sd
        return np.maximum(past, 0), np.maximum(past - half, 0), np.maximum(past + half, 0)

    def calls(self, assessment: Assessment) -> Coded:
        """``yes``, ``borderline`` or ``no``, ``(n_swings, n_faults)``; "" where not assessed."""
        past = self.catalogue.signs * (assessment.posterior.mean - assessment.edges)
        clear = past >= YES_PAST_SOFTNESS * self.catalogue.softness_by_fault
        yes_from = np.fmax(self._promised_from[assessment.windows.marked.astype(int)], YES_FROM)
        yes = (assessment.probability >= yes_from) & clear
        call = np.where(
            yes,
            CALLS.index("yes"),
            np.where(assessment.probability < NO_BELOW, CALLS.index("no"), CALLS.index("borderline")),
        )
        return Coded(np.where(assessment.fault_assessed, call, CALLS.index("")), CALLS)

    def promised(self, assessment: Assessment) -> Array:
        """``(n_swings, n_faults)`` what share of such flags is wrong at most; NaN where nothing is promised.

        A proof is for the edges it was made with: the bundle's own, or those that a coach's verdicts were given by. It
        was made with landmarks as they are found, so nothing is promised of a swing with a landmark moved by a coach,
        an impact moved by the golfer's timing, or a contact mark less sure than a recorder's.
        """
        shown = np.isfinite(self._promised_from)[assessment.windows.marked.astype(int)]
        shown &= assessment.edges == self.bundle.classifier.edges
        if self.bundle.own_promise is not None and not self.own_steps:
            own = [self.bundle.own_promise.faults.get(fault) for fault in self.catalogue.ids]
            edges = np.array([each.edge if each is not None and each.shown else None for each in own], float)
            shown |= assessment.edges == edges
        shown &= ~np.any(assessment.by_coach, axis=1, keepdims=True)
        shown &= np.isnan(assessment.timing_s)[:, None]
        unsure = assessment.windows.marked & (assessment.windows.mark_sd_s > PROMISED_MARK_SD_S)
        shown &= ~unsure[:, None]
        # At the same edge, but other swings are flagged than those that the proof is about.
        shown &= ~np.isin(self.catalogue.ids, self.bundle.recalibrated)
        return np.where(shown & assessment.fault_assessed, self.false_share, np.nan)

    def promise_record(self) -> dict[str, Any]:
        """What ``run.json`` says of the promise: the share, on whom it is shown, and for which faults it is not."""
        promises, own = self.bundle.manifest.promises, self.bundle.own_promise
        lacking = np.flatnonzero(np.isnan(self._promised_from).any(axis=0))
        promise: dict[str, Any] = {"false_share": self.false_share}
        if promises is not None:
            promise |= {
                "confidence": promises.confidence,
                "shown_on": f"{promises.golfers} {promises.held_on}",
                "not_promised": [self.catalogue.ids[column] for column in lacking],
                "golfers_needed": golfers_needed(self.false_share, len(self.catalogue.ids)),
            }
        if own is not None and not self.own_steps:
            promise["own"] = {
                "coach": own.coach,
                "golfers": own.golfers,
                "flagged": own.together.flagged,
                "wrong": own.together.wrong,
                "shown": [fault for fault, each in own.faults.items() if each.shown],
                "shown_together": own.together.shown,
            }
        return promise

    @cached_property
    def _promised_from(self) -> Array:
        """``(2, n_faults)`` lowest probabilities flagged, contact not marked and marked; NaN without a promise."""
        promises = self.bundle.manifest.promises
        if promises is None or self.own_steps:
            return np.full((2, len(self.catalogue.ids)), np.nan)
        return promises.thresholds(self.catalogue.ids, self.false_share)


def _named(step: object) -> str:
    kind = step if isinstance(step, type) or hasattr(step, "__qualname__") else type(step)
    return f"{kind.__module__}.{kind.__qualname__}"


def _widened(posterior: Posterior, by: Array) -> Posterior:
    return Posterior(
        posterior.mean, posterior.sd * by[:, None], posterior.guard_mean, posterior.guard_sd * by[:, None]
    )
