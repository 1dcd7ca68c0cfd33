"""What a sheet of drills to be given says beside its columns is read or refused, and never passed over."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from faultml.care.known import Known
from faultml.care.statements import statements
from faultml.coaching.giving import note_pain, read_givings
from faultml.coaching.rules import load_coaching
from faultml.errors import InputError
from faultml.faults.catalogue import load_catalogue
from faultml.store import open_store

DAY = date(2024, 6, 3)
ROW = "p001,two_stops_to_the_top,2024-06-03"


@pytest.mark.parametrize("column", ["pain", "hurt", "notes", "injury"])
def test_an_unknown_column_is_refused_by_name(tmp_path: Path, column: str) -> None:
    sheet = tmp_path / "sheet.csv"
    sheet.write_text(f"player,drill,since,{column}\n{ROW},wrist\n", encoding="utf-8")
    with pytest.raises(InputError, match="unknown-column") as refused:
        read_givings(sheet, Known(), ["p001"], load_coaching(load_catalogue()), DAY)
    assert refused.value.found == column and "wrist" not in str(refused.value)


@pytest.mark.parametrize(
    ("hurts", "note", "said"),
    [
        ("none", "wrist is sore", "wrist is sore"),
        ("", "broken hand", "broken hand"),
        ("numb", "sore", "numb"),
    ],
)
def test_a_complaint_in_the_note_holds(tmp_path: Path, hurts: str, note: str, said: str) -> None:
    sheet = tmp_path / "sheet.csv"
    sheet.write_text(f"player,drill,since,hurts,note\n{ROW},{hurts},{note}\n", encoding="utf-8")
    givings, problems, pains = read_givings(sheet, Known(), ["p001"], load_coaching(load_catalogue()), DAY)
    assert givings == [] and problems and note not in str(problems)
    with open_store(tmp_path / "store.sqlite") as store:
        assert note_pain(store, pains, DAY) == ["p001"]
        assert [(each.about, each.value) for each in statements(store)] == [("pain", said)]


def test_another_note_holds_nobody(tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.csv"
    sheet.write_text(f"player,drill,since,hurts,note\n{ROW},none,after the break\n", encoding="utf-8")
    assert read_givings(sheet, Known(), ["p001"], load_coaching(load_catalogue()), DAY)[2] == []
