"""One tiny shop that can be checked by hand, reused by every room's tests."""

from __future__ import annotations

import pytest

from tests.tiny import tiny_shop


@pytest.fixture
def shop():
    return tiny_shop()
