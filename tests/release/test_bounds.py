"""Bounds of dependencies are told apart and explained; the versions for CI are complete."""

from __future__ import annotations

import re
import tomllib
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

REPO = Path(__file__).parents[2]
PROJECT = tomllib.loads((REPO / "pyproject.toml").read_text("utf-8"))
RUNNING = [Requirement(one) for one in PROJECT["project"]["dependencies"]]
TESTING = [Requirement(one) for one in PROJECT["project"]["optional-dependencies"]["test"]]


def pins() -> dict[str, str]:
    lines = (REPO / ".ci/constraints.txt").read_text("utf-8").splitlines()
    for line in lines:
        assert re.fullmatch(r"[A-Za-z0-9._-]+==[A-Za-z0-9.]+", line), line
    return {canonicalize_name(name): version for name, version in (x.split("==") for x in lines)}


def test_every_bound_is_explained_and_none_caps_a_version():
    """DEVELOPERS.md, "Why these versions": a row for each, with the very bound."""
    text = (REPO / "DEVELOPERS.md").read_text("utf-8")
    for one in RUNNING:
        assert f"| `{one.name}` | {str(one.specifier).removeprefix('>=')} |" in text, one
        assert [part.operator for part in one.specifier] == [">="], one


def test_ci_versions_are_complete_and_within_the_bounds():
    """Every package that ours need, and those that they need in turn, has one version."""
    fixed = pins()
    wanted = [(one, frozenset(one.extras)) for one in (*RUNNING, *TESTING)]
    seen = set()
    while wanted:
        one, extras = wanted.pop()
        name = canonicalize_name(one.name)
        assert name in fixed, f"{one.name} has no version in .ci/constraints.txt"
        assert one.specifier.contains(fixed[name], prereleases=True), f"{one}: {fixed[name]}"
        if (name, extras) in seen:
            continue
        seen.add((name, extras))
        try:
            needs = distribution(name).requires or []
        except PackageNotFoundError:  # a test dependency that this environment does without
            continue
        for need in map(Requirement, needs):
            if need.marker is None or any(
                need.marker.evaluate({"extra": e}) for e in extras or [""]
            ):
                wanted.append((need, frozenset(need.extras)))
    assert len(seen) > 60


def test_the_extra_for_the_cluster_is_the_one_that_is_tested():
    extras = PROJECT["project"]["optional-dependencies"]
    assert set(extras["cluster"]) <= set(extras["test"])


def test_the_extra_for_weather_is_the_one_that_is_tested():
    extras = PROJECT["project"]["optional-dependencies"]
    assert set(extras["weather"]) <= set(extras["test"])
