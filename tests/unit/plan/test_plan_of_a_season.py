"""From notes and a season to the plan as tables, commands, the page and HTTP give it."""

from __future__ import annotations

import json
import re
import shutil
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner
from http_fakes import problem, serving
from outcome_fakes import keep_given

from faultml.care.known import Known
from faultml.care.statements import Statement, add_statements
from faultml.classifier.assess import Assessor
from faultml.cli import main
from faultml.coaching.book import load_book
from faultml.coaching.rules import load_coaching
from faultml.faults.catalogue import Catalogue
from faultml.outcomes.assignments import Assignment, assignments
from faultml.outcomes.words import CLAIMED, POWER
from faultml.plan.day import default_day
from faultml.plan.evidence import GivenNote, StoreNotes
from faultml.plan.of_results import plans_of_results
from faultml.plan.practice import note_practice, practice_notes
from faultml.plan.records import PracticeNote
from faultml.plan.store_notes import read_notes
from faultml.plan.table import read_plan_rows
from faultml.recordings.write import write_season
from faultml.results import read_results
from faultml.season import SeasonRun, classify_season
from faultml.store import open_store
from faultml.store.people import store_id
from faultml.synthetic.season import Recipe, draw_season

PLAYER, DRILL = "p001", "two_stops_to_the_top"
RECIPE = Recipe(golfers=3, sessions=4, swings=6, seed=5)
GIVEN = RECIPE.first_day + timedelta(days=7)
LAST = RECIPE.first_day + timedelta(days=21)
NOTES = StoreNotes(given=(GivenNote(PLAYER, DRILL, "flexed_top", GIVEN.isoformat()),))


