from __future__ import annotations

import asyncio
import json
from datetime import date
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner
from desk_fakes import ended, visit
from nicegui import ui
from nicegui.testing import User

from faultml.care.known import known_from_file
from faultml.care.rules import load_care
from faultml.care.statements import Statement, add_statements, statements
from faultml.cli import main
from faultml.desk.desk import Desk
from faultml.desk.folder import DeskFolder
from faultml.desk.people import People
from faultml.desk.places.swing import _first_drill
from faultml.desk.plain_words import without_commands
from faultml.desk.roster import rename_in_roster, row_of, set_cells
from faultml.errors import InputError
from faultml.outcomes.assignments import assignments
from faultml.plan.day import day_of_results
from faultml.recordings.roster import read_roster
from faultml.store import open_store
from faultml.store.names import name_statements, same_names
from faultml.store.people import forget


@pytest.fixture
def healthy(folder: Path) -> Path:
    """A desk whose players were all asked, and nothing stands against any drill."""
    players = Desk(DeskFolder(folder)).season.players
    names = "player,hand,level,under_16,pain,ulnar_history,thumb_history,elbow_history,nerve_history,hamate_history"
    rows = [f"{player},right,club,no,none,no,no,no,no,no" for player in players]
    (folder / "season" / "roster.csv").write_text("\n".join([names, *rows]) + "\n")
    return folder


def key(desk: Desk, player: str) -> str:
    return desk.sessions.unguarded.key(player)


def with_drill(desk: Desk) -> str:
    people = People(desk)
    return next(player for player in sorted(people.plans) if people.plans[player].drills)


def words(user: User) -> str:
    return " ".join(
        str(getattr(element, "text", "") or getattr(element, "content", ""))
        for element in user.client.elements.values()
    )  # type: ignore[union-attr]


