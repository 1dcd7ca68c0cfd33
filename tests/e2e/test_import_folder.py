"""One import over a folder of good and bad files: the good are taken, each bad one is reported, a rerun is the same."""

from __future__ import annotations

import gzip
import os
import zipfile
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner, Result
from recorder_files import layout_of, recorder_table, text_bytes
from season_fakes import fake_season

from faultml.cli import main
from faultml.faults.catalogue import load_catalogue
from faultml.importing.layout_toml import write_layout
from faultml.synthetic.range_session import draw_range_session, write_stream

LAYOUT = layout_of()


def good(player: str) -> str:
    season = fake_season(2, rate_hz=100.0).assign(player=player)
    return text_bytes(recorder_table(season, LAYOUT), LAYOUT).decode()


def edited(line: int, old: str, new: str) -> bytes:
    lines = good("bad").split("\n")
    lines[line] = lines[line].replace(old, new, 1)
    return "\n".join(lines).encode()


def odd_files() -> dict[str, bytes]:
    """Files each wrong in its own way: the whole file, or something in it."""
    text = good("bad")
    names, _, rest = text.partition("\n")
    return {
        "binary.csv": bytes(range(256)) * 20,
        "broken.csv.gz": gzip.compress(text.encode())[:500],
        "bomb.csv.gz": gzip.compress(b"0" * 101_000_000, 9)
        if os.environ.get("SLOW")
        else b"\x1f\x8b\x08\x00",
        "comma-decimals.csv": text.replace(".", ",").encode(),
        "cut-in-a-row.csv": text[: len(text) // 2].rstrip("\n").rpartition(",")[0].encode(),
        "doubled-name.csv": (names.replace("Tilt", "Bend") + "\n" + rest).encode(),
        "empty.csv": b"",
        "huge-number.csv": edited(20, "bad,2026-05-01,001,", "bad,2026-05-01,001,1e999"),
        "infinite.csv": text.replace("-18.0", "inf", 1).encode(),
        "latin.csv": text.replace("bad", "Jos\xe9").encode("latin-1"),
        "long-line.csv": (names + "\n" + "9" * 1_500_000).encode(),
        "many-fields.csv": edited(20, "bad", "1,2,3,bad"),
        "milliseconds.csv": "\n".join(
            [names, *(_times(line, 1000.0) for line in rest.split("\n")[:-1])]
        ).encode(),
        "names-only.csv": names.encode() + b"\n",
        "no-ids.csv": text.replace("bad,2026-05-01", ",").encode(),
        "no-names.csv": rest.encode(),
        "nul.csv": text.replace("bad", "b\0d").encode(),
        "other-columns.csv": b"a,b,c\n1,2,3\n",
        "picture.csv": b"\x89PNG\r\n\x1a\n" + b"\x00" * 300,
        "quotes.csv": text.replace("bad", 'b"ad').encode(),
        "short.csv": "\n".join(text.split("\n")[:8]).encode(),
        "still.csv": "\n".join([names, *(_times(line, 0.0) for line in rest.split("\n")[:-1])]).encode(),
        "thousands.csv": edited(20, "bad,2026-05-01,001,", 'bad,2026-05-01,001,"1,000",'),
        "utf-16.csv": text.encode("utf-16"),
        "words.csv": edited(20, "bad,2026-05-01,001,", "bad,2026-05-01,001,soon"),
        "zip.csv": _zip(text.encode()),
    }


def _times(line: str, factor: float) -> str:
    fields = line.split(",")
    fields[3] = repr(float(fields[3]) * factor)
    return ",".join(fields)


def _zip(content: bytes) -> bytes:
    from io import BytesIO

    sink = BytesIO()
    with zipfile.ZipFile(sink, "w") as packed:
        packed.writestr("a.csv", content)
    return sink.getvalue()


def run_import(*arguments: str) -> Result:
    result = CliRunner().invoke(main, ["import", *arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def test_a_folder_of_good_and_bad_files(tmp_path: Path) -> None:
    folder, layout, out = tmp_path / "files", tmp_path / "l.toml", tmp_path / "season"
    folder.mkdir()
    layout.write_text(write_layout(LAYOUT), encoding="utf-8")
    odd = odd_files()
    for name, content in odd.items():
        (folder / name).write_bytes(content.replace(b"bad", name[:3].encode()))
    (folder / "ann.csv").write_text(good("ann"))
    (folder / "deeper").mkdir()
    (folder / "deeper" / "zoe.csv").write_text(good("zoe"))
    os.mkfifo(folder / "pipe.csv")
    (folder / "dangling.csv").symlink_to(tmp_path / "nothing")

    result = run_import(str(folder), "--layout", str(layout), "--out", str(out))
    assert result.exit_code == 3, result.output
    problems = pd.read_csv(out / "_problems.csv", dtype=str, keep_default_na=False)
    reported = {Path(file).name for file in problems["file"]}
    assert reported == {*odd, "pipe.csv", "dangling.csv"} - {
        "quotes.csv",
        "nul.csv",
    }  # odd names are still names
    assert (problems["expected"] + problems["found"] != "").all()

    once = contents(out)
    assert run_import(str(folder), "--layout", str(layout), "--out", str(out), "--quiet").exit_code == 3
    assert contents(out) == once

    done = CliRunner().invoke(
        main, ["classify", str(out), "--out", str(tmp_path / "r"), "--quiet", "--no-report"]
    )
    assert done.exit_code in (0, 3)
    swings = pd.read_parquet(tmp_path / "r" / "swings.parquet")
    assert swings.loc[swings["player"].isin(["ann", "zoe"])].groupby("player").size().tolist() == [2, 2]
    refused = set(swings.loc[swings["reason"] != "", "reason"])
    assert {"unit-suspected", "time-stands"} <= refused


def test_a_whole_session_is_cut_into_swings(tmp_path: Path) -> None:
    truth = write_stream(
        draw_range_session(load_catalogue(), 7, duration_s=240.0, rate_hz=100.0, contact_mark=True),
        tmp_path / "a.csv",
        "ann",
        "2031-05-01",
    )
    (tmp_path / "l.toml").write_text(STREAM)
    result = run_import(
        str(tmp_path / "a.csv"), "--layout", str(tmp_path / "l.toml"), "--out", str(tmp_path / "s")
    )
    assert result.exit_code in (0, 3), result.output
    season = pd.read_parquet(tmp_path / "s" / "season.parquet")
    full = truth[truth["kind"] == "full"]
    assert abs(len(season[season["context"] != "practice"]) - len(full)) <= 1
    played = season.loc[season["context"] != "practice", "impact_s"]
    assert played.notna().all() and played.is_monotonic_increasing
    assert (tmp_path / "s" / "_cuts.csv").exists()


STREAM = """
schema = 1
file.reader = "text"
time = { column = "t_s", unit = "s" }
angles.flexion = { column = "flexion_deg", unit = "deg", positive = "flexion" }
angles.ulnar = { column = "ulnar_deg", unit = "deg", positive = "ulnar" }
angles.pronation = { column = "pronation_deg", unit = "deg", positive = "pronation" }
worn.arm = "lead"
ids = { player = { column = "player" }, session = { column = "session" } }
contact.time_column = "impact_s"
swings.split = "stream"
"""


def test_open_questions_are_named_and_nothing_is_written(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(good("ann"))
    layout = tmp_path / "l.toml"
    layout.write_text(
        write_layout(LAYOUT)
        .replace('positive = "ulnar"', 'positive = "?"')
        .replace('arm = "left"', 'arm = "?"')
    )
    result = run_import(str(tmp_path / "a.csv"), "--layout", str(layout), "--out", str(tmp_path / "season"))
    assert result.exit_code == 2
    assert "angles.ulnar.positive, worn.arm" in result.stderr
    assert not (tmp_path / "season").exists()


def test_nothing_to_assess_is_exit_code_1(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(b"a,b\n1,2\n")
    (tmp_path / "l.toml").write_text(write_layout(LAYOUT))
    result = run_import(
        str(tmp_path / "a.csv"), "--layout", str(tmp_path / "l.toml"), "--out", str(tmp_path / "s")
    )
    assert result.exit_code == 1
    assert "missing-column" in result.stdout


@pytest.mark.parametrize("name", ["season.parquet", "other.txt"])
def test_a_folder_that_is_not_an_import_is_never_replaced(name: str, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(good("ann"))
    (tmp_path / "l.toml").write_text(write_layout(LAYOUT))
    (tmp_path / "s").mkdir()
    (tmp_path / "s" / name).write_text("mine")
    result = run_import(
        str(tmp_path / "a.csv"), "--layout", str(tmp_path / "l.toml"), "--out", str(tmp_path / "s")
    )
    assert result.exit_code == 2
    assert contents(tmp_path / "s") == {name: b"mine"}
