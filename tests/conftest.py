"""What holds for every test: a busy machine makes none fail."""

from hypothesis import HealthCheck, settings

settings.register_profile(
    "any machine", settings(), deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("any machine")
