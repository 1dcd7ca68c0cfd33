from __future__ import annotations

from pathlib import Path

import msgspec
import pytest
from desk_fakes import ended, press, visit
from nicegui import ui
from nicegui.testing import User

from faultml.classifier.coach_adaptation import CoachAdaptation, FaultAdaptation, load_adaptation
from faultml.desk.desk import Desk
from faultml.desk.folder import Adaptation
from faultml.desk.places import learning
from faultml.desk.places.learning import FEWEST_GOLFERS
from faultml.faults.catalogue import load_catalogue
from faultml.labels.choose import REPEAT_OCCASION
from faultml.labels.other import OtherFault, add_other, export_others, named_faults, other_faults
from faultml.labels.queue import NOT_BLIND, VerdictQueue
from faultml.labels.rules import QueueRules
from faultml.labels.verdict import verdicts
from faultml.pipelines.retraining import adapt
from faultml.report.text import shown_reading
from faultml.results import read_results
from faultml.store import open_store

RULES = QueueRules(repeat_every=10, repeat_after=12, ahead=24)


def text(user: User, marker: str) -> str:
    (words,) = user.find(marker=marker).elements
    return str(words.text)  # type: ignore[attr-defined]


def queue(folder: Path) -> VerdictQueue:
    store = open_store(folder / "verdicts.sqlite")
    return VerdictQueue(store, read_results(folder / "results"), "ann", load_catalogue(), RULES)


def answered(made: VerdictQueue, verdict: str) -> None:
    assert made.question() is not None
    made.answer(verdict)


def test_every_answer_is_in_the_store_when_answer_returns(folder: Path) -> None:
    made = queue(folder)
    for number, verdict in enumerate(["yes", "no", "unsure"], 1):
        answered(made, verdict)
        with open_store(folder / "verdicts.sqlite", create=False) as other:
            assert verdicts(other)["verdict"].tolist()[-1] == verdict and len(verdicts(other)) == number


def test_one_question_in_ten_is_asked_again_and_kept_apart(folder: Path) -> None:
    made = queue(folder)
    for _ in range(40):
        answered(made, "yes")
    again = [at for at, each in enumerate(made.given, 1) if each.question.occasion == REPEAT_OCCASION]
    assert again == [20, 30, 40]  # the tenth has nothing old enough to repeat
    first = {(each.question.player, each.question.swing, each.question.session, each.question.fault): at
             for at, each in enumerate(made.given, 1) if each.question.occasion == "1"}  # fmt: skip
    for at in again:
        question = made.given[at - 1].question
        asked = first[question.player, question.swing, question.session, question.fault]
        assert at - asked > RULES.repeat_after


def test_a_question_is_not_asked_twice_otherwise(folder: Path) -> None:
    made = queue(folder)
    for _ in range(60):
        answered(made, "no")
    asked = [each.question for each in made.given]
    assert len(set(asked)) == len(asked)


def test_what_is_taken_back_is_asked_again_and_is_blind_no_more(folder: Path) -> None:
    made = queue(folder)
    answered(made, "yes")
    first = made.given[0].question
    waiting = made.question()
    assert made.undo() is not None
    again = made.question()
    assert again is not None and (again.swing, again.fault, again.blind) == (first.swing, first.fault, False)
    with open_store(folder / "verdicts.sqlite") as store:
        assert not len(verdicts(store))
        made.answer("no")
        (comment,) = verdicts(store)["comment"]
        assert comment == NOT_BLIND
        assert verdicts(store, history=True)["verdict"].tolist() == ["yes", "retract", "no"]
    assert made.question() == waiting
    assert made.undo() is not None and made.undo() is None


