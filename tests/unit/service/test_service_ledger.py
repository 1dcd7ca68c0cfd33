"""The ledger: a job has one holder at a time, whoever else is quick, silent or killed."""

from __future__ import annotations

import sqlite3
import threading
import time
from pathlib import Path

import pytest

from faultml.errors import InputError
from faultml.service.ledger import LEDGER_FILE, Job, Ledger
from faultml.service.worker_requests import JobProgress, WorkerRequest

LONG_S = 1000.0
REQUEST = WorkerRequest(model="m", store="s")


def entered(ledger: Ledger, *jobs: str) -> None:
    for job in jobs:
        assert ledger.add(job, "ann", REQUEST, LONG_S, 100, 100) == ""
        assert ledger.submit(job)


def claimed(ledger: Ledger, lease_s: float = LONG_S, running: int = 1, attempts: int = 3) -> Job:
    job = ledger.claim(lease_s, running, attempts)
    assert job is not None
    return job


def lapsed(ledger: Ledger) -> Job:
    """A claimed job whose holder is silent."""
    job = claimed(ledger, 0.0)
    time.sleep(0.002)
    return job


def test_jobs_come_in_their_turn_and_one_at_a_time(tmp_path: Path) -> None:
    ours, others = Ledger(tmp_path), Ledger(tmp_path)
    assert ours.claim(LONG_S, 1, 3) is None
    entered(ours, "a", "b")
    first = claimed(others)
    assert (first.id, first.state, first.fence, first.attempts, first.request) == (
        "a",
        "running",
        1,
        1,
        REQUEST,
    )
    assert ours.claim(LONG_S, 1, 3) is None, "as many run as may"
    assert others.end(first, "done", "", JobProgress(swings=4, assessed=3, finished=True))
    document = ours.get("a")
    assert document and document.done and document.progress.assessed == 3 and document.ended_s is not None
    assert claimed(ours).id == "b"


def test_an_upload_that_arrives_is_nobodys_job(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path)
    ledger.add("a", "", REQUEST, LONG_S, 9, 9)
    assert ledger.claim(LONG_S, 1, 3) is None and ledger.get("a") is None and ledger.all() == []
    assert ledger.ids() == {"a"} and ledger.remove_old(LONG_S) == []
    ledger.add("b", "", REQUEST, -1.0, 9, 9)
    assert ledger.remove_old(LONG_S) == ["b"], "its server was killed"
    assert ledger.remove("a") and not ledger.submit("a")


def test_a_silent_holder_loses_its_job_and_can_change_nothing_more(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path)
    entered(ledger, "a")
    old = lapsed(ledger)
    new = claimed(ledger)
    assert (new.id, new.fence, new.attempts) == ("a", 2, 2)
    assert not ledger.renew(old, LONG_S, JobProgress()) and not ledger.release(old)
    assert not ledger.end(old, "failed", "late", JobProgress())
    document = ledger.get("a")
    assert document and (document.state, document.fence, document.reason) == ("running", 2, "")
    assert ledger.renew(new, LONG_S, JobProgress(seen=7)) and ledger.end(new, "done", "", JobProgress())


def test_who_renews_keeps_the_job(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path)
    entered(ledger, "a")
    job = lapsed(ledger)
    assert ledger.renew(job, LONG_S, JobProgress(seen=7))
    assert ledger.claim(LONG_S, 5, 3) is None
    document = ledger.get("a")
    assert document and document.progress.seen == 7


def test_a_job_that_was_given_back_has_lost_no_attempt(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path)
    entered(ledger, "a")
    for fence in range(1, 6):
        job = claimed(ledger)
        assert (job.fence, job.attempts) == (fence, 1)
        assert ledger.release(job)


def test_what_is_interrupted_too_often_is_reported(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path)
    entered(ledger, "a", "b")
    for attempt in (1, 2, 3):
        assert lapsed(ledger).attempts == attempt
    assert claimed(ledger).id == "b", "the next has its turn"
    document = ledger.get("a")
    assert document and (document.state, document.reason) == (
        "interrupted", "It was interrupted 3 times, as its server ended. Upload it again.",
    )  # fmt: skip


def test_limits_hold_for_all_who_share_the_ledger(tmp_path: Path) -> None:
    ledgers = [Ledger(tmp_path) for _ in range(3)]
    said = [ledgers[at % 3].add(f"j{at}", "ann", REQUEST, LONG_S, 6, 4) for at in range(5)]
    assert said == ["", "", "", "", "token"]
    said = [ledgers[at % 3].add(f"k{at}", "bob", REQUEST, LONG_S, 6, 4) for at in range(3)]
    assert said == ["", "", "all"]


def test_how_long_until_there_is_room(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path)
    entered(ledger, "a", "b")
    assert ledger.first_removal_s(100.0) == 100.0
    assert ledger.end(claimed(ledger), "done", "", JobProgress())
    assert 99.0 < ledger.first_removal_s(100.0, "ann") <= 100.0
    assert ledger.first_removal_s(0.0) == 0.0 and ledger.first_removal_s(50.0, "bob") == 50.0
    time.sleep(0.01)
    assert ledger.remove_old(100.0) == [] and ledger.remove_old(0.0) == ["a"]


def test_many_at_once_never_hold_the_same_job(tmp_path: Path) -> None:
    entered(Ledger(tmp_path), *(f"j{at}" for at in range(40)))
    held: list[str] = []

    def work() -> None:
        ledger = Ledger(tmp_path)
        while job := ledger.claim(LONG_S, 100, 3):
            held.append(job.id)
            assert ledger.end(job, "done", "", JobProgress())

    threads = [threading.Thread(target=work) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(held) == sorted(f"j{at}" for at in range(40))


def test_a_ledger_of_another_version_is_not_touched(tmp_path: Path) -> None:
    entered(Ledger(tmp_path), "a")
    with sqlite3.connect(tmp_path / LEDGER_FILE) as connection:
        connection.execute("PRAGMA user_version = 99")
    with pytest.raises(InputError, match="other-ledger"):
        Ledger(tmp_path)
    (tmp_path / LEDGER_FILE).write_bytes(b"no database at all" * 100)
    with pytest.raises(InputError, match="other-ledger"):
        Ledger(tmp_path)
