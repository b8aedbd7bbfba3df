from __future__ import annotations

import pytest

from tests.reports.hard_workspace import Hard, hard, pages_of


@pytest.fixture(scope="session")
def hard_us(tmp_path_factory: pytest.TempPathFactory) -> Hard:
    return hard(tmp_path_factory.mktemp("us") / "workspace", "us")


@pytest.fixture(scope="session")
def hard_metric(tmp_path_factory: pytest.TempPathFactory) -> Hard:
    return hard(tmp_path_factory.mktemp("metric") / "workspace", "metric")


@pytest.fixture(scope="session")
def pages(hard_us: Hard, hard_metric: Hard) -> dict[str, str]:
    """Every report of the hard workspace in both systems of units: name, HTML."""
    return {
        f"{units}_{name}": page
        for units, made in (("us", hard_us), ("metric", hard_metric))
        for name, page in pages_of(made)
    }
