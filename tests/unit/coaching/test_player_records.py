"""The records of coaching: written into the result tables, and read back from them, the same."""

from __future__ import annotations

from pathlib import Path
from string import Formatter

import msgspec
import pandas as pd
import pytest

from faultml.coaching.notes import note_text, wordings, write
from faultml.coaching.retest import read_retests
from faultml.coaching.tables import read_plans
from faultml.errors import InputError
from faultml.results.tables import TableWriter, infer_schema, read_table


def _as_text(record: object) -> str:
    """A record in a form in which NaN equals NaN."""
    return repr(msgspec.to_builtins(record))


@pytest.fixture(scope="module")
def first_words(made, coach):
    hurt = made("a", past={"flexed_top": 12.0}, shots=[("hook",), ("straight",)], late_save=0.8)
    rest = made("b") + made("c", assessed=False) + made("d", past={"cupped_top": 9.0, "overset": 7.0})
    again = made("d", past={"cupped_top": -9.0}, sessions=["2031-06-20"], context="retest")
    return coach(hurt + rest + again)


def test_the_tables_read_back_as_the_records_they_were_written_from(first_words) -> None:
    assert _as_text(read_plans(first_words.players, first_words.drills)) == _as_text(first_words.plans)


@pytest.mark.parametrize("ending", ["parquet", "csv"])
def test_they_do_from_a_file_too(first_words, ending: str, tmp_path: Path) -> None:
    frames = []
    for name, frame in (("players", first_words.players), ("drills", first_words.drills)):
        schema = infer_schema(frame)
        writer = TableWriter(tmp_path / f"{name}.{ending}", schema)
        writer.append(frame)
        writer.close()
        frames.append(read_table(tmp_path / f"{name}.{ending}", schema))
    assert _as_text(read_plans(*frames)) == _as_text(first_words.plans)


def test_re_tests_read_back_in_order_of_session(first_words) -> None:
    rows = read_retests(first_words.retests)
    assert len(rows) == len(first_words.retests) > 0
    assert [row.session for row in rows] == sorted(row.session for row in rows)
    assert {row.held for row in rows} == {None}  # no swings came after the only re-test


def test_a_cell_that_does_not_fit_is_damage_and_not_a_guess(first_words) -> None:
    broken = first_words.players.assign(kind="mystery")
    with pytest.raises(InputError, match="damaged-results"):
        read_plans(broken, first_words.drills)


def test_a_note_takes_exactly_the_figures_of_its_sentence() -> None:
    for code, wording in wordings().items():
        named = {name for _, name, _, _ in Formatter().parse(wording.text) if name}
        assert named <= wording.figures <= named | {"unit", "miss", "known", "straight"}, code
    with pytest.raises(KeyError, match="sessions"):
        write("rests-on", swings=3, rate=0.5, rate_lo=0.1, rate_hi=0.9)
    with pytest.raises(KeyError, match="spare"):
        write("low-evidence", spare=1)


def test_a_sentence_is_made_of_codes_and_numbers_only_at_the_end(coaching) -> None:
    note = write("waiting", faults=("hold_off", "flip"), cause="flexed_top", risk="hook-worsens")
    assert note.figures["faults"] == ("hold_off", "flip")
    assert note_text(note, coaching) == (
        f"Drills for {coaching.words['hold_off']} and {coaching.words['flip']} wait until the re-test of "
        f"{coaching.words['flexed_top']} passes; taking the save away first makes the hook worse."
    )
    calm = write("waiting", faults=("flip",), cause="flexed_top", risk="")
    assert note_text(calm, coaching).endswith("passes.")
    now = {
        "rate_now": 0.614,
        "now_lo": 0.5,
        "now_hi": 0.7,
        "sessions_now": 2,
        "swings_now": 20,
        "flagged_now": 9,
    }
    rests = write("rests-on", swings=40, sessions=1, rate=0.4, **now)
    assert note_text(rests, coaching) == (
        "Rests on 40 swings in 1 session. Now, in the last 2 sessions, the call is yes in 9 of 20 swings; estimated, it"
        " shows in 61 % of them (90 % interval 50 % to 70 %), and in 40 % over the season."
    )


def test_every_note_on_a_page_can_be_written(first_words, coaching) -> None:
    notes = [note for plan in first_words.plans for fault in plan.faults for note in fault.notes]
    notes += [note for plan in first_words.plans for drill in plan.drills for note in drill.notes]
    assert len(notes) > 30
    for note in notes:
        text = note_text(note, coaching)
        assert "{" not in text
        assert text[0] == text[0].upper()
    assert pd.Series([note.code for note in notes]).nunique() > 8
