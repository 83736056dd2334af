"""A request that the pages turn away, before or instead of asking the engine.

    Exception
    └── Denied    the HTTP status, a heading and a sentence that says what to do
"""

from __future__ import annotations

from casebase.problems import Refused

# The status of a refusal of the engine, by the code of its first problem; others are 400.
STATUSES = {"no-case": 404, "which-case": 404, "changed": 409, "exists": 409, "taken": 409, "closed": 409, "busy": 503,
            "not-saved": 507, "cache": 507, "too-long": 413}


class Denied(Exception):
    """What is said to the one who asked. `wait` is in how many seconds to try again."""

    def __init__(self, status: int, heading: str, sentence: str, wait: int = 0) -> None:
        super().__init__(f"{status} {heading}")
        self.status, self.heading, self.sentence, self.wait = status, heading, sentence, wait


def status_of(refused: Refused) -> int:
    return STATUSES.get(refused.problems[0].code, 400) if refused.problems else 400
