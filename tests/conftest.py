"""What every test gets: no test touches the real cache, and Hypothesis leaves nothing behind."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile(
    "casebase", deadline=None, database=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
settings.load_profile("casebase")


@pytest.fixture(scope="session", autouse=True)
def _own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Sends everything that is cached to a directory of this test session."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        yield
