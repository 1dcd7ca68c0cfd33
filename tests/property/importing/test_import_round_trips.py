"""What is written in any layout is read back to the same numbers."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from recorder_files import layout_of, recorder_table, write_recorder
from season_fakes import fake_season

from faultml.importing.layout import Layout, open_questions, parse_layout
from faultml.importing.layout_toml import write_layout
from faultml.importing.season import SEASON_FILE, import_season

SEASON = fake_season(2, rate_hz=60.0)
SUFFIXES = {"text": "csv", "spreadsheet": "xlsx", "parquet": "parquet", "motion": "mot"}


def imported(layout: Layout, folder: Path, **writing: object) -> pd.DataFrame:
    path = folder / f"file.{SUFFIXES[layout.file.reader]}"
    write_recorder(recorder_table(SEASON, layout), path, layout, **writing)  # type: ignore[arg-type]
    run = import_season([path], layout, folder / "season")
    assert (run.n_swings, run.n_written, run.n_problems) == (2, 2, 0), (run, run.unread)
    return pq.read_table(folder / "season" / SEASON_FILE).to_pandas()


def assert_same(read: pd.DataFrame, *, exact: bool) -> None:
    assert read[["player", "session", "swing"]].equals(SEASON[["player", "session", "swing"]])
    for row in range(len(SEASON)):
        np.testing.assert_allclose(read["t_s"][row], SEASON["t_s"][row], rtol=0, atol=0 if exact else 1e-9)
        for name in ("flexion_deg", "ulnar_deg", "pronation_deg"):
            # Angles are float32 in a season; radians cost one rounding there and one back.
            np.testing.assert_allclose(read[name][row], SEASON[name][row], rtol=0 if exact else 2e-7)


layouts = st.builds(
    layout_of,
    reader=st.sampled_from(["text", "spreadsheet", "parquet", "motion"]),
    unit=st.sampled_from(["deg", "rad"]),
    positive=st.tuples(
        st.sampled_from(["flexion", "extension"]),
        st.sampled_from(["ulnar", "radial"]),
        st.sampled_from(["pronation", "supination"]),
    ),
    geometric=st.booleans(),
    time_unit=st.sampled_from(["s", "ms", "us", "ns"]),
    arm=st.just("left"),
)


@settings(max_examples=60)
@given(layout=layouts)
def test_every_reader_and_unit(layout: Layout) -> None:
    with TemporaryDirectory() as folder:
        assert layout.angles is not None
        exact = layout.time.unit == "s" and layout.angles.flexion.unit == "deg"
        exact = exact and layout.file.reader != "spreadsheet"  # it is written with 16 digits
        assert_same(imported(layout, Path(folder)), exact=exact)


@settings(max_examples=60)
@given(
    delimiter=st.sampled_from([",", ";", "tab", "space", "|"]),
    decimal=st.sampled_from([".", ","]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-32", "latin-1", "cp1252"]),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    preamble=st.integers(0, 7),
    shape=st.sampled_from(["rows", "lists"]),
    packed=st.booleans(),
)
def test_every_form_of_text(
    delimiter: str, decimal: str, encoding: str, end: str, preamble: int, shape: str, packed: bool
) -> None:
    if delimiter == decimal or (delimiter == "space" and shape == "lists"):
        return
    layout = layout_of(
        delimiter=delimiter,
        decimal=decimal,
        encoding=encoding,
        shape=shape,
        names_line=preamble + 1,
        sheet="gz" if packed else "",
    )
    with TemporaryDirectory() as folder:
        assert_same(imported(layout, Path(folder), preamble=preamble, end=end), exact=True)


@pytest.mark.parametrize("shape", ["rows", "lists"])
def test_parquet_of_both_shapes(shape: str, tmp_path: Path) -> None:
    assert_same(imported(layout_of("parquet", shape=shape), tmp_path), exact=True)


@pytest.mark.parametrize("reader", ["text", "spreadsheet", "parquet"])
def test_stamps_of_day_and_time(reader: str, tmp_path: Path) -> None:
    read = imported(layout_of(reader, time_unit="datetime"), tmp_path)
    for row in range(len(SEASON)):
        # A spreadsheet keeps time to a microsecond or so.
        np.testing.assert_allclose(
            read["t_s"][row], SEASON["t_s"][row], atol=1e-3 if reader == "spreadsheet" else 1e-8
        )


@settings(max_examples=60)
@given(layout=layouts)
def test_a_layout_survives_its_file(layout: Layout) -> None:
    assert parse_layout(write_layout(layout, {"time.unit": ["a reason"]}, ["a head\nof two lines"])) == layout
    assert open_questions(layout) == []
