"""What a classified season's watch has found, typed: like what the model knows or not, and what learning it would need.

The figures are made while a season is classified (`faultml.quality.watch`) and stand in its ``run.json``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import msgspec

from faultml.errors import InputError
from faultml.quality.impacts import impact_sentences, read_impacts
from faultml.quality.watch import LABELLED_PLAYERS, LABELLED_SWINGS, watch_sentences
from faultml.recordings.problems import shorten


@dataclass(frozen=True)
class WatchedFeature:
    """One feature that is not as in training.

    Attributes
    ----------
    feature, words
        Its name, and the same for a person.
    outside
        Share of the swings outside training's central 99 %.
    psi, psi_by_chance
        Population stability index, and what other golfers alone may make of it.
    ks
        Largest gap of the cumulative shares.
    unlike
        Surely more outside than belongs there: the model does not know such swings.
    shifted
        Distributed otherwise, well within what the model knows: other golfers.
    """

    feature: str
    words: str
    outside: float
    psi: float
    psi_by_chance: float
    ks: float
    unlike: bool
    shifted: bool


@dataclass(frozen=True)
class WatchedRecorder:
    """The swings of one kind of recording.

    Attributes
    ----------
    rate_hz, marked, forearm
        Samples a second, to the nearest 10 (from 250 on, 50); whether contact is marked; whether the forearm is seen.
    swings, players
        How many.
    known
        Whether training held such recordings.
    features
        Those that are unlike or shifted.
    says
        What a person should know; "" where all is like what the model knows.
    needs_swings, needs_players
        Verdicts that a retraining for such swings asks for, and of how many players; 0 where none is needed.
    """

    rate_hz: int
    marked: bool
    forearm: bool
    swings: int
    players: int
    known: bool
    features: list[WatchedFeature]
    says: str
    needs_swings: int
    needs_players: int


@dataclass(frozen=True)
class Watch:
    """Whether a season is like what its model has learned from.

    Attributes
    ----------
    compared
        False where the model came without what it takes to compare: then nothing is known either way.
    too_few
        Assessed swings of recorders with too few of them to say anything.
    recorders
        Each kind of recording, the most swings first.
    impacts
        Assessed swings by what placed their impact: ``recorder``, ``shock``, ``coach``, ``timing`` or ``inferred``.
    impacts_say
        The same in words, and what marked swings would gain.
    """

    compared: bool
    too_few: int
    recorders: list[WatchedRecorder]
    impacts: dict[str, int]
    impacts_say: str


def read_watch(run: Mapping[str, Any]) -> Watch:
    """What the watch of a season has found.

    Parameters
    ----------
    run
        The record of a classified season: ``run`` of `faultml.read_results`, or of what `faultml.classify_season`
        returns.

    Raises
    ------
    InputError
        ``damaged-results`` where the record does not hold it as it was written.
    """
    rows = run.get("watch")
    try:
        recorders = [msgspec.convert(row | _report_fields(row), WatchedRecorder) for row in rows or ()]
        assessed = msgspec.convert(run["counts"]["assessed"], int)
    except (msgspec.ValidationError, KeyError, TypeError, ValueError) as error:
        raise InputError(
            "damaged-results", where="run.json", expected="the watch as it was written", found=shorten(error)
        ) from error
    watched = sum(recorder.swings for recorder in recorders)
    impacts = read_impacts(run)
    too_few = assessed - watched if rows is not None else 0
    says = " ".join(impact_sentences(impacts))
    return Watch(rows is not None, too_few, recorders, dict(impacts.swings), says)


def _report_fields(row: dict[str, Any]) -> dict[str, Any]:
    """What is said of a recorder, and what learning it would need."""
    says = " ".join(watch_sentences([row]))
    swings, players = (LABELLED_SWINGS, LABELLED_PLAYERS) if says else (0, 0)
    return {"says": says, "needs_swings": swings, "needs_players": players}
