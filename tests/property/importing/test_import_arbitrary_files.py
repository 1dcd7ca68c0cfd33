"""Whatever the bytes or the table: a typed problem or a finding, never a traceback, every sound swing kept."""

from __future__ import annotations

import gzip
from pathlib import Path
from tempfile import TemporaryDirectory

import msgspec
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from recorder_files import layout_of, recorder_table, text_bytes, write_recorder
from season_fakes import fake_season

from faultml.importing.importer import ImportRun
from faultml.importing.layout import Contact, FromColumn, Layout, TimeLayout
from faultml.importing.season import PROBLEMS_FILE, import_season
from faultml.recordings.findings import findings
from faultml.recordings.read import open_season

QUICK = settings(max_examples=50)
SUFFIXES = {"text": "csv", "spreadsheet": "xlsx", "parquet": "parquet", "motion": "mot"}
READERS = list(SUFFIXES)
FILE_CODES = {
    *(
        "bad-date",
        "bad-layout",
        "damaged-file",
        "doubled-column",
        "empty-file",
        "ids-change",
        "line-too-long",
    ),
    *("missing-column", "no-motion-header", "no-rows", "no-such-sheet", "not-a-spreadsheet", "not-utf-8"),
    *("reader-failed", "rows-missing", "text-too-long", "too-many-columns", "unit-contradicted"),
    *("unknown-encoding", "unpacks-too-far", "wrong-encoding", "wrong-type"),
}
SEASON = fake_season(2, rate_hz=60.0)


def read_all(content: bytes, layout: Layout) -> ImportRun:
    """Import one file and hold the outcome to what holds for every one."""
    with TemporaryDirectory() as folder:
        path, out = Path(folder) / f"a.{SUFFIXES[layout.file.reader]}", Path(folder) / "season"
        path.write_bytes(content)
        run = import_season([path], layout, out)
        codes = set(pd.read_csv(out / PROBLEMS_FILE, dtype=str, keep_default_na=False)["code"])
        assert codes <= FILE_CODES | set(findings()), codes
        if not run.n_swings and content:
            assert codes, "nothing read and nothing said"
        season = open_season([out])
        batches = list(season.batches())
        # What the import calls sound is so for whoever reads the season, but for copies of an id.
        sound = sum(int((batch.table["reason"] == "").sum()) for batch in batches)
        assert sound == run.n_sound or "repeated-id" in codes
        assert sum(map(len, batches)) == run.n_written
        return run


def sample(reader: str) -> bytes:
    layout = layout_of(reader)
    with TemporaryDirectory() as folder:
        path = Path(folder) / "a"
        return write_recorder(recorder_table(SEASON, layout), path.with_suffix(".xlsx"), layout).read_bytes()


SAMPLES = {reader: sample(reader) for reader in READERS}


@pytest.mark.parametrize("reader", READERS)
@QUICK
@given(content=st.binary(max_size=1500))
def test_arbitrary_bytes(reader: str, content: bytes) -> None:
    read_all(content, layout_of(reader))
    if reader == "text":
        read_all(gzip.compress(content), layout_of(reader))
        read_all(content, layout_of(reader, encoding="utf-16", delimiter="space"))
        read_all(content, layout_of(reader, encoding="latin-1", names_line=0, first_line=2))
    if reader == "motion":
        read_all(b"inDegrees=yes\nnRows=3\nendheader\n" + content, layout_of(reader))


@pytest.mark.parametrize("reader", READERS)
@QUICK
@given(data=st.data())
def test_a_file_with_arbitrary_damage(reader: str, data: st.DataObject) -> None:
    content = bytearray(SAMPLES[reader])
    edits = st.tuples(st.integers(0, len(content) - 1), st.binary(max_size=6), st.integers(0, 8))
    for at, new, width in data.draw(st.lists(edits, max_size=8)):
        content[at : at + width] = new
    read_all(bytes(content), layout_of(reader))