def test_one_press_holds_every_drill_on_another_open_page_at_once(healthy: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        player = with_drill(desk)
        await user.open(f"/player/{key(desk, player)}")
        await user.should_see("Give a drill", retries=100)
        # Another page, or a command, says that something hurts.
        People(desk).hurts(player, "ann")
        await user.should_see("Paused: speak with the player", retries=100)
        await user.should_not_see("Give a drill")
        # And for whoever reads the store, as HTTP does.
        with open_store(healthy / "faultml-store.sqlite", create=False) as store:
            known = known_from_file(desk.folder.roster, [player], date.today(), store)
            assert [each.kind for each in known.body(player).said] == ["none", "hurts"]

    visit(healthy, story)


def test_hurts_is_kept_first_and_asked_about_afterwards(healthy: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        player = desk.season.players[0]
        await user.open(f"/notes/{key(desk, player)}")
        user.find("Hurts").click()
        assert [(each.about, each.value) for each in statements(desk.store)] == [("pain", "")]
        await user.should_see("Every drill is held")
        user.find("Where it hurts").type("thumb side")
        user.find("Keep").click()
        assert [each.value for each in statements(desk.store)] == ["", "thumb side"]

    visit(healthy, story)


def test_a_drill_is_given_through_the_care_check_of_that_moment(healthy: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        player = with_drill(desk)
        drill = People(desk).plans[player].drills[0]
        await user.open(f"/player/{key(desk, player)}")
        await user.should_see("Give it", retries=100)
        user.find("Give it").click()
        await user.should_see("Given:", retries=20)
        given = assignments(desk.store)
        assert given[["player", "drill", "fault"]].to_numpy().tolist() == [
            [player, drill.drill, drill.faults[0]]
        ]
        # The season lies ahead of the clock: its last day, as for `faultml assign` and over HTTP.
        day = day_of_results(desk.season.results, None, date.today()).day
        assert list(given["since"]) == [day.isoformat()] and day != date.today()

        other = next(
            name for name in sorted(People(desk).plans) if name != player and People(desk).plans[name].drills
        )
        await user.open(f"/player/{key(desk, other)}")
        await user.should_see("Give it", retries=100)
        add_statements(desk.store, [Statement(other, "pain", date.today(), "elbow")], date.today())
        user.find("Give it").click()
        assert len(assignments(desk.store)) == 1

    visit(healthy, story)


def unasked(folder: Path) -> Path:
    """The roster says nothing of anybody's body."""
    players = Desk(DeskFolder(folder)).season.players
    rows = [f"{player},right,club,no" for player in players]
    (folder / "season" / "roster.csv").write_text("\n".join(["player,hand,level,under_16", *rows]) + "\n")
    return folder


def test_what_has_to_be_asked_before_a_drill_is_asked_and_the_answers_give_it(folder: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        player = with_drill(desk)
        drill = People(desk).plans[player].drills[0].drill
        asked = People(desk).care(player, drill).ask
        assert asked[0] == "ask-pain"
        await user.open(f"/player/{key(desk, player)}")
        await user.should_see("Give it", retries=100)
        user.find("Give it").click()
        await user.should_see("Does anything hurt today")
        assert not len(assignments(desk.store))
        user.find("Nothing hurts").click()
        for code in asked[1:]:
            await user.should_see(load_care().questions[code])
            await asyncio.sleep(1.2)  # what changed in the store draws the page anew: the question stays
            await user.should_see(load_care().questions[code])
            user.find("No").click()
        await user.should_see("Given:", retries=20)
        assert assignments(desk.store)["drill"].tolist() == [drill]

    visit(unasked(folder), story)


def test_an_answer_that_something_hurts_holds_the_drills_and_says_what_to_do(folder: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        player = with_drill(desk)
        await user.open(f"/player/{key(desk, player)}")
        await user.should_see("Give it", retries=100)
        user.find("Give it").click()
        await user.should_see("Does anything hurt today")
        People(desk).hurts(player, "ann")
        user.find("Give it").click()
        await user.should_see("Record a return", retries=100)
        await user.should_see("Paused: speak with the player first", retries=100)
        assert not len(assignments(desk.store))

    visit(unasked(folder), story)


def test_no_commands_and_ids_stand_on_the_coachs_pages(healthy: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        player = with_drill(desk)
        drill = People(desk).plans[player].drills[0].drill
        places = ("/", "/tray", "/players", f"/player/{key(desk, player)}", f"/notes/{key(desk, player)}")
        for place in places:
            await user.open(place)
            if place.startswith("/player/"):
                await user.should_see("What each drill is worth", retries=100)
            said = words(user)
            assert "faultml " not in said and "--" not in said and drill not in said, place

    visit(healthy, story)


@pytest.mark.parametrize(
    ("said", "left"),
    [
        ("who says so: --by NAME", "who says so"),
        ("Paused: speak first; faultml players care says what is open.", "Paused: speak first."),
        ("Nobody knows whose it is: faultml players care.", "Nobody knows whose it is."),
        ("Experienced? (faultml players history --experienced, or the level)", "Experienced?"),
        ("mend it there, or faultml players not-a-player", "mend it there"),
        ("speed 3 - 4 (as before): fine", "speed 3 - 4 (as before): fine"),
    ],
)  # fmt: skip
def test_what_is_said_to_whoever_types_is_left_out(said: str, left: str) -> None:
    assert without_commands(said) == left


def test_nothing_of_health_stands_on_pages_that_are_shown(healthy: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        player = with_drill(desk)
        add_statements(desk.store, [Statement(player, "pain", date.today(), "numb elbow")], date.today())
        for place in ("/", f"/player/{key(desk, player)}", f"/card/{key(desk, player)}", "/players"):
            await user.open(place)
            await user.should_see("aused", retries=100)
            assert "numb" not in words(user) and "elbow" not in words(user)
        await user.open(f"/notes/{key(desk, player)}")
        await user.should_see("numb elbow")

    visit(healthy, story)


def test_who_is_paused_stands_first_and_says_no_more(healthy: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        last = desk.season.players[-1]
        assert People(desk).persons()[0].player != last
        People(desk).hurts(last, "ann")
        first = People(desk).persons()[0]
        assert (first.player, [each.kind for each in first.reasons]) == (last, ["paused"])
        await user.open("/")
        await user.should_see("See first: 1 player of 6")

    visit(healthy, story)


def test_who_was_forgotten_is_on_no_page_and_it_is_said_how_many(healthy: Path) -> None:
    gone = Desk(DeskFolder(healthy)).season.players[0]
    with open_store(DeskFolder(healthy).store) as store:
        forget(store, gone)

    async def story(user: User, desk: Desk) -> None:
        assert gone not in desk.season.players and desk.season.left_out == 1
        assert not len(desk.season.of_player("faults", gone))
        people = People(desk)
        assert gone not in {each.player for each in people.persons()} | set(people.plans)
        await user.open("/players")
        await user.should_see("1 player who asked to be forgotten left out", retries=100)
        assert gone not in words(user)
        await user.open("/")
        assert gone not in words(user)

    visit(healthy, story)


def test_the_card_is_printed_only_where_the_drill_may_be_given(healthy: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        player = with_drill(desk)
        drill = People(desk).plans[player].drills[0]
        await user.open(f"/card/{key(desk, player)}")
        await user.should_see("Print", retries=100)
        assert People(desk).coaching.book[drill.drill].name in words(user)
        People(desk).hurts(player, "ann")
        await user.should_see("There is no card to print now", retries=100)
        assert People(desk).coaching.book[drill.drill].name not in words(user)

    visit(healthy, story)


def test_a_return_needs_who_says_so_and_a_later_day(healthy: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        player = desk.season.players[0]
        People(desk).hurts(player, "ann")
        await user.open(f"/notes/{key(desk, player)}")
        user.find("Record the return").click()
        await user.should_see("Not kept")
        assert [each.about for each in statements(desk.store)] == ["pain"]

    visit(healthy, story)


def test_a_strange_name_of_the_roster_is_merged_or_released(healthy: Path) -> None:
    roster = healthy / "season" / "roster.csv"
    roster.write_text(roster.read_text() + "zzyzx,right,club,no,elbow,no,no,no,no,no\n")

    async def story(user: User, desk: Desk) -> None:
        await user.open("/")
        await user.should_see("The roster names zzyzx")
        (who,) = user.find(kind=ui.select, content="That is").elements
        who.set_value(desk.season.players[0])
        user.find("The same person").click()
        await user.should_not_see("The roster names zzyzx")
        assert People(desk).paused(desk.season.players[0])

    visit(healthy, story)


def test_a_cell_of_the_roster_changes_alone(tmp_path: Path) -> None:
    roster = tmp_path / "roster.csv"
    roster.write_text("Player;hand;shoe size\nann;right;38\nben;left;44\n")
    set_cells(roster, "ann", {"hand": "left", "level": "club"})
    assert roster.read_text().splitlines() == [
        "player;hand;shoe size;level",
        "ann;left;38;club",
        "ben;left;44;",
    ]
    set_cells(roster, "cy", {"hand": "right"})
    assert row_of(roster, "cy")["hand"] == "right" and row_of(roster, "nobody") == {}
    rename_in_roster(roster, "ben", "benedict")
    assert set(read_roster(roster).table["player"]) == {"ann", "benedict", "cy"}
    before = roster.read_bytes()
    with pytest.raises(InputError, match="bad-roster"):
        set_cells(roster, "ann", {"hand": "middle"})
    assert roster.read_bytes() == before


def test_a_backup_is_made(healthy: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        add_statements(desk.store, [Statement(desk.season.players[0], "none", date.today())], date.today())
        await user.open("/")
        user.find("Make a backup of the store").click()
        await user.should_see("Backup: backups/", retries=40)

    visit(healthy, story)
    (backup,) = (healthy / "backups").iterdir()
    with open_store(backup, create=False) as copy:
        assert len(statements(copy)) == 1


def test_results_of_another_version_are_said_to_be_and_break_no_page(healthy: Path) -> None:
    run = healthy / "results" / "run.json"
    reported = json.loads(run.read_text())
    reported["tables"]["drills"]["columns"] = {
        name: kind
        for name, kind in reported["tables"]["drills"]["columns"].items()
        if not name.startswith("window_")
    }
    run.write_text(json.dumps(reported))

    async def story(user: User, desk: Desk) -> None:
        player = desk.season.players[0]
        for place in ("/", "/players", f"/player/{key(desk, player)}", f"/notes/{key(desk, player)}"):
            await user.open(place)
            await user.should_see("The results cannot be read as they are")
        await user.open("/swings")
        await user.should_see("Bend against hinge")

    visit(healthy, story)


def test_today_and_player_say_the_plan_in_the_words_of_the_command(healthy: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        player = with_drill(desk)
        drill = People(desk).plans[player].drills[0]
        day = date.today().isoformat()
        cells = {"player": player, "drill": drill.drill, "fault": drill.faults[0], "since": day}
        People(desk).give({**cells, "balls_a_week": "", "hurts": "none"})
        command = ["plan", str(desk.folder.results), "--player", player, "--store", str(desk.folder.store)]
        command += ["--roster", str(desk.folder.roster)]
        reported = CliRunner().invoke(main, command).output.splitlines()
        lines = [line.strip() for line in reported if line.startswith("  ")]
        assert lines[0].startswith("Carry on: ") and lines[0].endswith(f"since {day}")
        # Without the drill's id, which is for whoever types commands.
        lines[0] = lines[0].replace(f" [{drill.drill}]", "")
        await user.open("/")
        await user.should_see(lines[0])
        assert "[" not in lines[0] and f"[{drill.drill}]" not in words(user)
        await user.open(f"/player/{key(desk, player)}")
        for line in lines:
            await user.should_see(line, retries=100)

    visit(healthy, story)


def test_two_spellings_in_the_recordings_are_merged_used_and_parted_again(healthy: Path) -> None:
    path = healthy / "season" / "season.parquet"
    swings = pd.read_parquet(path)
    first = swings["player"].iloc[0]
    other = first.upper()
    last = swings["session"] == max(swings.loc[swings["player"] == first, "session"])
    swings.loc[(swings["player"] == first) & last, "player"] = other
    swings.to_parquet(path)

    async def story(user: User, desk: Desk) -> None:
        desk.name_coach("ann")
        desk.classify()
        await ended(desk)
        assert {first, other} <= set(desk.season.players)
        await user.open("/")
        await user.should_see("are both recorded. Is that one player?")
        user.find(f"One: {first}").click()
        (kept,) = name_statements(desk.store)
        assert (kept.name, kept.player, kept.by) == (other, first, "ann")
        await user.should_see("from the next assessment on")
        # What is said of one now holds for both, although the results still know two.
        People(desk).hurts(other, "ann")
        assert People(desk).paused(first) and People(desk).paused(other)
        user.find("Assess every swing again").click()
        await ended(desk)
        assert other not in desk.season.players
        row = desk.season.of_player("swings", first).query("session == session.max() and assessed").iloc[0]
        assert desk.season.recordings.curves(row) is not None
        await user.open("/")
        user.find("Two people after all").click()
        assert not same_names(desk.store)

    visit(healthy, story)


def test_two_players_with_swings_of_one_number_are_not_merged(healthy: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        await user.open("/")
        first, second = desk.season.players[:2]
        user.find(kind=ui.select, content="This name").elements.pop().set_value(first)  # type: ignore[attr-defined]
        user.find(kind=ui.select, content="is this player").elements.pop().set_value(second)  # type: ignore[attr-defined]
        user.find("One player").click()
        await user.should_see("Not kept")
        assert not name_statements(desk.store)

    visit(healthy, story)


def test_hurts_pressed_by_mistake_is_taken_back_in_the_dialog(healthy: Path) -> None:
    async def story(user: User, desk: Desk) -> None:
        desk.name_coach("ann")
        player = desk.season.players[0]
        await user.open(f"/notes/{key(desk, player)}")
        user.find("Hurts").click()
        assert People(desk).paused(player)
        user.find("Pressed by mistake").click()
        assert not People(desk).paused(player)
        assert [(each.about, each.by) for each in statements(desk.store)] == [
            ("pain", "ann"),
            ("mistake", "ann"),
        ]

    visit(healthy, story)


def test_of_who_hurts_the_swing_page_draws_no_window(healthy: Path) -> None:
    desk = Desk(DeskFolder(healthy))
    player = with_drill(desk)
    assert _first_drill(desk, player) is not None
    People(desk).hurts(player, "ann")
    assert _first_drill(desk, player) is None
