"""Faults and drills as the coach reads them, in text or as JSON."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, field
from itertools import groupby
from typing import Final

import msgspec

from faultml.coaching.book import Drill
from faultml.coaching.rules import Coaching
from faultml.coaching.stations import stations_words
from faultml.faults.catalogue import Fault, SessionFault
from faultml.report.text import edge_words, handed, listed, measure_words, size
from faultml.report.window_words import window_words

WIDTH: Final = 92
LABEL_WIDTH: Final = 12


@dataclass(frozen=True)
class Entry:
    """One fault or drill: what it is and everything said about it, as ``(label, text or steps)``."""

    id: str
    part: str
    name: str
    words: str
    lines: list[tuple[str, str | list[str]]] = field(default_factory=list)


def entries(coaching: Coaching, player: str = "") -> list[Entry]:
    """All faults in catalogue order, then all drills in the book's, with the edges that hold for `player`."""
    catalogue = coaching.catalogue
    faults = [_fault(fault, coaching, player) for fault in catalogue.faults]
    spreads = [_session_fault(fault, coaching) for fault in catalogue.session_faults]
    return [*faults, *spreads, *(_drill(drill, coaching) for drill in coaching.book.drills)]


def _fault(fault: Fault, coaching: Coaching, player: str) -> Entry:
    edge = coaching.catalogue.edge(fault.id, player)
    brings = [coaching.words[brought] for brought in coaching.brings[fault.id]]
    lines: list[tuple[str, str | list[str]]] = [
        ("measured", f"{measure_words(fault.measure)}, from the swing's own address"),
        ("present", f"{edge_words(fault, edge.value)} - {edge.owner}"),
        ("face", handed(fault.face)),
        ("ball", handed(fault.ball)),
        ("mimicked by", "; ".join(fault.mimics)),
        ("brings", listed(brings)),
        ("drills", _drills_for(fault.id, coaching)),
        ("edge from", fault.source),
    ]
    return Entry(
        fault.id, "faults", fault.name, fault.words, [(label, said) for label, said in lines if said]
    )


def _session_fault(fault: SessionFault, coaching: Coaching) -> Entry:
    spread = size(fault.edge, fault.unit)
    lines: list[tuple[str, str | list[str]]] = [
        (
            "measured",
            f"spread over {fault.min_swings} or more swings of a session, landmark error taken out",
        ),
        ("present", f"a standard deviation above {spread} - {coaching.catalogue.owner}"),
        ("drills", _drills_for(fault.id, coaching)),
        ("edge from", fault.source),
    ]
    return Entry(fault.id, "faults", fault.name, fault.words, lines)


def _drill(drill: Drill, coaching: Coaching) -> Entry:
    served = [coaching.words[fault] for fault in coaching.serving[drill.id]]
    lines: list[tuple[str, str | list[str]]] = [
        ("for", listed(served)),
        ("without ball", list(drill.without_ball)),
        ("with ball", list(drill.with_ball)),
        ("check", drill.check),
        ("trains", drill.trains),
        ("window", window_words(drill.window, coaching)),
        ("sensor", stations_words(drill.window, drill.rehearsal)),
        ("feedback", drill.feedback_plan),
        ("dose", str(drill.dose)),
        ("re-test", str(drill.retest)),
        ("loads", ", ".join(drill.loads).replace("_", " ")),
        ("needs", ", ".join(drill.equipment)),
        ("surface", drill.surface),
        ("stop", drill.stop),
        ("level", drill.level),
        ("evidence", drill.evidence),
    ]
    return Entry(drill.id, "drills", drill.name, drill.aim, [(label, said) for label, said in lines if said])


def _drills_for(fault_id: str, coaching: Coaching) -> list[str]:
    """Drills that serve a fault, the strongest first."""
    serving = {drill: served[fault_id] for drill, served in coaching.serving.items() if fault_id in served}
    ordered = sorted(serving, key=lambda drill: -serving[drill])
    return [f"{coaching.book[drill].name} [{drill}]" for drill in ordered]


def as_json(chosen: Sequence[Entry]) -> str:
    """The entries as JSON, one object each."""
    content = [{**asdict(entry), "lines": dict(entry.lines)} for entry in chosen]
    return msgspec.json.format(msgspec.json.encode(content), indent=2).decode() + "\n"


def as_text(chosen: Iterable[Entry]) -> str:
    """The entries as text of at most `WIDTH` columns."""
    parts = [(part, list(group)) for part, group in groupby(chosen, key=lambda entry: entry.part)]
    blocks = []
    for part, group in parts:
        blocks += [part.upper()] if len(parts) > 1 else []
        blocks += ["\n".join(_entry_lines(entry)) for entry in group]
    return "\n\n".join(blocks)


def _entry_lines(entry: Entry) -> list[str]:
    lines = [
        f"{entry.name}  [{entry.id}]",
        *textwrap.wrap(entry.words, WIDTH, initial_indent="  ", subsequent_indent="  "),
    ]
    for label, said in entry.lines:
        if isinstance(said, str):
            lines += _labelled(label, said)
        else:
            for number, step in enumerate(said, 1):
                lines += _labelled(label if number == 1 else "", f"{number}. {step}", hang="   ")
    return lines


def _labelled(label: str, said: str, hang: str = "") -> list[str]:
    margin = " " * (LABEL_WIDTH + 4)
    return textwrap.wrap(
        said,
        WIDTH,
        initial_indent=f"  {label:<{LABEL_WIDTH}}  ",
        subsequent_indent=margin + hang,
        break_on_hyphens=False,
    )
