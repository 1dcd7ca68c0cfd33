"""The rules of care (`care.toml`), typed and checked."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Annotated, Final, Literal, get_args

import msgspec

from faultml.errors import CatalogueError
from faultml.recordings.roster_cells import cell_words, names_complaint
from faultml.rules_file import Count, Record, decode, load_data

Load = Literal[
    "lag",
    "forced_roll",
    "ulnar_side",
    "hinge",
    "flexion_with_ulnar",
    "unhinging",
    "palm_pressure",
    "braced",
]
"""What a drill asks of the wrist beyond a normal easy swing; `drills.toml` says what each means."""

Reason = Literal[
    "mend-roster",
    "whose-row",
    "hurts",
    "return-unsigned",
    "ulnar-history",
    "thumb-history",
    "elbow-history",
    "nerve-history",
    "hamate-history",
    "under-16",
    "level-experienced",
]
PublicReason = Literal["paused", "mend-roster", "whose-row", "level-experienced"]
"""Codes of a refusal that may stand where others read: `paused` stands for everything about a player's body."""

Question = Literal[
    "ask-pain",
    "ask-age",
    "ask-level",
    "ask-ulnar-history",
    "ask-thumb-history",
    "ask-elbow-history",
    "ask-nerve-history",
    "ask-hamate-history",
]

PAUSED: Final = "paused"
MEND_ROSTER: Final = "mend-roster"
WHOSE_ROW: Final = "whose-row"
STOPS: Final[tuple[PublicReason, ...]] = (PAUSED, MEND_ROSTER, WHOSE_ROW)
"""Public codes of what may stop every drill."""

_NAME_PARTS: Final = re.compile(r"[\s.-]+")
_APOSTROPHES: Final = re.compile(r"['\u2019]")

Angle = Annotated[float, msgspec.Meta(ge=0, le=90)]


class Limits(Record, frozen=True):
    """Absolute angles, degrees, that no practice window leaves, and the stretch of full hinge.

    Limits of practice, not of the joint. `hinge_reach_deg`, relative to the setup, is the largest hinge that a drill
    may ask for.
    """

    flexion: Angle
    extension: Angle
    radial: Angle
    max_radial: Angle
    ulnar: Angle
    flexion_at_hinge: float
    hinge_from: str
    hinge_to: str
    min_width: float
    hinge_reach_deg: float

    def hinge_deg(self, own_radial_deg: float | None) -> float:
        """The most radial deviation, degrees and positive, that a window of a player may reach.

        Parameters
        ----------
        own_radial_deg
            The player's own median of it, absolute, in swings without pain; None where it is not known.
        """
        return (
            self.radial if own_radial_deg is None else min(max(self.radial, own_radial_deg), self.max_radial)
        )


class UsualMotion(Record, frozen=True):
    """The usual end of the wrist's motion, absolute degrees, and the sensor's doubt."""

    flexion: Angle
    extension: Angle
    radial: Angle
    ulnar: Angle
    sensor_deg: Angle

    def near_end(self, channel: str, angle_deg: float) -> bool:
        """Whether an absolute angle lies past the usual end by more than the sensor's doubt.

        Never so for forearm rotation, whose end the sensors do not show.
        """
        ends = {"flexion_deg": (self.extension, self.flexion), "ulnar_deg": (self.radial, self.ulnar)}
        if channel not in ends:
            return False
        low, high = ends[channel]
        return angle_deg < -low - self.sensor_deg or angle_deg > high + self.sensor_deg


class Setup(Record, frozen=True):
    """Wrist angles at address, degrees, anatomical signs."""

    flexion_deg: float
    ulnar_deg: float
    pronation_deg: float


class DoseCap(Record, frozen=True):
    """The most rehearsals a day to start with, and how many of them at full speed."""

    rehearsals: Count
    full_speed: Count


class Times(Record, frozen=True):
    """How long an answer lasts, days, and how long a dose stays halved after a return."""

    none_days: Count
    return_days: Count
    return_within_days: Count


class Bars(Record, frozen=True):
    """The loads that each history, or age, rules out."""

    ulnar_history: tuple[Load, ...]
    thumb_history: tuple[Load, ...]
    elbow_history: tuple[Load, ...]
    nerve_history: tuple[Load, ...]
    hamate_history: tuple[Load, ...]
    under_16: tuple[Load, ...]

    def of(self, history: str) -> tuple[Load, ...]:
        """The loads ruled out by a column of the roster."""
        bars: dict[str, tuple[Load, ...]] = msgspec.structs.asdict(self)
        return bars[history]


class Words(Record, frozen=True):
    """Who may say that a player returns and on whose advice, and what a drill's text may and must say."""

    clinicians: tuple[str, ...]
    others: tuple[str, ...]
    no_names: tuple[str, ...]
    never_in_cues: tuple[str, ...]
    stop: str
    near_end: str


class ReasonWords(Record, frozen=True):
    """A reason of the check: its public code, and the words for the coach alone."""

    public: PublicReason
    why: str


class CareRules(Record, frozen=True):
    """The content of `care.toml`."""

    schema: Literal[1]
    limits: Limits
    usual_motion: UsualMotion
    reference_setup: Setup
    dose: DoseCap
    time: Times
    bars: Bars
    words: Words
    reasons: dict[Reason, ReasonWords]
    questions: dict[Question, str]

    def role_of(self, written: str) -> str:
        """The role that a text of the form ``role`` or ``role: name`` names; "" where it is not on the list.

        The name is letters alone, without a word that denies or doubts: ``doctor: not seen yet`` names nobody.
        """
        role, colon, name = written.partition(":")
        role = " ".join(role.casefold().split())
        named = not colon or (is_name(name) and self._is_person(name))
        return role if named and role in (*self.words.clinicians, *self.words.others) else ""

    def _is_person(self, name: str) -> bool:
        words = _NAME_PARTS.split(_APOSTROPHES.sub("", name.casefold()))
        return all(word.isalpha() for word in words if word) and not set(words) & set(self.words.no_names)

    def is_clinician(self, advice: str) -> bool:
        """Whether a text about whose advice it was names a clinician's role."""
        return self.role_of(advice) in self.words.clinicians

    @property
    def roles(self) -> str:
        """What `role_of` expects, in words."""
        return f"one of: {', '.join((*self.words.clinicians, *self.words.others))}; a name may follow a colon"


def is_name(text: str) -> bool:
    """Whether a text may be somebody's name: two letters at least, and no word for nobody."""
    word = text.strip().casefold()
    refused = {*cell_words().pain.none, *cell_words().answers.no}
    return sum(map(str.isalpha, word)) > 1 and word not in refused


def speaks_of_body(text: str) -> bool:
    """Whether a text that should say something else speaks of a complaint."""
    return names_complaint(text)


def says_no(text: str) -> bool:
    """Whether a text is a plain no."""
    return text.strip().casefold() in cell_words().answers.no


@lru_cache(maxsize=1)
def load_care() -> CareRules:
    """The care rules of the package.

    Raises
    ------
    CatalogueError
        Where the file does not fit, or lacks the words of a reason or a question.
    """
    return _checked(load_data(__package__, "care.toml", CareRules))


def decode_care(text: str) -> CareRules:
    """Rules from TOML text; raises as `load_care`."""
    return _checked(decode(text, "care.toml", CareRules))


def _checked(rules: CareRules) -> CareRules:
    missing = (set(get_args(Reason)) - set(rules.reasons)) | (set(get_args(Question)) - set(rules.questions))
    if missing:
        raise CatalogueError(
            "bad-rules", where="care.toml", expected="words of: " + ", ".join(sorted(missing))
        )
    return rules
