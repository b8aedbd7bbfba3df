"""What holds for all tests, those in the docstrings of the package too."""

from tests.order import pytest_collection_modifyitems  # noqa: F401 - a hook
