"""One profile for every property test: no limit on an example's time, because no test judges a machine's speed."""

from hypothesis import HealthCheck, settings

settings.register_profile(
    "nightturn", parent=settings(), deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("nightturn")
