"""Cut a long recording into swings, as a stream: memory does not grow with its length."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd

from faultml.channels import CHANNELS
from faultml.classifier.bundle import Bundle, load_bundle
from faultml.faults.catalogue import Catalogue, load_catalogue
from faultml.motion.contact import ACCELERATION, Seen, SignalRules, find_shock
from faultml.motion.window import MARK_REACH_S
from faultml.recordings.problems import Problem, swing_problem
from faultml.recordings.schema import DEFAULT_CONTEXT
from faultml.recordings.stream import Block
from faultml.recordings.swings import SwingBatch
from faultml.streams.activity import Activity, activity, movements
from faultml.streams.classify import FINISH, IMPACT, TAKEAWAY, ClassifiedMovement, MovementClassifier, Samples
from faultml.streams.runs import Window, windows

AT_ONCE: Final = 48
"""Movements are classified when so many have come, at the next pause."""
MAX_AT_ONCE: Final = 256
PAUSE_S: Final = 4.0

MAX_WAITING: Final = 64
"""So many swings without a mark wait for the recorder to show that it marks contacts, before it is taken not to."""

MOVING_DPS: Final = 60.0
AT_EDGE_S: Final = 0.4
"""Where the wrist turns faster than this so near to a gap, a swing may be lost in it; other gaps are reported as
`recorder-off`."""

SWING: Final = "swing"
PRACTICE: Final = "practice"
LEFT_OUT: Final = "left-out"
OTHER_FASTER: Final = "within-another-swing"
REPEATED: Final = "repeated-movement"
BROKEN: Final = "gap"
OFF: Final = "recorder-off"
_GAPS: Final = (BROKEN, OFF)

CUT_COLUMNS: Final = (
    "player", "session", "swing", "kind", "ball", "start_s", "end_s", "impact_s", "score", "reason", "movements",
)  # fmt: skip
"""`kind` is swing, practice (a swing without a ball) or left-out; `ball` yes, no or unknown, "" where left out;
`score` how sure the swing filter is that it is a full swing; `movements` how many were left out together."""


_DECIMALS: Final = {"start_s": 3, "end_s": 3, "impact_s": 3, "score": 4}


@dataclass(frozen=True)
class Cuts:
    """A stretch of a stream, cut.

    Attributes
    ----------
    batch
        Its swings, unchanged samples, for `faultml.recordings.write.write_season`.
    table
        `CUT_COLUMNS`: what was cut and what was left out and why, in order.
    problems
        Swings that a gap may have broken.
    """

    batch: SwingBatch
    table: pd.DataFrame
    problems: list[Problem]


@dataclass(frozen=True)
class Ids:
    """Whose stream it is, and what goes with every swing of it; `first_swing` is the number of the first one."""

    player: str
    session: str
    hand: str = ""
    club: str = ""
    context: str = DEFAULT_CONTEXT
    file: str = ""
    first_swing: int = 1


@dataclass(frozen=True)
class _Record:
    """One row of the table to be: a movement, classified unless it was refused before, or a gap."""

    start_s: float
    end_s: float
    peak_s: float
    reason: str
    classified: ClassifiedMovement | None = None
    ball: str = ""
    shock: Seen = "none"
    """What the sensor shows of a contact; none where it shows nothing or is not recorded."""


def cut_stream(
    blocks: Iterable[Block],
    ids: Ids,
    *,
    marks_contacts: bool | None = None,
    shock_rules: SignalRules = ACCELERATION,
    bundle: Bundle | None = None,
    catalogue: Catalogue | None = None,
) -> Iterator[Cuts]:
    """Cut one recording into swings.

    The result depends on the samples and not on the blocks they come in, and moves with the clock. Swings are numbered
    in order. Full swings without a ball are swings with context ``practice``: where the recorder marks contacts, those
    without a mark. Where it does not, the wrist alone cannot tell, and every swing keeps the context given.

    Parameters
    ----------
    blocks
        The recording, in order; each holds the contact marks of its own stretch.
    ids
        Player, session and the rest.
    marks_contacts
        Whether the recorder marks contacts; by default it does once it has marked one, and swings before that wait.
        A shock of contact is a mark.
    shock_rules
        Of what the blocks' `Block.sensed` hold.
    """
    classifier = MovementClassifier(bundle or load_bundle(), catalogue or load_catalogue())
    number = ids.first_swing
    contacts = _Marks(marks_contacts)
    for records in contacts.settle(_records(blocks, classifier, shock_rules)):
        piece, number = _piece(records, ids, number)
        yield piece


def _records(
    blocks: Iterable[Block], classifier: MovementClassifier, rules: SignalRules
) -> Iterator[list[_Record]]:
    """Judged movements and gaps in order, a batch at a time; what belongs together is in one batch."""
    held: list[tuple[_Record, Samples | None]] = []
    last: tuple[float, bool] | None = None
    for window in windows(blocks):
        speed = activity(window)
        fresh: list[tuple[_Record, Samples | None]] = []
        if window.starts_run and last:
            moved = last[1] or _moving(speed, window.t_s[0], first=True)
            fresh.append((_Record(last[0], float(window.t_s[0]), last[0], BROKEN if moved else OFF), None))
        for movement in movements(window, speed):
            if not movement.lone:
                fresh.append((_Record(movement.start_s, movement.end_s, movement.peak_s, REPEATED), None))
                continue
            samples, shock = _with_mark(window, movement.peak_s, rules)
            samples = samples.between(movement.start_s, movement.end_s)
            # Copied: a view would keep the whole window in memory.
            samples = replace(samples, t_s=samples.t_s.copy(), angles_deg=samples.angles_deg.copy())
            record = _Record(movement.start_s, movement.end_s, movement.peak_s, "", shock=shock)
            fresh.append((record, samples))
        if fresh and held:
            pause = abs(fresh[0][0].peak_s - held[-1][0].peak_s) > PAUSE_S
            if (len(held) >= AT_ONCE and pause) or len(held) >= MAX_AT_ONCE:
                yield _classified(held, classifier)
                held = []
        held += fresh
        if window.ends_run:
            end_s = float(window.t_s[-1])
            last = end_s, _moving(speed, end_s, first=False)
    if held:
        yield _classified(held, classifier)


def _moving(speed: Activity, edge_s: float, *, first: bool) -> bool:
    near = speed.at_s <= edge_s + AT_EDGE_S if first else speed.at_s >= edge_s - AT_EDGE_S
    return bool((speed.dps[near] >= MOVING_DPS).any())


def _with_mark(window: Window, peak_s: float, rules: SignalRules) -> tuple[Samples, Seen]:
    """The samples with the recorder's mark, else with that of a shock; and what the sensor shows of one."""
    mark_s = _mark(window, peak_s)
    samples = Samples(window.t_s, window.angles_deg, mark_s)
    if window.sensed is None:
        return samples, "none"
    shock = find_shock(window.t_s, window.sensed, peak_s, rules)
    if shock.marked and np.isnan(mark_s):
        samples = replace(samples, mark_s=shock.at_s, mark_sd_s=shock.sd_s, mark_from="shock")
    return samples, shock.seen


