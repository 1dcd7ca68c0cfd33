"""Bad files: each is reported with where, what was expected and found, and never stops the rest."""

from __future__ import annotations

import gzip
import os
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from season_fakes import fake_season, to_long, write_long, write_parquet

from faultml.errors import InputError
from faultml.recordings import csv_blocks, files
from faultml.recordings.problems import Problem
from faultml.recordings.read import open_season


def read(*paths: Path) -> tuple[pd.DataFrame, list[Problem]]:
    """The tables of all batches, and all problems."""
    season = open_season(paths)
    tables = [batch.table for batch in season.batches()]
    table = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame({"swing": [], "reason": []})
    assert len(table) == season.n_swings
    return table, season.problems


def long_lines(n_swings: int = 3) -> list[str]:
    """A long CSV as lines; a swing has 402 rows, the header is line 1."""
    return to_long(fake_season(n_swings)).round(4).to_csv(index=False, lineterminator="\n").splitlines()


def put(path: Path, content: str | bytes) -> Path:
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def lines_of(change: Callable[[list[str]], object]) -> str:
    lines = long_lines()
    change(lines)
    return "\n".join(lines) + "\n"


def edit(lines: list[str], at: int, old: int, new: str) -> None:
    """Replace field `old` of a line (numbered as in the file)."""
    fields = lines[at - 1].split(",")
    fields[old] = new
    lines[at - 1] = ",".join(fields)


def doubled() -> str:
    return lines_of(
        lambda lines: lines.__setitem__(slice(None), [line + "," + line.split(",")[4] for line in lines])
    )


def without(name: str) -> str:
    return to_long(fake_season(2)).drop(columns=name).to_csv(index=False)


def semicolons() -> bytes:
    return to_long(fake_season(2)).to_csv(index=False, sep=";", decimal=",").encode()


def parquet_bytes(season: pd.DataFrame, tmp_path: Path) -> bytes:
    return write_parquet(season, tmp_path / "source.pq").read_bytes()


WHOLE_FILES: dict[str, tuple[str, str | bytes, str]] = {
    "empty": ("a.csv", b"", "empty-file"),
    "empty parquet": ("a.parquet", b"", "empty-file"),
    "header alone": ("a.csv", long_lines()[0], "no-rows"),
    "header and line end": ("a.csv", long_lines()[0] + "\n\n", "no-rows"),
    "missing column": ("a.csv", without("ulnar_deg"), "missing-column"),
    "no ids": ("a.csv", without("player"), "missing-column"),
    "doubled column": ("a.csv", doubled(), "doubled-column"),
    "prose": ("a.csv", "Dear coach,\nplease find attached\n" * 50, "not-a-table"),
    "another table": ("a.csv", "a,b\n1,2\n", "not-a-table"),
    "picture": ("a.csv", b"\x89PNG\r\n\x1a\n" + bytes(100), "not-a-table"),
    "zeros": ("a.csv", bytes(5000), "not-a-table"),
    "noise": ("a.csv", bytes(range(1, 256)) * 40, "not-a-table"),
    "latin-1": ("a.csv", lines_of(lambda x: edit(x, 500, 0, "M\xfcller")).encode("latin-1"), "not-utf-8"),
    "latin-1 in a number": (
        "a.csv",
        lines_of(lambda x: edit(x, 900, 4, "1\xa0")).encode("latin-1"),
        "not-utf-8",
    ),
    "latin-1 header": ("a.csv", "spieler,gr\xf6\xdfe\n1,2\n".encode("latin-1"), "not-utf-8"),
    "utf-16": ("a.csv", "\n".join(long_lines()).encode("utf-16"), "not-utf-8"),
    "one endless line": ("a.csv", long_lines()[0] + "\n" + "1," * 1_200_000, "line-too-long"),
    "text as parquet": ("a.parquet", "\n".join(long_lines()), "damaged-file"),
    "parquet beginning alone": ("a.parquet", b"PAR1" + bytes(500), "damaged-file"),
    "cut gzip": ("a.csv.gz", gzip.compress("\n".join(long_lines()).encode())[:-2000], "damaged-file"),
    "gzip of nothing": ("a.csv.gz", gzip.compress(b""), "empty-file"),
    "gzip of noise": ("a.csv.gz", gzip.compress(os.urandom(5000)), "not-utf-8"),
}


