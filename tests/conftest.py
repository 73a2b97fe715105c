"""Settings of all tests: hypothesis repeats the same examples, so that a run can be repeated; marks that go by fixtures."""

import pytest
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


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what opens a browser before marks are selected by."""
    for item in items:
        if "browser" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.browser)
