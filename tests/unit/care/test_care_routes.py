"""Every route asks the one care check with what is known now: the same cells, whoever asks."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import NamedTuple

import pandas as pd
import pytest
from care_fakes import ALL_NO
from click.testing import CliRunner
from fastapi.testclient import TestClient
from outcome_fakes import keep_given

from faultml.care.body import PainState
from faultml.care.known import known_of_run
from faultml.care.statements import Statement, add_statements, cells_seen, statements
from faultml.classifier.assess import Assessor
from faultml.cli import main
from faultml.coaching.book import load_book
from faultml.coaching.giving import Giving, check_giving, note_givings
from faultml.coaching.rules import load_coaching
from faultml.faults.catalogue import Catalogue, load_catalogue
from faultml.outcomes.assignments import Assignment, assignments
from faultml.plan.practice import practice_notes
from faultml.recordings.write import write_season
from faultml.results import read_results
from faultml.season import classify_season
from faultml.service import Settings, create_app
from faultml.store import open_store
from faultml.synthetic.season import Recipe, draw_season

TODAY = date.today()
LONG_AGO = (TODAY - timedelta(days=30)).isoformat()
HOST = "127.0.0.1:8765"
PLAYER = "p001"
FREE, HINGING, BRACED = "two_stops_to_the_top", "set_at_the_belt", "lead_hand_brush"
WELL = {"pain": "none", "birth_year": "1990", "level": "county", **ALL_NO}
SIGNED = {"by": "Ann", "role": "coach", "advice": "doctor: Ort"}


class Cell(NamedTuple):
    """What is known of the player, the drill that is asked about, and what care says."""

    row: dict[str, str] | None
    verdict: str
    drill: str = FREE
    said: tuple[Statement, ...] = ()
    other: str = ""
    roster: bool = True


def said(about: str, days_ago: int, value: str = "", **who: str) -> Statement:
    return Statement(PLAYER, about, TODAY - timedelta(days=days_ago), value, **who)  # type: ignore[arg-type]


ALL_OF_THEM = {
    "well": Cell(WELL, "give"),
    "pain in the roster": Cell(WELL | {"pain": "wrist"}, "no"),
    "old pain in the roster": Cell(WELL | {"pain": "wrist 2020-01-01"}, "no"),
    "pain in the store": Cell(WELL, "no", said=(said("pain", 0, "elbow"),)),
    "nobody asked": Cell(WELL | {"pain": ""}, "show"),
    "asked long ago": Cell(WELL | {"pain": f"none {LONG_AGO}"}, "show"),
    "no row": Cell(None, "show"),
    "a name that fits nobody": Cell(None, "no", other="p00l,elbow"),
    "a name that fits nobody and was near": Cell(WELL, "no", other="p00l,elbow"),
    "a roster that is gone": Cell(WELL, "no", roster=False),
    "returned": Cell(WELL, "give", said=(said("pain", 9), said("return", 3, **SIGNED))),
    "numb, and back on a coach's advice": Cell(
        WELL, "no", said=(said("pain", 9, "numb"), said("return", 3, **(SIGNED | {"advice": "coach: Ann"})))
    ),
    "a return dated ahead": Cell(WELL | {"pain": "cleared 2999-01-01"}, "no"),
    "a cell in an unknown column": Cell(WELL | {"injury": "wrist"}, "no"),
    "a cell in a note": Cell(WELL | {"note_injury": "wrist"}, "give"),
    "a complaint in another column": Cell(WELL | {"usual_miss": "hurts"}, "no"),
    "a complaint of a near spelling": Cell(WELL, "no", said=(replace(said("pain", 0), player="p1"),)),
    "none dated ahead": Cell(WELL | {"pain": "none 2999-01-01"}, "show"),
    "a word that nobody signed, of a child": Cell(WELL | {"pain": "cleared", "birth_year": "2020"}, "no"),
}
OF_A_DRILL = {
    "thumb": Cell(WELL | {"thumb_history": "yes"}, "no", HINGING),
    "thumb not asked": Cell(WELL | {"thumb_history": ""}, "show", HINGING),
    "thumb answered in the store": Cell(
        WELL | {"thumb_history": ""}, "give", HINGING, (said("thumb_history", 0, "no"),)
    ),
    "a child": Cell(WELL | {"birth_year": "2020"}, "no", BRACED),
    "age not known": Cell(WELL | {"birth_year": ""}, "show", BRACED),
    "a beginner": Cell(WELL | {"level": "beginner"}, "no", BRACED),
    "a level that is not understood": Cell(WELL | {"level": "beginners"}, "show", BRACED),
    "no level": Cell(WELL | {"level": ""}, "show", BRACED),
    "a level answered in the store": Cell(
        WELL | {"level": ""}, "give", BRACED, (said("experienced", 0, "yes", by="Ann"),)
    ),
    "braced and well": Cell(WELL, "give", BRACED),
}


def run(*arguments: object) -> tuple[int, str, str]:
    result = CliRunner().invoke(main, [str(each) for each in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, catalogue: Catalogue, assessor: Assessor) -> Path:
    """A season of four, classified while all of them were well."""
    folder = tmp_path_factory.mktemp("routes")
    recipe = Recipe(golfers=4, sessions=4, swings=8, seed=5)
    write_season(draw_season(catalogue, recipe).batch, folder / "season" / "season.parquet")
    set_roster(folder, Cell(WELL, "give"))
    classify_season([folder / "season"], folder / "results", assessor=assessor)
    return folder


def set_roster(folder: Path, cell: Cell) -> None:
    """Write the roster anew, as long ago as statements go back."""
    path = folder / "season" / "roster.csv"
    rows = [{"player": f"p{number:03d}", **WELL} for number in (2, 3, 4)]
    rows += [] if cell.row is None else [{"player": PLAYER, **cell.row}]
    text = pd.DataFrame(rows).to_csv(index=False)
    if cell.other:
        name, pain = cell.other.split(",")
        text += f"{name},{pain}" + "," * (len(WELL) - 1) + "\n"
    path.write_text(text, encoding="utf-8")
    before = time.time() - 10 * 86_400
    os.utime(path, (before, before))
    if not cell.roster:
        path.unlink()


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "store.sqlite"


@pytest.fixture(params=ALL_OF_THEM, ids=str)
def whole(request: pytest.FixtureRequest, folder: Path, store: Path) -> Cell:
    """A cell that holds for every drill."""
    return prepared(ALL_OF_THEM[request.param], folder, store)


@pytest.fixture(params=[*ALL_OF_THEM, *OF_A_DRILL], ids=str)
def cell(request: pytest.FixtureRequest, folder: Path, store: Path) -> Cell:
    """Any cell."""
    return prepared((ALL_OF_THEM | OF_A_DRILL)[request.param], folder, store)


def prepared(cell: Cell, folder: Path, store: Path) -> Cell:
    set_roster(folder, cell)
    with open_store(store) as opened:
        add_statements(opened, cell.said, TODAY)
    return cell


@pytest.fixture(scope="module")
def app(folder: Path) -> Iterator[TestClient]:
    """The service over the results; its store is set by each test."""
    app = create_app(Settings(results=folder / "results", hosts=(HOST,)))
    yield TestClient(app, base_url=f"http://{HOST}")
    app.state.service.close()


@pytest.fixture
def http(app: TestClient, store: Path) -> Iterator[TestClient]:
    with open_store(store) as opened:
        app.app.state.service.store = opened  # type: ignore[attr-defined]
        yield app
        app.app.state.service.store = None  # type: ignore[attr-defined]


def given(store: Path) -> int:
    with open_store(store) as opened:
        return len(assignments(opened))


def by_command(folder: Path, store: Path, drill: str, tmp_path: Path) -> str:
    code, _, error = run("assign", PLAYER, drill, "--results", folder / "results", "--store", store)
    return "give" if code == 0 else "show" if "ask-first" in error else "no"


def by_sheet(folder: Path, store: Path, drill: str, tmp_path: Path) -> str:
    sheet = tmp_path / "sheet.csv"
    sheet.write_text(f"player,drill,since\n{PLAYER},{drill},2031-01-01\n", encoding="utf-8")
    code, _, error = run("assign", "--import", sheet, "--results", folder / "results", "--store", store)
    return "give" if code == 0 else "show" if "an answer to: " in error else "no"


def by_python(folder: Path, store: Path, drill: str, tmp_path: Path) -> str:
    results, coaching = read_results(folder / "results"), load_coaching(load_catalogue())
    recorded = set(results.players["player"])
    cells = {"player": PLAYER, "drill": drill, "since": "2031-01-01"}
    known = known_of_run(results.run, recorded, TODAY, store=store)
    read = check_giving(cells, known, recorded, coaching, TODAY)
    if isinstance(read, Giving):
        with open_store(store) as opened:
            note_givings(opened, [read], TODAY)
        return "give"
    return "show" if {each.code for each in read} == {"ask-first"} else "no"


@pytest.mark.parametrize("route", [by_command, by_sheet, by_python])
def test_no_route_notes_a_drill_that_care_does_not_give(
    route: Callable[..., str], cell: Cell, folder: Path, store: Path, tmp_path: Path
) -> None:
    assert route(folder, store, cell.drill, tmp_path) == cell.verdict
    assert given(store) == (cell.verdict == "give")


def test_no_practice_is_noted_of_who_is_paused(cell: Cell, folder: Path, store: Path) -> None:
    at = ("--drill", cell.drill, "--results", folder / "results", "--store", store)
    code, _, error = run("practised", PLAYER, "--sets", 2, *at)
    assert (code == 2) == (cell.verdict == "no"), error
    with open_store(store) as opened:
        assert len(practice_notes(opened)) == (cell.verdict != "no")


def test_plan_card_and_outcomes_hold_back_too(whole: Cell, folder: Path, store: Path, tmp_path: Path) -> None:
    tables = read_results(folder / "results")
    first = tables.drills[tables.drills["player"] == PLAYER].sort_values("rank").iloc[0]
    with open_store(store) as opened:
        last = max(tables.swings["session"])
        keep_given(opened, Assignment(PLAYER, first["drill"], first["faults"][0], last))
    at = (folder / "results", "--player", PLAYER, "--store", store)
    code, _, error = run("card", *at, "--out", tmp_path / "card.html")
    assert code == 0, error
    page = (tmp_path / "card.html").read_text(encoding="utf-8")
    assert ("at full speed" in page) == (whole.verdict == "give"), page
    plan = json.loads(run("plan", *at, "--json")[1])[0]
    reported = json.loads(run("outcomes", *at, "--json")[1])
    assert (plan["reason"] == "paused") == (reported["care"] != "") == (whole.verdict == "no")
    for words in ("numb", "wrist", "elbow", "clinician", "hurt"):
        assert words not in str(plan | reported), words


def test_of_a_paused_player_no_window_is_listed(whole: Cell, folder: Path, store: Path) -> None:
    reported = run("explain", folder / "results", "--player", PLAYER, "--store", store)[1]
    assert (
        ("window: " in reported)
        == (f"[{FREE}]" in reported or "benefit 0" in reported)
        == (whole.verdict != "no")
    )


def test_without_results_the_name_is_not_checked_and_that_is_said(folder: Path, store: Path) -> None:
    set_roster(folder, Cell(WELL, "give"))
    said = run("players", "hurts", "p1", "--store", store)[2]
    assert "was not checked" in said and "the store knows nobody yet" in said
    run("players", "care", PLAYER, "--results", folder / "results", "--store", store)
    assert f"the store knows {PLAYER}, p002" in run("players", "hurts", "p1", "--store", store)[2]
    assert run("players", "hurts", PLAYER, "--store", store)[2] == ""
    code, _, error = run("players", "hurts", "p1", "--results", folder / "results", "--store", store)
    assert code == 2 and "unknown-player" in error and PLAYER in error


def test_what_cannot_be_found_is_said(folder: Path, store: Path, tmp_path: Path) -> None:
    set_roster(folder, Cell(WELL, "no", roster=False))
    open_store(store).close()
    error = run("explain", folder / "results", "--player", PLAYER, "--store", store)[2]
    assert str(folder / "season" / "roster.csv") in error and "not found" in error


def test_http_gives_no_drill_that_care_does_not_give(http: TestClient, cell: Cell, store: Path) -> None:
    answer = http.post(f"/v1/players/{PLAYER}/drills", json={"drill": load_book()[cell.drill].name})
    codes = {"give": (201, None), "show": (409, "ask-first"), "no": (409, None)}[cell.verdict]
    assert answer.status_code == codes[0], answer.text
    if cell.verdict != "give":
        code = answer.json()["code"]
        assert (code == "ask-first") == (cell.verdict == "show")
    assert given(store) == (cell.verdict == "give")


def http_drills(http: TestClient) -> list[dict[str, object]]:
    answer = http.get(f"/v1/players/{PLAYER}/drills")
    assert answer.status_code == 200, answer.text
    return answer.json()["drills"]


def test_what_is_shown_is_asked_about_now(
    http: TestClient, whole: Cell, folder: Path, store: Path, tmp_path: Path
) -> None:
    rows = http_drills(http)
    reported = json.loads(
        run("explain", folder / "results", "--player", PLAYER, "--store", store, "--json")[1]
    )[0]
    page = tmp_path / "page.html"
    assert run("report", folder / "results", "--player", PLAYER, "--out", page, "--store", store)[0] == 0
    text = page.read_text(encoding="utf-8")
    picked = [option for option in reported["options"] if option["status"] == "picked"]
    if whole.verdict == "no":
        assert [row["rank"] for row in rows] == [0] and rows[0]["drill"] == ""
        assert reported["reason"] in ("paused", "mend-roster", "whose-row") and not picked
        assert "Practice window" not in text and "Without a ball" not in text
    else:
        assert {row["care"] for row in rows} == {whole.verdict}
        assert [row["drill"] for row in rows] == [option["drill"] for option in picked]
        assert (reported["ask"][:1] == ["ask-pain"]) == (whole.verdict == "show")
        assert ("Ask first whether anything hurts" in text) == (whole.verdict == "show")
        half = bool(whole.said)
        dose = load_book()[str(rows[0]["drill"])].dose
        assert str(rows[0]["dose"]).startswith(f"{dose.sets} sets of {dose.reps // (2 if half else 1)} ")
        assert str(rows[0]["dose"]) in text


def test_classify_asks_with_store_and_roster(
    folder: Path, store: Path, tmp_path: Path, assessor: Assessor
) -> None:
    set_roster(folder, Cell(WELL | {"pain": ""}, "show"))
    with open_store(store) as opened:
        add_statements(opened, [Statement("p002", "pain", TODAY, "ganglion")], TODAY)
    out = tmp_path / "results"
    classify_season([folder / "season"], out, assessor=assessor, store=store)
    drills = read_results(out).drills.set_index("player")
    assert set(drills.loc[[PLAYER], "care"]) == {"show"}
    assert drills.loc[["p002"], "reason"].tolist() == ["paused"]
    assert set(drills.loc[["p003", "p004"], "care"]) <= {"give", ""}
    # What was seen of the roster is in the store now, and nothing of it in the results.
    with open_store(store) as opened:
        assert ("p003", "pain") in cells_seen(opened)
    for file in out.rglob("*"):
        if file.is_file():
            assert b"ganglion" not in file.read_bytes(), file


def test_each_route_asks_the_one_function(
    http: TestClient,
    folder: Path,
    store: Path,
    tmp_path: Path,
    assessor: Assessor,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Where the check finds pain in everybody, no route gives or shows anything."""
    set_roster(folder, Cell(WELL, "give"))
    assert http_drills(http)[0]["rank"] == 1, "else the test tells nothing"
    monkeypatch.setattr("faultml.care.check.pain_state", lambda *_: PainState("hurts"))
    assert http_drills(http)[0]["reason"] == "paused"
    assert http.post(f"/v1/players/{PLAYER}/drills", json={"drill": FREE}).json()["code"] == "paused"
    assert by_command(folder, store, FREE, tmp_path) == by_sheet(folder, store, FREE, tmp_path) == "no"
    reported = json.loads(run("explain", folder / "results", "--player", PLAYER, "--json")[1])[0]
    assert reported["reason"] == "paused"
    assert run("report", folder / "results", "--player", PLAYER, "--out", tmp_path / "p.html")[0] == 0
    assert "Practice window" not in (tmp_path / "p.html").read_text(encoding="utf-8")
    classify_season([folder / "season"], tmp_path / "out", assessor=assessor)
    assert set(read_results(tmp_path / "out").drills["reason"]) == {"paused"}
    assert given(store) == 0


