"""What the pages keep of answers given before."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

from casebase.api import CaseBase
from casebase.web.held import KEPT, Kept


def test_answers_are_made_one_at_a_time_and_each_once() -> None:
    kept, base, together = Kept(), CaseBase("cases"), Barrier(8)
    at_work, most, made = 0, 0, list[str]()

    def make(key: str) -> str:
        nonlocal at_work, most
        at_work += 1
        most = max(most, at_work)
        made.append(key)
        at_work -= 1
        return key.upper()

    def ask(key: str) -> str:
        together.wait()
        return kept.get(base, key, lambda: make(key))

    with ThreadPoolExecutor(8) as pool:
        assert list(pool.map(ask, "abcdabcd")) == list("ABCDABCD")
    assert most == 1 and sorted(made) == list("abcd")


def test_answers_of_another_engine_are_forgotten_and_not_too_many_are_kept() -> None:
    kept, one, other = Kept(), CaseBase("cases"), CaseBase("cases")
    assert kept.get(one, "q", lambda: 1) == kept.get(one, "q", lambda: 2) == 1
    assert kept.get(other, "q", lambda: 3) == 3
    for number in range(KEPT):
        kept.get(other, number, lambda: 4)
    assert kept.get(other, "q", lambda: 5) == 5


def test_a_question_that_fails_keeps_nobody_waiting() -> None:
    kept, base = Kept(), CaseBase("cases")
    for _time in range(2):
        try:
            kept.get(base, "q", lambda: 1 // 0)
        except ZeroDivisionError:
            continue
        raise AssertionError
    assert kept.get(base, "q", lambda: 1) == 1
