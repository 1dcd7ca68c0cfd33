from __future__ import annotations

import asyncio
import os
from pathlib import Path

import msgspec
import numpy as np
import pandas as pd
import pytest
from desk_fakes import ended, visit
from nicegui import ui
from nicegui.elements.upload_files import SmallFileUpload
from nicegui.testing import User

from faultml.channels import CHANNELS
from faultml.desk.answers import next_question, with_answer
from faultml.desk.desk import Desk
from faultml.desk.drops import new_drop, safe_name
from faultml.desk.folder import DeskFolder
from faultml.desk.jobs import ClassifyWork, ImportWork, Job, Jobs
from faultml.errors import InputError
from faultml.importing.layout import Layout, open_questions
from faultml.importing.propose.proposal import propose_layout


def recorder_files(season: Path, count: int, *, player: str = "dana") -> list[SmallFileUpload]:
    """A recorder that nobody described: other names, milliseconds, extension positive, one file a swing."""
    swings = pd.read_parquet(season / "season.parquet").head(count)
    files = []
    for number, row in enumerate(swings.to_dict("records"), 1):
        table = pd.DataFrame(
            {
                "Time (ms)": np.round(1000 * (row["t_s"] - row["t_s"][0]), 1),
                "Wrist FE": -np.round(row[CHANNELS[0]], 2),
                "Wrist RUD": np.round(row[CHANNELS[1]], 2),
            }
        )
        content = table.to_csv(index=False).encode()
        files.append(SmallFileUpload(f"{player}_2031-03-01_{number:02d}.csv", "text/csv", content))
    return files


async def drop(user: User, files: list[SmallFileUpload]) -> None:
    (upload,) = user.find(kind=ui.upload).elements
    await upload.handle_uploads(files)


async def answer(user: User, words: str) -> None:
    (element,) = user.find(marker="answer").elements
    value = next(key for key, label in element.options.items() if label.startswith(words))  # type: ignore[attr-defined]
    element.set_value(value)  # type: ignore[attr-defined]
    user.find(kind=ui.button, content="Answer").click()


async def until(seen: str, user: User) -> None:
    await user.should_see(seen, retries=400)


def test_files_of_an_unknown_recorder_come_in_by_answering_and_are_assessed(
    shared_folder: Path, tmp_path: Path
) -> None:
    async def story(user: User, desk: Desk) -> None:
        await user.open("/tray")
        await drop(user, recorder_files(shared_folder / "season", 6))
        await until("Let the player bow the wrist", user)
        await answer(user, "cupped")
        await until("Which arm wore the recorder", user)
        await answer(user, "always the lead arm")
        await until("Every question is answered", user)
        await user.should_see("player dana, session 2031-03-01, swing 01")
        user.find("Read them in").click()
        await until("Read in 6 files: done", user)
        assert (await ended(desk)).state == "done"
        user.find("Assess every swing").click()
        assert (await ended(desk)).state == "done"
        assert desk.season.players == ["dana"]
        (kept,) = [path for path in desk.folder.season.iterdir() if path.name.startswith("import-")]
        written = pd.read_parquet(kept / "season.parquet")
        truth = pd.read_parquet(shared_folder / "season" / "season.parquet").head(6)
        for one, other in zip(written["flexion_deg"], truth["flexion_deg"], strict=True):
            assert np.allclose(one, other, atol=0.01)
        # The same recorder once more needs no answers; the same swings are refused.
        await user.open("/tray")
        await drop(user, recorder_files(shared_folder / "season", 3))
        await until("They read like files of the recorder you called recorder", user)
        user.find("Read them in").click()
        job = await ended(desk)
        assert job.state == "failed" and "known-swings" in job.progress.failed
        assert len([path for path in desk.folder.season.iterdir() if path.name.startswith("import-")]) == 1

    visit(tmp_path / "new", story)