def test_what_a_player_says_over_http_pauses_and_returns(http: TestClient, folder: Path, store: Path) -> None:
    set_roster(folder, Cell(WELL, "give"))
    where = f"/v1/players/{PLAYER}/statements"
    before = (TODAY - timedelta(days=1)).isoformat()
    pain = {"about": "pain", "value": "numb fingers", "said_on": before}
    assert http.post(where, json=pain).json() == {"recorded": True}
    assert http_drills(http)[0]["reason"] == "paused"
    refused = http.post(where, json={"about": "return", **SIGNED, "advice": "player: a friend"})
    assert (refused.status_code, refused.json()["code"]) == (422, "clinician-needed")
    assert "numb" not in refused.text and "friend" not in refused.text
    assert http.post(where, json={"about": "return", **SIGNED}).status_code == 201
    assert http_drills(http)[0]["rank"] == 1 and "half-dose" in str(http_drills(http)[0]["notes"])
    for wrong, code in (
        ({"about": "weather"}, "bad-about"),
        ({"about": "none", "said_on": "soon"}, "bad-date"),
        ({"about": "none", "said_on": "2999-01-01"}, "date-ahead"),
        ({"about": "birth_year", "value": "x"}, "bad-value"),
    ):
        assert http.post(where, json=wrong).json()["code"] == code
    with open_store(store) as opened:
        assert [each.about for each in statements(opened)] == ["pain", "return"]


