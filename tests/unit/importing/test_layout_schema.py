"""Layouts: what they refuse, and what they leave open."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from faultml.errors import InputError
from faultml.importing.layout import load_layout, open_questions, parse_layout
from faultml.importing.pattern import parse_pattern

LEAST = """
schema = 1
[file]
reader = "text"
[time]
unit = "s"
column = "t"
[angles.flexion]
column = "f"
unit = "deg"
positive = "flexion"
[angles.ulnar]
column = "u"
unit = "deg"
positive = "ulnar"
[worn]
arm = "lead"
[ids]
pattern = "{player}_{session}_{swing}.csv"
[swings]
split = "file"
"""


def test_the_least_layout_leaves_nothing_open() -> None:
    assert open_questions(parse_layout(LEAST)) == []


@pytest.mark.parametrize(
    ("line", "instead", "question"),
    [
        ('reader = "text"', 'reader = "?"', "file.reader"),
        ('reader = "text"', "", "file.reader"),
        ('unit = "s"', "", "time.unit"),
        ('column = "t"', "", "time.column"),
        ('column = "t"', 'column = "?"', "time.column"),
        ('unit = "s"\ncolumn = "t"', 'unit = "samples"', "time.rate_hz"),
        ('positive = "flexion"', "", "angles.flexion.positive"),
        ('positive = "ulnar"', 'positive = "ulnar"\nsign = "?"', "angles.ulnar.sign"),
        ('arm = "lead"', 'arm = "left"', "worn.hand"),
        ('positive = "ulnar"', 'positive = "ulnar"\nsign = "geometric"', "worn.hand"),
        ("_{swing}", "", "ids.swing"),
        ('split = "file"', "", "swings.split"),
    ],
)
def test_what_is_absent_or_marked_is_an_open_question(line: str, instead: str, question: str) -> None:
    assert line in LEAST
    assert open_questions(parse_layout(LEAST.replace(line, instead, 1))) == [question]


@pytest.mark.parametrize(
    ("line", "instead", "says"),
    [
        ("schema = 1", "schema = 2", "schema"),
        ('column = "t"', 'colum = "t"', "colum"),
        ('positive = "flexion"', 'positive = "ulnar"', "flexion or extension"),
        ("_{session}", "{session}", "text between two fields"),
        ("{swing}", "{shot}", "{player}"),
        ('unit = "s"', 'unit = "hours"', "unit"),
        ('split = "file"', 'split = "row"', 'shape = "lists"'),
        ('split = "file"', 'split = "file"\ngap_s = 2.0', "clock"),
        (
            'split = "file"',
            'split = "file"\n[contact]\ntime_column = "a"\nevent_column = "b"',
            "one kind of mark",
        ),
        ('split = "file"', 'split = "stream"\n[contact]\nsample_column = "a"', "stream"),
        ('reader = "text"', 'reader = "text"\ndelimiter = ",,"', "one character"),
        ('reader = "text"', 'reader = "text"\ndecimal = ","', "another mark"),
        ('reader = "text"', 'reader = "text"\nfirst_line = 1', "after names_line"),
        ("pattern =", 'player = "x"\npattern =', "one source"),
        ("[worn]", "[orientation]\n[orientation.hand]\n[orientation.forearm]\n[worn]", "both"),
    ],
)
def test_a_layout_that_contradicts_itself_is_refused(line: str, instead: str, says: str) -> None:
    assert line in LEAST
    with pytest.raises(InputError, match="bad-layout") as caught:
        parse_layout(LEAST.replace(line, instead, 1), where="l.toml")
    assert says in str(caught.value)
    assert caught.value.where.startswith("l.toml")


@given(st.binary(max_size=300))
def test_arbitrary_bytes_are_no_layout(content: bytes) -> None:
    path = Path("/tmp/never") if not content else None
    try:
        parse_layout(content.decode("utf-8", "replace"))
    except InputError as error:
        assert error.code == "bad-layout"
    assert path is None or not path.exists()


@pytest.mark.parametrize("content", [b"\xff\xfe", b"a" * 300_000, b"x = " + b"[" * 100_000])
def test_a_file_that_is_no_layout(content: bytes, tmp_path: Path) -> None:
    (tmp_path / "l.toml").write_bytes(content)
    with pytest.raises(InputError, match="bad-layout"):
        load_layout(tmp_path / "l.toml")


@pytest.mark.parametrize(
    ("pattern", "name", "read"),
    [
        (
            "{player}_{session}_{swing}.csv",
            "x/p1_day_3.csv",
            {"player": "p1", "session": "day", "swing": "3"},
        ),
        ("{player}/{any}-{swing}.csv", "x/ann/2-7.csv", {"player": "ann", "swing": "7"}),
        ("{swing}", "7.csv", {"swing": "7.csv"}),
        ("{player}__{swing}.csv", "a_b__c.csv", {"player": "a_b", "swing": "c"}),
        ("{player}_{session}_{swing}.csv", "jo_ann_day_3.csv", None),  # which part is the player?
        (
            "{player}-{session}-{swing}.csv",
            "ann-2031-05-02-01.csv",
            {"player": "ann", "session": "2031-05-02", "swing": "01"},
        ),
        (
            "{player}-2031-{session}-{swing}.csv",
            "ann-2031-05-02-01.csv",
            None,  # with a date cut in two it may still be read in two ways
        ),
        ("{player}-2031-{any}.csv", "ann-2031-05-02.csv", {"player": "ann"}),
        ("{player}_{swing}.csv", "p1_3.txt", None),
        ("{player}_{swing}.csv", "_3.csv", None),
        ("{player}/{swing}.csv", "3.csv", None),
    ],
)
def test_patterns_read_names_that_fit_in_one_way(
    pattern: str, name: str, read: dict[str, str] | None
) -> None:
    if read is None:
        with pytest.raises(InputError, match="name-differs"):
            parse_pattern(pattern).read(Path(name))
    else:
        assert parse_pattern(pattern).read(Path(name)) == read


@pytest.mark.parametrize(
    "pattern", ["{any}", "plain", "{player}{swing}", "{player}_{player}", "{player", "{x}_{swing}"]
)
def test_patterns_that_say_nothing_are_refused(pattern: str) -> None:
    with pytest.raises(InputError, match="bad-pattern"):
        parse_pattern(pattern)


parts = st.text(st.characters(exclude_characters="/_", exclude_categories=["Cs"]), min_size=1, max_size=8)


@given(st.lists(parts, min_size=3, max_size=3))
def test_a_name_made_from_a_pattern_is_read_back(values: list[str]) -> None:
    read = parse_pattern("{player}_{session}_{swing}").read(Path("/a") / "_".join(values))
    assert list(read.values()) == values


@given(pattern=st.text("{}_ab", max_size=40), name=st.text("_ab/", max_size=200))
def test_any_pattern_and_name_give_an_answer(pattern: str, name: str) -> None:
    try:
        parse_pattern(pattern).read(Path(name))
    except InputError as error:
        assert error.code in ("bad-pattern", "name-differs")