def run(*arguments: object) -> tuple[int, str, str]:
    result = CliRunner().invoke(main, [str(each) for each in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory, catalogue: Catalogue) -> Path:
    """A season of three; nothing hurts and everybody is grown up, so that care holds nothing."""
    folder = tmp_path_factory.mktemp("plan") / "season"
    write_season(draw_season(catalogue, RECIPE).batch, folder / "season.parquet")
    roster = {"player": ["p001", "p002", "p003"], "pain": "none", "under_16": "no"}
    histories = dict.fromkeys(("ulnar_history", "thumb_history"), "no")
    pd.DataFrame(roster | histories).to_csv(folder / "roster.csv", index=False)
    return folder


@pytest.fixture(scope="module")
def classified(season: Path, assessor: Assessor) -> SeasonRun:
    return classify_season([season], season.parent / "results", assessor=assessor, notes=NOTES, plan_day=LAST)


@pytest.fixture
def results(season: Path, classified: SeasonRun) -> Path:
    return season.parent / "results"


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "coach.sqlite"
    with open_store(path) as opened:
        keep_given(opened, Assignment(PLAYER, DRILL, "flexed_top", GIVEN.isoformat()))
    return path


def test_the_drill_a_player_is_on_stands_first_and_is_not_given_as_new(classified: SeasonRun) -> None:
    drills = classified.results.drills
    first = drills[(drills["player"] == PLAYER) & (drills["rank"] == 1)].iloc[0]
    assert (first["drill"], first["faults"][0]) == (DRILL, "flexed_top")
    assert first["notes"][0].startswith(f"carry-on: Carry on: the player is on this drill since {GIVEN}")
    own = drills[drills["player"] == PLAYER]
    assert list(own["rank"]) == list(range(1, len(own) + 1))
    assert own["drill"].is_unique


def test_the_others_get_what_they_would_have_got(
    classified: SeasonRun, season: Path, assessor: Assessor
) -> None:
    without = classify_season([season], season.parent / "without", assessor=assessor)
    assert without.results.plans is None
    drills, plain = classified.results.drills, without.results.drills
    others = [each[each["player"] != PLAYER].reset_index(drop=True) for each in (drills, plain)]
    pd.testing.assert_frame_equal(*others)


def test_the_table_says_the_same_as_the_plan_of_its_day(
    results: Path, classified: SeasonRun, catalogue: Catalogue
) -> None:
    read = read_results(results)
    row_now = plans_of_results(read, NOTES, classified.known, load_coaching(catalogue), LAST, date.today())
    assert read_plan_rows(read.plans) == {row.player: row for row in row_now}
    assert [row.player for row in row_now] == ["p001", "p002", "p003"]
    own = row_now[0]
    assert (own.state, own.drill, own.since, own.next_drill) == ("carry on", DRILL, GIVEN.isoformat(), "")


def test_sessions_recorded_later_do_not_change_an_earlier_plan(
    results: Path, season: Path, assessor: Assessor, catalogue: Catalogue, tmp_path: Path
) -> None:
    day = GIVEN + timedelta(days=7)
    table = pd.read_parquet(season / "season.parquet")
    (tmp_path / "cut").mkdir()
    table[table["session"] <= day.isoformat()].to_parquet(tmp_path / "cut" / "season.parquet", index=False)
    (tmp_path / "cut" / "roster.csv").write_bytes((season / "roster.csv").read_bytes())
    known = classify_season([tmp_path / "cut"], tmp_path / "results", assessor=assessor).known
    coaching, today = load_coaching(catalogue), date.today()
    then = plans_of_results(read_results(tmp_path / "results"), NOTES, known, coaching, day, today)
    now = plans_of_results(read_results(results), NOTES, known, coaching, day, today)
    assert [row for row in now if row.drill] == [row for row in then if row.given]
    assert [row.state for row in now] == [row.state for row in then]
    assert all(not row.drill for row in now if row.state == "start"), "the ranking knows what came later"


def test_what_is_practised_is_noted_for_the_drill_given_last(store: Path) -> None:
    day = GIVEN + timedelta(days=2)
    code, said, _ = run("practised", PLAYER, "--sets", 3, "--balls", 20, "--on", day, "--store", store)
    assert (code, said.startswith(f"Noted: {PLAYER}"), f"[{DRILL}]" in said) == (0, True, True)
    assert "(before: 3)" in run("practised", PLAYER, "--sets", 2, "--on", day, "--store", store)[1]
    with open_store(store) as opened:
        assert practice_notes(opened) == [PracticeNote(PLAYER, DRILL, day.isoformat(), 2)]
    assert run("practised", PLAYER, "--remove", "--on", day, "--store", store)[0] == 0
    code, _, error = run("practised", PLAYER, "--remove", "--on", day, "--store", store)
    assert (code, "no-such-practice" in error) == (2, True)


def test_practice_is_noted_by_the_name_of_the_drill(store: Path) -> None:
    name = load_book()[DRILL].name.upper()
    code, said, _ = run("practised", PLAYER, "--sets", 2, "--drill", name, "--on", GIVEN, "--store", store)
    assert (code, f"[{DRILL}]" in said) == (0, True)
    code, _, error = run("practised", PLAYER, "--sets", 2, "--drill", f"{DRILL}s", "--store", store)
    assert (code, f"{DRILL}" in error.partition("found")[0]) == (2, True)


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (("p009", "--sets", 2), "no-drill-given"),
        ((PLAYER, "--sets", 2, "--on", GIVEN - timedelta(days=1)), "no-drill-given"),
        ((PLAYER, "--sets", 2, "--drill", "no_such_drill"), "bad-drill"),
        ((PLAYER, "--sets", 2, "--remove"), "--sets, or --remove"),
        ((PLAYER,), "--sets, or --remove"),
    ],
)
def test_practice_that_cannot_be_noted(store: Path, arguments: tuple[object, ...], code: str) -> None:
    status, _, error = run("practised", *arguments, "--store", store)
    assert (status, code in error) == (2, True), error
    with open_store(store) as opened:
        assert practice_notes(opened) == []


def test_practice_and_baselines_count_in_the_plan(results: Path, store: Path) -> None:
    for number in range(1, 4):
        run("practised", PLAYER, "--sets", 3, "--on", GIVEN + timedelta(days=number), "--store", store)

    def row_now() -> dict[str, object]:
        code, said, _ = run("plan", results, "--player", PLAYER, "--on", LAST, "--store", store, "--json")
        assert code == 0
        return dict(json.loads(said)[0])

    before = row_now()
    assert isinstance(before["practice_days"], int) and before["practice_days"] >= 3
    assert before["counted_from"] == GIVEN.isoformat()
    moved = GIVEN + timedelta(days=5)
    assert run("baseline", PLAYER, "--why", "sensor", "--on", moved, "--store", store)[0] == 0
    assert str(row_now()["counted_from"]) >= moved.isoformat()
    assert run("baseline", PLAYER, "--why", "sensor", "--on", moved, "--remove", "--store", store)[0] == 0
    assert row_now() == before
    code, _, error = run("baseline", PLAYER, "--why", "grip", "--on", moved, "--remove", "--store", store)
    assert (code, "no-such-baseline" in error) == (2, True)


