"""Tray: files come in here, questions about them are asked one at a time, and the season is assessed."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

import msgspec
from nicegui import ui
from nicegui.events import MultiUploadEventArguments

from faultml.desk.desk import Desk
from faultml.desk.drops import Drop, new_drop, take_roster, waiting_drops
from faultml.desk.frame import frame
from faultml.desk.jobs import Job
from faultml.desk.live import on_change
from faultml.desk.not_assessed import not_assessed_lines
from faultml.desk.plain_words import error_words
from faultml.desk.progress import JobView, unfinished
from faultml.desk.reading_in import ReadingIn
from faultml.desk.words import Words, bullets, heading, para, table
from faultml.errors import FaultmlError
from faultml.importing.season import IMPORT_FILE
from faultml.recordings.files import ROSTER_FILE
from faultml.report.text import count, shown

MAX_UPLOAD_BYTES: Final = 1_000_000_000
MAX_FILES: Final = 500
MAX_OPEN_LINES: Final = 12
"""More reasons than these are folded away until asked for."""


class TrayPlace:
    """The page of what comes in."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk

    def build(self) -> None:
        """Fill the page."""
        with frame("Tray", "Tray"):
            para(
                "Drop your recorder's files here. Nothing is read in before you have seen what would be read.",
                "lead",
            )
            with ui.element("div").classes("drop"):
                para("Drop files here, or a roster.csv, or choose them:", "note")
                upload = ui.upload(
                    multiple=True,
                    auto_upload=True,
                    max_total_size=MAX_UPLOAD_BYTES,
                    max_files=MAX_FILES,
                    on_multi_upload=self._arrived,
                    on_rejected=lambda: ui.notify(
                        "Too many files, or too large, for one drop.", type="negative"
                    ),
                )
                choose = ui.button("Choose files")
                # In the page, since a browser opens its dialog only where a person has just pressed.
                choose.on("click", js_handler=f"() => runMethod({upload.id}, 'pickFiles', [])")
            self._work = ui.element("div")
            self._jobs = ui.element("div")
            with self._jobs:
                for job in unfinished(self._desk):
                    JobView(self._desk, job, on_end=self._ended)
            self._season = ui.element("div")
            on_change(self._desk, self._show_season)
        self._show_season()
        waiting = waiting_drops(self._desk.folder)
        if waiting and self._desk.jobs.active is None:
            self._look_at(waiting[0])

    async def _arrived(self, event: MultiUploadEventArguments) -> None:
        event.sender.reset()  # type: ignore[attr-defined]
        drop = new_drop(self._desk.folder)
        for upload in event.files:
            await upload.save(drop.place(upload.name))
        self._take_rosters(drop)
        if drop.files:
            self._look_at(drop)
        else:
            drop.discard()

    def _take_rosters(self, drop: Drop) -> None:
        for file in drop.files:
            if file.name.lower() != ROSTER_FILE:
                continue
            try:
                problems = take_roster(self._desk.folder, file)
            except FaultmlError as error:
                ui.notify(
                    f"The roster was not taken: {error_words(error)}",
                    type="negative",
                    timeout=0,
                    close_button="Close",
                )
                file.unlink()
                continue
            ui.notify("The roster is taken in. Assess the season again to use it.")
            if problems:
                with self._work:
                    heading(2, "In the roster")
                    bullets(
                        [
                            f"{shown(each.player)}: expected {each.expected}, found {shown(each.found)}"
                            for each in problems
                        ]
                    )
            self._show_season()

    def _look_at(self, drop: Drop) -> None:
        self._work.clear()
        with self._work:
            ReadingIn(self._desk, drop, self._started, self._clear)

    def _clear(self) -> None:
        self._work.clear()

    def _started(self) -> None:
        self._work.clear()
        # What ended before says nothing of what is there now.
        self._jobs.clear()
        with self._jobs:
            for each in unfinished(self._desk):
                JobView(self._desk, each, on_end=self._ended)

    def _ended(self, job: Job) -> None:
        self._show_season()

    def _show_season(self) -> None:
        self._season.clear()
        with self._season:
            heading(2, "In the season")
            imports = [path for path in sorted(self._desk.folder.season.iterdir()) if _is_import(path)]
            if not imports:
                para("Nothing yet.")
                return
            table(
                "What has been read in",
                ["on", "holds"],
                [[_when(path), _holds(path)] for path in imports],
            )
            if not self._desk.folder.roster.exists():
                para(
                    "There is no roster yet: whether anything hurts is then unknown, and is asked before a drill.",
                    "note",
                )
            self._show_assessed(sum(_summary(path).swings for path in imports))
            button = ui.button("Assess every swing", on_click=self._assess)
            button.set_enabled(self._desk.jobs.active is None)

    def _show_assessed(self, read_in: int) -> None:
        swings = self._desk.season.swings
        if not len(swings):
            para("Nothing has been assessed yet: press the button below.")
            return
        lines = not_assessed_lines(swings)
        assessed = int(swings["assessed"].astype(bool).sum())
        para(f"Of {count(len(swings), 'recording')} {assessed:,} are assessed.")
        if lines:
            with ui.element("details").props("open" if len(lines) <= MAX_OPEN_LINES else ""):
                Words("summary", f"Why {count(len(swings) - assessed, 'recording')} not")
                bullets(lines)
        if read_in > len(swings):
            para("More has been read in since: assess every swing again to see it.", "said")
        with ui.element("div").classes("bar"):
            Words("a", "To today's page").props('href="/"').classes("button")

    def _assess(self) -> None:
        self._desk.classify()
        self._started()


class _Summary(msgspec.Struct):
    swings: int = 0
    players: int = 0


def _is_import(path: Path) -> bool:
    return path.name[0] not in "._" and path.name.lower() != ROSTER_FILE


def _summary(path: Path) -> _Summary:
    """What an import says of itself; nothing where it says nothing."""
    try:
        return msgspec.json.decode((path / IMPORT_FILE).read_bytes(), type=_Summary)
    except (OSError, msgspec.MsgspecError):
        return _Summary()


def _holds(path: Path) -> str:
    summary = _summary(path)
    if not summary.swings:
        return "recordings"
    return f"{count(summary.swings, 'swing')} of {count(summary.players, 'player')}"


def _when(path: Path) -> str:
    """When an import was read in, by the name that the desk gives its folder; else the name."""
    stamp = re.fullmatch(r"import-(\d{4})(\d\d)(\d\d)T(\d\d)(\d\d)\d\d(?:\.\d+)?Z-\w+", path.name)
    return "{}-{}-{}, {}:{} UTC".format(*stamp.groups()) if stamp else shown(path.name)
