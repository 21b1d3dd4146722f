"""On how many examples a property is tried.

An ordinary run tries a tenth of them, so that it ends while somebody waits for it; every run
draws others. ``--hypothesis-profile=thorough`` tries all, as `.ci/run` does.
"""

from hypothesis import HealthCheck, settings

ALL = 100
"""Examples in a hundred that the thorough profile tries."""

# A busy machine makes no test fail.
settings.register_profile(
    "thorough",
    max_examples=ALL,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.register_profile("ordinary", settings.get_profile("thorough"), max_examples=ALL // 10)


def examples(many: int) -> settings:
    """So many in a thorough run, and the profile's share of them in another."""
    return settings(max_examples=many * settings.default.max_examples // ALL)
