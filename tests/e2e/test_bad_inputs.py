"""Whatever a folder holds: the right exit code, a word on what is wrong, and nothing lost."""

from __future__ import annotations

import gzip
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner, Result

from faultml.cli import main
from faultml.faults.catalogue import load_catalogue
from faultml.recordings.write import write_season
from faultml.synthetic.season import Recipe, draw_season

HEADER = "player,session,swing,t_s,flexion_deg,ulnar_deg,pronation_deg,impact_s,impact_sd_s,"
HEADER += "mounting_sd_deg,declared_rate_hz,hand,club,shot,context,impact_from"


@pytest.fixture(scope="module")
def good_lines(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """Two generated players as long CSV, header first."""
    recipe = Recipe(golfers=2, sessions=1, swings=4, seed=5, non_swing_share=0.0, rate_hz=100.0)
    season = draw_season(load_catalogue(), recipe)
    path = tmp_path_factory.mktemp("good") / "good.csv"
    write_season(season.batch, path)
    return path.read_text(encoding="utf-8").replace(chr(34), "").splitlines()


def swing_lines(good: list[str], swing: str = "001") -> list[str]:
    return [line for line in good[1:] if line.startswith(f"p001,2031-03-01,{swing},")]


def renamed(lines: list[str], swing: str) -> list[str]:
    return [line.replace(",001,", f",{swing},", 1) for line in lines]


def times(lines: list[str], change) -> list[str]:  # type: ignore[no-untyped-def]
    fields = [line.split(",") for line in lines]
    for k, row in enumerate(fields):
        row[3] = str(change(k, float(row[3])))
    return [",".join(row) for row in fields]


def angles(lines: list[str], change) -> list[str]:  # type: ignore[no-untyped-def]
    fields = [line.split(",") for line in lines]
    for row in fields:
        for column in (4, 5, 6):
            row[column] = str(change(float(row[column])) if row[column] else "")
    return [",".join(row) for row in fields]


def classify(season: Path, out: Path) -> Result:
    result = CliRunner().invoke(main, ["classify", str(season), "--out", str(out), "--quiet", "--no-report"])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def test_a_folder_of_good_and_bad(good_lines: list[str], tmp_path: Path) -> None:
    season, out = tmp_path / "season", tmp_path / "results"
    season.mkdir()
    one = swing_lines(good_lines)
    assert good_lines[0] == HEADER
    bad_swings = {
        "still": times(one, lambda k, t: 1.0 if k > 20 else t),
        "back": times(one, lambda k, t: t if k < 60 else t - 0.5),
        "ms": times(one, lambda k, t: t * 1000),
        "radians": angles(one, lambda x: x * 0.0174532925),
        "short": one[:12],
        "text": [
            line.replace(line.split(",")[4], "abc", 1) if k == 30 else line for k, line in enumerate(one)
        ],
        "infinite": [
            line.replace(line.split(",")[4], "inf", 1) if k == 30 else line for k, line in enumerate(one)
        ],
        "fields": [line + ",1,2" if k == 30 else line for k, line in enumerate(one)],
    }
    odd_names = ["007", "NA", "null", "1e5", "=SUM(A1)", "<script>alert(1)</script>", "../../etc/passwd"]
    (season / "good.csv").write_text("\n".join(good_lines), encoding="utf-8")
    for name, lines in bad_swings.items():
        (season / f"{name}.csv").write_text("\n".join([HEADER, *renamed(lines, name)]), encoding="utf-8")
    named = [line for name in odd_names for line in renamed(one, name)]
    (season / "names.csv").write_text("\n".join([HEADER, *named]), encoding="utf-8")
    (season / "again.csv").write_text("\n".join([HEADER, *swing_lines(good_lines, "002")]), encoding="utf-8")
    (season / "empty.csv").write_text("", encoding="utf-8")
    (season / "header.csv").write_text(HEADER + "\n", encoding="utf-8")
    (season / "nocolumn.csv").write_text("\n".join(["a,b", "1,2"]), encoding="utf-8")
    doubled = HEADER.replace("club", "ulnar_deg")
    (season / "doubled.csv").write_text("\n".join([doubled, *renamed(one, "doubled")]), encoding="utf-8")
    (season / "latin.csv").write_bytes("\n".join([HEADER, *renamed(one, "caf\u00e9")]).encode("latin-1"))
    (season / "picture.csv").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 20)
    (season / "cut.parquet").write_bytes(b"PAR1" + b"\0" * 500)

    result = classify(season, out)

    assert result.exit_code == 3, result.output
    swings = pd.read_parquet(out / "swings.parquet").set_index("swing")
    good = [name for name in ("001", "003", "004") if name in swings.index]
    assert len(good) == 3 and swings.loc[good, "assessed"].all()
    assert swings.loc[odd_names, "assessed"].all(), "names are text, whatever they look like"
    for name in bad_swings:
        assert not swings.loc[name, "assessed"] and swings.loc[name, "reason"], name
    assert list(swings.loc[["002"], "reason"]).count("repeated-id") == 2, "every copy of a repeated id"
    problems = pd.read_csv(out / "problems.csv", dtype=str, keep_default_na=False)
    named_files = {Path(file).name for file in problems["file"]}
    assert {f"{name}.csv" for name in bad_swings} <= named_files
    assert {
        "empty.csv",
        "header.csv",
        "nocolumn.csv",
        "doubled.csv",
        "latin.csv",
        "picture.csv",
        "cut.parquet",
    } <= named_files
    assert (problems["code"] != "").all() and (problems["expected"] != "").all()


