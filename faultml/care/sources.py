"""Where roster and store of classified results lie now; what cannot be found is stated, and holds every drill."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from faultml.recordings.files import RESULTS_MARK, season_rosters

if TYPE_CHECKING:
    from faultml.store import Store


@dataclass(frozen=True)
class Sources:
    """What is to be read.

    Attributes
    ----------
    roster
        The roster's file, None where the season has none.
    second
        The season's own roster where another one was named: what it says against a drill counts too.
    store
        A further store that the results name.
    missing
        What was looked for and not found, one sentence each.
    """

    roster: Path | None = None
    second: Path | None = None
    store: Path | None = None
    missing: tuple[str, ...] = ()


def sources_of_run(run: Mapping[str, Any], roster: Path | None, store: Store | None) -> Sources:
    """What a season's ``run.json`` names, held against what is there.

    Parameters
    ----------
    run
        The content of ``run.json``.
    roster
        Another roster than the one the season had.
    store
        The store that is open, None where there is none.
    """
    own, second, missing = _roster(run.get("roster"), roster)
    further, lost = _store(run.get("store"), store)
    return Sources(own, second, further, (*missing, *lost))


def results_beside(store: Store) -> list[Path]:
    """Results folders near a store that name it, the newest first: beside it, and in the folders beside it."""
    from faultml.store.people import store_id

    known, folder = store_id(store), store.path.absolute().parent
    found = []
    for pattern in (RESULTS_MARK, f"*/{RESULTS_MARK}", f"*/*/{RESULTS_MARK}"):
        for path in folder.glob(pattern):
            with suppress(OSError, msgspec.MsgspecError):
                run = msgspec.json.decode(path.read_bytes(), type=dict[str, Any])
                if _text(run.get("store"), "id") == known:
                    found.append((path.stat().st_mtime, path.parent))
    return [path for _, path in sorted(found, reverse=True)]


def _roster(recorded: object, override: Path | None) -> tuple[Path | None, Path | None, tuple[str, ...]]:
    named = _text(recorded, "file")
    if override is not None:
        own = Path(named) if named else None
        differs = own is not None and own.is_absolute() and own.is_file() and not _same(own, override)
        return override, own if differs else None, ()
    if named is None:
        return None, None, ("the results do not say which roster they had: give --roster, or classify again",)
    if named and not Path(named).is_absolute():
        said = f"the roster {named}: the results do not say in which folder; give --roster, or classify again"
        return None, None, (said,)
    season = recorded.get("season", []) if isinstance(recorded, Mapping) else []
    there = season_rosters([Path(str(path)) for path in season]) if isinstance(season, list) else []
    like = season_rosters([Path(str(path)) for path in season], like=True) if isinstance(season, list) else []
    like = [path for path in like if not named or not _same(path, Path(named))]
    if like:
        # Nobody reads it, and pain may stand in it.
        said = f"one roster, named roster.csv: found {like[0]}; rename or remove it"
        return Path(named) if named else None, None, (said,)
    if not named:
        if len(there) > 1:
            return None, None, (f"one roster: found {there[0]} and {there[1]}",)
        return (there[0] if there else None), None, ()
    own = Path(named)
    if not own.is_file():
        return own, None, (f"the roster: looked for {own}, not found; give --roster FILE",)
    others = [path for path in there if not _same(path, own)]
    return own, None, tuple(f"one roster: found {own} and {path}" for path in others[:1])


def _store(recorded: object, store: Store | None) -> tuple[Path | None, tuple[str, ...]]:
    known = _text(recorded, "id")
    if known is None:
        return None, ("the results do not say which store they were made with: classify again",)
    from faultml.store import open_store
    from faultml.store.people import store_id

    path = Path(_text(recorded, "file") or "")
    if store is not None and store_id(store) == known:
        # The store itself, or a copy of it, which may lack what was said since: the one at its place is read too.
        lies_there = path.is_absolute() and path.is_file() and not _same(path, store.path)
        return path if lies_there else None, ()
    if not path.is_absolute() or not path.is_file():
        where = path if path.is_absolute() else "nowhere"
        return None, (
            f"the store of the results: looked for {where}, not found; give --store FILE",
        ) if known else ()
    if store is not None and _same(path, store.path):
        return None, () if not known else (f"the store of the results: {path} is another one now",)
    with open_store(path, create=False) as other:
        if known and store_id(other) != known:
            return None, (f"the store of the results: {path} is another one now; classify again",)
    return path, ()


def _text(recorded: object, name: str) -> str | None:
    value = recorded.get(name) if isinstance(recorded, Mapping) else None
    return value if isinstance(value, str) else None


def _same(first: Path, second: Path) -> bool:
    return first.exists() and second.exists() and first.samefile(second)
