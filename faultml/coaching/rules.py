"""The coaching rules: typed, and checked against the catalogue and the drill book.

The rules are data (`rules.toml`): which drill serves which fault and how strongly, what explains a miss,
what comes before what, and the figures of the statistics.
"""

from __future__ import annotations

from functools import cached_property
from typing import Final, Literal

from faultml.care.rules import load_care
from faultml.coaching import window
from faultml.coaching.book import Drill, DrillBook, load_book
from faultml.errors import CatalogueError
from faultml.faults.catalogue import Catalogue, Fault, SessionFault
from faultml.rules_file import Count, Positive, Record, Share, digest, load_data

LATE_SAVE: Final = "late_save"
"""The pattern's id where it stands beside the faults."""


class RateRules(Record, frozen=True):
    """Prior and clustering of how often a fault shows."""

    prior_yes: Positive
    prior_no: Positive
    clustering: Share
    clustering_weight: Positive
    now_sessions: Count
    now_swings: Count
    interval: Share


class TrendRules(Record, frozen=True):
    """What a trend over sessions needs."""

    min_sessions: Count
    min_swings: Count
    min_change_deg: Positive
    steady_deg: Positive


class ShowsRules(Record, frozen=True):
    """From which rate on a player has a fault, or the late save."""

    rate: Share
    late_save_rate: Share
    session_least: Share


class StyleRules(Record, frozen=True):
    """When a flagged fault is a style."""

    rate: Share
    swings: Count
    spread_deg: Positive
    explains_below: Share
    known_shots: Count


class ExplainingRules(Record, frozen=True):
    """How misses are weighed against faults."""

    smoothing: Positive
    lift_cap: Positive
    lift_min_swings: Count
    unlisted_weight: Share
    usual_miss_swings: Positive
    usual_miss_share: Share
    full_at: Positive
    unknown: Share
    inherit: Share
    save_floor: Share
    floor: Share
    explains_at: Share


class BenefitRules(Record, frozen=True):
    """Scale and bounds of the expected benefit."""

    severity_scale_deg: Positive
    severity_cap: Positive
    reserves: int
    least: float
    weak: float


class Early(Record, frozen=True):
    """How early each phase comes, 1 for the earliest."""

    setup: Share
    takeaway: Share
    top: Share
    transition: Share
    downswing: Share
    impact: Share
    release: Share


class MetRules(Record, frozen=True):
    """When a window counts as already met: from this share of at least so many faulty swings on."""

    min_swings: Count
    share: Share


class LateSaveRules(Record, frozen=True):
    """What waits while a late save is there, and for which fault's re-test."""

    cause: str
    waits: tuple[str, ...]


class ClosersFirst(Record, frozen=True):
    """The miss for which closing faults come before opening ones, from this share of the misses on."""

    miss: str
    share: Share


class AddressRules(Record, frozen=True):
    """When the address counts as drifting between sessions, degrees."""

    drift_flexion_deg: Positive
    drift_ulnar_deg: Positive
    drift_pronation_deg: Positive
    min_swings: Count


class ConfidenceRules(Record, frozen=True):
    """What lowers confidence in a finding."""

    few_swings: Count
    few_sessions: Count
    wide_interval: Share
    borderline_deg: Positive
    quality_share: Share
    quality_codes: tuple[str, ...]
    unassessed_share: Share
    guard_share: Share


class Mimic(Record, frozen=True):
    """Part of a mimic's words, and the codes that show it was seen."""

    about: str
    seen: tuple[str, ...]


class ShotWords(Record, frozen=True):
    """Words of `shot` that are no miss."""

    good: tuple[str, ...]


class Miss(Record, frozen=True):
    """A miss, and how well each fault explains it."""

    word: str
    weights: dict[str, Share]


class Compound(Record, frozen=True):
    """Two words that mean something else together; `path` where the wrist shows only part of the cause."""

    words: tuple[str, str]
    counts: dict[str, Share]
    path: bool


class Serves(Record, frozen=True):
    """The faults a drill serves, each with the share of it the drill may be hoped to take away."""

    drill: str
    faults: dict[str, Share]


class Rules(Record, frozen=True):
    """The content of `rules.toml`."""

    schema: Literal[1]
    rate: RateRules
    trend: TrendRules
    shows: ShowsRules
    style: StyleRules
    explaining: ExplainingRules
    benefit: BenefitRules
    met: MetRules
    early: Early
    late_save: LateSaveRules
    closers_first: ClosersFirst
    address: AddressRules
    confidence: ConfidenceRules
    mimic: tuple[Mimic, ...]
    shots: ShotWords
    miss: tuple[Miss, ...]
    compound: tuple[Compound, ...]
    serves: tuple[Serves, ...]

    def weight(self, miss: str, fault: str) -> float:
        """How well a fault explains a miss, 0 where the rules say nothing."""
        return next((entry.weights.get(fault, 0.0) for entry in self.miss if entry.word == miss), 0.0)

    @property
    def digest(self) -> str:
        """SHA-256 over the rules' content."""
        return digest(self)


