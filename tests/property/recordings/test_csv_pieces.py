"""Long CSV reads the same however it is cut, and both passes over it find the same swings."""

from __future__ import annotations

import gzip
import random
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from faultml.recordings import csv_blocks, long_csv
from faultml.recordings.csv_runs import find_runs
from faultml.recordings.problems import Problem
from faultml.recordings.read import Season, open_season, read_fragment
from faultml.recordings.swings import SwingBatch

PER_SWING = ("hand", "club", "shot", "context", "impact_s", "mounting_sd_deg")
ODD = ("cut", "empty", "more", "quote", "blank", "open", "return")


def odd_csv(seed: int) -> bytes:
    """Swings in every spelling that is read, with lines and cells here and there that are not."""
    rng = random.Random(seed)
    delimiter = rng.choice([",", ",", ";", "\t"])
    decimal = "," if delimiter != "," and rng.random() < 0.5 else "."
    columns = ["player", "session", "swing", "t_s", "flexion_deg", "ulnar_deg"]
    columns += rng.sample(["pronation_deg", "notes", *PER_SWING], rng.randrange(7))
    rng.shuffle(columns)
    quoted = rng.random() < 0.5
    lines = [delimiter.join(f'"{name}"' if quoted else name for name in columns)]
    for _ in range(rng.randrange(1, 8)):
        reported = {
            "player": rng.choice(["p1", "p2", "é", "a'b", "007", "x y"]),
            "session": f"2031-01-0{rng.randrange(1, 4)}",
            "swing": f"{rng.randrange(1, 6):03d}",
            "hand": rng.choice(["left", "right", ""]),
            "club": rng.choice(["7 iron", '7" iron', ""]),
            "shot": rng.choice(["push hook", "straight", ""]),
            "context": rng.choice(["play", "practice", ""]),
        }
        numbers = {
            "impact_s": rng.choice(["0.123", "0.2", "", "NaN"]),
            "mounting_sd_deg": rng.choice(["", "3.5"]),
        }
        for at in range(rng.randrange(1, 60)):
            row = reported | numbers | {"t_s": f"{at * 0.01:.3f}", "notes": str(rng.random())}
            row |= {"flexion_deg": f"{rng.gauss(0, 30):.6f}", "ulnar_deg": repr(rng.gauss(0, 20))}
            row["pronation_deg"] = rng.choice(["1.5", "", "NaN", "2e1"])
            if rng.random() < 0.02:
                name = rng.choice(["flexion_deg", "impact_s", "hand"])
                row[name] = rng.choice(["x", "1.2.3", "inf", "", "1e400"])
            if quoted:
                row |= {name: '"' + row[name].replace('"', '""') + '"' for name in reported}
            if decimal == ",":
                row |= {name: row[name].replace(".", ",") for name in row if name not in reported}
            line = delimiter.join(row[name] for name in columns)
            lines.append(_spoilt(line, delimiter, rng) if rng.random() < 0.01 else line)
    end = rng.choice(["\n", "\n", "\r\n", "\r"])
    content = (end.join(lines) + end * rng.randrange(2)).encode()
    return (b"\xef\xbb\xbf" if rng.random() < 0.2 else b"") + content


def _spoilt(line: str, delimiter: str, rng: random.Random) -> str:
    return {
        "cut": line[: rng.randrange(len(line))],
        "empty": "",
        "more": f"{line}{delimiter}more",
        "quote": line.replace("p", '"', 1),
        "blank": "   ",
        "open": f'"{line}',
        "return": line.replace(delimiter, "\r", 1),
    }[rng.choice(ODD)]


def rows_of(batches: list[SwingBatch]) -> list[tuple[object, ...]]:
    return [
        (
            *map(repr, batch.table.iloc[row].to_dict().items()),
            batch.t_s[row, :n].tobytes(),
            batch.angles_deg[row, :, :n].tobytes(),
        )
        for batch in batches
        for row, n in enumerate(batch.n_samples)
    ]


