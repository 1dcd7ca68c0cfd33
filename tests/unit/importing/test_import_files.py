"""Odd files, one oddity each: read as the layout says, or refused with a word on what is wrong."""

from __future__ import annotations

import zipfile
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from recorder_files import layout_of, recorder_table, text_bytes, write_recorder
from scipy.spatial.transform import Rotation
from season_fakes import fake_season, fake_times

from faultml.errors import InputError
from faultml.importing import readers
from faultml.importing.layout import (
    Contact,
    FromColumn,
    Ids,
    Layout,
    Orientation,
    Segment,
    Swings,
    TimeLayout,
    Words,
    Worn,
)
from faultml.importing.season import SEASON_FILE, ImportRun, import_season
from faultml.motion.rotations import joint_rotations

SEASON = fake_season(2, rate_hz=60.0)
replace = msgspec.structs.replace


@dataclass
class Read:
    run: ImportRun
    season: pd.DataFrame
    problems: pd.DataFrame

    @property
    def codes(self) -> set[str]:
        return set(self.problems["code"])


def read(content: bytes | Path, layout: Layout, folder: Path, name: str = "file.csv") -> Read:
    path = content if isinstance(content, Path) else folder / name
    if isinstance(content, bytes):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    run = import_season([path], layout, folder / "season")
    return Read(
        run,
        pq.read_table(folder / "season" / SEASON_FILE).to_pandas(),
        pd.read_csv(folder / "season" / "_problems.csv", dtype=str, keep_default_na=False),
    )


def text(layout: Layout, **edits: object) -> str:
    return text_bytes(recorder_table(SEASON, layout), layout).decode(layout.file.encoding)


# --- text ---


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
def test_a_file_that_cannot_be_read_is_told(content: bytes, code: str, tmp_path: Path) -> None:
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


# --- time ---


def test_epoch_times_are_told_from_midnight_without_rounding(tmp_path: Path) -> None:
    first = 1_790_000_123_456_789_012
    layout = layout_of(time_unit="ns")
    table = recorder_table(SEASON.iloc[:1], layout)
    steps = np.round(np.asarray(SEASON["t_s"][0]) * 1e9).astype(np.int64)
    table["Clock"] = [str(first + step) for step in steps]
    got = read(text_bytes(table, layout), layout, tmp_path)
    t_s = got.season["t_s"][0]
    assert 0 <= t_s[0] < 86_400
    np.testing.assert_allclose(t_s - t_s[0], steps / 1e9, atol=2e-11)


@pytest.mark.parametrize("column", [None, "Count"])
def test_a_count_with_a_rate(column: str | None, tmp_path: Path) -> None:
    layout = layout_of()
    table = recorder_table(SEASON.iloc[:1], layout).rename(columns={"Clock": "Count"})
    table["Count"] = range(len(table))
    layout = replace(layout, time=TimeLayout("samples", column, rate_hz=60.0))
    got = read(text_bytes(table, layout_of()), layout, tmp_path)
    np.testing.assert_allclose(got.season["t_s"][0], fake_times(60.0), atol=1e-12)


def test_a_format_of_stamps(tmp_path: Path) -> None:
    layout = layout_of(time_unit="datetime")
    table = recorder_table(SEASON.iloc[:1], layout)
    table["Clock"] = table["Clock"].map(lambda stamp: stamp.strftime("%d.%m.%Y %H:%M:%S.%f"))
    layout = replace(
        layout,
        time=TimeLayout("datetime", "Clock", format="%d.%m.%Y %H:%M:%S.%f"),
        ids=replace(layout.ids, session=FromColumn("Clock", format="%d.%m.%Y %H:%M:%S.%f")),
        swings=Swings("file"),
    )
    got = read(text_bytes(table, layout), layout, tmp_path)
    assert got.season["session"][0] == "2026-05-01"
    np.testing.assert_allclose(got.season["t_s"][0], fake_times(60.0), atol=1e-6)


