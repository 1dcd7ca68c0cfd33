"""A wrong sign or side is seen in the motion, and right ones are not suspected. Rates are synthetic."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from faultml.classifier.assess import Assessor
from faultml.exact import RunningTables
from faultml.quality.drift import COLUMNS, address_drifts, sum_address
from faultml.quality.notice import motion_problems, widening
from faultml.recordings.findings import findings, limits
from faultml.recordings.swings import SwingBatch
from faultml.results.sessions import number_sessions
from faultml.synthetic.season import SyntheticSeason

REFUSING = ("side-suspected", "sign-suspected", "roll-sign-suspected", "flexion-sign-suspected")


def assessed_codes(
    assessor: Assessor, season: SyntheticSeason, *signs: float
) -> tuple[list[tuple[str, ...]], np.ndarray]:
    """Findings and reasons of the full swings, their channels times these signs."""
    batch = season.batch
    turned = replace(batch, angles_deg=batch.angles_deg * np.array(signs)[None, :, None])
    assessment = assessor.assess(turned)
    full = np.flatnonzero((season.truth["kind"] == "full").to_numpy() & (batch.n_samples > 0))
    return [assessment.findings[row] for row in full], assessment.reason[full]


def share(codes: list[tuple[str, ...]], *sought: str) -> float:
    return float(np.mean([bool(set(own) & set(sought)) for own in codes]))


def test_sound_swings_are_not_suspected(assessor: Assessor, generated: SyntheticSeason) -> None:
    codes, _ = assessed_codes(assessor, generated, 1, 1, 1)
    assert share(codes, *REFUSING) <= 0.005
    assert share(codes, "direction-unclear", "flexed-address") <= 0.03


@pytest.mark.parametrize(
    ("signs", "code", "least"),
    [
        ((1, -1, 1), "sign-suspected", 0.75),
        ((1, 1, -1), "roll-sign-suspected", 0.6),  # a part of the golfers has no forearm rotation
        ((1, -1, -1), "side-suspected", 0.5),
        ((-1, 1, 1), "flexion-sign-suspected", 0.6),
    ],
)
def test_a_wrong_sign_is_seen(
    signs: tuple[int, int, int], code: str, least: float, assessor: Assessor, generated: SyntheticSeason
) -> None:
    codes, reason = assessed_codes(assessor, generated, *signs)
    assert share(codes, code) >= least
    assert {why for own, why in zip(codes, reason, strict=True) if code in own} <= set(REFUSING)


def test_few_flipped_hinges_are_answered_without_a_doubt(
    assessor: Assessor, generated: SyntheticSeason
) -> None:
    codes, reason = assessed_codes(assessor, generated, 1, -1, 1)
    plain = widening(codes) == 1
    assert np.mean((reason == "") & plain) <= 0.05


def test_without_forearm_rotation_a_flipped_hinge_is_still_not_answered(
    assessor: Assessor, generated: SyntheticSeason
) -> None:
    _, reason = assessed_codes(assessor, generated, 1, -1, np.nan)
    assert np.mean(reason == "") <= 0.25


def test_what_is_suspected_stands_in_the_problems(assessor: Assessor, generated: SyntheticSeason) -> None:
    batch = generated.batch
    turned = replace(batch, angles_deg=batch.angles_deg * np.array([1, -1, 1])[None, :, None])
    assessment = assessor.assess(turned)
    problems = motion_problems(turned, assessment.findings)
    counted = sum(code in own for own in assessment.findings for code in REFUSING)
    assert len(problems) == counted > 0
    assert all(row.expected and row.found and row.swing for row in problems)


def test_a_swing_is_suspected_alone_as_in_its_batch(assessor: Assessor, generated: SyntheticSeason) -> None:
    batch = generated.batch
    turned = replace(batch, angles_deg=batch.angles_deg * np.array([1, -1, 1])[None, :, None])
    together = assessor.assess(turned).findings
    for row in range(0, 40, 7):
        alone = SwingBatch(
            turned.table.iloc[[row]].reset_index(drop=True),
            turned.t_s[[row]],
            turned.angles_deg[[row]],
            turned.n_samples[[row]],
        )
        assert assessor.assess(alone).findings == [together[row]]


def test_the_widest_finding_holds() -> None:
    known = findings()
    assert known["spike"].widening == 1.4 and known["flexed-address"].widening == 2.0
    np.testing.assert_array_equal(
        widening([(), ("spike",), ("spike", "flexed-address"), ("missing-value", "sign-suspected")]),
        [1, 1.4, 2, 1],
    )


class TestAddressDrift:
    @staticmethod
    def swings(session: str, flexion_deg: list[float], player: str = "p1") -> pd.DataFrame:
        frame = pd.DataFrame({"player": player, "session": session, "address_flexion_deg": flexion_deg})
        return frame.assign(address_ulnar_deg=8.0, address_pronation_deg=np.nan)

    def drifted(self, *batches: pd.DataFrame) -> list[tuple[str, str, str]]:
        running = RunningTables({"address": COLUMNS})
        for batch in batches:
            running.add({"address": sum_address(batch)})
        rows = address_drifts(running.total()["address"], number_sessions, limits().motion)
        return [(row.session, row.before, row.channel) for row in rows.itertuples() if row.drifted]

    def test_against_the_session_before_whatever_the_batches(self) -> None:
        s2, s10 = self.swings("s2", [-20.0, -21, -19, -20]), self.swings("s10", [-8.0, -9, -10, -7])
        assert self.drifted(s10, s2) == [("s10", "s2", "flexion_deg")]
        assert self.drifted(s10[:1], s2[:2], s10[1:], s2[2:]) == [("s10", "s2", "flexion_deg")]

    def test_within_a_goniometers_error_or_the_players_own_spread_it_has_not_moved(self) -> None:
        steady = self.swings("s1", [-20.0, -21, -19, -20])
        assert not self.drifted(steady, self.swings("s2", [-13.0, -14, -12, -13]))
        assert not self.drifted(self.swings("s1", [-40.0, 0, -20]), self.swings("s2", [-30.0, 10, -10]))

    def test_few_swings_and_other_players_are_no_earlier_session(self) -> None:
        few = self.swings("s1", [-20.0, -21])
        other = self.swings("s1", [-20.0, -21, -19], player="p2")
        assert not self.drifted(few, other, self.swings("s2", [0.0, 1, 2]))
