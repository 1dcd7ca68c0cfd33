"""Motion files, spreadsheets, and readers of other packages that fail."""

from __future__ import annotations

import zipfile
from pathlib import Path

import msgspec
import pandas as pd
import pytest
from importing_one import SEASON, read
from recorder_files import layout_of, recorder_table, text_bytes

from faultml.importing import readers

replace = msgspec.structs.replace


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
