"""Odd text files, one oddity each: read as the layout says, or refused with a word on what is wrong."""

from __future__ import annotations

from pathlib import Path

import msgspec
import numpy as np
import pytest
from importing_one import SEASON, read, text
from recorder_files import layout_of

from faultml.importing.layout import (
    FromColumn,
    Ids,
    TimeLayout,
)

replace = msgspec.structs.replace


@pytest.mark.parametrize(
    "edit",
    [
        lambda lines: ["\ufeff" + lines[0], *lines[1:]],
        lambda lines: [lines[0], "", *lines[1:40], "   ", *lines[40:], ""],
        lambda lines: [line + "," for line in lines],
        lambda lines: [lines[0], *(line + "," for line in lines[1:])],
        lambda lines: [lines[0] + ",", *lines[1:]],
        lambda lines: [",".join(f'"{cell}"' for cell in line.split(",")) for line in lines],
        lambda lines: [lines[0].replace("Bend", " Bend "), *(line.replace(",", ", ") for line in lines[1:])],
    ],
    ids=[
        "mark",
        "blank lines",
        "trailing everywhere",
        "trailing in rows",
        "trailing in names",
        "quotes",
        "spaces",
    ],
)
def test_what_does_not_matter_does_not_matter(edit, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    layout = layout_of()
    got = read("\n".join(edit(text(layout).split("\n")[:-1])).encode(), layout, tmp_path)
    assert (got.run.n_sound, got.run.n_problems) == (2, 0), got.problems
    np.testing.assert_array_equal(got.season["flexion_deg"][1], SEASON["flexion_deg"][1])


@pytest.mark.parametrize(
    ("cell", "decimal", "code"),
    [
        ("1,234.5", ".", "not-a-number"),
        ("1.234,5", ",", "not-a-number"),
        ("1 234", ".", "not-a-number"),
        ("1'234", ".", "not-a-number"),
        ("1,234", ".", "not-a-number"),
        ("0x1F", ".", "not-a-number"),
        ("1_000", ".", "not-a-number"),
        ("12 deg", ".", "not-a-number"),
        ("inf", ".", "not-finite"),
    ],
)
def test_what_is_no_plain_number_refuses_its_swing_only(
    cell: str, decimal: str, code: str, tmp_path: Path
) -> None:
    layout = layout_of(delimiter=";", decimal=decimal)
    lines = text(layout).split("\n")
    fields = lines[30].split(";")
    fields[4] = cell
    lines[30] = ";".join(fields)
    got = read("\n".join(lines).encode(), layout, tmp_path)
    assert got.run.n_sound == 1
    assert got.codes == {code}
    row = got.problems.iloc[0]
    assert row["swing"] == "001"
    if code == "not-a-number":
        assert (row["row"], row["found"]) == ("31", repr(cell))
        assert list(got.season["swing"]) == ["002"]


@pytest.mark.parametrize("cell", ["", "NaN", "NA", "null"])
def test_a_lost_sample_stays_lost(cell: str, tmp_path: Path) -> None:
    layout = layout_of()
    lines = text(layout).split("\n")
    fields = lines[30].split(",")
    fields[4] = cell
    lines[30] = ",".join(fields)
    got = read("\n".join(lines).encode(), layout, tmp_path)
    assert got.run.n_sound == 2
    assert np.flatnonzero(np.isnan(got.season["flexion_deg"][0])).tolist() == [29]
    assert got.run.findings["gap-filled"] == 1


def test_a_row_with_another_number_of_fields_refuses_its_swing(tmp_path: Path) -> None:
    layout = layout_of()
    lines = text(layout).split("\n")
    lines[30] += ",1,2"
    got = read("\n".join(lines).encode(), layout, tmp_path)
    assert got.problems[["row", "swing", "code"]].to_numpy().tolist() == [["31", "001", "field-count"]]
    assert got.season["swing"].tolist() == ["002"]


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"\x00\x01\x02" * 50, "no-rows"),
        (b"Player,Day,No,Clock,Bend,Tilt,Twist\n", "no-rows"),
        (b"\n\n\n", "no-rows"),
        (b"\xff\xfe\xfd\n1\n", "wrong-encoding"),
        (b"Player,Day,No,Clock,Bend,Bend,Tilt,Twist\n1,1,1,1,1,1,1,1\n", "doubled-column"),
        (b"a,b\n1,2\n", "missing-column"),
        (b"x" * 3_000_000, "line-too-long"),
        (b"\x1f\x8b\x08broken", "damaged-file"),
    ],
)
def test_a_file_that_cannot_be_read_is_reported(content: bytes, code: str, tmp_path: Path) -> None:
    got = read(content, layout_of(), tmp_path)
    assert [problem.code for problem in got.run.unread] == [code]
    assert got.run.exit_code == 1


def test_a_name_that_stands_twice_is_meant_by_its_place(tmp_path: Path) -> None:
    layout = layout_of()
    names, _, rest = text(layout).partition("\n")
    assert layout.angles is not None
    flexion = replace(layout.angles.flexion, column="#5")
    layout = replace(layout, angles=replace(layout.angles, flexion=flexion))
    got = read(
        (names.replace("Twist", "Bend") + "\n" + rest).encode(),
        replace(layout, angles=replace(layout.angles, pronation=None)),
        tmp_path,
    )
    np.testing.assert_array_equal(got.season["flexion_deg"][0], SEASON["flexion_deg"][0])
    assert got.season["pronation_deg"][0] is None


def test_a_table_without_names(tmp_path: Path) -> None:
    layout = layout_of(names_line=0)
    assert layout.angles is not None
    places = {"flexion": "#5", "ulnar": "#6", "pronation": "#7"}
    angles = {name: replace(getattr(layout.angles, name), column=place) for name, place in places.items()}
    layout = replace(
        layout,
        angles=replace(layout.angles, **angles),
        time=TimeLayout("s", "#4"),
        ids=Ids(FromColumn("#1"), FromColumn("#2"), FromColumn("#3")),
    )
    got = read(text(layout_of()).partition("\n")[2].encode(), layout, tmp_path)
    np.testing.assert_array_equal(got.season["ulnar_deg"][1], SEASON["ulnar_deg"][1])


@pytest.mark.parametrize("encoding", ["idna", "zip", "no-such", "unicode_escape"])
def test_what_is_no_encoding_of_text(encoding: str, tmp_path: Path) -> None:
    got = read(text(layout_of()).encode(), layout_of(encoding=encoding), tmp_path)
    assert [problem.code for problem in got.run.unread] == ["unknown-encoding"]