@pytest.mark.parametrize("case", WHOLE_FILES)
def test_a_bad_file_is_reported_and_the_good_one_read(case: str, tmp_path: Path) -> None:
    name, content, code = WHOLE_FILES[case]
    put(tmp_path / name, content)
    write_long(fake_season(2).assign(player="good"), tmp_path / "good.csv")
    table, problems = read(tmp_path)
    assert table["player"].tolist() == ["good", "good"] and (table["reason"] == "").all()
    (problem,) = problems
    assert problem.code == code
    assert problem.file == str(tmp_path / name)
    assert problem.expected and problem.found


def test_truncated_parquet(tmp_path: Path) -> None:
    content = parquet_bytes(fake_season(3), tmp_path)
    put(tmp_path / "a.parquet", content[: len(content) // 2])
    (problem,) = read(tmp_path / "a.parquet")[1]
    assert problem.code == "damaged-file"


def test_a_damaged_part_of_a_parquet_file_costs_its_own_swings_only(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    season = fake_season(3000)
    season["swing"] = [f"{at:05d}" for at in range(3000)]
    pq.write_table(pa.Table.from_pandas(season), path, row_group_size=1000)
    chunk = pq.ParquetFile(path).metadata.row_group(1).column(4)
    content = bytearray(path.read_bytes())
    start = chunk.data_page_offset
    content[start : start + 4000] = bytes(4000)
    put(path, bytes(content))
    table, problems = read(path)
    assert table["swing"].tolist() == season["swing"].tolist()
    refused = table["reason"] == "damaged-file"
    assert 0 < refused.sum() <= 1000 and not refused[:1000].any() and not refused[2000:].any()
    assert [problem.code for problem in problems] == ["damaged-file"] and 1001 <= problems[0].row <= 2000


@pytest.mark.parametrize(
    ("column", "values"),
    [
        ("flexion_deg", ["1,2,3", "4"]),
        ("flexion_deg", [1.0, 2.0]),
        ("t_s", [["a", "b"], ["c"]]),
        ("player", [1.5, 2.5]),
        ("player", [["a"], ["b"]]),
        ("impact_s", ["1.2", "1.3"]),
        ("shot", [{"a": 1}, {"a": 2}]),
        ("hand", [True, False]),
    ],
)
def test_parquet_with_wrong_types(column: str, values: list, tmp_path: Path) -> None:
    season = fake_season(2)
    season[column] = pd.Series(values)
    (problem,) = read(write_parquet(season, tmp_path / "a.parquet"))[1]
    assert problem.code == "wrong-type" and column in problem.expected and problem.found


def test_parquet_with_nothing_in_it(tmp_path: Path) -> None:
    assert read(write_parquet(fake_season(1).head(0), tmp_path / "a.parquet"))[1][0].code in (
        "no-rows",
        "wrong-type",
    )
    pq.write_table(pa.table({"a": [1]}), tmp_path / "b.parquet")
    assert read(tmp_path / "b.parquet")[1][0].code == "missing-column"


def test_numbers_as_parquet_ids_are_text_and_reported(tmp_path: Path) -> None:
    table, problems = read(write_parquet(fake_season(2).assign(swing=[7, 8]), tmp_path / "a.parquet"))
    assert table["swing"].tolist() == ["7", "8"] and (table["reason"] == "").all()
    assert [problem.code for problem in problems] == ["id-not-text"]


def test_parquet_dates_as_session(tmp_path: Path) -> None:
    season = fake_season(2).assign(session=pd.Timestamp("2026-05-01"))
    table, problems = read(write_parquet(season, tmp_path / "a.parquet"))
    assert table["session"].tolist() == ["2026-05-01"] * 2 and problems == []


class TestRows:
    """Damage within a CSV file: line 500 lies in the second swing."""

    def read_back(self, tmp_path: Path, content: str) -> tuple[pd.DataFrame, list[Problem]]:
        table, problems = read(put(tmp_path / "a.csv", content))
        assert table["swing"].tolist() == ["001", "002", "003"]
        assert table["reason"].tolist()[::2] == ["", ""], "the others are read"
        return table, problems

    @pytest.mark.parametrize("cell", ["abc", "1.2.3", "1_0", "0x10", "--", "=1+1", "٣", "1 2"])
    @pytest.mark.parametrize("field", [3, 4, 6])
    def test_text_in_a_number(self, cell: str, field: int, tmp_path: Path) -> None:
        table, problems = self.read_back(tmp_path, lines_of(lambda x: edit(x, 500, field, cell)))
        assert table["reason"][1] == "not-a-number"
        assert [(row.row, row.swing, row.code) for row in problems] == [(500, "002", "not-a-number")]
        assert cell in problems[0].found

    @pytest.mark.parametrize("cell", ["", "NaN", "nan", "NA", "null"])
    def test_a_lost_sample(self, cell: str, tmp_path: Path) -> None:
        table, problems = self.read_back(tmp_path, lines_of(lambda x: edit(x, 500, 4, cell)))
        assert table["reason"][1] == "" and "gap-filled" in table["findings"][1]
        assert [(row.swing, row.code) for row in problems] == [("002", "missing-value")]

    @pytest.mark.parametrize("cell", ["inf", "-inf", "Infinity", "1e999"])
    def test_infinity(self, cell: str, tmp_path: Path) -> None:
        table, problems = self.read_back(tmp_path, lines_of(lambda x: edit(x, 500, 4, cell)))
        assert table["reason"][1] == "not-finite"
        assert [(row.swing, row.code) for row in problems] == [("002", "not-finite")]

    @pytest.mark.parametrize("cell", [" 1.5", "+1.5", "1.5e0", "1.5E+00", "01.5", "1.50 "])
    def test_other_spellings_of_a_number(self, cell: str, tmp_path: Path) -> None:
        table, problems = self.read_back(tmp_path, lines_of(lambda x: edit(x, 500, 5, cell)))
        assert table["reason"][1] == "" and problems == []

    def test_too_many_fields(self, tmp_path: Path) -> None:
        table, problems = self.read_back(tmp_path, lines_of(lambda x: x.__setitem__(499, x[499] + ",1")))
        assert table["reason"][1] == "field-count"
        assert [(row.row, row.swing, row.code) for row in problems] == [(500, "002", "field-count")]
        assert "7" in problems[0].expected and problems[0].found.startswith("8")

    def test_too_few_fields(self, tmp_path: Path) -> None:
        table, problems = self.read_back(tmp_path, lines_of(lambda x: x.__setitem__(499, "p1")))
        assert table["reason"][1] == "field-count"
        assert [(row.row, row.swing) for row in problems] == [(500, "002")]

    def test_decimal_commas_between_commas(self, tmp_path: Path) -> None:
        table, problems = read(
            put(tmp_path / "a.csv", to_long(fake_season(2)).to_csv(index=False, decimal=",").replace('"', ""))
        )
        assert table["reason"].tolist() == ["field-count"] * 2
        assert len(problems) == 2, "one row a swing, not one a sample"

    @pytest.mark.parametrize("quote", ['"p1,x', '"', 'p"1', '"p1"x'])
    def test_a_stray_quote_costs_its_own_swing_at_most(self, quote: str, tmp_path: Path) -> None:
        table, _ = read(put(tmp_path / "a.csv", lines_of(lambda x: edit(x, 500, 6, quote))))
        assert table["reason"].tolist()[::2] == ["", ""] and table["reason"][1] != ""

    def test_blank_lines_do_not_count_and_do_not_shift(self, tmp_path: Path) -> None:
        def change(lines: list[str]) -> None:
            edit(lines, 500, 4, "abc")
            lines.insert(100, "")
            lines.insert(1, "   ")

        problems = self.read_back(tmp_path, lines_of(change))[1]
        assert [row.row for row in problems] == [502]

    def test_a_file_cut_in_a_row(self, tmp_path: Path) -> None:
        text = "\n".join(long_lines())
        table, problems = read(put(tmp_path / "a.csv", text[: text.rindex(",", 0, -40) - 3]))
        assert table["reason"].tolist() == ["", "", "field-count"] and len(problems) == 1

    def test_rows_that_disagree_about_the_swing(self, tmp_path: Path) -> None:
        long = to_long(fake_season(3).assign(hand="left", impact_s=1.36, club="7 iron"))
        long.loc[500, ["hand", "club"]] = ["right", ""]
        long.loc[500, "impact_s"] = 1.4
        table, problems = self.read_back(tmp_path, long.to_csv(index=False))
        assert table["hand"].tolist() == ["left", "", "left"]
        assert table["club"].tolist() == ["7 iron"] * 3, "the only value given holds"
        assert table["impact_s"].isna().tolist() == [False, True, False]
        assert {row.code for row in problems} == {"inconsistent-rows"} and len(problems) == 2

    def test_contact_reported_once(self, tmp_path: Path) -> None:
        long = to_long(fake_season(3))
        long["impact_s"] = np.where(np.arange(len(long)) == 500, 1.36, np.nan)
        table, problems = self.read_back(tmp_path, long.to_csv(index=False))
        assert table["impact_s"].tolist()[1] == 1.36 and problems == []

    def test_contact_that_is_no_number(self, tmp_path: Path) -> None:
        long = to_long(fake_season(3).assign(impact_s=["1.36", "yes", "1.36"]))
        table, problems = self.read_back(tmp_path, long.to_csv(index=False))
        assert table["reason"][1] == "" and "impact-unreadable" in table["findings"][1]
        assert np.isnan(table["impact_s"][1]) and [row.code for row in problems] == ["impact-unreadable"]


class TestIds:
    IDS = (
        *(
            "007",
            "NA",
            "null",
            "1e5",
            "nan",
            "None",
            "True",
            "  x ",
            "<script>alert(1)</script>",
            "=1+1",
            "@SUM(A1)",
        ),
        *("../../etc/passwd", "/dev/null", "C:\\x", "ключ", "a'b", "-1", "{{x}}", "%s", "x" * 900),
    )

    @pytest.mark.parametrize("write", [write_long, write_parquet])
    @pytest.mark.parametrize("column", ["player", "session", "swing"])
    def test_ids_stay_as_they_are(self, write: Callable, column: str, tmp_path: Path) -> None:
        season = fake_season(len(self.IDS))
        season[column] = self.IDS
        suffix = "csv" if write is write_long else "parquet"
        table, problems = read(write(season, tmp_path / f"a.{suffix}"))
        assert table[column].tolist() == list(self.IDS) and problems == []
        assert (table["reason"] == "").all()

    def test_quoted_ids(self, tmp_path: Path) -> None:
        season = fake_season(2).assign(player=['a,"b"', "c;d"])
        table, problems = read(write_long(season, tmp_path / "a.csv"))
        assert table["player"].tolist() == ['a,"b"', "c;d"] and problems == []

    def test_an_id_of_a_megabyte_in_parquet(self, tmp_path: Path) -> None:
        season = fake_season(2).assign(player="x" * 1_000_000)
        assert read(write_parquet(season, tmp_path / "a.parquet"))[1][0].code == "text-too-long"

    def test_bytes_that_are_no_utf8_in_parquet(self, tmp_path: Path) -> None:
        table = pa.Table.from_pandas(fake_season(2), preserve_index=False)
        bad = pa.Array.from_buffers(
            pa.string(), 2, [None, pa.py_buffer(np.array([0, 1, 2], np.int32)), pa.py_buffer(b"\xff\xfe")]
        )
        pq.write_table(table.set_column(0, "player", bad), tmp_path / "a.parquet")
        assert read(tmp_path / "a.parquet")[1][0].code == "not-utf-8"

    @pytest.mark.parametrize("suffixes", [("csv", "csv"), ("parquet", "parquet"), ("csv", "parquet")])
    def test_copies_in_two_files_are_all_refused(self, suffixes: tuple[str, str], tmp_path: Path) -> None:
        for at, suffix in enumerate(suffixes):
            write = write_long if suffix == "csv" else write_parquet
            write(fake_season(2 + at), tmp_path / f"{at}.{suffix}")
        table, problems = read(tmp_path)
        assert table["reason"].tolist() == ["repeated-id"] * 4 + [""]
        assert [row.code for row in problems] == ["repeated-id"] * 4
        assert len({row.file for row in problems}) == 2

    def test_copies_apart_in_one_file(self, tmp_path: Path) -> None:
        season = fake_season(4)
        season.loc[3, "swing"] = "001"
        table, problems = read(write_long(season, tmp_path / "a.csv"))
        assert table["reason"].tolist() == ["repeated-id", "", "", "repeated-id"]
        assert [row.row for row in problems] == [2, 2 + 3 * 402]

    def test_a_copy_right_after(self, tmp_path: Path) -> None:
        season = pd.concat([fake_season(2), fake_season(2).tail(1)])
        table, problems = read(write_long(season, tmp_path / "a.csv"))
        assert table["reason"].tolist() == ["", "repeated-id"] and len(problems) == 1

    def test_one_file_named_twice_is_read_once(self, tmp_path: Path) -> None:
        path = write_long(fake_season(2), tmp_path / "a.csv")
        table, problems = read(path, path, tmp_path)
        assert table["reason"].tolist() == ["", ""] and problems == []


class TestDelimiters:
    @pytest.mark.parametrize("sep", [";", "\t"])
    @pytest.mark.parametrize("decimal", [",", "."])
    def test_read_as_meant_and_reported(self, sep: str, decimal: str, tmp_path: Path) -> None:
        season = fake_season(2)
        put(tmp_path / "a.csv", to_long(season).to_csv(index=False, sep=sep, decimal=decimal))
        opened = open_season([tmp_path / "a.csv"])
        (batch,) = opened.batches()
        assert (batch.table["reason"] == "").all()
        np.testing.assert_array_equal(batch.t_s[0, :402], season["t_s"][0])
        assert [row.code for row in opened.problems] == ["other-delimiter"]
        assert repr(sep) in opened.problems[0].found and repr(decimal) in opened.problems[0].found

    def test_mixed_decimal_marks_are_never_guessed(self, tmp_path: Path) -> None:
        lines = semicolons().decode().split("\n")
        lines[500] = lines[500].replace(",", ".")
        table, problems = read(put(tmp_path / "a.csv", "\n".join(lines)))
        assert table["reason"].tolist() == ["", "not-a-number"] and problems[-1].row == 501


class TestBounds:
    def test_a_small_file_that_unpacks_far(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(files, "UNPACK_BASE_BYTES", 1_000_000)
        rows = b"p1,2026,001,0.1,1,2,3\n" * 500_000
        with gzip.open(tmp_path / "a.csv.gz", "wb") as stream:
            stream.write(long_lines()[0].encode() + b"\n")
            for _ in range(5):
                stream.write(rows)
        table, problems = read(tmp_path)
        assert len(table) == 0 and problems[0].code == "unpacks-too-far"

    def test_parquet_that_unpacks_far(self, tmp_path: Path) -> None:
        flat = pa.array(np.zeros(4_000_000))
        lists = pa.ListArray.from_arrays(pa.array([0, 2_000_000, 4_000_000], pa.int32()), flat)
        ids = {name: ["a", "b"] for name in ("player", "session", "swing")}
        pq.write_table(
            pa.table({**ids, "t_s": lists, "flexion_deg": lists, "ulnar_deg": lists, "pronation_deg": lists}),
            tmp_path / "a.parquet",
        )
        assert (tmp_path / "a.parquet").stat().st_size < 100_000
        (problem,) = read(tmp_path / "a.parquet")[1]
        assert problem.code == "unpacks-too-far"

    def test_a_swing_without_end(self, tmp_path: Path) -> None:
        with (tmp_path / "a.csv").open("w") as stream:
            stream.write("player,session,swing,t_s,flexion_deg,ulnar_deg\n")
            stream.write("".join(f"p,s,x,{at / 1000},1,2\n" for at in range(100_000)))
            stream.write(
                "".join(
                    line + "\n"
                    for line in to_long(fake_season(1))
                    .drop(columns="pronation_deg")
                    .to_csv(index=False)
                    .splitlines()[1:]
                )
            )
        table, _ = read(tmp_path)
        assert table["reason"].tolist() == ["too-long", ""]

    def test_many_small_blocks(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        path = put(tmp_path / "a.csv", lines_of(lambda x: edit(x, 500, 4, "abc")))
        whole = read(path)
        monkeypatch.setattr(csv_blocks, "BLOCK_BYTES", 777)
        pieces = read(path)
        pd.testing.assert_frame_equal(whole[0], pieces[0])
        assert whole[1] == pieces[1]


class TestFolders:
    def test_no_such_path(self, tmp_path: Path) -> None:
        with pytest.raises(InputError, match="no-such-path"):
            open_season([tmp_path / "nothing"])

    def test_empty_folder(self, tmp_path: Path) -> None:
        assert [row.code for row in read(tmp_path)[1]] == ["empty-folder"]

    def test_what_is_passed_over_and_what_is_reported(self, tmp_path: Path) -> None:
        write_long(fake_season(1), tmp_path / "a.csv")
        (tmp_path / "deep").mkdir()
        write_parquet(fake_season(2).tail(1), tmp_path / "deep" / "b.parquet")
        for name in (".hidden.csv", "_success", "README.md", "roster.csv"):
            put(tmp_path / name, "player\n")
        (tmp_path / "results").mkdir()
        put(tmp_path / "results" / "run.json", "{}")
        write_long(fake_season(1), tmp_path / "results" / "swings.csv")
        put(tmp_path / "notes.docx", "hello")
        with zipfile.ZipFile(tmp_path / "sheet.csv", "w") as archive:
            archive.writestr("x", "y")
        table, problems = read(tmp_path)
        assert table["swing"].tolist() == ["001", "002"] and (table["reason"] == "").all()
        assert {(Path(row.file).name, row.code) for row in problems} == {
            ("notes.docx", "not-a-season-file"),
            ("sheet.csv", "not-a-table"),
        }

    def test_links_pipes_and_locked_files(self, tmp_path: Path) -> None:
        write_long(fake_season(1), tmp_path / "a.csv")
        (tmp_path / "b.csv").symlink_to(tmp_path / "a.csv")
        (tmp_path / "loop").symlink_to(tmp_path, target_is_directory=True)
        (tmp_path / "broken.csv").symlink_to(tmp_path / "nowhere")
        os.mkfifo(tmp_path / "pipe.csv")
        table, problems = read(tmp_path)
        assert table["reason"].tolist() == [""]
        assert {(Path(row.file).name, row.code) for row in problems} == {
            ("broken.csv", "unreadable"),
            ("pipe.csv", "not-a-file"),
        }

    def test_content_decides_not_the_name(self, tmp_path: Path) -> None:
        content = parquet_bytes(fake_season(1), tmp_path)
        assert read(put(tmp_path / "a.csv", content))[0]["reason"].tolist() == [""]
        packed = gzip.compress("\n".join(long_lines()).encode())
        assert read(put(tmp_path / "b.txt", packed))[0]["reason"].tolist() == [""] * 3

    def test_byte_order_mark_line_ends_and_spaces_in_the_header(self, tmp_path: Path) -> None:
        text = "\n".join(long_lines()).replace("t_s", " t_s ", 1)
        for end in ("\r\n", "\r"):
            table, problems = read(
                put(tmp_path / "a.csv", b"\xef\xbb\xbf" + text.replace("\n", end).encode())
            )
            assert table["reason"].tolist() == [""] * 3 and problems == []

    def test_a_misspelt_column_is_reported_and_a_strange_one_is_not(self, tmp_path: Path) -> None:
        season = fake_season(1).assign(Hand="left", impact="1.3", temperature="20")
        _, problems = read(write_long(season, tmp_path / "a.csv"))
        assert {(row.code, row.expected) for row in problems} == {
            ("unknown-column", "hand?"),
            ("unknown-column", "impact_s?"),
        }
