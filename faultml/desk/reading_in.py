"""A drop on its way into the season: its layout, the questions left, what would be read, and the go."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Final

import numpy as np
from nicegui import ui

from faultml.desk.answers import OpenQuestion, next_question, with_answer
from faultml.desk.desk import Desk
from faultml.desk.drops import Drop, safe_name
from faultml.desk.jobs import ImportWork, Job
from faultml.desk.linked import plain_chart
from faultml.desk.words import bullets, heading, para
from faultml.drawings.records import Axis, Line, Panel, Picture, Tick
from faultml.drawings.words import CHANNEL_NAMES
from faultml.errors import FaultmlError
from faultml.importing.layout import AngleLayout, Layout, load_layout
from faultml.importing.layout_toml import write_layout
from faultml.importing.propose.check import Check, check_layout
from faultml.importing.propose.proposal import Proposal, propose_layout
from faultml.importing.propose.sniff import sniff
from faultml.importing.propose.source import Source, read_source
from faultml.recordings.roster import read_roster
from faultml.report.text import count, shown
from faultml.results.folders import replaced_file
from faultml.store.base import now
from faultml.svg import padded_range, ticks_of

MAX_NAMED: Final = 6
MAX_DRAWN: Final = 4000
"""Samples drawn of a file's columns."""
_READ_ERRORS: Final = (FaultmlError, OSError, ValueError)

Answer = str | float | list[str]


class ReadingIn:
    """The card of one drop; `start` is called with the job that reads it in, `discarded` where it is dropped."""

    def __init__(
        self, desk: Desk, drop: Drop, start: Callable[[Job], None], discarded: Callable[[], None]
    ) -> None:
        self._desk = desk
        self._drop = drop
        self._start = start
        self._discarded = discarded
        self._layout: Layout | None = None
        self._proposal: Proposal | None = None
        self._source: Source | None = None
        files = drop.files
        with ui.element("div").classes("card"):
            heading(2, f"{count(len(files), 'file')} to read in")
            more = f" and {len(files) - MAX_NAMED} more" if len(files) > MAX_NAMED else ""
            para(", ".join(shown(path.name) for path in files[:MAX_NAMED]) + more, "note")
            self._body = ui.element("div").props('aria-live="polite"')
            ui.button("Discard these files", on_click=self._discard).props("flat")
        with self._body:
            para("Looking at them …")
        ui.timer(0.05, self._begin, once=True)

    async def _begin(self) -> None:
        known = await asyncio.to_thread(self._known)
        if known is not None:
            self._offer(*known)
        else:
            await self._propose()

    def _known(self) -> tuple[Path, Check] | None:
        """The first layout of the desk that reads the first file without anything to complain of."""
        for path in sorted(self._desk.folder.layouts.glob("*.toml")):
            try:
                check = check_layout(load_layout(path), path, self._drop.files[0], self._hands())
            except _READ_ERRORS:
                continue
            if check.swings and check.signs_fit and not check.problems:
                return path, check
        return None

    def _hands(self) -> dict[str, str]:
        roster = self._desk.folder.roster
        known = read_roster(roster if roster.exists() else None)
        return dict(zip(known.table["player"], known.table["hand"], strict=True))

    def _offer(self, path: Path, check: Check) -> None:
        self._body.clear()
        with self._body:
            para(f"They read like files of the recorder you called {shown(path.stem)}.")
            bullets(check_lines(check))
            with ui.element("div").classes("bar"):
                ui.button("Read them in", on_click=lambda: self._read_in(path))
                ui.button("It is another recorder", on_click=self._propose).props("outline")

    async def _propose(self) -> None:
        first = self._drop.files[0]
        try:
            self._proposal = await asyncio.to_thread(propose_layout, self._drop.files)
            self._source = await asyncio.to_thread(_source_of, first)
        except _READ_ERRORS as error:
            self._body.clear()
            with self._body:
                para(
                    f"{shown(first.name)} cannot be read as a table of samples, so nothing is read in. {error}",
                    "said",
                )
            return
        self._layout = self._proposal.layout
        self._ask()

    def _ask(self) -> None:
        assert self._layout is not None and self._proposal is not None and self._source is not None
        question = next_question(self._layout, self._proposal, tuple(self._source.names))
        self._body.clear()
        with self._body:
            if question is None:
                self._review(self._layout, self._proposal)
            else:
                self._card(question, self._layout, self._source)

    def _card(self, question: OpenQuestion, layout: Layout, source: Source) -> None:
        with ui.element("div").classes("columns"):
            with ui.element("div"):
                para(question.question, "lead").mark("question")
                para(f"The file does not say: {question.reason}.", "note")
                answer = _answer_element(question)
                answer.mark("answer")
                ui.button("Answer", on_click=lambda: self._answered(question, answer.value))
            picture = columns_picture(source, _columns_of(layout, question.path, source))
            if picture is not None:
                with ui.element("div"):
                    plain_chart(picture)

    def _answered(self, question: OpenQuestion, value: Answer | None) -> None:
        assert self._layout is not None
        if value in (None, "", []):
            ui.notify("Choose or write an answer first.")
            return
        assert value is not None
        try:
            self._layout = with_answer(self._layout, question.path, value)
        except FaultmlError as error:
            ui.notify(f"That does not fit: {error}", type="negative")
            return
        self._ask()

    def _review(self, layout: Layout, proposal: Proposal) -> None:
        """What would be read, before anything is."""
        try:
            check = check_layout(
                layout, self._desk.folder.layouts / "new.toml", self._drop.files[0], self._hands()
            )
        except _READ_ERRORS as error:
            para(f"By these answers the first file cannot be read: {error}", "said")
            ui.button("Answer again", on_click=self._propose)
            return
        para("Every question is answered. This is what would be read:", "lead")
        bullets(check_lines(check))
        if not check.signs_fit:
            para("A sign looks the wrong way round. Read it in only if you are sure.", "said")
        likely = [guess for guess in proposal.guesses if guess.doubt == "likely"]
        if likely:
            heading(3, "Concluded from the file; look at these")
            bullets([f"{guess.path} = {guess.value}: {guess.reason}" for guess in likely])
        name = ui.input("What you call this recorder", value="recorder")
        with ui.element("div").classes("bar"):
            ui.button("Read them in", on_click=lambda: self._keep_and_read(layout, name.value))
            ui.button("Answer again", on_click=self._propose).props("outline")

    def _keep_and_read(self, layout: Layout, name: str) -> None:
        folder = self._desk.folder.layouts
        stem = safe_name(f"{name or 'recorder'}.toml").removesuffix(".toml")
        path, number = folder / f"{stem}.toml", 2
        while path.exists():
            path, number = folder / f"{stem} {number}.toml", number + 1
        with replaced_file(path) as part:
            part.write_text(write_layout(layout, {}, ["Made on the desk."]), encoding="utf-8")
        self._read_in(path)

    def _read_in(self, layout: Path) -> None:
        folder = self._desk.folder
        name = f"import-{now().translate(str.maketrans('', '', '-:'))}-{self._drop.folder.name[:4]}"
        paths = (self._drop.folder, layout, folder.season / name)
        work = ImportWork(*(str(path.relative_to(folder.root)) for path in paths))
        self._start(self._desk.jobs.start(f"Read in {count(len(self._drop.files), 'file')}", work))

    def _discard(self) -> None:
        self._drop.discard()
        self._discarded()


