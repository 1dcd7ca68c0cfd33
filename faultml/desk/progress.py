"""A piece of long work on a page: how far it is, how to stop it, and what came of it in words."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from nicegui import ui

from faultml.desk.desk import Desk
from faultml.desk.jobs import Job, State
from faultml.desk.words import bullets, para

_EVERY_S: Final = 0.5
STATES: Final[dict[State, str]] = {
    "waiting": "waits for its turn",
    "running": "under way",
    "done": "done",
    "failed": "did not work out; what was there before is unchanged",
    "stopped": "stopped; what was there before is unchanged",
    "interrupted": "was cut off when the program ended; what was there before is unchanged. Start it again",
}


class JobView:
    """Shows a job and follows it until it has ended, on whatever page it is opened."""

    def __init__(self, desk: Desk, job: Job, on_end: Callable[[Job], None] | None = None) -> None:
        self._desk = desk
        self._job = job
        self._on_end = on_end
        self._ended = job.ended
        self._box = ui.element("div").classes("said").props('role="status" aria-live="polite"')
        self._show()
        if not job.ended:
            self._timer = ui.timer(_EVERY_S, self._follow)

    def _follow(self) -> None:
        self._show()
        if self._job.ended and not self._ended:
            self._ended = True
            self._timer.cancel()
            if self._on_end is not None:
                self._on_end(self._job)

    def _show(self) -> None:
        job, progress = self._job, self._job.progress
        self._box.clear()
        with self._box:
            so_far = f", {progress.done:,} of {progress.of:,}" if progress.of and not job.ended else ""
            para(f"{job.title}: {STATES[job.state]}{so_far}.")
            if not job.ended:
                share = progress.done / progress.of if progress.of else 0.0
                ui.linear_progress(share, show_value=False).props(f'aria-label="{job.title}"')
                ui.button("Stop it", on_click=lambda: self._desk.jobs.stop(job)).props("outline")
            if progress.failed:
                para(progress.failed)
            if progress.lines:
                bullets(list(progress.lines))


def unfinished(desk: Desk) -> list[Job]:
    """What runs or waits, and what was cut off and has not been done again since."""
    jobs = desk.jobs.all
    done_since = {job.title for job in jobs[: _first_interrupted(jobs)] if job.state == "done"}
    return [
        job for job in jobs if not job.ended or (job.state == "interrupted" and job.title not in done_since)
    ]


def _first_interrupted(jobs: list[Job]) -> int:
    return next((at for at, job in enumerate(jobs) if job.state == "interrupted"), len(jobs))