def test_a_forgotten_player_leaves_no_practice(store: Path) -> None:
    from faultml.errors import InputError
    from faultml.store.people import forget, rows_about

    run("practised", PLAYER, "--sets", 3, "--on", GIVEN, "--store", store)
    run("baseline", PLAYER, "--why", "grip", "--on", GIVEN, "--store", store)
    with open_store(store) as opened:
        assert {"practice_days", "baselines"} <= set(rows_about(opened, PLAYER))
        forget(opened, PLAYER)
        assert rows_about(opened, PLAYER) == {}
        with pytest.raises(InputError, match="forgotten-player"):
            note_practice(
                opened,
                [PracticeNote(PLAYER, DRILL, GIVEN.isoformat(), 1)],
                Known(),
                load_book(),
                date.today(),
            )


def test_plan_and_explain_say_it_in_words(results: Path, store: Path) -> None:
    code, said, _ = run("plan", results, "--on", LAST, "--store", store)
    assert code == 0
    assert f"{PLAYER}, {LAST}\n  Carry on: " in said
    assert "{" not in said and "nan" not in said
    code, _, error = run("plan", results, "--player", "p9", "--store", store)
    assert (code, "unknown-player" in error) == (2, True)
    explained = run("explain", results, "--player", PLAYER)[1]
    assert explained.startswith(f"plan on {LAST}: Carry on: ")
    assert f"[{DRILL}] carry on, benefit" in explained
    assert "] next," not in explained


def test_the_page_says_carry_on(results: Path, tmp_path: Path) -> None:
    page = tmp_path / "p.html"
    assert run("report", results, "--player", PLAYER, "--out", page)[0] == 0
    text = page.read_text(encoding="utf-8")
    assert "Carry on</h3>" in text
    assert "Work on next</h3>" not in text
    assert f"Two stops to the top, for bowed top, since {GIVEN}" in text


def test_classify_writes_plans_where_a_store_is_given(season: Path, store: Path, tmp_path: Path) -> None:
    out = tmp_path / "results"
    code, _, error = run("classify", season, "--out", out, "--day", LAST)
    assert (code, "--day" in error) == (2, True)
    code, _, error = run(
        "classify", season, "--out", out, "--store", store, "--day", LAST, "--no-report", "--quiet"
    )
    assert code in (0, 3), error
    assert read_plan_rows(read_results(out).plans)[PLAYER].drill == DRILL


def test_somebody_in_pain_is_not_advised_to_carry_on_by_any_route(
    results: Path, season: Path, assessor: Assessor, tmp_path: Path
) -> None:
    store = tmp_path / "coach.sqlite"
    with open_store(store) as opened:
        keep_given(opened, Assignment(PLAYER, DRILL, "flexed_top", GIVEN.isoformat()))
        today = date.today()
        said = Statement(PLAYER, "pain", today, "wrist", by="ann", role="coach")
        add_statements(opened, [said], today)
    row_now = json.loads(run("plan", results, "--player", PLAYER, "--store", store, "--json")[1])[0]
    if today < GIVEN:  # the season lies ahead: its last day is asked
        assert (row_now["on"], row_now["state"], row_now["drill"]) == (LAST.isoformat(), "waits", DRILL)
    later = json.loads(run("plan", results, "--player", PLAYER, "--on", LAST, "--store", store, "--json")[1])[
        0
    ]
    assert (later["state"], later["reason"], later["next_drill"]) == ("waits", "paused", "")
    page = tmp_path / "p.html"
    assert run("report", results, "--player", PLAYER, "--store", store, "--out", page)[0] == 0
    text = page.read_text(encoding="utf-8")
    assert "Waits: " in text and "Paused: speak with the player" in text
    assert "Carry on" not in text and "wrist hurts" not in text
    explained = run("explain", results, "--player", PLAYER, "--store", store)[1]
    assert ": Waits: " in explained and "arry on" not in explained
    notes = read_notes_of(store)
    again = classify_season(
        [season], tmp_path / "again", assessor=assessor, store=store, notes=notes, plan_day=LAST
    )
    own = read_plan_rows(again.results.plans)[PLAYER]
    assert (own.state, own.next_drill) == ("waits", "")
    assert set(again.results.drills.query("player == @PLAYER")["rank"]) == {0}


def read_notes_of(store: Path) -> StoreNotes:
    with open_store(store) as opened:
        return read_notes(opened)