def _mark(window: Window, peak_s: float) -> float:
    if not len(window.marks_s):
        return np.nan
    nearest = window.marks_s[np.abs(window.marks_s - peak_s).argmin()]
    return float(nearest) if abs(nearest - peak_s) <= MARK_REACH_S else np.nan


def _classified(held: list[tuple[_Record, Samples | None]], classifier: MovementClassifier) -> list[_Record]:
    moved = [samples for _, samples in held if samples is not None]
    results = iter(classifier.classify(moved) if moved else [])
    records = []
    for record, samples in held:
        if samples is not None:
            classified = next(results)
            record = replace(record, classified=classified, reason=classified.reason)
        records.append(record)
    return _without_doubles(records)


def _without_doubles(records: list[_Record]) -> list[_Record]:
    """Keep the surest of swings that share their motion; movements within a swing count as part of it."""
    kept: list[_Record] = []
    for record in sorted(
        (each for each in records if each.classified and not each.reason),
        key=lambda each: (-(each.classified.score if each.classified else 0), each.peak_s),
    ):
        if not any(_shares(record, other) for other in kept):
            kept.append(record)
    settled = []
    for record in records:
        if record.reason in _GAPS or any(record is each for each in kept):
            settled.append(record)
        elif not any(_within(record, other) for other in kept):
            settled.append(record if record.reason else replace(record, reason=OTHER_FASTER))
    return settled


def _shares(one: _Record, other: _Record) -> bool:
    assert one.classified and other.classified
    mine, its = one.classified.landmarks_s, other.classified.landmarks_s
    return bool(mine[TAKEAWAY] < its[IMPACT] and its[TAKEAWAY] < mine[IMPACT])


def _within(record: _Record, swing: _Record) -> bool:
    assert swing.classified
    at_s = swing.classified.landmarks_s
    return bool(at_s[TAKEAWAY] - 0.3 <= record.peak_s <= at_s[FINISH] + 0.3)


