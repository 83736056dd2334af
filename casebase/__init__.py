"""casebase: the memory of a one-person repair shop, made countable.

The map of the house, in the order data flows; a room imports only from rooms above it:

    problems    everything that can be wrong, as data
    record      what a case is and how it lives in a file
    trade       what the trade knows: vocabulary, readings, handbook
    retrieve    from a person's words to similar cases
    reuse       from similar cases to a decision
    retain      from a job to a case, and care for the whole
    exchange    other formats in and out
    web         the pages for phone, tablet and desk, and JSON for programs
    serve       serves the pages on this machine or the local network
    cli         the command line

`CaseBase` is the way in for other programs:

    >>> from casebase import CaseBase
    >>> base = CaseBase("cases")
    >>> answer = base.find("runs only on choke, leaks at bulb")
    >>> answer.ranking.shown[0].id
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from casebase.api import CaseBase as CaseBase

# Before numpy is loaded: matrices as small as ours are no slower by one thread, and where other programs are at work threads that
# wait for each other take six times as long. Whoever wants more says so in the environment.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

__version__ = "0.1.0"
__all__ = ["CaseBase"]


def __getattr__(name: str) -> Any:
    """Loads the engine only when asked for, so that importing a single room stays cheap."""
    if name == "CaseBase":
        from casebase.api import CaseBase

        return CaseBase
    raise AttributeError(name)