def test_over_http(results: Path, store: Path, tmp_path: Path) -> None:
    (tmp_path / "spool").mkdir()
    with serving(tmp_path / "spool", results=results, store=store) as client:
        answer = client.get(f"/v1/players/{PLAYER}/plan", params={"on": LAST.isoformat()})
        assert answer.status_code == 200, answer.text
        plan = answer.json()["plan"]
        assert (plan["state"], plan["drill"], plan["since"]) == ("carry on", DRILL, GIVEN.isoformat())
        claims = answer.json()["claims"]
        assert claims["words"] == POWER
        of_page = {
            (each["session_sd_deg"], each["true_gain_deg"]): each["claimed"] for each in claims["power"]
        }
        assert of_page == {(sd, gain): share for sd, row in CLAIMED.items() for gain, share in row.items()}
        early = client.get(f"/v1/players/{PLAYER}/plan", params={"on": RECIPE.first_day.isoformat()})
        assert early.json()["plan"]["state"] == "start"
        problem(client.get("/v1/players/p009/plan"), 404, "unknown-player")
        assert client.get(f"/v1/players/{PLAYER}/plan", params={"on": "soon"}).status_code == 422
    (tmp_path / "other").mkdir()
    with serving(tmp_path / "other", results=results) as client:
        problem(client.get(f"/v1/players/{PLAYER}/plan"), 404, "no-store")


def test_a_drill_without_a_day_is_given_on_the_day_of_the_plan(results: Path, tmp_path: Path) -> None:
    """By command as over HTTP (and by the desk, in its own tests): the season lies ahead, today is no day of it."""
    asked, body = ("--nothing-hurts",), {"drill": DRILL, "hurts": "none"}
    stores = [tmp_path / name for name in ("command.sqlite", "http.sqlite")]
    for store in stores:
        open_store(store).close()
    code, _, error = run("assign", PLAYER, DRILL, "--results", results, "--store", stores[0], *asked)
    assert code == 0, error
    (tmp_path / "spool").mkdir()
    with serving(tmp_path / "spool", results=results, store=stores[1]) as client:
        answer = client.post(f"/v1/players/{PLAYER}/drills", json=body)
        assert (answer.status_code, answer.json()["since"]) == (201, LAST.isoformat()), answer.text
    for store in stores:
        with open_store(store) as opened:
            assert list(assignments(opened)["since"]) == [LAST.isoformat()]


def test_plan_explain_and_table_have_one_day_and_one_answer(results: Path, store: Path) -> None:
    """The season lies ahead of the clock: its last day stands for today, and every route says so."""
    day = default_day([LAST.isoformat()], None, date.today()).day
    row_now = {row["player"]: row for row in json.loads(run("plan", results, "--store", store, "--json")[1])}
    table = read_plan_rows(read_results(results).plans)
    lines = run("plan", results, "--store", store)[1].splitlines()
    assert lines[0] == f"{LAST} is the last day recorded or noted; --on names another."
    for player, row in table.items():
        own = row_now[player]
        assert (row.on, row.state, row.drill) == (own["on"], own["state"], own["drill"])
        assert own["on"] == day.isoformat()
        explained = run("explain", results, "--player", player, "--store", store)[1].splitlines()
        place = lines.index(f"{player}, {day}")
        assert explained[0] == f"plan on {day}: {lines[place + 1].strip()}"


def test_before_the_last_session_it_is_said_that_the_start_is_not_known(results: Path, store: Path) -> None:
    early = run("plan", results, "--player", "p002", "--on", GIVEN, "--store", store)[1]
    assert "Start: not known for this day" in early and f"up to {LAST}" in early
    assert "nothing now" not in early
    late = run("plan", results, "--player", "p002", "--on", LAST, "--store", store)[1]
    assert "not known for this day" not in late


def test_the_start_says_what_care_asks_first(results: Path, store: Path, tmp_path: Path) -> None:
    roster = tmp_path / "roster.csv"  # nobody has asked
    pd.DataFrame({"player": ["p001", "p002", "p003"], "under_16": "no"}).to_csv(roster, index=False)
    where = (results, "--on", LAST, "--store", store)
    named = [row for row in json.loads(run("plan", *where, "--roster", roster, "--json")[1]) if row["drill"]]
    assert named and all("ask-pain" in row["ask"] for row in named)
    for row in named:
        said = run("plan", *where, "--roster", roster, "--player", row["player"])[1]
        assert "Ask first whether anything hurts" in said
    drills = read_results(results).drills
    for row in json.loads(run("plan", *where, "--json")[1]):  # the season's roster: asked, nothing hurts
        shown = drills[(drills["player"] == row["player"]) & (drills["drill"] == row["drill"])]
        if row["drill"] and len(shown):
            assert "ask-pain" not in row["ask"]
            assert shown["care"].iloc[0] == "show", "classified without a store, so that nobody was asked"


