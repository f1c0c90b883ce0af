"""As `nightturn` starts: one thread for linear algebra, or small matrices wait for busy cores."""

from collections.abc import Iterator

import pytest
from threadpoolctl import threadpool_limits


@pytest.fixture(autouse=True, scope="session")
def one_thread() -> Iterator[None]:
    with threadpool_limits(1):
        yield