# --- where a swing ends ---


def test_the_clock_tells_swings_apart(tmp_path: Path) -> None:
    season = fake_season(4, rate_hz=60.0)
    season["t_s"] = [t_s + start for t_s, start in zip(season["t_s"], (0, 0, 10, 20), strict=True)]
    layout = replace(layout_of(), ids=Ids("ann", "day"), swings=Swings("clock", 1.0))
    got = read(text_bytes(recorder_table(season, layout_of()), layout), layout, tmp_path)
    assert got.season["swing"].tolist() == ["001", "002", "003", "004"]
    np.testing.assert_array_equal(got.season["t_s"][2], season["t_s"][2])


def test_without_a_gap_only_a_clock_that_falls_back_does(tmp_path: Path) -> None:
    season = fake_season(3, rate_hz=60.0)
    season["t_s"] = [t_s + start for t_s, start in zip(season["t_s"], (0, 10, 0), strict=True)]
    layout = replace(layout_of(), ids=Ids("ann", "day"), swings=Swings("clock"))
    got = read(text_bytes(recorder_table(season, layout_of()), layout), layout, tmp_path)
    assert got.run.n_swings == 2


def test_a_file_that_is_one_swing_and_names_two(tmp_path: Path) -> None:
    layout = replace(layout_of(), swings=Swings("file"))
    got = read(text(layout).encode(), layout, tmp_path)
    assert [problem.code for problem in got.run.unread] == ["ids-change"]


def test_ids_from_names_of_files_and_folders(tmp_path: Path) -> None:
    layout = layout_of()
    layout = replace(layout, ids=Ids(pattern="{player}/{session}_{swing}.csv"), swings=Swings("file"))
    content = text_bytes(recorder_table(SEASON.iloc[:1], layout_of()), layout)
    got = read(content, layout, tmp_path, "ann/2026-05-02_7.csv")
    assert got.season.loc[0, ["player", "session", "swing"]].tolist() == ["ann", "2026-05-02", "7"]
    got = read(content, layout, tmp_path, "ann/other.csv")
    assert [problem.code for problem in got.run.unread] == ["name-differs"]


