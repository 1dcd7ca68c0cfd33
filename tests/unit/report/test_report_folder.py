"""The report of a results folder is the report of the run that left it."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pandas as pd
import pytest
from care_fakes import HEALTHY, TODAY, known_of
from click.testing import CliRunner

from faultml.cli import main
from faultml.coaching.explain import EXPLANATIONS_FILE, encode
from faultml.coaching.prescribe import prescribe
from faultml.coaching.rules import Coaching
from faultml.coaching.summary import sum_up
from faultml.errors import InputError
from faultml.report.page import render_report
from faultml.report.source import ReportSource, read_source
from faultml.results import FAULTS, SWINGS, ResultsWriter, read_results
from faultml.store import open_store

ROWS = 100


@pytest.fixture(scope="module")
def season(make_tables: Callable, academy: Callable) -> object:
    """Tables as a run leaves them: swing by swing in both."""
    tables = make_tables(academy(7))
    order = {
        key: place
        for place, key in enumerate(
            zip(*(tables.swings[name] for name in ("player", "session", "swing")), strict=True)
        )
    }
    keys = [
        order[key]
        for key in zip(*(tables.faults[name] for name in ("player", "session", "swing")), strict=True)
    ]
    tables.faults = (
        tables.faults.assign(_order=keys).sort_values("_order", kind="stable").drop(columns="_order")
    )
    return tables


@pytest.fixture(scope="module", params=["parquet", "csv"])
def folder(
    request: pytest.FixtureRequest,
    season: object,
    source: ReportSource,
    coaching: Coaching,
    tmp_path_factory: pytest.TempPathFactory,
) -> Path:
    out = tmp_path_factory.mktemp("run") / "results"
    with ResultsWriter(out, format=request.param) as results:
        unread = {name: 0.0 for name in SWINGS if name not in season.swings}  # type: ignore[attr-defined]
        swings = season.swings.assign(**unread)[list(SWINGS)]  # type: ignore[attr-defined]
        for start in range(0, len(swings), ROWS):
            results.append("swings", swings.iloc[start : start + ROWS])
        faults = season.faults.assign(promised=0.1)[list(FAULTS)]  # type: ignore[attr-defined]
        results.append("faults", faults)
        sums = sum_up(season.swings, season.faults, coaching.catalogue)  # type: ignore[attr-defined]
        for name, table in (sums | {"closures": source.closures}).items():
            results.append_sums(f"sums_{name}", table)
        reported = prescribe(source.summary, known_of(source.roster), coaching, TODAY)
        results.write("players", reported.players)
        results.write("drills", reported.drills)
        results.write("retests", reported.retests)
        results.write("curves", source.curves)
        results.file(EXPLANATIONS_FILE).write_bytes(encode(reported.explanations))
        results.run |= {"roster": {"file": "", "season": []}, "store": {"id": "", "file": ""}}
    return out


@pytest.fixture(scope="module")
def source(season: object, source_of: Callable, coaching: Coaching) -> ReportSource:
    return source_of(season, coaching)


@pytest.fixture
def empty_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A store in which nobody has said anything, where commands look for one."""
    path = tmp_path / "empty" / "store.sqlite"
    path.parent.mkdir()
    open_store(path).close()
    monkeypatch.setenv("FAULTML_STORE", str(path))
    return path


def body(page: str) -> str:
    return page[page.index("<main>") :]


def test_the_page_of_the_folder_is_the_page_of_the_run(
    folder: Path, source: ReportSource, coaching: Coaching
) -> None:
    read = read_source(read_results(folder), known_of(source.roster), coaching, TODAY)
    assert read.drawn.endswith(" UTC") and read.drawn in body(render_report(read, coaching))
    assert body(render_report(replace(read, drawn=""), coaching)) == body(render_report(source, coaching))