def check_lines(check: Check) -> list[str]:
    """What a layout would read of the first file, in words."""
    lines = [f"{count(check.swings, 'swing')} found in the first file."]
    named = [
        f"{key} {check.first[key]}" for key in ("player", "session", "swing", "hand") if check.first.get(key)
    ]
    if named:
        lines.append(f"The first: {shown(', '.join(named))}; {check.first.get('rate_hz')} samples a second.")
    for name, (low, high) in check.ranges_deg.items():
        sign_words = check.signs.get(name, "no full swing to judge its sign by")
        lines.append(
            f"{CHANNEL_NAMES[name].capitalize()} from {low:.0f} to {high:.0f} degrees: {sign_words}."
        )
    lines += [
        f"{each.code}: expected {each.expected}, found {shown(each.found)}."
        for each in check.problems[:MAX_NAMED]
    ]
    return lines


def columns_picture(source: Source, columns: list[str]) -> Picture | None:
    """Columns of a recorder's file as they stand there, over the number of the sample; None where there is none."""
    panels = []
    for name in columns:
        values = source.numbers[name]
        step = max(1, len(values) // MAX_DRAWN)
        shown_values = values[::step]
        if not np.isfinite(shown_values).any():
            continue
        samples = np.arange(len(values), dtype=float)[::step]
        spread = float(np.nanmax(shown_values) - np.nanmin(shown_values)) or 1.0
        unit = 10.0 ** np.floor(np.log10(spread))
        lo, hi = padded_range(
            shown_values, (float(np.nanmin(shown_values)), float(np.nanmax(shown_values))), unit
        )
        every = max(1, round(len(values) / 5, -2))
        panels.append(
            Panel(
                shown(name),
                Axis(
                    0,
                    float(len(values)),
                    tuple(Tick(at, f"{at:,.0f}") for at in ticks_of(0, len(values), every)),
                ),
                Axis(
                    lo,
                    hi,
                    tuple(
                        Tick(at, f"{at:g}")
                        for at in ticks_of(lo, hi, unit * (1 if (hi - lo) / unit <= 6 else 2))
                    ),
                ),
                (Line(samples, shown_values, "unknown", strong=True),),
            )
        )
    return (
        Picture("The columns in question as they stand in the file, sample after sample", tuple(panels))
        if panels
        else None
    )


def _source_of(path: Path) -> Source:
    return read_source(path, sniff(path))


def _columns_of(layout: Layout, path: str, source: Source) -> list[str]:
    """The columns that a question is about: those of its angle, else of all angles."""
    if layout.angles is None:
        return []
    named = path.split(".")
    names = [named[1]] if named[0] == "angles" and len(named) > 2 else ["flexion", "ulnar", "pronation"]
    angles: list[AngleLayout | None] = [getattr(layout.angles, name) for name in names]
    return [angle.column for angle in angles if angle is not None and angle.column in source.numbers]


def _answer_element(question: OpenQuestion) -> ui.radio | ui.select | ui.number | ui.input:
    match question.kind:
        case "choice" if len(question.choices) <= 6:
            return ui.radio(dict(question.choices)).props(f'aria-label="{question.path}"')
        case "choice":
            return ui.select(dict(question.choices), label="Which")
        case "columns":
            return ui.select(dict(question.choices), label="Its four columns, in their order", multiple=True)
        case "number":
            return ui.number("Number")
        case "text":
            return ui.input("Answer")