class Coaching:
    """Rules, drill book and catalogue that fit each other.

    Raises
    ------
    CatalogueError
        Listing everything that does not fit: an unknown fault, drill or miss, a fault served by fewer than
        two drills.
    """

    def __init__(self, catalogue: Catalogue, book: DrillBook, rules: Rules) -> None:
        self.catalogue = catalogue
        self.book = book
        self.rules = rules
        problems = list(self._problems())
        if problems:
            raise CatalogueError(
                "bad-rules",
                where="rules.toml",
                expected="rules that fit catalogue and drill book",
                found="; ".join(problems),
            )

    @cached_property
    def fault_ids(self) -> tuple[str, ...]:
        """Faults of a swing, then of a session, in catalogue order."""
        return self.catalogue.ids + tuple(fault.id for fault in self.catalogue.session_faults)

    @cached_property
    def serving(self) -> dict[str, dict[str, float]]:
        """Drill id -> fault -> strength, in the order of the rules."""
        return {entry.drill: dict(entry.faults) for entry in self.rules.serves}

    @property
    def _entries(self) -> tuple[Fault | SessionFault, ...]:
        return (*self.catalogue.faults, *self.catalogue.session_faults)

    @cached_property
    def words(self) -> dict[str, str]:
        """Fault id -> its name, the late save included."""
        named = {fault.id: fault.name for fault in self._entries}
        return named | {LATE_SAVE: "late save"}

    @cached_property
    def phases(self) -> dict[str, str]:
        """Fault id -> the phase it belongs to."""
        return {fault.id: fault.phase for fault in self._entries}

    @cached_property
    def units(self) -> dict[str, str]:
        """Fault id -> the unit of its measure."""
        return {fault.id: fault.unit for fault in self._entries}

    @cached_property
    def brings(self) -> dict[str, tuple[str, ...]]:
        """Fault id -> what it brings with it: other faults, and the late save."""
        return {
            fault.id: fault.brings + ((fault.brings_pattern,) if fault.brings_pattern else ())
            for fault in self.catalogue.faults
        }

    @property
    def digests(self) -> dict[str, str]:
        """SHA-256 over the content of each part, for `run.json`."""
        return {
            "catalogue": self.catalogue.digest,
            "drill_book": self.book.digest,
            "care": digest(load_care()),
            "rules": self.rules.digest,
        }

    def earliness(self, fault: str, drill: Drill | None = None) -> float:
        """How early a fault comes, or a drill for it where the drill works on the setup."""
        phase = "setup" if drill is not None and drill.phase == "setup" else self.phases[fault]
        return float(getattr(self.rules.early, phase))

    def to_degrees(self, fault: str) -> float:
        """Factor from the fault's own unit to degrees: 0.01 of the downswing counts as one degree."""
        return 1.0 if self.units[fault] == "deg" else 100.0

    def _problems(self) -> list[str]:
        rules, known = self.rules, set(self.fault_ids)
        words = {entry.word for entry in rules.miss}
        faults = [fault for entry in rules.serves for fault in entry.faults]
        faults += [*rules.late_save.waits, rules.late_save.cause]
        faults += [fault for entry in rules.miss for fault in entry.weights if fault != LATE_SAVE]
        problems = [f"unknown fault {fault!r}" for fault in dict.fromkeys(faults) if fault not in known]
        problems += [
            f"unknown drill {entry.drill!r}" for entry in rules.serves if entry.drill not in self.book
        ]
        problems += [
            f"{drill.id} serves nothing" for drill in self.book.drills if drill.id not in self.serving
        ]
        named = [rules.closers_first.miss] + [
            word for entry in rules.compound for word in (*entry.words, *entry.counts)
        ]
        problems += [f"unknown miss {word!r}" for word in dict.fromkeys(named) if word not in words]
        if len(self.serving) != len(rules.serves):
            problems.append("a drill stands twice under serves")
        problems += [
            f"{drill.id}: {problem}"
            for drill in self.book.drills
            for problem in window.problems_of(drill.window, drill.when, self.catalogue)
        ]
        for fault in self.fault_ids:
            drills = [
                drill for drill, served in self.serving.items() if fault in served and drill in self.book
            ]
            if len([drill for drill in drills if not self.book[drill].when]) < 2:
                problems.append(f"{fault} is served by fewer than two drills")
        return problems


def load_rules() -> Rules:
    """The coaching rules of the package."""
    return load_data(__package__, "rules.toml", Rules)


def load_coaching(catalogue: Catalogue) -> Coaching:
    """The package's drill book and rules, for a catalogue of faults."""
    return Coaching(catalogue, load_book(), load_rules())
