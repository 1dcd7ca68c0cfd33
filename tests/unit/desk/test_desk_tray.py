from __future__ import annotations

import asyncio
import os
import re
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Literal, get_args, get_origin

import msgspec
import numpy as np
import pandas as pd
import pytest
from desk_fakes import ended, visit
from nicegui import ui
from nicegui.elements.upload_files import SmallFileUpload
from nicegui.testing import User

from faultml.channels import CHANNELS
from faultml.desk.answers import Answer, Answers, begun, with_answers
from faultml.desk.asking import _parts, next_question, question_of
from faultml.desk.columns import question_picture
from faultml.desk.desk import Desk
from faultml.desk.drops import new_drop, safe_name
from faultml.desk.folder import DeskFolder
from faultml.desk.jobs import ClassifyWork, ImportWork, Job, Jobs
from faultml.desk.not_assessed import not_assessed_lines, why_words
from faultml.desk.review import concluded_line, misfit_lines
from faultml.errors import InputError
from faultml.importing.layout import Layout, open_questions


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
    value = next(key for key, label in element.options.items() if words in label)  # type: ignore[attr-defined]
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
        await until("let the player bow the wrist", user)
        await answer(user, "it cups")
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
        assert job.state == "failed" and "swings that the season does not hold yet" in job.progress.failed
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


def unnamed(tmp_path: Path, *, degrees: bool = False) -> Path:
    """A swing whose columns say nothing: bend, hinge and roll of a generated motion in radians, and a counter."""
    t_s = np.arange(0, 3, 0.01)
    back, through = np.clip((t_s - 0.8) / 0.9, 0, 1), np.clip((t_s - 1.8) / 0.2, 0, 1)
    table = pd.DataFrame(
        {
            "ticks": np.arange(len(t_s)) * 10,
            "a": -np.deg2rad(-20 + 15 * back - 10 * through),
            "b": np.deg2rad(5 - 35 * back + 40 * through),
            "c": np.deg2rad(2 + 50 * back - 90 * through),
            "d": np.cos(t_s * 40),
        }
    )
    if degrees:
        table[["a", "b", "c"]] = np.rad2deg(table[["a", "b", "c"]])
    path = tmp_path / "Ann-2031-05-02-01.txt"
    table.round(5).to_csv(path, index=False, sep=";")
    return path


def chosen(answers: Answers, asked: str, starts: str) -> Answers:
    """The next question is the one expected, and its choice with words that start so is taken."""
    question = next_question(answers)
    assert question is not None and question.question.startswith(asked), question
    number = next(at for at, each in enumerate(question.choices) if each.words.startswith(starts))
    return answers.answered(question.changes(number))


def test_columns_without_names_are_asked_for_and_the_rest_is_concluded(tmp_path: Path) -> None:
    """With its column known, the unit follows from the size and the sign of hinge and roll from the swing."""
    answers = begun([unnamed(tmp_path)])
    answers = chosen(answers, "Which of these is wrist bend", "a, which goes from")
    answers = chosen(answers, "Which of these is wrist hinge", "b, which")
    answers = chosen(answers, "Which of these is forearm roll", "c, which")
    question = next_question(answers)
    assert question is not None and question.columns == ("a",)
    assert [each.words.split(". ")[1] for each in question.choices] == [
        "The recording then starts 20° bowed",
        "The recording then starts 20° cupped",
    ]
    answers = chosen(answers, "When a rises, which way does the wrist bend?", "it cups")
    angles = answers.layout.angles
    assert angles is not None and angles.pronation is not None
    assert [(each.unit, each.positive) for each in (angles.flexion, angles.ulnar, angles.pronation)] == [
        ("rad", "extension"),
        ("rad", "ulnar"),
        ("rad", "pronation"),
    ]
    answers = chosen(answers, "Which arm wore the recorder?", "always the lead arm")
    assert not answers.open_paths
    assert answers.layout.ids.pattern == "{player}-{session}-{swing}.txt"
    said = " ".join(concluded_line(guess) for guess in answers.to_look_at)
    assert "Wrist hinge rises when it unhinges" in said and "Wrist bend is written in radians" in said


def test_without_a_column_of_roll_nothing_more_is_asked_of_it(tmp_path: Path) -> None:
    answers = begun([unnamed(tmp_path)])
    answers = chosen(answers, "Which of these is wrist bend", "a")
    answers = chosen(answers, "Which of these is wrist hinge", "b")
    answers = chosen(answers, "Which of these is forearm roll", "none of them")
    assert answers.layout.angles is not None and answers.layout.angles.pronation is None
    assert not any("pronation" in path for path in answers.open_paths)


def test_a_unit_is_asked_with_what_each_would_mean_for_the_wrist(tmp_path: Path) -> None:
    answers = begun([unnamed(tmp_path, degrees=True)])
    answers = chosen(answers, "Which of these is wrist bend", "a")
    open_unit = replace(answers, layout=with_answers(answers.layout, {"angles.flexion.unit": "?"}))
    in_degrees, in_radians = (each.words for each in question_of(open_unit, "angles.flexion.unit").choices)
    assert in_degrees == "degrees: your wrist bend then ran from 5 to 20 degrees"
    assert in_radians.startswith("radians:") and in_radians.endswith("more than a wrist can do")
    picture = question_picture(open_unit, question_of(open_unit, "angles.flexion.unit"))
    assert picture is not None and [panel.title for panel in picture.panels] == ["a"]


