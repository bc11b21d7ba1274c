"""Here the rehearsal car itself is tested: nothing of it comes from another test."""

from collections.abc import Iterator

import pytest

from tests import shared


@pytest.fixture(scope="package", autouse=True)
def drive_anew() -> Iterator[None]:
    shared.drive_anew()
    yield
    shared.share_motions()