class _Marks:
    """Tells swings with a ball from those without by the contact marks."""

    def __init__(self, marks_contacts: bool | None) -> None:
        self._known = marks_contacts

    def settle(self, batches: Iterable[list[_Record]]) -> Iterator[list[_Record]]:
        """The records with `ball` set; a bounded number of them waits until it is known whether contacts are marked."""
        waiting: list[_Record] = []
        for records in batches:
            if self._known is not True and any(_marked(record) for record in records):
                yield from self._release(waiting, marks=self._known is None)
                waiting, self._known = [], True
            if self._known is None:
                waiting += records
                if sum(_swings(record) for record in waiting) > MAX_WAITING:
                    yield from self._release(waiting, marks=False)
                    waiting, self._known = [], False
            else:
                yield [self._with_ball(record, self._known) for record in records]
        yield from self._release(waiting, marks=False)

    def _release(self, waiting: list[_Record], *, marks: bool) -> Iterator[list[_Record]]:
        if waiting:
            yield [self._with_ball(record, marks) for record in waiting]

    def _with_ball(self, record: _Record, marks: bool) -> _Record:
        if not _swings(record):
            return record
        if _marked(record):
            return replace(record, ball="yes")
        # A jolt that cannot be placed may be a ball's.
        return replace(record, ball="no" if marks and record.shock == "none" else "unknown")


def _swings(record: _Record) -> bool:
    return record.classified is not None and not record.reason


def _marked(record: _Record) -> bool:
    return _swings(record) and bool(np.isfinite(record.classified.cut.mark_s))  # type: ignore[union-attr]


def _piece(records: list[_Record], ids: Ids, number: int) -> tuple[Cuts, int]:
    """The records as a batch, rows of the table and problems; swings are numbered on from `number`."""
    rows: list[dict[str, object]] = []
    cuts: list[Samples] = []
    contexts: list[str] = []
    problems = []
    for record in records:
        row = dict.fromkeys(CUT_COLUMNS, "") | {"player": ids.player, "session": ids.session, "movements": 1}
        row |= {"start_s": record.start_s, "end_s": record.end_s, "reason": record.reason, "kind": LEFT_OUT}
        row |= {"impact_s": np.nan, "score": record.classified.score if record.classified else np.nan}
        if _swings(record):
            assert record.classified
            cut = record.classified.cut
            row |= {"swing": f"{number + len(cuts):03d}", "kind": PRACTICE if record.ball == "no" else SWING}
            row |= {"start_s": cut.t_s[0], "end_s": cut.t_s[-1], "ball": record.ball}
            row |= {"impact_s": record.classified.landmarks_s[IMPACT]}
            cuts.append(cut)
            contexts.append(PRACTICE if record.ball == "no" else ids.context)
        elif record.reason == BROKEN:
            found = f"{record.end_s - record.start_s:.2f} s missing from {record.start_s:.2f} s on"
            whose = (ids.player, ids.session, "")
            problems.append(
                swing_problem(ids.file, 0, whose, BROKEN, "samples all through a movement", found)
            )
        if not _joins(rows, row):
            rows.append(row)
    table = pd.DataFrame(rows, columns=list(CUT_COLUMNS)).round(_DECIMALS)
    names = [f"{number + at:03d}" for at in range(len(cuts))]
    return Cuts(_batch(cuts, names, contexts, ids), table, problems), number + len(cuts)


def _joins(rows: list[dict], row: dict) -> bool:
    """Take a movement that is left out for the same reason as the one just before it into that one's row."""
    if not rows or row["kind"] != LEFT_OUT or row["reason"] in _GAPS:
        return False
    last = rows[-1]
    if (last["kind"], last["reason"]) != (LEFT_OUT, row["reason"]) or row["start_s"] > last[
        "end_s"
    ] + PAUSE_S:
        return False
    last["end_s"] = max(last["end_s"], row["end_s"])
    last["score"] = np.fmax(last["score"], row["score"])
    last["movements"] += 1
    return True


def _batch(cuts: list[Samples], names: list[str], contexts: list[str], ids: Ids) -> SwingBatch:
    count = len(cuts)
    n_samples = np.array([len(cut.t_s) for cut in cuts], dtype=np.int64)
    width = int(n_samples.max(initial=0))
    t_s = np.full((count, width), np.nan)
    angles_deg = np.full((count, len(CHANNELS), width), np.nan)
    for row, cut in enumerate(cuts):
        t_s[row, : len(cut.t_s)] = cut.t_s
        angles_deg[row, :, : len(cut.t_s)] = cut.angles_deg
    table = pd.DataFrame(
        {
            "player": [ids.player] * count,
            "session": [ids.session] * count,
            "swing": names,
            "hand": [ids.hand] * count,
            "club": [ids.club] * count,
            "context": contexts,
            "impact_s": [cut.mark_s for cut in cuts],
            "impact_sd_s": [cut.mark_sd_s for cut in cuts],
            "impact_from": [cut.mark_from for cut in cuts],
            "reason": [""] * count,
        }
    )
    table["shot"] = pd.Series([()] * count, dtype=object)
    table["findings"] = pd.Series([()] * count, dtype=object)
    return SwingBatch(table, t_s, angles_deg, n_samples)