def test_a_player_is_read_from_the_files_names(tmp_path: Path) -> None:
    """Whatever the names look like: the parts are offered with what they would give."""
    first = unnamed(tmp_path)
    files = []
    for name in ("1 Ann back9", "2 Ben back9"):
        files.append(first.with_name(f"{name}.txt"))
        shutil.copyfile(first, files[-1])
    answers = begun(files)
    answers = replace(
        answers,
        layout=with_answers(answers.layout, {"ids.player": "?", "ids.session": "today", "ids.pattern": ""}),
    )
    question = question_of(answers, "ids.player")
    assert question.is_about_names and question.free
    words = [each.words for each in question.choices]
    assert "Ann, Ben, as the files' names say" in words
    after = answers.answered(question.choices[words.index("Ann, Ben, as the files' names say")].changes)
    assert after.layout.ids.pattern == "{any} {player} back9.txt" and "ids.player" not in after.open_paths


def every_path(kind: type, at: str = "") -> Iterator[str]:
    """Every field of a layout that may be left open."""
    for each in msgspec.structs.fields(kind):
        parts = _parts(each.type)
        inner = [part for part in parts if isinstance(part, type) and issubclass(part, msgspec.Struct)]
        for part in inner:
            yield from every_path(part, f"{at}{each.name}.")
        if any("?" in get_args(part) for part in parts if get_origin(part) is Literal) or each.default == "?":
            yield f"{at}{each.name}"


def test_no_question_speaks_in_codes(tmp_path: Path) -> None:
    answers = begun([unnamed(tmp_path)])
    for column, angle in (("a", "flexion"), ("b", "ulnar"), ("c", "pronation")):
        answers = answers.answered({f"angles.{angle}.column": column})
    paths = [*every_path(Layout), "ids.player", "ids.session", "ids.swing", "time.column"]
    assert len(paths) > 30 and "orientation.upper_arm.volar" in paths
    for path in paths:
        question = question_of(answers, path)
        said = " ".join([question.question, question.reason, *(each.words for each in question.choices)])
        assert not re.search(r"\b\w+\.\w+\.\w+|\b(angles|ids|worn|swings|time)\.\w|docs/|[{}\[\]]|_", said), (
            said
        )
        assert question.question.endswith("?")


def test_every_question_of_a_layout_can_be_answered(tmp_path: Path) -> None:
    path = tmp_path / "swing.csv"
    path.write_text("t,x,y\n" + "\n".join(f"{n / 100},{n % 7},{n % 5}" for n in range(300)))
    answers = begun([path])
    asked = []
    while (question := next_question(answers)) is not None:
        asked.append(question.path)
        assert asked.count(question.path) == 1
        if question.kind == "choice":
            at = next((at for at, each in enumerate(question.choices) if each.words.startswith("none")), 0)
            answers = answers.answered(question.changes(at))
        else:
            value: Answer = {"number": 2.0, "columns": ["t", "x", "y", "t"]}.get(question.kind) or "word"  # type: ignore[assignment]
            answers = answers.answered(question.changes(value))
    assert not open_questions(answers.layout) and "angles.flexion.positive" in asked


def test_an_answer_that_does_not_fit_is_refused(tmp_path: Path) -> None:
    answers = begun([unnamed(tmp_path)])
    with pytest.raises(InputError, match="bad-layout"):
        answers.answered({"time.unit": "fortnights"})


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


def test_every_recording_that_was_not_assessed_is_named_with_the_reason_in_words(folder: Path) -> None:
    swings = pd.read_parquet(folder / "results" / "swings.parquet")
    out = swings[~swings["assessed"]]
    assert len(out)
    lines = not_assessed_lines(swings)
    for row in out.itertuples(index=False):
        own = [line for line in lines if line.startswith(f"{row.player}, ")]
        assert any(
            f"{row.session} swing {row.swing}" in line and why_words(row.reason) in line for line in own
        )
    assert "no-full-swing" not in " ".join(lines)

    async def story(user: User, desk: Desk) -> None:
        await user.open("/tray")
        await user.should_see(f"Of {len(swings)} recordings {len(swings) - len(out)} are assessed")
        await user.should_see(lines[0])

    visit(folder, story)


def test_files_that_do_not_fit_are_named_with_player_and_reason_before_anything_is_read_in(
    tmp_path: Path,
) -> None:
    """Ben's files lack the column of roll that Ann's have: they would be left out whole."""
    files = []
    for player, columns in (("Ann", "abcd"), ("Ben", "abd")):
        path = tmp_path / f"{player}-2031-05-02-01.txt"
        table = pd.read_csv(unnamed(tmp_path), sep=";")
        files.append(path)
        table[["ticks", *columns]].to_csv(path, index=False, sep=";")
    answers = begun(files)
    for angle, column in (("flexion", "a"), ("ulnar", "b"), ("pronation", "c")):
        answers = answers.answered({f"angles.{angle}.column": column})
    answers = answers.answered({"angles.flexion.positive": "extension", "worn.arm": "lead"})
    (line,) = misfit_lines(answers.layout, tmp_path / "new.toml", files)
    assert line.startswith("Left out: 1 file of Ben: expected") and "(Ben-2031-05-02-01.txt)" in line
    assert "c" in line.split("expected ")[1]