def test_without_a_store_nothing_is_recorded_over_http(app: TestClient) -> None:
    for route, body in (("statements", {"about": "none"}), ("drills", {"drill": FREE})):
        answer = app.post(f"/v1/players/{PLAYER}/{route}", json=body)
        assert (answer.status_code, answer.json()["code"]) == (404, "no-store")


def test_asked_today_a_drill_is_noted_with_the_answer(folder: Path, store: Path) -> None:
    set_roster(folder, Cell(WELL | {"pain": ""}, "show"))
    code, said, _ = run(
        "assign",
        PLAYER,
        "two-stops to  THE top",
        "--nothing-hurts",
        "--results",
        folder / "results",
        "--store",
        store,
    )
    assert code == 0 and "Two stops to the top [two_stops_to_the_top]" in said and "3 sets of 10" in said
    with open_store(store) as opened:
        assert [(each.player, each.about) for each in statements(opened)] == [(PLAYER, "none")]


def test_the_coachs_commands_record_and_explain(folder: Path, store: Path) -> None:
    set_roster(folder, Cell(WELL, "give"))
    at = ("--store", store)
    yesterday = (TODAY - timedelta(days=1)).isoformat()
    assert (
        run("players", "hurts", PLAYER, "--where", "wrist, swollen", "--on", yesterday, "--by", "Ann", *at)[0]
        == 0
    )
    care = ("players", "care", PLAYER, "--results", folder / "results", *at)
    reported = run(*care)[1]
    assert "pain: wrist, swollen (by Ann)" in reported and "Paused: pain is on record" in reported
    code, _, error = run(
        "players", "return", PLAYER, "--by", "Ann", "--role", "coach", "--advice", "player", *at
    )
    assert code == 2 and "clinician-needed" in error
    assert (
        run("players", "return", PLAYER, "--by", "Ann", "--role", "coach", "--advice", "doctor: Ort", *at)[0]
        == 0
    )
    assert "Half the dose: 0 of 6" in run(*care)[1]
    assert run("players", "says-none", PLAYER, "--practised", *at)[0] == 0
    assert run("players", "history", PLAYER, "--nerve", "yes", "--born", "2020", *at)[0] == 0
    reported = run(*care)[1]
    assert "nerve history: yes" in reported and "under 16" in reported
    assert run("players", "not-a-player", "p00l", "--by", "Ann", *at)[0] == 0
    code, _, error = run("players", "history", PLAYER, *at)
    assert code == 2 and "give an answer" in error
    code, _, error = run("players", "care", "nobody", "--results", folder / "results", *at)
    assert code == 2 and "unknown-player" in error
