"""What every test gets: no test touches the real cache, and Hypothesis leaves nothing behind."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from commands import learn_once, put_what_was_learned, quick_lexicon
from hypothesis import HealthCheck, settings

# The tools are scripts, not a package; their tests import them as they lie.
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tools"))

settings.register_profile(
    "casebase", deadline=None, database=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
settings.load_profile("casebase")


@pytest.fixture(scope="session", autouse=True)
def _own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Sends everything that is cached to a directory of this test session, and forgets how wide the runner's paper is."""
    own, base = tmp_path_factory.mktemp("cache"), tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        learn_once(base.parent)
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv("COLUMNS", raising=False)
        patch.setenv("XDG_CACHE_HOME", str(own))
        put_what_was_learned(own)
        yield


@pytest.fixture(scope="module")
def quick() -> Iterator[None]:
    """For modules that build many indexes: they share one compiled vocabulary and one learned model."""
    with pytest.MonkeyPatch.context() as patch:
        quick_lexicon(patch)
        yield


def pytest_make_parametrize_id(val: object) -> str | None:
    """Keeps the names of tests readable where they are given very long texts."""
    return f"{val[:30]!a}+{len(val) - 30}" if isinstance(val, (str, bytes)) and len(val) > 60 else None
