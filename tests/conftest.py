"""Settings of all tests: hypothesis repeats the same examples, so that a run can be repeated."""

from hypothesis import HealthCheck, settings

# The compiled kernels are built on first use, which no deadline should count.
settings.register_profile(
    "rowreturn",
    deadline=None,
    derandomize=True,
    max_examples=15,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("rowreturn")
