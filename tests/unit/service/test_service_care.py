"""Results that are fetched over HTTP are asked of care again: what was said since is not served as classified."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest
from http_fakes import problem, serving, until

from faultml.care.statements import Statement, add_statements, statements
from faultml.faults.catalogue import Catalogue
from faultml.outcomes.assignments import assignments
from faultml.recordings.write import write_season
from faultml.store import open_store
from faultml.synthetic.season import Recipe, draw_season

TODAY = date.today()
HISTORIES = ("ulnar_history", "thumb_history", "elbow_history", "nerve_history", "hamate_history")
ROSTER = f"player,pain,birth_year,level,{','.join(HISTORIES)}\np001,none {TODAY},1990,county,no,no,no,no,no\n"
HOLDING_DRILLS = ("drills.parquet", "explanations.json", "report.html")


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory, catalogue: Catalogue) -> Path:
    file = tmp_path_factory.mktemp("season") / "season.parquet"
    write_season(draw_season(catalogue, Recipe(golfers=1, sessions=2, swings=8, seed=5)).batch, file)
    return file


def test_drills_are_not_served_as_classified_where_care_says_something_else(
    season: Path, tmp_path: Path
) -> None:
    store = tmp_path / "store.sqlite"
    open_store(store).close()
    with serving(tmp_path / "spool", store=store) as client:
        files = [("season", ("s", season.read_bytes())), ("roster", ("r", ROSTER.encode()))]
        job = client.post("/v1/seasons", files=files).json()["id"]
        until(lambda: client.get(f"/v1/seasons/{job}").json()["state"] in ("done", "failed"))
        where = f"/v1/seasons/{job}/results"
        assert client.get(f"/v1/seasons/{job}").json()["state"] == "done"
        until(lambda: client.get("/v1/players/p001/drills").status_code == 200)  # a machine may be busy
        assert client.get("/v1/players/p001/drills").json()["drills"][0]["rank"] == 1, "else it tells nothing"
        for name in HOLDING_DRILLS:
            assert client.get(f"{where}/{name}").status_code == 200, name
        run = client.get(f"{where}/run.json").json()
        assert "tables" in run and "roster" not in run and "store" not in run

        given = client.post(
            "/v1/players/p001/drills", json={"drill": "two_stops_to_the_top", "hurts": "wrist"}
        )
        assert given.status_code == 409 and "wrist" not in given.text
        for name in HOLDING_DRILLS:
            document = problem(client.get(f"{where}/{name}"), 409, "care-changed")
            assert "wrist" not in str(document) and "pain" not in str(document)
        assert client.get(f"{where}/swings.parquet").status_code == 200
        assert client.get("/v1/players/p001/drills").json()["drills"][0]["reason"] == "paused"
        with open_store(store) as opened:
            said = [(each.about, each.value, each.said_on) for each in statements(opened)]
            assert said == [("pain", "wrist", TODAY)] and not len(assignments(opened))

        where_said = "/v1/players/p001/statements"
        back = {"about": "return", "by": "Ann", "role": "coach", "advice": "Dr Google"}
        document = problem(client.post(where_said, json=back), 422, "advice-needed")
        assert "hand therapist" in document["detail"] and "Google" not in str(document)
        yes = {"about": "thumb_history", "value": "yes"}
        assert client.post(where_said, json=yes).status_code == 201
        problem(client.post(where_said, json=yes | {"value": "no"}), 422, "name-needed")
        assert client.post(where_said, json=yes | {"value": "no", "by": "Ann"}).status_code == 201


def test_a_store_that_has_gone_holds_the_results(season: Path, tmp_path: Path) -> None:
    store = tmp_path / "store.sqlite"
    with open_store(store) as opened:
        add_statements(opened, [Statement("p001", "none", TODAY - timedelta(days=1))], TODAY)
    from faultml.season import classify_season

    (season.parent / "roster.csv").write_text(ROSTER, encoding="utf-8")
    classify_season([season], tmp_path / "results", store=store)
    store.rename(tmp_path / "moved.sqlite")
    with serving(tmp_path / "spool", results=tmp_path / "results") as client:
        assert client.get("/v1/players/p001/drills").json()["drills"][0]["reason"] == "mend-roster"
    with serving(tmp_path / "spool", results=tmp_path / "results", store=tmp_path / "moved.sqlite") as client:
        assert client.get("/v1/players/p001/drills").json()["drills"][0]["rank"] == 1
