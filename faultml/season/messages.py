"""What a run and its worker processes say to each other, as lines of JSON."""

from __future__ import annotations

import msgspec

from faultml.season.parts import Partition


class Answer(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The part, or why there is none.

    Attributes
    ----------
    part
        What was made.
    error, code
        Why not.
    stops
        Whether the run cannot go on: the model does not fit, or the parts cannot be written.
    """

    part: Partition | None = None
    error: str = ""
    code: str = ""
    stops: bool = False