@pytest.mark.parametrize("reader", READERS)
@QUICK
@given(share=st.floats(0, 1))
def test_a_file_cut_short(reader: str, share: float) -> None:
    content = SAMPLES[reader]
    read_all(content[: int(len(content) * share)], layout_of(reader))


cells = st.one_of(
    st.sampled_from(
        ["", "nan", "inf", "0", "1", "-1", "1e308", "1e999", "0.005", '"', ";", "NA", "=1", "p1", "x\x00y"]
    ),
    st.sampled_from(["2026-05-01", "2026-05-01T10:00:00Z", "1,5", "9" * 30, "-" * 3, "1790000000123456789"]),
    st.text(max_size=5),
    st.floats().map(repr),
)
NAMES = ["Player", "Day", "No", "Clock", "Bend", "Tilt", "Twist", "Hit"]
LAYOUTS = [
    layout_of(),
    layout_of(unit="rad", time_unit="datetime", geometric=True, decimal=",", delimiter=";"),
    layout_of(time_unit="ns", shape="lists"),
    msgspec.structs.replace(layout_of(), contact=Contact(time_column="Hit")),
    msgspec.structs.replace(layout_of(), contact=Contact(event_column="Hit")),
    msgspec.structs.replace(layout_of(), contact=Contact(sample_column="Hit", first_sample=1)),
    msgspec.structs.replace(layout_of(), time=TimeLayout("samples", "Clock", rate_hz=100.0)),
]


@QUICK
@given(
    names=st.lists(st.sampled_from(NAMES), min_size=1, max_size=9),
    rows=st.lists(st.lists(cells, max_size=9), max_size=12),
    layout=st.sampled_from(LAYOUTS),
)
def test_arbitrary_text_tables(names: list[str], rows: list[list[str]], layout: Layout) -> None:
    mark = layout.file.delimiter
    read_all("\n".join(mark.join(row) for row in [names, *rows]).encode("utf-8", "replace"), layout)


columns = st.one_of(
    st.lists(st.none() | st.floats(width=32), min_size=3, max_size=3),
    st.lists(st.none() | st.integers(-(2**63), 2**63 - 1), min_size=3, max_size=3),
    st.lists(st.none() | st.text(max_size=4), min_size=3, max_size=3),
    st.lists(st.none() | st.booleans(), min_size=3, max_size=3),
    st.lists(st.none() | st.binary(max_size=4), min_size=3, max_size=3),
    st.lists(st.none() | st.datetimes(), min_size=3, max_size=3),
    st.lists(st.none() | st.dates(), min_size=3, max_size=3),
    st.lists(st.none() | st.lists(st.none() | st.floats(width=32), max_size=4), min_size=3, max_size=3),
    st.lists(st.none() | st.lists(st.text(max_size=3), max_size=4), min_size=3, max_size=3),
)


@QUICK
@given(table=st.dictionaries(st.sampled_from(NAMES), columns, min_size=1), layout=st.sampled_from(LAYOUTS))
def test_arbitrary_parquet_tables(table: dict[str, list], layout: Layout) -> None:
    layout = msgspec.structs.replace(layout, file=msgspec.structs.replace(layout.file, reader="parquet"))
    sink = pa.BufferOutputStream()
    pq.write_table(pa.table(table), sink)
    read_all(sink.getvalue().to_pybytes(), layout)


@QUICK
@given(
    words=st.lists(cells, min_size=2, max_size=2), form=st.sampled_from(["", "iso", "%d.%m.%Y", "%Q%", "%"])
)
def test_arbitrary_words_and_formats(words: list[str], form: str) -> None:
    table = recorder_table(SEASON, layout_of())
    table["Day"] = [words[0].replace(",", "").replace("\n", "").replace("\r", "")] * len(table)
    layout = layout_of()
    ids = msgspec.structs.replace(layout.ids, session=FromColumn("Day", {words[0]: words[1]}, form))
    read_all(
        text_bytes(table, layout_of()).decode().encode("utf-8", "replace"),
        msgspec.structs.replace(layout, ids=ids),
    )
