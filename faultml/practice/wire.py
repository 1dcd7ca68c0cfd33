"""Practice over a WebSocket: what goes in, what comes out, and the AsyncAPI document that describes both."""

from __future__ import annotations

import math
from typing import Annotated, Any, Final, Literal

import msgspec

from faultml import __version__
from faultml.errors import FaultmlError
from faultml.practice.events import (
    CareStop,
    CueOff,
    CueOn,
    FullSwing,
    Repetition,
    SetUpAgain,
    SetupTaken,
    StationReached,
    Trouble,
)
from faultml.practice.frames import Sample
from faultml.practice.session import (
    Counted,
    GuessAsked,
    Held,
    PracticeSession,
    Refused,
    Result,
    SessionEvent,
    SetBegins,
    SetEnds,
)

MAX_SAMPLES: Final = 256
MAX_BYTES: Final = 32_768

Row = tuple[float, float, float, float | None, float | None]
Rows = Annotated[list[Row], msgspec.Meta(max_length=MAX_SAMPLES)]
Number = Annotated[int, msgspec.Meta(ge=1, le=1000)]


class _Message(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True, tag_field="do"):
    pass


class Samples(_Message, frozen=True, kw_only=True, tag="samples"):
    """Samples in order: t_s (seconds), flexion, ulnar deviation, pronation (or null), forearm elevation (or null),
    degrees.
    """

    rows: Rows


class Wait(_Message, frozen=True, kw_only=True, tag="wait"):
    """No sample has come until this time, seconds on the samples' clock."""

    now_s: float


class Begin(_Message, frozen=True, kw_only=True, tag="begin"):
    """Begin the next set; care is asked first."""


class GuessIs(_Message, frozen=True, kw_only=True, tag="guess"):
    """The player's guess of a repetition."""

    number: Number
    guess: Literal["in", "out"]


class Ask(_Message, frozen=True, kw_only=True, tag="ask"):
    """The result of a repetition, on request."""

    number: Number


class End(_Message, frozen=True, kw_only=True, tag="end"):
    """End the set and keep it."""


class Hurts(_Message, frozen=True, kw_only=True, tag="hurts"):
    """Something hurts: hold every drill now."""


class HurtsWhere(_Message, frozen=True, kw_only=True, tag="hurts-where"):
    """Where it hurts, said afterwards."""

    words: Annotated[str, msgspec.Meta(min_length=1, max_length=500)]


class Mistake(_Message, frozen=True, kw_only=True, tag="mistake"):
    """ "Hurts" was pressed by mistake, within a minute."""


class Wrong(msgspec.Struct, frozen=True, kw_only=True, tag_field="event", tag="error"):
    """A message that could not be followed; the connection stays open."""

    code: str
    expected: str


Incoming = Samples | Wait | Begin | GuessIs | Ask | End | Hurts | HurtsWhere | Mistake
_INCOMING: Final = (Samples, Wait, Begin, GuessIs, Ask, End, Hurts, HurtsWhere, Mistake)
_OUTGOING: Final = (
    SetupTaken, SetUpAgain, StationReached, CueOn, CueOff, CareStop, Repetition, FullSwing, Trouble,
    SetBegins, Refused, GuessAsked, Counted, Result, SetEnds, Held, Wrong,
)  # fmt: skip
_DECODER: Final = msgspec.json.Decoder(Incoming)


def answer(session: PracticeSession, text: str) -> list[SessionEvent | Wrong]:
    """What a message brings about; what is wrong with it is an answer too."""
    try:
        return _follow(session, _DECODER.decode(text))
    except msgspec.MsgspecError as error:
        return [Wrong(code="bad-message", expected=str(error)[:200])]
    except FaultmlError as error:
        # What was found may be about somebody's body.
        return [Wrong(code=error.code, expected=error.expected)]


def _follow(session: PracticeSession, message: Incoming) -> list[Any]:
    match message:
        case Samples():
            out: list[Any] = []
            for t_s, flexion, ulnar, *rest in message.rows:
                pronation, elevation = (math.nan if each is None else each for each in rest)
                out += session.push(Sample(t_s, flexion, ulnar, pronation, elevation))
            return out
        case Wait():
            return session.wait(message.now_s)
        case Begin():
            return [session.begin_set()]
        case GuessIs():
            return session.guess(message.number, message.guess)
        case Ask():
            return session.ask(message.number)
        case End():
            return [session.end_set()]
        case Hurts():
            return session.hurts()
        case HurtsWhere():
            session.hurts_where(message.words)
        case Mistake():
            session.mistake()
    return []


def asyncapi() -> dict[str, Any]:
    """The AsyncAPI 3 document of the stream, as written to ``docs/asyncapi.yaml``."""
    place = "#/components/schemas/{name}"
    types = [*_INCOMING, *_OUTGOING]
    schemas, components = msgspec.json.schema_components(types, ref_template=place)
    names = [kind.__name__ for kind in types]
    messages = {
        name: {"name": name, "summary": _summary(kind), "contentType": "application/json", "payload": schema}
        for name, kind, schema in zip(names, types, schemas, strict=True)
    }
    channel = "#/channels/practice"

    def operation(action: str, summary: str, kinds: tuple[type, ...]) -> dict[str, Any]:
        return {
            "action": action,
            "channel": {"$ref": channel},
            "summary": summary,
            "messages": [{"$ref": f"{channel}/messages/{kind.__name__}"} for kind in kinds],
        }

    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "faultml practice",
            "version": __version__,
            "description": "A player's repetitions of one drill, followed live. One JSON object a message.",
            "license": {"name": "Apache-2.0"},
        },
        "servers": {
            "local": {
                "host": "127.0.0.1:8765",
                "protocol": "ws",
                "security": [{"$ref": "#/components/securitySchemes/token"}],
            }
        },
        "channels": {
            "practice": {
                "address": "/v1/practice/{player}",
                "description": "The query names the drill: ?drill=ID.",
                "parameters": {"player": {"description": "A player of the results."}},
                "messages": {name: {"$ref": f"#/components/messages/{name}"} for name in names},
            }
        },
        "operations": {
            "follow": operation("receive", "What the server takes.", _INCOMING),
            "report": operation("send", "What the server sends.", _OUTGOING),
        },
        "components": {
            "messages": messages,
            "schemas": components,
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
        },
    }


def _summary(kind: type) -> str:
    return (kind.__doc__ or "").strip().split("\n\n")[0].replace("\n    ", " ")
