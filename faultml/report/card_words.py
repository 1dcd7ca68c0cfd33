"""The practice window in a player's words: body parts and moments to see, no names of angles, no fractions."""

from __future__ import annotations

from functools import lru_cache
from typing import Literal

from faultml.coaching.window import AnyWindow, Side, SpreadWindow, Window
from faultml.faults.catalogue import Channel, Position
from faultml.faults.measure import coordinate
from faultml.rules_file import Record, load_data


class Moment(Record, frozen=True):
    """A moment of the swing: its place, 0 to 3, and its words at the start of a sentence and after "from"."""

    place: float
    at: str
    point: str


class ChannelWords(Record, frozen=True):
    """What moves, the ends of the angle, how a place is further to either end, and what the ends mean."""

    subject: str
    low: str
    high: str
    less: str
    more: str
    meaning: str


class ReferenceWords(Record, frozen=True):
    """What a bound is compared with; a bound from the lowest place is worded on its own."""

    setup: str
    top: str
    impact: str
    absolute: str


class Sentences(Record, frozen=True):
    """Sentences of the card."""

    at: str
    stay: str
    reach: str
    mirror: str
    alike: str
    stay_figure: str
    reach_figure: str
    alike_figure: str
    ball: str
    soft: str
    retest_on: str
    retest_due: str
    retest_open: str
    retest: str
    retest_passed: str
    retest_failed: str
    retest_closer: str


class Standing(Record, frozen=True):
    """Where the drill stands in the plan."""

    on: str
    new: str


class Instead(Record, frozen=True):
    """What stands in place of a drill."""

    paused: str
    ask: str
    none: str
    change: str
    done: str


class CardWords(Record, frozen=True):
    """The content of card.toml."""

    schema: Literal[1]
    moment: tuple[Moment, ...]
    channel: dict[Channel, ChannelWords]
    reference: ReferenceWords
    sentence: Sentences
    standing: Standing
    instead: Instead

    def near(self, position: Position) -> Moment:
        """The moment nearest to a position."""
        place = coordinate(position)
        return min(self.moment, key=lambda each: abs(each.place - place))


@lru_cache(maxsize=1)
def load_card_words() -> CardWords:
    """The card's words of the package; raises `CatalogueError` where the file does not fit its schema."""
    return load_data(__package__, "card.toml", CardWords)


def plain_window(window: AnyWindow) -> str:
    """The window as one or two sentences for the player."""
    words = load_card_words()
    say, channel = words.sentence, words.channel[window.channel]
    if isinstance(window, SpreadWindow):
        return say.alike.format(subject=channel.subject)
    first, last = (words.near(position) for position in window.span)
    sentence = say.at if not window.end else say.reach if window.must == "reach" else say.stay
    text = sentence.format(
        at=first.at, first=first.point, last=last.point, subject=channel.subject, bound=_bound(window, words)
    )
    return f"{text} {say.mirror}" if window.reference == "absolute" else text


def _bound(window: Window, words: CardWords) -> str:
    channel = words.channel[window.channel]
    if window.reference == "lowest":
        return (
            f"no more than {abs(window.bound_deg):.0f}° back from where it was furthest to the {channel.low}"
        )
    bound = _compared(window.bound_deg, window.side, window.reference, channel, words)
    if window.guard_deg is None:
        return bound
    return f"{bound}, or {_compared(window.guard_deg, window.side, 'setup', channel, words)}"


def _compared(
    bound_deg: float,
    side: Side,
    reference: Literal["setup", "top", "impact", "absolute"],
    channel: ChannelWords,
    words: CardWords,
) -> str:
    """``no more than 8° more bowed than at setup``, or ``at least`` where the bound lies on the side to be on."""
    whole = round(bound_deg)
    than = getattr(words.reference, reference)
    wrong = channel.more if side == "below" else channel.less
    if whole == 0:
        return f"no {wrong} than {than}"
    if (whole > 0) == (side == "below"):
        return f"no more than {abs(whole)}° {wrong} than {than}"
    right = channel.less if side == "below" else channel.more
    return f"at least {abs(whole)}° {right} than {than}"
