"""What the page says about the season: the roster at a glance, what is shared, what was not assessed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from markupsafe import Markup

from faultml import __version__
from faultml.care.rules import PAUSED
from faultml.coaching.misses import FitWord
from faultml.coaching.notes import WEAK, note_text, reasons
from faultml.coaching.rules import Coaching
from faultml.outcomes.words import VERDICTS
from faultml.quality.impacts import impact_sentences, read_impacts
from faultml.quality.watch import watch_sentences
from faultml.recordings.findings import findings
from faultml.report.changes import change_words
from faultml.report.charts import Share, whisker, whisker_axis, whisker_scale
from faultml.report.fault_table import going
from faultml.report.given import BroughtLine, brought_lines, effects_of
from faultml.report.player_tables import PlayerTables
from faultml.report.promise import promise_words
from faultml.report.source import ReportSource
from faultml.report.text import count, interval, listed, often, percent, shown
from faultml.results.sessions import natural_key, session_date

_FITS: Final[dict[FitWord, str]] = {
    "agree": ", fits",
    "catalogue": ", by the catalogue",
    "data": ", by the balls alone",
    "against": ", the balls say otherwise",
    "": ", not explained",
}
FIRST_IN_LINE: Final = 3
MAX_NAMED: Final = 8


@dataclass(frozen=True)
class Link:
    """A player's name and the address of the player's part: on the same page, or a page of its own."""

    href: str
    name: str


@dataclass(frozen=True)
class RosterLine:
    """One player at a glance; what is said of a fault is empty where there is none."""

    href: str
    name: str
    swings: str
    miss: str
    next: str
    fault: str = ""
    chart: Markup | None = None
    numbers: str = ""
    season: str = ""
    often: str = ""
    sure: str = ""
    going: str = ""
    changed: str = ""


@dataclass(frozen=True)
class SharedFault:
    """A leading fault and the players it leads."""

    fault: str
    players: list[Link]


@dataclass(frozen=True)
class Reason:
    """Why swings were not assessed, and how many."""

    words: str
    swings: str


@dataclass(frozen=True)
class SeasonView:
    """Everything the template shows of the season."""

    version: str
    scope: str
    drawn: str
    dates: str
    summary: list[str]
    waiting: list[Link]
    axis: Markup
    scale: Markup
    roster: list[RosterLine]
    shared: list[SharedFault]
    reasons: list[Reason]
    unlike: list[str]
    impacts: list[str]
    brought: list[BroughtLine]
    owners: str
    promise: str
    provenance: str


def season_view(
    source: ReportSource,
    players: Sequence[PlayerTables],
    links: Mapping[str, str],
    coaching: Coaching,
) -> SeasonView:
    """Put the season into words.

    Parameters
    ----------
    source
        The season's tables.
    players
        Every player, in the order of the page.
    links
        Player -> address of the player's part.
    coaching
        Catalogue, drill book and rules.
    """
    sessions = sorted({session for player in players for session in player.sessions}, key=natural_key)
    dates = " to ".join(dict.fromkeys(shown(name) for name in (*sessions[:1], *sessions[-1:])))
    swings, assessed = (sum(getattr(player, name) for player in players) for name in ("swings", "assessed"))
    days = count(len(sessions), "day" if all(map(session_date, sessions)) else "session")
    scope = [
        count(len(players), "player"),
        count(swings, "swing"),
        *([f"{dates}, {days}"] if sessions else []),
    ]
    return SeasonView(
        version=__version__,
        scope=" · ".join(scope),
        drawn=source.drawn,
        dates=dates,
        summary=_summary(players, swings, assessed, coaching),
        waiting=[Link(links[each.name], shown(each.name)) for each in players if each.paused],
        axis=whisker_axis(),
        scale=whisker_scale(),
        roster=[_roster_line(player, links[player.name], coaching) for player in players],
        shared=_shared(players, links, coaching),
        reasons=_reasons(source),
        unlike=watch_sentences(source.run.get("watch", [])),
        impacts=impact_sentences(read_impacts(source.run)),
        brought=brought_lines(effects_of(source, coaching), coaching),
        owners=listed(sorted({row.edge_owner for each in players for row in each.faults.values()} - {""})),
        promise=promise_words(source.run, coaching, players),
        provenance=f"Written by faultml {__version__}. {_basis(source.run, coaching)}",
    )


def _basis(run: Mapping[str, Any], coaching: Coaching) -> str:
    """Which model, catalogue and drill book the answers rest on, with the first letters of their hashes."""
    rules = f"catalogue {coaching.catalogue.digest[:8]}, drill book {coaching.book.digest[:8]}."
    model = run.get("model")
    if not isinstance(model, Mapping):
        return f"Fault {rules}"
    name, version, digest = (shown(model.get(key, "")) for key in ("name", "version", "sha256"))
    return f"Model {name} {version} ({digest[:8]}), fault {rules}"


def _summary(players: Sequence[PlayerTables], swings: int, assessed: int, coaching: Coaching) -> list[str]:
    with_drill = [player for player in players if player.first_drill]
    lines = [
        f"{assessed:,} of {count(swings, 'swing')} could be assessed. "
        f"A drill to work on: {len(with_drill)} of {count(len(players), 'player')}."
    ]
    given = [row["verdict"] for player in players for row in player.given]
    if given:
        counts = Counter(VERDICTS[verdict] for verdict in given)
        lines.append(
            f"Did it work? Of {count(len(given), 'drill')} given: "
            f"{', '.join(f'{counts[words]} {words}' for words in VERDICTS.values() if counts[words])}."
        )
    unasked = [shown(player.name) for player in with_drill if player.pain_not_asked]
    if unasked:
        lines.append(f"Ask first whether anything hurts, as nobody has asked of late: {_some(unasked)}.")
    ordered = sorted(with_drill, key=_priority, reverse=True)
    if len(ordered) > 1:
        first = [
            f"{shown(player.name)} ({coaching.words[player.first_drill.faults[0]]})"
            for player in ordered
            if player.first_drill and player.first_drill.faults
        ]
        lines.append(f"Most to gain from a drill: {listed(first[:FIRST_IN_LINE])}.")
    return lines


def _priority(player: PlayerTables) -> float:
    return player.first_drill.priority if player.first_drill else 0.0


def _some(names: list[str]) -> str:
    """The first few names, and how many more there are."""
    more = len(names) - MAX_NAMED
    return listed([*names[:MAX_NAMED], f"{more} more"]) if more > 0 else listed(names)


def _roster_line(player: PlayerTables, href: str, coaching: Coaching) -> RosterLine:
    main = player.leading_fault
    counted = f"{player.assessed:,} of {player.swings:,}"
    line = RosterLine(href, shown(player.name), counted, _miss(player), _next(player, coaching))
    line = replace(line, changed="; ".join(change_words(player, coaching)))
    if main is None:
        return replace(line, fault=_no_fault(player))
    share = Share(main.rate_now, main.rate_now_lo, main.rate_now_hi)
    name = coaching.words[main.fault]
    return replace(
        line,
        fault=name,
        chart=whisker(share, filled=True, label=f"{name}: {percent(share.value)}"),
        numbers=f"{percent(share.value)} ({interval(share.lo, share.hi)})",
        season=percent(main.rate),
        often=often(share.value),
        sure=main.confidence,
        going=going(main, coaching),
    )


def _no_fault(player: PlayerTables) -> str:
    if not player.assessed:
        return "not assessed"
    if player.main_fault is not None:
        return "none worth a new drill now"
    styles = any(row.kind == "style" for row in player.faults.values())
    return "a style, no fault" if styles else "none shows often enough now"


def _miss(player: PlayerTables) -> str:
    """The miss, on how many balls, and whether the leading fault explains it."""
    row = player.leading_fault or next(iter(player.faults.values()), None)
    if row is None or not row.miss:
        return ""
    balls = f"{row.miss_balls} of {row.known_balls} balls" if row.known_balls else "by the roster"
    fits = "" if row.explains_miss is None or player.leading_fault is None else _FITS[row.fit]
    fits = _FITS[""] if fits and row.fit in ("agree", "catalogue") and not row.explains_miss else fits
    usual = row.usual_miss.split()
    roster = f"; the roster says {listed(usual)}" if usual and row.miss not in usual else ""
    return f"{row.miss} ({balls}){fits}{roster}"


def _next(player: PlayerTables, coaching: Coaching) -> str:
    first = player.first_drill
    if first is not None:
        watch = "watch only: " if any(note.code == WEAK for note in first.notes) else ""
        if player.lesson is not None and player.lesson.active and player.lesson.drill == first.drill:
            leading = player.leading_fault
            same = leading is not None and leading.fault == player.lesson.fault
            what = "" if same else f", for {coaching.words[player.lesson.fault]}"
            return f"in progress: {coaching.book[first.drill].name}{what}"
        return watch + coaching.book[first.drill].name
    if player.no_drill is not None and player.no_drill.reason == PAUSED:
        return "paused: speak with the player"
    if player.no_drill is not None and player.paused:
        return reasons()[player.no_drill.reason]
    return note_text(player.notes[0], coaching) if player.notes else ""


def _shared(
    players: Sequence[PlayerTables], links: Mapping[str, str], coaching: Coaching
) -> list[SharedFault]:
    led: dict[str, list[Link]] = {}
    for player in players:
        if player.leading_fault is not None:
            fault = coaching.words[player.leading_fault.fault]
            led.setdefault(fault, []).append(Link(links[player.name], shown(player.name)))
    return [SharedFault(fault, links) for fault, links in sorted(led.items(), key=lambda item: -len(item[1]))]


def _reasons(source: ReportSource) -> list[Reason]:
    codes = source.summary.codes
    refused = codes[codes["kind"] == "refused"]
    total: Counter[str] = Counter()
    for code, swings in zip(refused["code"], refused["n"], strict=True):
        total[str(code)] += int(swings)
    known = findings()
    return [
        Reason(known[code].words if code in known else shown(code).replace("-", " "), f"{swings:,}")
        for code, swings in sorted(total.items(), key=lambda item: (-item[1], item[0]))
    ]
