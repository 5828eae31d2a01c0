"""The bridge's firmware, built once for all tests of the room."""

from __future__ import annotations

import pytest

from tests.drive.boards import Built, build


@pytest.fixture(scope="session")
def built(tmp_path_factory: pytest.TempPathFactory) -> Built:
    return build(tmp_path_factory.mktemp("firmware"))
