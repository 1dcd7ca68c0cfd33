"""Whatever a coach writes goes out as a sheet and comes back the same; whatever a sheet holds is no traceback."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faultml.errors import FaultmlError
from faultml.faults.catalogue import load_catalogue
from faultml.labels import Verdict, add, export_verdicts, import_verdicts, verdicts
from faultml.store import Store, open_store

CATALOGUE = load_catalogue()
WORDS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=30)
NAMES = WORDS.filter(lambda name: name.strip() != "") | st.sampled_from(
    ["007", "=1+1", "'=x", "a\r\nb", "NA", '"', "'"]
)


@st.composite
def some_verdict(draw: st.DrawFn) -> Verdict:
    fault = draw(st.sampled_from(CATALOGUE.faults))
    word = draw(st.sampled_from(["yes", "no", "unsure", "retract"]))
    most = 90.0 if fault.unit == "deg" else 1.0
    severity = draw(st.none() | st.floats(0, most)) if word == "yes" else None
    when = draw(st.sampled_from(["2026-05-01", "2026-05-02T10:00:00", ""]))
    ids = (draw(NAMES) for _ in range(3))
    return Verdict(*ids, fault.id, word, draw(NAMES), severity, "", draw(NAMES), when, draw(WORDS))


@pytest.fixture(scope="module")
def stores(tmp_path_factory: pytest.TempPathFactory) -> list[Store]:
    """Two stores for all examples, which take turns: to make one takes longer than an example."""
    folder = tmp_path_factory.mktemp("stores")
    return [open_store(folder / "one.sqlite"), open_store(folder / "other.sqlite")]


def empty(store: Store) -> None:
    with store.writing() as connection:
        connection.exec_driver_sql("DELETE FROM verdicts")


@settings(max_examples=50)
@given(given_verdicts=st.lists(some_verdict(), min_size=1, max_size=6))
def test_out_and_back_is_the_same(stores: list[Store], given_verdicts: list[Verdict]) -> None:
    one, other = stores
    for store in stores:
        empty(store)
    sheet, again = one.path.with_name("out.csv"), one.path.with_name("again.csv")
    add(one, given_verdicts, catalogue=CATALOGUE)
    n = export_verdicts(one, sheet, history=True)
    assert import_verdicts(other, sheet) == (n, 0, 0, [])
    assert verdicts(other, history=True).equals(verdicts(one, history=True))
    assert verdicts(other).equals(verdicts(one))
    export_verdicts(other, again, history=True)
    assert again.read_bytes() == sheet.read_bytes()


@settings(max_examples=60)
@given(content=st.binary(max_size=300) | st.lists(st.lists(WORDS, max_size=8), max_size=6))
def test_any_sheet_is_an_answer(stores: list[Store], content: bytes | list[list[str]]) -> None:
    head = b"player,session,swing,fault,verdict,severity,when\n"
    body = content if isinstance(content, bytes) else "\n".join(",".join(row) for row in content).encode()
    for whole in (body, head + body):
        file = stores[0].path.with_name("any.csv")
        file.write_bytes(whole)
        try:
            done = import_verdicts(stores[0], file, coach="ann")
        except FaultmlError:
            continue
        assert done.added == 0 or not done.problems