@pytest.mark.parametrize("rows", [1, 7, 45, 10_000])
def test_blocks_of_any_size_give_the_same_season(
    rows: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("faultml.importing.parquet_file.MAX_BLOCK_ROWS", rows)
    layout = replace(layout_of("parquet"), contact=Contact(event_column="Hit"))
    table = recorder_table(SEASON, layout_of())
    table["Hit"] = [0] * 60 + [1] * 3 + [0] * (len(table) - 63)
    path = write_recorder(table, tmp_path / "a.parquet", layout)
    got = read(path, layout, tmp_path)
    assert got.season["impact_s"].dropna().tolist() == [1.0]
    np.testing.assert_array_equal(
        np.concatenate(got.season["flexion_deg"]), np.concatenate(SEASON["flexion_deg"])
    )


# --- arm, hand, words, contact ---


@pytest.mark.parametrize(
    ("arm", "hand", "reason"),
    [
        ("left", "right", ""),
        ("right", "left", ""),
        ("lead", "left", ""),
        ("left", "left", "trail-arm"),
        ("right", "right", "trail-arm"),
        ("neither", "right", "arm-unknown"),
        ("left", "both", "arm-unknown"),
    ],
)
def test_the_trail_arm_is_refused_and_not_turned_round(
    arm: str, hand: str, reason: str, tmp_path: Path
) -> None:
    layout = layout_of(arm=arm, hand=hand)
    got = read(text(layout_of()).encode(), layout, tmp_path)
    assert got.codes == ({reason} if reason else set())
    assert len(got.season) == (0 if reason else 2)


def test_arm_and_hand_from_columns(tmp_path: Path) -> None:
    table = recorder_table(SEASON, layout_of()).assign(Side="L", Hand="Right")
    table.loc[table["No"] == "002", "Side"] = "R"
    worn = Worn(FromColumn("Side", {"l": "left", "R": "right"}), FromColumn("Hand"))
    got = read(text_bytes(table, layout_of()), replace(layout_of(), worn=worn), tmp_path)
    assert got.season[["swing", "hand"]].to_numpy().tolist() == [["001", "right"]]
    assert got.problems[["swing", "code"]].to_numpy().tolist() == [["002", "trail-arm"]]


def test_the_hand_from_the_roster(tmp_path: Path) -> None:
    layout = layout_of(arm="left", hand="roster")
    (tmp_path / "a.csv").write_bytes(text_bytes(recorder_table(SEASON, layout_of()), layout))
    (tmp_path / "roster.csv").write_text("player,hand\np1,right\n")
    run = import_season([tmp_path / "a.csv"], layout, tmp_path / "s", roster=tmp_path / "roster.csv")
    assert (run.n_sound, run.n_problems) == (2, 0)
    with pytest.raises(InputError, match="bad-roster"):
        import_season([tmp_path / "a.csv"], layout, tmp_path / "s")


@pytest.mark.parametrize(
    ("contact", "cells", "impact_s", "code"),
    [
        (Contact(event_column="Hit", events=("x",)), {63: "X", 64: "X"}, 63 / 60, ""),
        (Contact(event_column="Hit"), {40: "1", 63: "1"}, None, "inconsistent-rows"),
        (Contact(time_column="Hit"), {0: "1.05"}, 1.05, ""),
        (Contact(time_column="Hit", unit="ms"), dict.fromkeys(range(121), "1050"), 1.05, ""),
        (Contact(time_column="Hit"), {0: "soon"}, None, "impact-unreadable"),
        (Contact(time_column="Hit"), {0: "9"}, 9.0, "impact-outside"),
        (Contact(sample_column="Hit", first_sample=1), {0: "64"}, 63 / 60, ""),
        (Contact(sample_column="Hit", first_sample=0), {0: "63"}, 63 / 60, ""),
    ],
)
def test_contact_marks(
    contact: Contact, cells: dict[int, str], impact_s: float | None, code: str, tmp_path: Path
) -> None:
    table = recorder_table(SEASON.iloc[:1], layout_of()).assign(Hit="")
    for row, cell in cells.items():
        table.loc[row, "Hit"] = cell
    got = read(text_bytes(table, layout_of()), replace(layout_of(), contact=contact), tmp_path)
    assert got.codes == ({code} if code else set())
    assert got.season["impact_s"].tolist() == pytest.approx(
        [impact_s if impact_s is not None else np.nan], nan_ok=True
    )


def test_words_are_put_into_ours(tmp_path: Path) -> None:
    table = recorder_table(SEASON, layout_of()).assign(Flight="rechts+dünn", Iron="7i")
    table.loc[table["No"] == "002", "Flight"] = ""
    words = Words(
        FromColumn("Iron", {"7I": "7-iron"}), FromColumn("Flight", {"rechts+dünn": "slice thin"}), "retest"
    )
    got = read(text_bytes(table, layout_of()), replace(layout_of(), words=words), tmp_path)
    assert got.season["club"].tolist() == ["7-iron", "7-iron"]
    assert [None if shot is None else list(shot) for shot in got.season["shot"]] == [["slice", "thin"], None]
    assert set(got.season["context"]) == {"retest"}


# --- orientations ---


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("order", ["wxyz", "xyzw"])
@pytest.mark.parametrize("frame", ["segment-to-world", "world-to-segment"])
@pytest.mark.parametrize(("volar", "proximal"), [("+x", "+y"), ("+z", "-x"), ("-y", "+z")])
def test_orientations(side: str, order: str, frame: str, volar: str, proximal: str, tmp_path: Path) -> None:
    """Against scipy: the two sensors are put on moving bones, and the layout takes them off again."""
    angles = np.stack([SEASON[name][0] for name in ("flexion_deg", "ulnar_deg", "pronation_deg")]).astype(
        float
    )
    n = angles.shape[1]
    elbow = np.stack([np.full(n, 70.0), np.full(n, 8.0), angles[2]], axis=1)
    upper = Rotation.from_rotvec(np.linspace([0, 0, 0], [1, 2, -1], n))
    forearm = upper * Rotation.from_quat(joint_rotations(elbow, side))
    hand = forearm * Rotation.from_quat(
        joint_rotations(np.stack([angles[0], angles[1], np.full(n, 3.0)], axis=1), side)
    )
    axes = {"x": [1, 0, 0], "y": [0, 1, 0], "z": [0, 0, 1]}
    first, second = (np.array(axes[name[1]]) * (1 if name[0] == "+" else -1) for name in (volar, proximal))
    bone_in_sensor = Rotation.from_matrix(np.stack([first, second, np.cross(first, second)], axis=1))
    columns = {"Clock": SEASON["t_s"][0]}
    segments = {}
    for name, bone in {"upper_arm": upper, "forearm": forearm, "hand": hand}.items():
        sensor = bone * bone_in_sensor.inv()
        quaternion = (sensor.inv() if frame == "world-to-segment" else sensor).as_quat()
        quaternion = quaternion[:, [3, 0, 1, 2]] if order == "wxyz" else quaternion
        names = tuple(f"{name}_{at}" for at in range(4))
        columns |= dict(zip(names, quaternion.T, strict=True))
        segments[name] = Segment(names, volar, proximal)  # type: ignore[arg-type]
    layout = replace(
        layout_of("parquet"),
        angles=None,
        orientation=Orientation(**segments, order=order, frame=frame),  # type: ignore[arg-type]
        worn=Worn(side, "right" if side == "left" else "left"),
        ids=Ids("ann", "day", "1"),
        swings=Swings("file"),
    )
    pq.write_table(pa.table(columns), tmp_path / "a.parquet")
    got = read(tmp_path / "a.parquet", layout, tmp_path)
    assert got.run.n_problems == 0
    for channel, name in enumerate(("flexion_deg", "ulnar_deg", "pronation_deg")):
        np.testing.assert_allclose(got.season[name][0], angles[channel], atol=1e-4)
    bare = replace(layout, orientation=replace(layout.orientation, upper_arm=None))  # type: ignore[type-var]
    assert read(tmp_path / "a.parquet", bare, tmp_path).season["pronation_deg"][0] is None


# --- other readers ---


def test_a_motion_file_that_contradicts_the_layout(tmp_path: Path) -> None:
    layout = layout_of("motion")
    content = text_bytes(recorder_table(SEASON, layout), layout)
    assert read(content, layout, tmp_path, "a.mot").run.exit_code == 0
    other = layout_of("motion", unit="rad")
    assert [each.code for each in read(content, other, tmp_path, "a.mot").run.unread] == ["unit-contradicted"]
    stated = layout_of("motion", unit="file")
    assert read(content, stated, tmp_path, "a.mot").run.exit_code == 0
    silent = content.replace(b"inDegrees=yes", b"a=b")
    assert [each.code for each in read(silent, stated, tmp_path, "a.mot").run.unread] == ["unit-not-stated"]


def test_a_motion_file_that_was_cut_off(tmp_path: Path) -> None:
    layout = layout_of("motion")
    content = text_bytes(recorder_table(SEASON, layout), layout)
    short = b"\n".join(content.split(b"\n")[:-30]) + b"\n"
    assert [each.code for each in read(short, layout, tmp_path, "a.mot").run.unread] == ["rows-missing"]
    assert [each.code for each in read(b"a\n" * 50, layout, tmp_path, "a.mot").run.unread] == [
        "no-motion-header"
    ]


def test_a_sheet_is_never_guessed(tmp_path: Path) -> None:
    table = recorder_table(SEASON, layout_of())
    with pd.ExcelWriter(tmp_path / "a.xlsx") as book:
        pd.DataFrame({"Cover": ["x"]}).to_excel(book, sheet_name="Cover", index=False)
        table.to_excel(book, sheet_name="Data", index=False)
    got = read(tmp_path / "a.xlsx", layout_of("spreadsheet"), tmp_path)
    assert [(each.code, each.found) for each in got.run.unread] == [("no-such-sheet", "Cover, Data")]
    assert read(tmp_path / "a.xlsx", layout_of("spreadsheet", sheet="Data"), tmp_path).run.n_sound == 2


def test_spreadsheets_that_are_bombs_or_none(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "bomb.xlsx", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("xl/workbook.xml", b" " * 200_000_000)
    with zipfile.ZipFile(tmp_path / "many.xlsx", "w") as packed:
        for part in range(5001):
            packed.writestr(f"{part}", b"")
    entities = "".join(f'<!ENTITY a{at} "{f"&a{at - 1};" * 10 if at else "x"}">' for at in range(9))
    with pd.ExcelWriter(tmp_path / "good.xlsx") as book:
        recorder_table(SEASON, layout_of()).to_excel(book, index=False)
    with (
        zipfile.ZipFile(tmp_path / "good.xlsx") as good,
        zipfile.ZipFile(tmp_path / "laugh.xlsx", "w") as bad,
    ):
        for part in good.namelist():
            content = good.read(part)
            if part == "xl/workbook.xml":
                content = f"<!DOCTYPE x [{entities}]><workbook>&a8;</workbook>".encode()
            bad.writestr(part, content)
    codes = {
        name: [
            each.code
            for each in read(tmp_path / f"{name}.xlsx", layout_of("spreadsheet"), tmp_path).run.unread
        ]
        for name in ("bomb", "many", "laugh")
    }
    assert codes == {"bomb": ["unpacks-too-far"], "many": ["unpacks-too-far"], "laugh": ["reader-failed"]}


def test_rows_far_down_a_sheet_do_not_hang(tmp_path: Path) -> None:
    with pd.ExcelWriter(tmp_path / "a.xlsx") as book:
        recorder_table(SEASON, layout_of()).to_excel(book, index=False)
    with zipfile.ZipFile(tmp_path / "a.xlsx") as good, zipfile.ZipFile(tmp_path / "b.xlsx", "w") as far:
        for part in good.namelist():
            content = good.read(part)
            if part.endswith("sheet1.xml"):
                row = b'<row r="999999999999"><c r="XFD999999999999"><v>1</v></c></row></sheetData>'
                content = content.replace(b"</sheetData>", row)
            far.writestr(part, content)
    got = read(tmp_path / "b.xlsx", layout_of("spreadsheet"), tmp_path)
    assert got.run.n_sound == 2


class Raising:
    def read(self, path: Path, layout: object):  # type: ignore[no-untyped-def]
        raise RuntimeError("boom")
        yield


class Rubbish:
    def read(self, path: Path, layout: object):  # type: ignore[no-untyped-def]
        yield "no block"


@pytest.mark.parametrize("target", ["no_such_module:X", "test_import_files:Missing"])
def test_a_reader_that_does_not_load_is_a_typed_error(
    target: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setitem(readers.OURS, "strange", target)
    got = read(b"x", layout_of("strange"), tmp_path)
    assert [problem.code for problem in got.run.unread] == ["reader-failed"]


@pytest.mark.parametrize("reader", [Raising, Rubbish])
def test_a_reader_that_fails_is_a_typed_error(
    reader: type, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(readers, "_load", lambda name: reader())
    got = read(b"x", layout_of("strange"), tmp_path)
    assert [problem.code for problem in got.run.unread] == ["reader-failed"]


def test_a_reader_nobody_has(tmp_path: Path) -> None:
    got = read(b"x", layout_of("nobody"), tmp_path)
    assert [problem.code for problem in got.run.unread] == ["no-such-reader"]
    assert "parquet" in got.run.unread[0].expected