def test_a_store_that_is_not_there_says_what_makes_it(season: Path, tmp_path: Path) -> None:
    code, _, error = run("classify", season, "--out", tmp_path / "out", "--store", tmp_path / "s.sqlite")
    assert code == 2
    assert "s.sqlite" in error and "faultml assign" in error


def test_a_drill_is_given_on_the_seasons_last_day_and_that_is_said(results: Path, tmp_path: Path) -> None:
    store = tmp_path / "new.sqlite"
    person = ("assign", "p002", DRILL, "--fault", "flexed_top", "--results", results, "--store", store)
    code, said, error = run(*person, "--nothing-hurts")
    if code == 0:
        assert f"from {LAST}" in said
    assert f"{LAST} is the last day recorded or noted: given from then on" in error
    before = (RECIPE.first_day - timedelta(days=1)).isoformat()
    code, said, _ = run(*person, "--nothing-hurts", "--from", before)
    if code == 0:
        assert "there is no before to compare with" in said
    code, _, error = run("assign", "p002", DRILL, "--remove", "--store", store)
    assert (code, "--from" in error) == (2, True)


def test_a_drill_has_one_date_for_its_retest(classified: SeasonRun) -> None:
    drills, plans = classified.results.drills, read_plan_rows(classified.results.plans)
    first = drills[(drills["player"] == PLAYER) & (drills["rank"] == 1)].iloc[0]
    assert first["retest_due"] == plans[PLAYER].next_check


@pytest.fixture
def own_folder(season: Path, results: Path, store: Path, tmp_path: Path) -> Path:
    """Results beside the store that they name, and a season of their own."""
    folder = tmp_path / "results"
    shutil.copytree(results, folder)
    (tmp_path / "season").mkdir()
    roster = tmp_path / "season" / "roster.csv"
    roster.write_bytes((season / "roster.csv").read_bytes())
    with open_store(store) as opened:
        known = {"file": str(store), "id": store_id(opened)}
    run = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    run |= {"store": known, "roster": {"file": str(roster), "season": [str(roster.parent)]}}
    (folder / "run.json").write_text(json.dumps(run), encoding="utf-8")
    return folder


def test_practice_without_results_reads_the_roster_that_results_beside_the_store_name(
    own_folder: Path, store: Path
) -> None:
    note = ("practised", PLAYER, "--sets", 2, "--on", GIVEN, "--store", store)
    code, _, error = run(*note)
    assert (code, f"that {own_folder} names" in error, "No roster was read" in error) == (0, True, False)
    roster = own_folder.parent / "season" / "roster.csv"
    roster.write_text(roster.read_text(encoding="utf-8").replace("p001,none", "p001,wrist"), encoding="utf-8")
    code, _, error = run(*note)
    assert (code, "paused" in error) == (2, True), "pain written into the roster since counts"


def test_hurts_names_the_pages_that_still_show_drills(own_folder: Path, store: Path) -> None:
    said = run("players", "hurts", PLAYER, "--where", "wrist", "--store", store)[1]
    assert "Drawn before" not in said, "no page was written"
    (own_folder / "report.html").write_text("", encoding="utf-8")
    for more in ((), ("--results", own_folder)):
        said = run("players", "hurts", PLAYER, "--where", "wrist", "--store", store, *more)[1]
        assert said.count("Drawn before, and still showing drills:") == 1
        assert f"faultml report {own_folder} draws it anew" in said


def test_the_page_says_by_every_drill_to_ask_today(results: Path, tmp_path: Path) -> None:
    page = tmp_path / "p.html"
    assert run("report", results, "--player", PLAYER, "--out", page)[0] == 0
    text = page.read_text(encoding="utf-8")
    drills = text.count('<div class="drill">') + text.count('<div class="reserve">')
    asked = re.findall(r"Ask today what hurts: this page knows what was said by (\S+ \S+) UTC", text)
    assert drills and len(asked) == drills
    assert {day[:10] for day in asked} <= {datetime.now(UTC).date().isoformat(), str(date.today())}