def test_the_report_command_writes_the_page(folder: Path, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    done = CliRunner().invoke(main, ["report", str(folder), "--player", "lp-02", "--out", str(page)])
    assert (done.exit_code, done.stdout.strip()) == (0, str(page))
    text = page.read_text(encoding="utf-8")
    assert "lp-02" in text and "lp-03" not in text


@pytest.mark.usefixtures("empty_store")
def test_the_report_command_writes_the_index_and_its_pages_or_one_page(folder: Path) -> None:
    page, pages = folder / "report.html", folder / "players"
    done = CliRunner().invoke(main, ["report", str(folder)])
    assert (done.exit_code, done.stdout.strip(), done.stderr) == (0, str(page), "")
    assert len(list(pages.iterdir())) == 7 and 'class="player"' not in page.read_text(encoding="utf-8")
    part = CliRunner().invoke(main, ["report", str(folder), "--player", "lp-02"])
    assert part.exit_code == 2 and "--out" in part.stderr
    one = CliRunner().invoke(main, ["report", str(folder), "--one-file"])
    assert one.exit_code == 0 and not pages.exists()
    assert page.read_text(encoding="utf-8").count('class="player"') == 7
    page.unlink()


def test_the_explain_command_shows_every_factor(folder: Path) -> None:
    done = CliRunner().invoke(main, ["explain", "--player", "lp-02", str(folder)])
    assert done.exit_code == 0
    assert "leading: bowed top" in done.stdout and " x effect " in done.stdout
    unknown = CliRunner().invoke(main, ["explain", "--player", "nobody", str(folder)])
    assert unknown.exit_code == 2 and "unknown-player" in unknown.stderr


def asked_today(path: Path, pain: str = "none") -> Path:
    """A roster in which everybody was asked today; one answer for lp-02."""
    today = date.today().isoformat()
    rows = [
        {"player": f"lp-{n:02d}", **HEALTHY, "pain": f"{pain if n == 2 else 'none'} {today}"}
        for n in range(1, 8)
    ]
    pd.DataFrame(rows).to_csv(path, index=False)
    return path


@pytest.mark.usefixtures("empty_store")
def test_the_card_command_asks_care_with_what_is_known_now(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)

    def card(*arguments: str) -> str:
        done = CliRunner().invoke(main, ["card", str(folder), "--player", "lp-02", *arguments])
        assert (done.exit_code, done.stdout.strip()) == (0, "card-lp-02.html"), done.output
        return Path("card-lp-02.html").read_text(encoding="utf-8")

    assert "Ask your coach before you start." in card()
    roster = ("--roster", str(asked_today(tmp_path / "roster.csv")))
    given = card(*roster)
    assert "<ol>" in given and "lp-03" not in given
    # An answer lasts two weeks.
    late = (date.today() + timedelta(days=14)).isoformat()
    assert "Ask your coach before you start." in card(*roster, "--on", late)
    paused = card("--roster", str(asked_today(tmp_path / "now.csv", "wrist")))
    assert "Paused, ask your coach." in paused and "<ol>" not in paused


def test_a_statement_in_the_store_pauses_the_card(folder: Path, tmp_path: Path) -> None:
    store, page = str(tmp_path / "store.sqlite"), tmp_path / "page.html"
    said = CliRunner().invoke(main, ["players", "hurts", "lp-02", "--where", "wrist", "--store", store])
    assert said.exit_code == 0, said.output
    roster = asked_today(tmp_path / "roster.csv")
    arguments = ["card", str(folder), "--player", "lp-02", "--out", str(page), "--store", store]
    done = CliRunner().invoke(main, [*arguments, "--roster", str(roster)])
    assert done.exit_code == 0, done.output
    text = page.read_text(encoding="utf-8")
    assert "Paused, ask your coach." in text and "<ol>" not in text


def test_a_card_is_not_for_a_day_gone_by_nor_for_nobody(folder: Path, tmp_path: Path) -> None:
    page = str(tmp_path / "page.html")
    yesterday = (date.today() - timedelta(days=1)).isoformat()
    for arguments in (["--player", "lp-02", "--on", yesterday], ["--player", "lp-2"]):
        done = CliRunner().invoke(main, ["card", str(folder), "--out", page, *arguments])
        assert done.exit_code == 2 and done.stdout == ""
    assert list(tmp_path.iterdir()) == []


@pytest.mark.usefixtures("empty_store")
@pytest.mark.parametrize("table", ["sums_faults", "sums_closures", "players", "curves"])
def test_a_damaged_or_missing_table_is_named(folder: Path, tmp_path: Path, table: str) -> None:
    copy = shutil.copytree(folder, tmp_path / "copy")
    (file,) = copy.glob(f"{table}.*")
    file.write_bytes(file.read_bytes()[: file.stat().st_size // 2] + b'"')
    done = CliRunner().invoke(main, ["report", str(copy)])
    assert done.exit_code == 2 and done.stderr.startswith("Error: ") and table in done.stderr
    file.unlink()
    done = CliRunner().invoke(main, ["report", str(copy)])
    assert done.exit_code == 2 and "missing-table" in done.stderr


def test_a_folder_that_is_no_results_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="not-a-results-folder"):
        read_results(tmp_path)
    assert CliRunner().invoke(main, ["report", str(tmp_path)]).exit_code == 2
