"""What every test takes for granted: nothing of the person's own is read or written."""

import os
from collections.abc import Iterator

import pytest


@pytest.fixture(autouse=True, scope="session")
def _no_kept_results(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep no results of stages, in this process and its children; a test that wants some says so."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(os.environ, "MOLDPLAN_CACHE", str(tmp_path_factory.mktemp("kept")))
        patch.setitem(os.environ, "MOLDPLAN_CACHE_MB", "0")
        yield