def read_whole(season: Season) -> tuple[list[tuple[object, ...]], list[str]]:
    rows = rows_of(list(season.batches()))
    return rows, sorted(map(repr, season.problems))


def read_cut(season: Season, swings: int) -> tuple[list[tuple[object, ...]], list[str]]:
    problems: list[Problem] = season.problems
    rows = []
    for fragment in season.fragments(swings):
        batches = list(read_fragment(fragment, season.repeats, problems.append, lambda _: None))
        assert sum(map(len, batches)) == fragment.n_swings
        rows += rows_of(batches)
    return rows, sorted(map(repr, problems))


@pytest.mark.parametrize("seed", range(40))
def test_neither_blocks_nor_pieces_show(seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    content = odd_csv(seed)
    file = tmp_path / "a.csv"
    file.write_bytes(gzip.compress(content) if seed % 7 == 0 else content)
    season = open_season([file])
    reported = read_whole(season)
    assert len(reported[0]) == season.n_swings
    players = Counter(eval(row[0])[1] for row in reported[0])  # type: ignore[call-overload]
    assert players == season.players
    for block in (1_000, 7_777):
        monkeypatch.setattr(csv_blocks, "BLOCK_BYTES", block)
        monkeypatch.setattr(long_csv, "PIECE_SWINGS", 1 + seed % 3)
        again = open_season([file])
        assert read_whole(again) == reported
        assert read_cut(open_season([file]), 2) == reported


def test_a_file_is_cut_into_pieces_at_its_swings_ends(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(long_csv, "PIECE_SWINGS", 2)
    lines = ["player,session,swing,t_s,flexion_deg,ulnar_deg"]
    lines += [f"p1,2031-01-01,{swing:03d},{at / 100},1,2" for swing in range(5) for at in range(30)]
    content = "\n".join(lines).encode()
    (tmp_path / "a.csv").write_bytes(content)
    fragments = open_season([tmp_path / "a.csv"]).fragments(2)
    pieces = [piece for fragment in fragments for piece in fragment.pieces]
    assert [piece.n_swings for piece in pieces] == [2, 2, 1]
    assert [piece.line for piece in pieces] == [2, 62, 122]
    assert [content[: piece.start].count(b"\n") + 1 for piece in pieces] == [2, 62, 122]
    assert [piece.stop for piece in pieces] == [*(piece.start for piece in pieces[1:]), len(content)]


FIELDS = st.text("ab\"',;é", max_size=4)


@given(st.lists(st.tuples(FIELDS, FIELDS, FIELDS), min_size=1, max_size=12), st.sampled_from(["\n", "\r\n"]))
def test_runs_are_those_of_the_fields_themselves(rows: list[tuple[str, str, str]], end: str) -> None:
    quoted = [['"' + field.replace('"', '""') + '"' for field in row] for row in rows]
    block = "".join(",".join(row) + end for row in quoted).encode()
    runs = find_runs(np.frombuffer(block, dtype=np.uint8), ",", np.array([True, False, True]))
    assert runs is not None and runs.n_lines == len(rows)
    keys = [(row[0], row[2]) for row in rows]
    assert runs.lines.tolist() == [at for at, key in enumerate(keys) if not at or key != keys[at - 1]]
    texts = [
        block[start:stop].decode().rstrip("\r") for start, stop in zip(runs.starts, runs.stops, strict=True)
    ]
    assert texts == [",".join(quoted[at]) for at in runs.lines]


@pytest.mark.parametrize(
    "block", ["a,b\n\na,b\n", "a,b,c\n", "a\n", 'a,"b\n', '"a"x,b\n', "a\rb,c\n", '"a\n",b\n', "\n"]
)
def test_an_odd_line_is_left_to_a_closer_look(block: str) -> None:
    assert find_runs(np.frombuffer(block.encode(), dtype=np.uint8), ",", np.array([True, True])) is None
