"""One tiny shop that can be checked by hand, reused by every room's tests; and no test that fails for a slow machine."""

from __future__ import annotations

import pytest
from hypothesis import settings

from tests.tiny import tiny_shop

settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")


@pytest.fixture
def shop():
    return tiny_shop()