def test_nothing_to_assess_is_exit_1(good_lines: list[str], tmp_path: Path) -> None:
    season = tmp_path / "short.csv"
    season.write_text("\n".join([HEADER, *swing_lines(good_lines)[:12]]), encoding="utf-8")
    assert classify(season, tmp_path / "results").exit_code == 1
    assert len(pd.read_parquet(tmp_path / "results" / "swings.parquet")) == 1


def test_wrong_use_is_exit_2(tmp_path: Path) -> None:
    assert classify(tmp_path / "nowhere", tmp_path / "results").exit_code == 2
    assert CliRunner().invoke(main, ["classify", "--sideways"]).exit_code == 2


def test_a_small_file_that_unpacks_to_gigabytes_is_refused_quickly(tmp_path: Path) -> None:
    bomb = tmp_path / "season.csv.gz"
    with gzip.open(bomb, "wb", compresslevel=9) as file:
        file.write(HEADER.encode() + b"\n")
        for _ in range(600):
            file.write(b"0" * 1_000_000)
    assert bomb.stat().st_size < 2_000_000
    assert classify(bomb, tmp_path / "results").exit_code == 1
    assert "season.csv.gz" in (tmp_path / "results" / "problems.csv").read_text(encoding="utf-8")


def test_decimal_commas_are_read_as_meant_and_reported(good_lines: list[str], tmp_path: Path) -> None:
    season = tmp_path / "season.csv"
    lines = [line.replace(",", ";").replace(".", ",") for line in good_lines]
    season.write_text("\n".join(lines), encoding="utf-8")
    plain = tmp_path / "plain.csv"
    plain.write_text("\n".join(good_lines), encoding="utf-8")
    assert classify(season, tmp_path / "results").exit_code == 3
    assert classify(plain, tmp_path / "same").exit_code == 0
    assert "other-delimiter" in (tmp_path / "results" / "problems.csv").read_text(encoding="utf-8")
    reported, same = (pd.read_parquet(tmp_path / name / "faults.parquet") for name in ("results", "same"))
    pd.testing.assert_frame_equal(reported, same)


def test_results_of_somebody_else_are_not_replaced(good_lines: list[str], tmp_path: Path) -> None:
    season, out = tmp_path / "season.csv", tmp_path / "documents"
    season.write_text("\n".join(good_lines), encoding="utf-8")
    out.mkdir()
    (out / "letter.txt").write_text("dear", encoding="utf-8")
    assert classify(season, out).exit_code == 2
    assert (out / "letter.txt").read_text(encoding="utf-8") == "dear"


def test_a_roster_that_does_not_fit_is_reported_and_pain_still_counts(
    good_lines: list[str], tmp_path: Path
) -> None:
    season, out = tmp_path / "season", tmp_path / "results"
    season.mkdir()
    (season / "good.csv").write_text("\n".join(good_lines), encoding="utf-8")
    lost = good_lines[0].replace("flexion_deg", "flexion")
    (season / "dan.csv").write_text("\n".join([lost, *swing_lines(good_lines)]), encoding="utf-8")
    (season / "roster.csv").write_text("Player,Pain\nP001 ,wrist\ndan,none\n", encoding="utf-8")
    edges = tmp_path / "edges.toml"
    edges.write_text('owner = "us"\n[[edge]]\nfault = "flexed_top"\nvalue = 30.0\nplayer = "rowan"\n')
    arguments = ["classify", str(season), "--out", str(out), "--no-report", "--catalogue", str(edges)]
    result = CliRunner().invoke(main, arguments)
    assert result.exit_code == 3, result.output
    problems = pd.read_csv(out / "problems.csv", dtype=str, keep_default_na=False)
    assert set(problems["code"]) == {
        "missing-column",
        "other-header",
        "roster-name-differs",
        "player-not-in-roster",
        "roster-player-not-recorded",
        "edge-for-nobody",
    }
    assert "flexion_deg? for flexion" in " ".join(problems["expected"])
    drills = pd.read_parquet(out / "drills.parquet").set_index("player")
    assert drills.loc[["p001"], "reason"].tolist() == ["paused"]
    said = result.output
    assert "files not read: dan.csv (missing-column" in said and "faultml layout propose" in said
    assert "players of the roster without recordings: dan" in said
    assert "2 x other-header (roster.csv)" in said and "No store was read" in said
    assert len(said.splitlines()) <= 9

    (season / "roster.csv").write_bytes(b"player,pain\nM\xfcller,none\n")
    said = CliRunner().invoke(main, arguments).output
    assert "The roster could not be read: mend it first" in said
    assert set(pd.read_parquet(out / "drills.parquet")["reason"]) == {"mend-roster"}

    (season / "roster.csv").write_text("player,pain\np001,none,none\n", encoding="utf-8")
    said = CliRunner().invoke(main, arguments).output
    assert "Rows of the roster could not be read" in said and "no drill for 1 of the players" in said


def test_a_second_roster_is_not_passed_over_in_silence(good_lines: list[str], tmp_path: Path) -> None:
    season = tmp_path / "season"
    (season / "spring").mkdir(parents=True)
    (season / "good.csv").write_text("\n".join(good_lines), encoding="utf-8")
    (season / "roster.csv").write_text("player,pain\np001,none\np002,none\n", encoding="utf-8")
    (season / "spring" / "roster.csv").write_text("player,pain\np001,wrist\n", encoding="utf-8")
    assert classify(season, tmp_path / "results").exit_code == 3
    problems = pd.read_csv(tmp_path / "results" / "problems.csv", dtype=str, keep_default_na=False)
    assert problems["code"].tolist() == ["another-roster"]
    assert problems["file"][0].endswith("roster.csv") and "spring" in problems["file"][0]
