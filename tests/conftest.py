"""What every test has: names that do not change from process to process."""

import pytest


def pytest_make_parametrize_id(config: pytest.Config, val: object, argname: str) -> str | None:
    """Name a function by its name, not by where it lies: workers must collect alike."""
    return getattr(val, "__name__", None) if callable(val) else None
