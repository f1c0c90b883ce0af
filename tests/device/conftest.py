"""Property tests of core and drivers in a slower build take fewer examples."""

import os

from hypothesis import settings

settings.register_profile("other build", parent=settings.get_profile("same"), max_examples=15)
if os.environ.get("NIGHTTURN_HARNESS") or os.environ.get("NT_DRIVERS"):
    settings.load_profile("other build")
