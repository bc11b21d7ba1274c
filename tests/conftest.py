"""What all tests share."""

import os

# Before numpy is loaded: small matrices gain nothing from threads, and threads that wait for each other cost two
# processes on two cores a fifth of their time.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# A process that a test starts may keep what it compiled: else each of them compiles two hundred files again.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

import pytest
from hypothesis import settings

from tests import shared

# A busy machine is no failure: how long an example takes is the bench's affair. 40 examples in the plain run;
# .ci/run sets STEADYPULL_THOROUGH=1 and takes Hypothesis' own 100. A test that states its number keeps it.
settings.register_profile("quick", deadline=None, max_examples=40)
settings.register_profile("thorough", deadline=None)
settings.load_profile("thorough" if os.environ.get("STEADYPULL_THOROUGH") == "1" else "quick")


def pytest_configure(config: pytest.Config) -> None:
    """One shared folder for all processes of the run."""
    if not hasattr(config, "workerinput"):
        root = shared.begin()
        config.add_cleanup(lambda: shared.end(root))
    shared.share_motions()
