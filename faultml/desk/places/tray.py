"""Tray: files come in here, questions about them are asked one at a time, and the season is assessed."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import msgspec
from nicegui import ui
from nicegui.events import MultiUploadEventArguments

from faultml.desk.desk import Desk
from faultml.desk.drops import Drop, new_drop, take_roster, waiting_drops
from faultml.desk.frame import frame
from faultml.desk.jobs import Job
from faultml.desk.progress import JobView, unfinished
from faultml.desk.reading_in import ReadingIn
from faultml.desk.words import bullets, heading, para, table
from faultml.errors import FaultmlError
from faultml.importing.season import IMPORT_FILE
from faultml.recordings.files import ROSTER_FILE
from faultml.report.text import count, shown

MAX_UPLOAD_BYTES: Final = 1_000_000_000
MAX_FILES: Final = 500


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
                    f"The roster was not taken: {error}", type="negative", timeout=0, close_button="Close"
                )
                file.unlink()
                continue
            ui.notify("The roster is taken in. Assess the season again to use it.")
            if problems:
                with self._work:
                    heading(2, "In the roster")
                    bullets(
                        [
                            f"{each.player} {each.code}: expected {each.expected}, found {each.found}"
                            for each in problems
                        ]
                    )
            self._show_season()

    def _look_at(self, drop: Drop) -> None:
        self._work.clear()
        with self._work:
            ReadingIn(self._desk, drop, self._start, self._clear)

    def _clear(self) -> None:
        self._work.clear()

    def _start(self, job: Job) -> None:
        self._work.clear()
        with self._jobs:
            JobView(self._desk, job, on_end=self._ended)

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
                ["import", "holds"],
                [[shown(path.name), _holds(path)] for path in imports],
            )
            if not self._desk.folder.roster.exists():
                para(
                    "There is no roster yet: whether anything hurts is then unknown, and is asked before a drill.",
                    "note",
                )
            swings = len(self._desk.season.swings)
            para(
                f"Assessed so far: {count(swings, 'swing')}." if swings else "Nothing has been assessed yet."
            )
            button = ui.button("Assess every swing", on_click=lambda: self._start(self._desk.classify()))
            button.set_enabled(self._desk.jobs.active is None)


class _Summary(msgspec.Struct):
    swings: int = 0
    players: int = 0


def _is_import(path: Path) -> bool:
    return path.name[0] not in "._" and path.name.lower() != ROSTER_FILE


def _holds(path: Path) -> str:
    """What an import holds, by the summary that it left."""
    try:
        summary = msgspec.json.decode((path / IMPORT_FILE).read_bytes(), type=_Summary)
    except (OSError, msgspec.MsgspecError):
        return "recordings"
    return f"{count(summary.swings, 'swing')} of {count(summary.players, 'player')}"
