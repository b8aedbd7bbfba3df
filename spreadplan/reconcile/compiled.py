"""One decorator for every compiled kernel of this folder, with its type kept for the checker."""

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

F = TypeVar("F", bound=Callable[..., Any])


def compiled(function: F) -> F:
    """Compile with numba and keep the machine code on disk, so that only the first run ever pays.

    The kernels release the interpreter lock; none runs threads of its own. No fast-math: missing
    numbers must stay NaN and results must be the same to the bit wherever they are computed.
    """
    return cast(F, numba.njit(cache=True, nogil=True)(function))


def inlined(function: F) -> F:
    """Like :func:`compiled`, but copied into its callers: for the steps of the hottest loops.

    In those loops a call, a look into a tuple of arrays or a view of a row costs more than the few
    operations meant, since each counts references; hence the long lists of plain arrays there.
    """
    return cast(F, numba.njit(cache=True, nogil=True, inline="always")(function))