def test_the_page_asks_keeps_and_says_what_the_tool_thinks_only_then(folder: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        await user.open("/verdicts")
        user.find(ui.input).type("ann")
        user.find("Begin").click()
        await user.should_see("Does this swing show")
        assert text(user, "last") == ""
        await user.should_not_see("chance")
        asked = text(user, "question")
        press(user, "y")
        await user.should_see("you said yes; the tool")
        assert list(verdicts(desk.store)["verdict"]) == ["yes"] and list(verdicts(desk.store)["coach"]) == [
            "ann"
        ]
        press(user, "z")
        assert text(user, "question") == asked and not len(verdicts(desk.store))
        press(user, "u")
        assert list(verdicts(desk.store)["verdict"]) == ["unsure"]
        assert "0 answers of ann" in text(user, "counted")
        press(user, "n")
        assert "1 answer of ann" in text(user, "counted")

    visit(folder, story)


def test_no_corridor_is_drawn_before_the_answer(folder: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        desk.name_coach("ann")
        await user.open("/verdicts")
        await user.should_see("Does this swing show")
        for chart in user.find(ui.echart).elements:
            grounds = [each for each in chart.options["series"] if each.get("markArea") is not None]
            assert not [
                line for each in grounds for line in each["markLine"]["data"] if isinstance(line, list)
            ]

    visit(folder, story)


def test_something_else_is_named_counted_and_says_what_it_takes(folder: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        desk.name_coach("ann")
        await user.open("/verdicts")
        press(user, "s")
        user.find("What it is called").type("Chicken  WING")
        user.find("Keep").click()
        await user.should_see("chicken wing: 1 swing of 1 golfer; to learn it takes about 59 more swings")
        await user.should_see("Does this swing show")

    desk = visit(folder, story)
    with open_store(desk.folder.store) as store:
        assert other_faults(store)["name"].tolist() == ["chicken wing"]


def test_other_faults_are_exported_and_taken_back(tmp_path: Path) -> None:
    with open_store(tmp_path / "store.sqlite") as store:
        given = OtherFault("p1", "s1", "001", "late roll", "ann", "=note")
        add_other(store, given)
        add_other(store, OtherFault("p2", "s1", "001", "Late Roll", "ann"))
        assert [(each.name, each.swings, each.golfers) for each in named_faults(store)] == [
            ("late roll", 2, 2)
        ]
        assert export_others(store, tmp_path / "others.csv") == 2
        assert "'=note" in (tmp_path / "others.csv").read_text()
        add_other(store, given, retract=True)
        assert other_faults(store)["player"].tolist() == ["p2"]


def test_the_page_says_from_how_many_golfers_on_something_is_held_out() -> None:
    assert FEWEST_GOLFERS == adapt.FEWEST_GOLFERS


@pytest.mark.parametrize("name", ["", "   ", "x" * 61, "a\x00b"])
def test_a_name_that_is_none_is_refused(tmp_path: Path, name: str) -> None:
    with open_store(tmp_path / "store.sqlite") as store, pytest.raises(Exception, match="bad-name"):
        add_other(store, OtherFault("p1", "s1", "001", name, "ann"))


def test_what_was_learned_is_shown_adopted_and_rolled_back(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was not tried is not offered; the season is assessed with what is in use, and as before once rolled back."""

    async def story(user: User, desk: Desk) -> None:
        desk.name_coach("ann")
        made = VerdictQueue(desk.store, read_results(folder / "results"), "ann", load_catalogue(), RULES)
        for at in range(40):
            answered(made, "yes" if at % 3 else "no")
        await user.open("/verdicts")
        user.find("Learn from these answers").click()
        job = await ended(desk)
        assert job.state == "done" and len(job.progress.lines) == 1
        (learned,) = desk.remembered.learned
        assert (learned.coach, desk.remembered.used) == ("ann", ())
        await user.should_see("Learned from ann", retries=40)
        kept, _ = load_adaptation(desk.folder.coaches / learned.folder)
        # So few answers move nothing, and the page says that every edge stays.
        assert not learning.edge_rows(kept, desk.season.own_catalogue, desk.coaching.words)
        await user.should_see("Every edge stays the catalogue's")
        known = {name for name, seen in kept.faults.items() if seen.swings}
        moved = {
            name: msgspec.structs.replace(kept.faults[name], rung="edges", shift=4.0)
            for name in sorted(known)[:2]
        }
        kept = msgspec.structs.replace(kept, faults=kept.faults | moved)
        rows = learning.edge_rows(kept, desk.season.own_catalogue, desk.coaching.words)
        assert {row[0] for row in rows} == {desk.coaching.words[name] for name in moved}
        assert all(row[1] != row[2] for row in rows)
        said = " ".join(str(getattr(each, "text", "")) for each in user.client.elements.values())  # type: ignore[union-attr]
        assert not [name for name in known if "_" in name and name in said] and "faultml " not in said
        for tried in (kept.held_out, {}):
            as_if = msgspec.structs.replace(kept, held_out=tried, adopted=True)
            monkeypatch.setattr(learning, "load_adaptation", lambda path, as_if=as_if: (as_if, None))
            await user.open("/verdicts")
            await (user.should_see if tried else user.should_not_see)("Use it from now on", retries=5)
            await user.should_see("95 % sure between")
            await user.should_see(rows[0][1])
        monkeypatch.undo()
        before = desk.season.results
        assert before is not None and "coach" not in before.run
        desk.adopt(learned)
        assert (await ended(desk)).state == "done" and desk.remembered.used == (learned.folder,)
        after = desk.season.results
        assert after is not None and after.run["coach"]["name"] == "ann"
        desk.roll_back()
        assert (await ended(desk)).state == "done" and desk.remembered.used == ()
        back = desk.season.results
        assert back is not None and "coach" not in back.run
        assert back.faults["probability"].equals(before.faults["probability"])

    visit(folder, story)


def test_an_adaptation_is_in_use_only_once_the_season_was_assessed_with_it(folder: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        job = desk.adopt(Adaptation("none-there", "ann", "2031-01-01T00:00:00Z"))
        assert desk.remembered.used == ()
        assert (await ended(desk)).state == "failed" and desk.remembered.used == ()
        assert job.progress.failed and "none-there" not in job.progress.failed

    visit(folder, story)


def test_edges_are_shown_in_words_and_on_the_side_where_the_page_shows_them() -> None:
    catalogue = load_catalogue()
    fault = next(fault for fault in catalogue.faults if fault.unit == "deg" and fault.sign < 0)
    seen = FaultAdaptation(rung="edges", shift=2.0, shift_sd=1.0, softness=1.0, swings=30, golfers=6)
    learned = msgspec.convert(
        dict.fromkeys(("lapse_rate", "lapse_rate_sd", "unrelated", "swings", "golfers"), 0)
        | dict.fromkeys(("coach", "learned", "model_sha256", "edges_sha256", "labels_sha256", "why"), "x")
        | {"schema": 1, "adopted": True, "labelled_players": [], "held_out": {}}
        | {"faults": {fault.id: msgspec.to_builtins(seen)}},
        CoachAdaptation,
    )
    ((name, now, yours, between, answers, golfers),) = learning.edge_rows(
        learned, catalogue, {fault.id: "a fault"}
    )
    assert (name, answers, golfers) == ("a fault", "30", "6")
    assert now == shown_reading(fault, fault.edge) and yours == shown_reading(fault, fault.edge - 2.0)
    low, high = (shown_reading(fault, fault.edge - 2.0 - side * 1.96) for side in (1, -1))
    assert sorted(between.split(" and ")) == sorted((low, high))


def test_the_page_follows_answers_given_elsewhere(folder: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        desk.name_coach("ann")
        await user.open("/verdicts")
        assert "0 answers of ann" in text(user, "counted")
        made = VerdictQueue(desk.store, read_results(folder / "results"), "ann", load_catalogue(), RULES)
        answered(made, "yes")
        await user.should_see("1 answer of ann", retries=40)

    visit(folder, story)
