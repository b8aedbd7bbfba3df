"""One decorator for every compiled kernel, with its type kept for the checker."""

import re
from collections.abc import Callable
from contextlib import suppress
from hashlib import sha256
from pathlib import Path
from typing import Any, Final, TypeVar, cast

import numba

F = TypeVar("F", bound=Callable[..., Any])


def _sources(package: Path) -> str:
    """What all kernels below a folder were made from: a digest of the rooms in which any stands."""
    texts = {path: path.read_bytes() for path in sorted(package.rglob("*.py"))}
    rooms = {path.parent for path, text in texts.items() if KERNEL.search(text)}
    return sha256(
        b"".join(text for path, text in texts.items() if path.parent in rooms)
    ).hexdigest()


KERNEL: Final = re.compile(rb"^@(compiled|inlined)$", re.MULTILINE)
SOURCES: Final = _sources(Path(__file__).parent)


def compiled(function: F) -> F:
    """Compile with numba and keep the machine code on disk, so that only the first run ever pays.

    The kernels release the interpreter lock; none runs threads of its own. No fast-math: missing
    numbers must stay NaN and results must be the same to the bit wherever they are computed.
    """
    return _kept(function)


def inlined(function: F) -> F:
    """Like :func:`compiled`, but copied into its callers: for the steps of the hottest loops.

    In those loops a call, a look into a tuple of arrays or a view of a row costs more than the few
    operations meant, since each counts references; hence the long lists of plain arrays there.
    """
    return _kept(function, inline="always")


def _kept(function: F, **options: Any) -> F:
    """Compile, and keep the machine code in the first of the places that can be written to.

    They are ``NUMBA_CACHE_DIR``, the folder ``__pycache__`` beside the source, and the user's cache
    folder. Where none can be (a shared installation run by an account without a home) the kernels
    are compiled by each run: slower, with the same results.
    """
    try:
        made = numba.njit(cache=True, nogil=True, **options)(function)
        _good_for(made, SOURCES)
        return cast(F, _saved_if_there_is_room(made))
    except RuntimeError as error:
        if "no locator available" not in str(error):
            raise
        return cast(F, numba.njit(nogil=True, **options)(function))


def _good_for(made: Any, sources: str) -> None:
    """Let machine code count only for these sources.

    numba looks at the file of the kernel itself. A kernel also holds the code of those that it
    calls and the constants of their files: after an update it would go on with the old ones.
    """
    file = getattr(getattr(made, "_cache", None), "_cache_file", None)
    if file is not None:
        file._source_stamp = sources


def _saved_if_there_is_room(made: Any) -> Any:
    """Let a full disk cost the next run its time, not this one its result."""
    cache = getattr(made, "_cache", None)
    save = getattr(cache, "save_overload", None)
    if cache is not None and save is not None:

        def save_if_it_can(*arguments: Any) -> None:
            with suppress(OSError):
                save(*arguments)

        cache.save_overload = save_if_it_can
    return made
