"""What is asked again with the same numbers is worked out once: for pure functions of arrays."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache, wraps
from typing import Any, Final, ParamSpec, TypeVar

import numpy as np

Given = ParamSpec("Given")
Found = TypeVar("Found")


class _Same:
    """What a function was given; an array is the same as another one that is so bit by bit."""

    def __init__(self, value: Any) -> None:
        self.value = value
        self._bits = value
        if isinstance(value, np.ndarray):
            if value.dtype.hasobject:
                raise TypeError("an array of Python objects has no bits to go by")
            self._bits = (value.dtype.str, value.shape, value.tobytes())

    def __hash__(self) -> int:
        return hash(self._bits)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and self._bits == other._bits


_CACHES: Final[list[Callable[[], None]]] = []


def forget() -> None:
    """Work everything out anew: for who tries another assumption than that of the program."""
    for clear in _CACHES:
        clear()


def remembered(most: int) -> Callable[[Callable[Given, Found]], Callable[Given, Found]]:
    """Keep a function's last results, at most so many of them.

    The function depends on what it is given alone, which is arrays of numbers and what can be
    hashed; nobody changes what it returns, for the next to ask gets the same object.

    Raises
    ------
    TypeError : when it is called with an array of Python objects.
    """

    def around(work: Callable[Given, Found]) -> Callable[Given, Found]:
        @lru_cache(most)
        def answer(names: tuple[str, ...], *given: _Same) -> Found:
            values = [one.value for one in given]
            plain = len(values) - len(names)
            return work(*values[:plain], **dict(zip(names, values[plain:], strict=True)))

        _CACHES.append(answer.cache_clear)

        @wraps(work)
        def ask(*given: Given.args, **named: Given.kwargs) -> Found:
            return answer(tuple(named), *map(_Same, (*given, *named.values())))

        return ask

    return around
