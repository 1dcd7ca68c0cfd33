"""A drop on its way into the season: its layout, the questions left, what would be read, and the go."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Final

from nicegui import ui

from faultml.desk.answers import Answer, Answers, begun
from faultml.desk.asking import Question, next_question
from faultml.desk.columns import question_picture
from faultml.desk.desk import Desk
from faultml.desk.drops import Drop, safe_name
from faultml.desk.jobs import ImportWork
from faultml.desk.linked import plain_chart
from faultml.desk.plain_words import error_words
from faultml.desk.review import check_lines, concluded_line, misfit_lines
from faultml.desk.words import bullets, heading, para
from faultml.errors import FaultmlError
from faultml.importing.layout import Layout, load_layout
from faultml.importing.layout_toml import write_layout
from faultml.importing.propose.check import Check, check_layout
from faultml.recordings.roster import read_roster
from faultml.report.text import count, listed, shown
from faultml.results.folders import replaced_file
from faultml.store.base import now

MAX_NAMED: Final = 6
MAX_EXAMPLES: Final = 3
MAX_LOOKED_AT: Final = 100
"""Files that are looked at one by one before anything is read in."""
MAX_RADIO: Final = 8
_READ_ERRORS: Final = (FaultmlError, OSError, ValueError)


class ReadingIn:
    """The card of one drop; `started` is called once it is being read in, `discarded` where it is dropped."""

    def __init__(
        self, desk: Desk, drop: Drop, started: Callable[[], None], discarded: Callable[[], None]
    ) -> None:
        self._desk = desk
        self._drop = drop
        self._started = started
        self._discarded = discarded
        self._answers: list[Answers] = []
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
            self._misfits = ui.element("div").props('aria-live="polite"')
            layout = load_layout(path)
            ui.timer(0.05, lambda: self._look_at_all(layout), once=True)
            with ui.element("div").classes("bar"):
                ui.button("Read them in", on_click=lambda: self._read_in(path))
                ui.button("It is another recorder", on_click=self._propose).props("outline")

    async def _propose(self) -> None:
        first = self._drop.files[0]
        try:
            self._answers = [await asyncio.to_thread(begun, self._drop.files)]
        except _READ_ERRORS as error:
            self._body.clear()
            with self._body:
                para(
                    f"{shown(first.name)} cannot be read as a table of samples, so nothing is read in: "
                    f"{error_words(error)}",
                    "said",
                )
            return
        self._ask()

    def _ask(self) -> None:
        answers = self._answers[-1]
        question = next_question(answers)
        self._body.clear()
        with self._body:
            if question is None:
                self._review(answers)
            else:
                self._card(question, answers)

    def _card(self, question: Question, answers: Answers) -> None:
        picture = question_picture(answers, question)
        with ui.element("div").classes("columns"):
            with ui.element("div"):
                left = len(answers.open_paths)
                para("The last question:" if left == 1 else f"At most {left} questions are left.", "note")
                para(question.question, "lead").mark("question")
                para(f"{question.reason[:1].upper()}{question.reason[1:]}.", "note")
                if question.is_about_names:
                    names = [shown(path.name) for path in answers.files]
                    para(f"The files are called {listed(names[:MAX_EXAMPLES])}.", "note")
                answer = _answer_element(question)
                answer.mark("answer")
                free = ui.input(question.free).classes("wide") if question.free and question.choices else None
                with ui.element("div").classes("bar"):
                    ui.button(
                        "Answer",
                        on_click=lambda: self._answered(
                            question, (free.value if free else "") or answer.value, free
                        ),
                    )
                    if len(self._answers) > 1:
                        ui.button("Back to the last question", on_click=self._back).props("outline")
            if picture is not None:
                with ui.element("div"):
                    heading(2, "As it stands in the file").classes("small-head")
                    plain_chart(picture)

    def _back(self) -> None:
        self._answers.pop()
        self._ask()

    def _answered(self, question: Question, value: Answer, free: ui.input | None) -> None:
        if value in (None, "", []):
            ui.notify("Choose or write an answer first.")
            return
        written = free is not None and bool(free.value)
        try:
            changes = {question.path: value} if written else question.changes(value)
            self._answers.append(self._answers[-1].answered(changes))
        except FaultmlError as error:
            ui.notify(f"That does not fit: {error_words(error)}", type="negative")
            return
        self._ask()

    def _review(self, answers: Answers) -> None:
        """What would be read, before anything is."""
        layout = answers.layout
        try:
            check = check_layout(
                layout, self._desk.folder.layouts / "new.toml", self._drop.files[0], self._hands()
            )
        except _READ_ERRORS as error:
            para(f"By these answers the first file cannot be read: {error_words(error)}", "said")
            ui.button("Answer again", on_click=self._propose)
            return
        para("Every question is answered. This is what would be read:", "lead")
        bullets(check_lines(check))
        self._misfits = ui.element("div").props('aria-live="polite"')
        ui.timer(0.05, lambda: self._look_at_all(layout), once=True)
        if not check.signs_fit:
            para("A sign looks the wrong way round. Read it in only if you are sure.", "said")
        if answers.to_look_at:
            heading(3, "Concluded from the file; look at these")
            bullets([concluded_line(guess) for guess in answers.to_look_at])
        name = ui.input("What you call this recorder", value="recorder")
        with ui.element("div").classes("bar"):
            ui.button("Read them in", on_click=lambda: self._keep_and_read(layout, name.value))
            if len(self._answers) > 1:
                ui.button("Back to the last question", on_click=self._back).props("outline")
            ui.button("Answer again", on_click=self._propose).props("outline")

    async def _look_at_all(self, layout: Layout) -> None:
        """Say which files would be left out, and why, before anything is read in."""
        files = self._drop.files[:MAX_LOOKED_AT]
        lines = await asyncio.to_thread(misfit_lines, layout, self._desk.folder.layouts / "new.toml", files)
        with self._misfits:
            if lines:
                para("These would be left out:", "said")
                bullets(lines)

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
        self._desk.jobs.start(f"Read in {count(len(self._drop.files), 'file')}", work)
        self._started()

    def _discard(self) -> None:
        self._drop.discard()
        self._discarded()


def _answer_element(question: Question) -> ui.radio | ui.select | ui.number | ui.input:
    choices = {number: each.words for number, each in enumerate(question.choices)}
    match question.kind:
        case "choice" if len(choices) <= MAX_RADIO:
            radio = ui.radio(choices)
            radio.props["aria-label"] = question.question
            return radio
        case "choice":
            return ui.select(choices, label="Which").classes("wide")
        case "columns":
            names = [each.words for each in question.choices]
            return ui.select(names, label="Its four columns, in their order", multiple=True).classes("wide")
        case "number":
            return ui.number("Number")
        case "text":
            return ui.input(question.free or "Answer").classes("wide")
