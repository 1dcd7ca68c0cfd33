"""Verdicts: checked, added, superseded, taken back; as a sheet and by command."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from label_fakes import fake_results

from faultml.cli import main
from faultml.errors import InputError
from faultml.labels import Verdict, add, export_verdicts, import_verdicts, verdicts
from faultml.results import read_results
from faultml.store import Store, open_store

SAID = Verdict("golfer0", "2031-04-05", "001", "flip", "yes", "ann", when="2026-05-01")


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return open_store(tmp_path / "store.sqlite")


def test_a_verdict_is_kept_as_given(store: Store) -> None:
    full = SAID._replace(severity=6.5, occasion="2", when="2026-05-01T12:00:00+02:00", comment="=late")
    assert add(store, [full]) == (1, 0)
    kept = verdicts(store).iloc[0].to_dict()
    assert kept == {**full._asdict(), "unit": "deg", "when": "2026-05-01T10:00:00Z"}


def test_the_latest_of_a_coach_holds_and_history_stays(store: Store) -> None:
    add(store, [SAID, SAID._replace(verdict="no", when="2026-05-03"), SAID._replace(coach="bob")])
    add(store, [SAID._replace(verdict="unsure", when="2026-05-02")])  # an old sheet that comes in late
    holds = verdicts(store)
    assert dict(zip(holds["coach"], holds["verdict"], strict=True)) == {"ann": "no", "bob": "yes"}
    assert verdicts(store, history=True, coach="ann")["verdict"].tolist() == ["yes", "unsure", "no"]


def test_within_a_second_the_later_row_holds(store: Store) -> None:
    add(store, [SAID, SAID._replace(verdict="no")])
    assert verdicts(store)["verdict"].tolist() == ["no"]


def test_a_verdict_is_taken_back_by_another_row(store: Store) -> None:
    add(store, [SAID, SAID._replace(verdict="retract", when="2026-05-02")])
    assert len(verdicts(store)) == 0
    assert verdicts(store, history=True)["verdict"].tolist() == ["yes", "retract"]
    add(store, [SAID._replace(verdict="no", when="2026-05-03")])
    assert verdicts(store)["verdict"].tolist() == ["no"]


def test_an_occasion_keeps_repeats_apart(store: Store) -> None:
    add(store, [SAID, SAID._replace(occasion="2", verdict="no")])
    assert verdicts(store)["verdict"].tolist() == ["yes", "no"]


def test_what_already_holds_is_not_added_again(store: Store) -> None:
    now = SAID._replace(when="")
    assert add(store, [now, now]) == (1, 1)
    assert add(store, [now]) == (0, 1)
    assert add(store, [now._replace(verdict="no")]) == (1, 0)
    assert add(store, [now]) == (1, 0), "back to yes is news"


@pytest.mark.parametrize(
    ("change", "column"),
    [
        ({"player": " "}, "player"),
        ({"swing": "1\0"}, "swing"),
        ({"coach": ""}, "coach"),
        ({"session": "\ud800"}, "session"),
        ({"verdict": "maybe"}, "verdict"),
        ({"fault": "shank"}, "fault"),
        ({"severity": -1.0}, "severity"),
        ({"severity": float("nan")}, "severity"),
        ({"severity": 91.0}, "severity"),
        ({"fault": "early_ulnar_release", "severity": 2.0}, "severity"),
        ({"verdict": "no", "severity": 3.0}, "severity"),
        ({"unit": "deg"}, "severity"),
        ({"severity": 3.0, "unit": "share"}, "unit"),
        ({"when": "2999-01-01"}, "when"),
        ({"when": "yesterday"}, "when"),
        ({"when": "0001-01-01T00:00+23:00"}, "when"),
        ({"comment": "x" * 2001}, "comment"),
    ],
)
def test_a_wrong_verdict_is_reported_and_nothing_is_added(
    store: Store, change: dict[str, object], column: str
) -> None:
    with pytest.raises(InputError, match=f"verdict 2, {column}: bad-verdict"):
        add(store, [SAID, SAID._replace(**change)])
    assert len(verdicts(store)) == 0


def test_swings_and_faults_must_be_in_the_results_where_given(store: Store, tmp_path: Path) -> None:
    results = read_results(fake_results(tmp_path / "results"))
    assert add(store, [SAID], results=results).added == 1
    with pytest.raises(InputError, match="a swing of the results, found 'golfer0 / 2031-04-05 / 099'"):
        add(store, [SAID._replace(swing="099")], results=results)
    with pytest.raises(InputError, match=r"golfer0 / 2031-04-05 / 001\?"):
        add(store, [SAID._replace(swing="1")], results=results)  # as a spreadsheet leaves it


def sheet(path: Path, *rows: str, head: str = "player,session,swing,fault,verdict,severity,coach") -> Path:
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    return path


def test_a_spreadsheets_own_ways_are_read(store: Store, tmp_path: Path) -> None:
    file = tmp_path / "sheet.csv"
    file.write_bytes(
        "\ufeffWhy;Verdict;Swing;Session;Player;Fault;Severity;;\r\n"
        "x; YES ;001;2031-04-05;'=1;flip;6,5;;\r\n"
        ";;;;;;;;\r\n"
        "x;;002;2031-04-05;golfer0;flip;;;\r\n".encode()
    )
    assert import_verdicts(store, file, coach="ann") == (1, 0, 1, [])
    kept = verdicts(store).iloc[0]
    assert (kept["player"], kept["swing"], kept["verdict"], kept["severity"]) == ("=1", "001", "yes", 6.5)


def test_the_line_that_tells_the_delimiter_is_no_header(store: Store, tmp_path: Path) -> None:
    rows = (
        "sep=;\r\nplayer;session;swing;fault;verdict\r\ngolfer0;s;1;Flip;Yes\r\ngolfer0;s;2;flip;perhaps\r\n"
    )
    (tmp_path / "sheet.csv").write_text(rows)
    done = import_verdicts(store, tmp_path / "sheet.csv", coach="ann", keep_good=True)
    assert done.added == 1 and [each.line for each in done.problems] == [4]


def test_a_sheet_that_contradicts_itself_is_reported(store: Store, tmp_path: Path) -> None:
    head = "player,session,swing,fault,verdict,coach,when"
    first, other = "golfer0,s,1,flip,yes,ann,", "golfer0,s,1,flip,no,ann,"
    done = import_verdicts(store, sheet(tmp_path / "a.csv", first, other, first, head=head))
    assert done.added == 0
    assert [(each.line, each.column, each.found) for each in done.problems] == [(3, "verdict", "no")]
    assert "yes, as in row 2" in done.problems[0].expected
    bobs = other.replace("ann", "bob")
    assert import_verdicts(store, sheet(tmp_path / "b.csv", first, bobs, head=head)).added == 2
    again = [first + "2026-05-01", other + "2026-05-02"]
    assert import_verdicts(store, sheet(tmp_path / "c.csv", *again, head=head)).problems == []


def test_a_wrong_row_stops_the_sheet_unless_asked_otherwise(store: Store, tmp_path: Path) -> None:
    file = sheet(
        tmp_path / "sheet.csv",
        "golfer0,2031-04-05,001,flip,yes,,ann",
        "golfer0,2031-04-05,002,flip,perhaps,,ann",
        "golfer0,2031-04-05,003,flip,yes,much,ann",
        "golfer0,2031-04-05,004,flip",
    )
    done = import_verdicts(store, file)
    assert done[:3] == (0, 0, 0)
    assert [(each.line, each.column, each.found) for each in done.problems] == [
        (3, "verdict", "perhaps"), (4, "severity", "much"), (5, "", "4 fields")
    ]  # fmt: skip
    assert len(verdicts(store)) == 0
    assert import_verdicts(store, file, keep_good=True).added == 1


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"player,session\n", "missing-column"),
        (b"", "missing-column"),
        (b"player,session,swing,fault,verdict,verdict\n", "doubled-column"),
        (b"player,session,swing,fault,verdict\n\xff", "not-utf-8"),
        (b"player,session,swing,fault,verdict\n" + b"x" * 200_000, "damaged-file"),
    ],
)
def test_a_sheet_that_is_none_is_refused(store: Store, tmp_path: Path, content: bytes, code: str) -> None:
    file = tmp_path / "sheet.csv"
    file.write_bytes(content)
    with pytest.raises(InputError, match=code):
        import_verdicts(store, file)


def test_history_goes_out_and_comes_back(store: Store, tmp_path: Path) -> None:
    add(store, [SAID, SAID._replace(verdict="retract", when="2026-05-02"), SAID._replace(swing="002")])
    assert export_verdicts(store, tmp_path / "now.csv") == 1
    assert export_verdicts(store, tmp_path / "all.csv", history=True) == 3
    with open_store(tmp_path / "other.sqlite") as other:
        assert import_verdicts(other, tmp_path / "all.csv").added == 3
        assert verdicts(other, history=True).equals(verdicts(store, history=True))
        assert import_verdicts(other, tmp_path / "all.csv") == (0, 3, 0, [])


def run(*arguments: object) -> Result:
    result = CliRunner().invoke(main, ["labels", *map(str, arguments)])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def test_from_the_list_to_agreement_by_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    results = fake_results(tmp_path / "results", golfers=8, swings=10)
    monkeypatch.setenv("FAULTML_STORE", str(tmp_path / "store.sqlite"))
    assert run("export", tmp_path / "out.csv").exit_code == 2, "no store yet, and none is made for reading"
    listed = run("next", results, "--coach", "ann", "--csv", tmp_path / "fill.csv")
    assert listed.exit_code == 0 and "A new store" in listed.stderr and "12. golfer" in listed.stdout
    filled = (tmp_path / "fill.csv").read_text().splitlines()
    assert len(filled) == 1 + 12 * 3
    assert len(re.findall(r"^     judge [a-z -]+ \[[a-z_]+\]$", listed.stdout, flags=re.M)) == 12 * 3
    answered = [line.replace('"",""', '"yes",""', 1) for line in filled]
    (tmp_path / "fill.csv").write_text("\n".join(answered))
    taken = run("import", tmp_path / "fill.csv", "--results", results)
    assert taken.exit_code == 0 and taken.stdout.startswith("36 verdicts kept, 0 known already, 0 rows")
    agreed = run("agree", "--results", results)
    assert agreed.exit_code == 0 and "ann against the tool" in agreed.stdout and "not enough" in agreed.stdout
    assert "0.35 to 0.87" in agreed.stdout
    again = run("next", results, "--coach", "ann", "--repeat", "--csv", tmp_path / "again.csv")
    assert again.exit_code == 0 and '"ann","2"' in (tmp_path / "again.csv").read_text()
    one = ("golfer0", "2031-04-05", "001", "flip")
    assert run("add", *one, "yes", "--coach", "bob", "--severity", 4).stdout == "Kept.\n"
    assert (
        run("add", *one, "yes", "--coach", "bob", "--severity", 4).stdout == "That is what already holds.\n"
    )
    assert run("add", *one, "no", "--coach", "bob", "--severity", 4).exit_code == 2
    assert run("export", tmp_path / "out.csv").stdout.startswith("37 verdicts")


def test_a_wrong_sheet_is_reported_row_by_row(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FAULTML_STORE", str(tmp_path / "store.sqlite"))
    file = sheet(
        tmp_path / "sheet.csv",
        "golfer0,2031-04-05,001,flip,yes,,ann",
        "golfer0,2031-04-05,002,flip,perhaps,,ann",
    )
    done = run("import", file)
    assert done.exit_code == 2
    assert "row 3, verdict: expected yes, no, unsure, retract, found 'perhaps'" in done.stderr
    assert run("import", file, "--keep-good").exit_code == 3
