"""Record what a player says: pain, none, a return to practice, histories; and whether a return may be recorded."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

from faultml.care.body import PlayerBody, pain_day, pain_state
from faultml.care.put_together import without_mistakes
from faultml.care.rules import CareRules, is_name, load_care
from faultml.care.statements import Statement, add_statements, check_statement, statements
from faultml.errors import InputError
from faultml.store import Store

_LACKING = {
    "clinician": ("clinician-needed", "a clinician's advice after such a complaint: --advice 'doctor: NAME'"),
    "guardian": ("guardian-needed", "the guardian of a player under 16: --guardian NAME"),
    "name": ("name-needed", "who says so: --by NAME"),
}


def record(
    store: Store, said: Sequence[Statement], body: PlayerBody, today: date, rules: CareRules | None = None
) -> None:
    """Record statements about one player, all of them or none.

    Parameters
    ----------
    body
        What is known of the player now: it decides whether a return may be recorded.

    Raises
    ------
    InputError
        As `faultml.care.statements.add_statements`; of a return ``clinician-needed``, ``guardian-needed``, or
        ``pain-later`` where pain was said on that day or after it; of a mistake
        ``nothing-to-take-back``.
    """
    for each in said:
        check_statement(each, today)
        if each.about == "return":
            _check_return(each, body, rules or load_care())
        if each.about == "mistake":
            _check_mistake(store, each)
        if each.about == "birth_year" and not is_name(each.by) and int(each.value) < (body.birth_year or 0):
            expected = "who says that the player is older than on record: --by NAME"
            raise InputError("name-needed", where=each.player, expected=expected, found=each.by or "nothing")
        stands = {str(name): answer for name, answer in body.histories.items()}
        if each.value == "no" and stands.get(each.about) and not is_name(each.by):
            expected = "who takes the yes on record back: --by NAME"
            raise InputError("name-needed", where=each.player, expected=expected, found=each.by or "nothing")
    add_statements(store, said, today)


def _check_mistake(store: Store, said: Statement) -> None:
    before = without_mistakes(statements(store, said.player))
    if len(without_mistakes([*before, said])) == len(before):
        raise InputError(
            "nothing-to-take-back",
            where=said.player,
            expected="pain recorded today by the same person, without a word of where; else a return to practice",
            found="none",
        )


def _check_return(said: Statement, body: PlayerBody, rules: CareRules) -> None:
    pains = [pain_day(each, body.said) for each in body.said if each.kind == "hurts"]
    if pains and said.said_on <= max(pains):
        raise InputError(
            "pain-later",
            where=said.player,
            expected=f"a day after {max(pains).isoformat()}, when pain was last reported (a word of the roster may bear"
            " its own, earlier date)",
            found=said.said_on.isoformat(),
        )
    as_said = said.as_said
    assert as_said is not None
    # Alone on its day: what an unsigned return of the roster lacks must not hide what this one does.
    others = tuple(each for each in body.said if each.kind != "return" or each.on < said.said_on)
    free = replace(body, unread=False, held_for=(), said=(*others, as_said))
    state = pain_state(free, said.said_on, rules)
    if state.lacks:
        code, expected = _LACKING[state.lacks[0]]
        raise InputError(code, where=said.player, expected=expected, found=said.advice)