def test_what_is_no_table_is_not_read_in(tmp_path: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        await user.open("/tray")
        await drop(
            user, [SmallFileUpload("photo.jpg", "image/jpeg", b"\xff\xd8\xff" + bytes(range(256)) * 8)]
        )
        await until("cannot be read as a table of samples, so nothing is read in", user)
        user.find("Discard these files").click()
        assert not list(desk.folder.incoming.iterdir()) and not list(desk.folder.season.iterdir())

    visit(tmp_path / "new", story)


def test_a_roster_that_cannot_be_read_leaves_the_former_one(folder: Path) -> None:
    before = (folder / "season" / "roster.csv").read_bytes()

    async def story(user: User, desk: Desk) -> None:
        await user.open("/tray")
        await drop(user, [SmallFileUpload("roster.csv", "text/csv", b"\x00\x01")])
        await user.should_see("The roster was not taken")
        assert desk.folder.roster.read_bytes() == before
        await drop(user, [SmallFileUpload("Roster.csv", "text/csv", b"player,hand,pain\nann,left,none\n")])
        await user.should_see("The roster is taken in")
        assert b"ann,left,none" in desk.folder.roster.read_bytes()

    visit(folder, story)


@pytest.mark.parametrize(
    ("sent", "kept"),
    [
        ("../../etc/passwd", "passwd"),
        ("C:\\Users\\x\\a.csv", "a.csv"),
        ("..", "file"),
        (".hidden", "hidden"),
        ("_problems.csv", "problems.csv"),
        ("a\x00b\n.csv", "ab.csv"),
        ("", "file"),
        ("x" * 300 + ".csv", "x" * 117 + ".csv"),
    ],
)
def test_a_name_is_never_a_path(sent: str, kept: str) -> None:
    assert safe_name(sent) == kept


def test_two_files_of_one_name_are_both_kept(tmp_path: Path) -> None:
    folder = DeskFolder(tmp_path)
    folder.make()
    made = new_drop(folder)
    for _ in range(3):
        made.place("a/b.csv").write_bytes(b"x")
    assert [path.name for path in made.files] == ["b (2).csv", "b (3).csv", "b.csv"]


def test_every_question_of_a_layout_can_be_answered(tmp_path: Path) -> None:
    path = tmp_path / "swing.csv"
    path.write_text("t,x,y\n" + "\n".join(f"{n / 100},{n % 7},{n % 5}" for n in range(300)))
    proposal = propose_layout([path])
    layout: Layout = proposal.layout
    asked = []
    while (question := next_question(layout, proposal, ("t", "x", "y"))) is not None:
        asked.append(question.path)
        assert question.question and asked.count(question.path) == 1
        value: str | float | list[str] = {"number": 2.0, "text": "word", "columns": ["t", "x", "y", "t"]}.get(
            question.kind
        ) or ""
        if question.kind == "choice":
            picked = {"angles.flexion.column": "x", "angles.ulnar.column": "y", "swings.split": "file"}
            value = picked.get(question.path, question.choices[0][0])
        layout = with_answer(layout, question.path, value)
    assert not open_questions(layout) and "angles.flexion.positive" in asked


def test_an_answer_that_does_not_fit_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "swing.csv"
    path.write_text("t,x,y\n" + "\n".join(f"{n / 100},{n % 7},{n % 5}" for n in range(300)))
    layout = propose_layout([path]).layout
    with pytest.raises(InputError, match="bad-layout"):
        with_answer(layout, "time.unit", "fortnights")


def test_a_job_that_is_stopped_changes_nothing(folder: Path) -> None:
    before = (folder / "results" / "run.json").read_bytes()

    async def story(user: User, desk: Desk) -> None:
        job = desk.classify()
        while job.state != "running":
            await asyncio.sleep(0.02)
        await asyncio.sleep(0.3)
        desk.jobs.stop(job)
        while desk.jobs._running is not None:
            await asyncio.sleep(0.02)
        assert job.state == "stopped"
        await user.open("/tray")
        assert (folder / "results" / "run.json").read_bytes() == before

    visit(folder, story)


def test_work_that_was_cut_off_is_said_at_the_next_start(folder: Path) -> None:
    jobs = folder / ".jobs"
    jobs.mkdir()
    cut = Job("a" * 16, "Assess every swing", ClassifyWork(), "2031-01-01T00:00:00", "running")
    (jobs / f"{cut.id}.json").write_bytes(msgspec.json.encode(cut))
    (jobs / "damaged.json").write_bytes(b"{")

    async def story(user: User, desk: Desk) -> None:
        assert [job.state for job in desk.jobs.all] == ["interrupted"]
        await user.open("/tray")
        await user.should_see("was cut off when the program ended")

    visit(folder, story)


def test_a_second_desk_at_the_same_folder_is_refused(folder: Path) -> None:
    async def both() -> None:
        place = DeskFolder(folder)
        place.make()
        async with Jobs(place).running():
            with pytest.raises(InputError, match="desk-open"):
                async with Jobs(place).running():
                    pass

    asyncio.run(both())


def test_a_job_gets_no_token_and_says_when_the_program_fails(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FAULTML_TOKEN", "x" * 30)

    async def story(user: User, desk: Desk) -> None:
        job = desk.jobs.start(
            "Read in 1 file", ImportWork(".incoming/none", "layouts/none.toml", "season/none")
        )
        assert (await ended(desk)).state == "failed"
        assert job.progress.failed and os.environ["FAULTML_TOKEN"] not in job.progress.failed

    visit(folder, story)
