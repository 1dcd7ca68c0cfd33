"""Questions asked one after another: what teaches most, now and then an unannounced repeat, undone step by step."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from typing import Final

from faultml.faults.catalogue import Catalogue
from faultml.labels.choose import REPEAT_OCCASION, next_swings, repeat_swings
from faultml.labels.rules import QueueRules, load_label_rules
from faultml.labels.verdict import FIRST_OCCASION, NOT_BLIND, RETRACT, Verdict, keep, verdicts
from faultml.results import Results
from faultml.store import Store

_REFILL_BELOW: Final = 6


@dataclass(frozen=True)
class Question:
    """Whether a swing shows a fault; `blind` while nothing has been shown of what the tool thinks of it."""

    player: str
    session: str
    swing: str
    fault: str
    occasion: str = FIRST_OCCASION
    blind: bool = True


@dataclass(frozen=True)
class Answered:
    """A question with the answer that was kept."""

    question: Question
    verdict: str


class VerdictQueue:
    """The questions for one coach, on the results that are there.

    Every answer is on the disk when `answer` returns. Questions are chosen ahead by `refill`, which streams the whole
    season and may run in a thread beside the rest.
    """

    def __init__(
        self,
        store: Store,
        results: Results,
        coach: str,
        catalogue: Catalogue,
        rules: QueueRules | None = None,
    ) -> None:
        self._store = store
        self._results = results
        self._coach = coach
        self._catalogue = catalogue
        self._rules = rules or load_label_rules().queue
        self._ahead: deque[Question] = deque()
        self._given: list[Answered] = []
        self._open: Question | None = None
        self._asked = 0
        self._exhausted = False

    @property
    def given(self) -> tuple[Answered, ...]:
        """What has been answered in this sitting and not taken back."""
        return tuple(self._given)

    @property
    def needs_refill(self) -> bool:
        """Whether few questions are left that were chosen ahead, and more may be found."""
        return len(self._ahead) < _REFILL_BELOW and not self._exhausted

    def refill(self) -> None:
        """Choose the next swings, given everything that has been answered."""
        held = verdicts(self._store, coach=self._coach)
        waiting = {
            (each.player, each.session, each.swing, each.fault) for each in [*self._ahead, *self._current]
        }
        chosen = next_swings(self._results, held, swings=self._rules.ahead)
        new = [
            Question(row["player"], row["session"], row["swing"], fault)
            for row in chosen.to_dict("records")
            for fault in row["faults"]
            if (row["player"], row["session"], row["swing"], fault) not in waiting
        ]
        self._ahead.extend(new)
        self._exhausted = not new

    def question(self) -> Question | None:
        """What to ask now; the same until it is answered, None where nothing is left."""
        if self._open is None:
            repeated = (
                self._repeat()
                if self._asked % self._rules.repeat_every == self._rules.repeat_every - 1
                else None
            )
            if repeated is None and not self._ahead:
                self.refill()
            self._open = repeated or (self._ahead.popleft() if self._ahead else None)
        return self._open

    def answer(self, verdict: str) -> Answered:
        """Keep the answer to the open question.

        Raises
        ------
        InputError
            ``forgotten-player``.
        StoreError
            Where it cannot be written: the question then stays open.
        """
        question = self._open
        assert question is not None, "a question is open"
        self._keep(question, verdict)
        answered = Answered(question, verdict)
        self._given.append(answered)
        self._open = None
        self._asked += 1
        return answered

    def skip(self) -> None:
        """Leave the open question unanswered in this sitting."""
        self._open = None

    def undo(self) -> Question | None:
        """Take the last answer back and ask that question again; None where nothing was answered."""
        if not self._given:
            return None
        last = self._given[-1]
        self._keep(last.question, RETRACT)
        self._given.pop()
        self._asked -= 1
        if self._open is not None:
            self._ahead.appendleft(self._open)
        self._open = replace(last.question, blind=False)
        return self._open

    @property
    def _current(self) -> tuple[Question, ...]:
        return (self._open,) if self._open is not None else ()

    def _keep(self, question: Question, verdict: str) -> None:
        given = Verdict(
            question.player,
            question.session,
            question.swing,
            question.fault,
            verdict,
            self._coach,
            occasion=question.occasion,
            comment="" if question.blind or verdict == RETRACT else NOT_BLIND,
        )
        keep(self._store, [given], self._catalogue)

    def _repeat(self) -> Question | None:
        """A question answered a while ago, to be asked again as if it were new."""
        held = verdicts(self._store, coach=self._coach)
        early = held.iloc[: max(len(held) - self._rules.repeat_after, 0)]
        later = held.iloc[len(early) :]
        again = set(
            later.loc[
                later["occasion"] == REPEAT_OCCASION, ["player", "session", "swing", "fault"]
            ].itertuples(index=False, name=None)
        )
        for row in repeat_swings(early, self._coach).itertuples(index=False):
            ids = str(row.player), str(row.session), str(row.swing), str(row.fault)
            if ids not in again and row.fault in self._catalogue.ids:
                return Question(*ids, occasion=REPEAT_OCCASION)
        return None
