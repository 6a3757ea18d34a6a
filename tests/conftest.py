"""Settings that every test shares."""

import os

from hypothesis import settings

# One thread: two cores serve pytest and the operating system, and results do not depend on scheduling.
os.environ.setdefault("OMP_NUM_THREADS", "1")

settings.register_profile("ci", deadline=None, derandomize=True)
settings.register_profile("bench", deadline=None)
settings.load_profile("ci" if os.environ.get("CI") else "bench")
