"""Sets done with a sensor count in the plan: given three weeks ago, 4 of 15 planned sets done, so carry on."""

from __future__ import annotations

from datetime import date, timedelta

import pandas as pd
from care_fakes import HEALTHY, known_of

from faultml.coaching.book import load_book
from faultml.plan.practice import practice_notes
from faultml.practice.kept import keep_set, kept_sets
from faultml.practice.sets import SetRecord
from faultml.store import open_store

DRILL = "two_stops_to_the_top"
START = date(2031, 5, 12)


def test_each_kept_set_is_a_set_of_its_day_once(tmp_path):
    book = load_book()
    with open_store(tmp_path / "store.sqlite") as store:
        for week in range(2):
            day = START + timedelta(days=7 * week)
            known = known_of(pd.DataFrame([{"player": "p", **HEALTHY, "pain": f"none {day}"}]), on=day)
            for number in (1, 2):
                done = SetRecord("p", DRILL, day.isoformat(), number, 1.0, 10, 10, 8, balls=number - 1)
                keep_set(store, done, 10, known, book, day)
                keep_set(store, done, 10, known, book, day)
            short = SetRecord("p", DRILL, day.isoformat(), 3, 0.0, 3, 3, 3)
            keep_set(store, short, 10, known, book, day)
        notes = practice_notes(store)
        assert [(each.day, each.sets, each.balls) for each in notes] == [
            ("2031-05-12", 2, 1),
            ("2031-05-19", 2, 1),
        ]
        assert sum(each.sets for each in notes) == 4
        assert len(kept_sets(store, "p", DRILL)) == 6
        assert {each.feedback_share for each in kept_sets(store, "p", DRILL)} == {1.0, 0.0}
