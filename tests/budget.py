"""On how many examples a property is tried.

An ordinary run tries a tenth of them, so that it ends while somebody waits for it, and
``--hypothesis-profile=thorough`` tries all, as `.ci/run` does. Both draw the same ones each time,
so that a change is judged by what it changed. ``--hypothesis-profile=search`` draws others in every
run, twice as many, to find what nobody has thought of.
"""

from hypothesis import HealthCheck, settings

ALL = 100
"""Examples in a hundred that the thorough profile tries."""

# A busy machine makes no test fail.
settings.register_profile(
    "thorough",
    derandomize=True,
    max_examples=ALL,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.register_profile(
    "search",
    settings.get_profile("thorough"),
    derandomize=False,
    max_examples=2 * ALL,
)
settings.register_profile("ordinary", settings.get_profile("thorough"), max_examples=ALL // 10)


def examples(many: int) -> settings:
    """So many in a thorough run, and the profile's share of them in another."""
    return settings(max_examples=many * settings.default.max_examples // ALL)
