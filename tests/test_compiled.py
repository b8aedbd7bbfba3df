"""Kept machine code counts only as long as none of the kernels' sources changed."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import spreadplan.compiled as compiled

CALLED = "from kernels.compiled import compiled\n\n@compiled\ndef one() -> int:\n    return {}\n"
CALLING = (
    "from kernels.compiled import compiled\nfrom kernels.called import one\n\n"
    "@compiled\ndef two() -> int:\n    return one() + 1\n"
)


def answer(folder: Path) -> tuple[int, int]:
    """What the calling kernel says in a process of its own, and whether it had been kept."""
    code = (
        "from kernels.calling import two; print(two(), sum(two.stats.cache_hits.values()), sep=',')"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=folder, check=True, capture_output=True, text=True
    )
    said, kept = done.stdout.strip().split(",")
    return int(said), int(kept)


def test_a_change_in_a_kernel_that_another_calls_is_seen(tmp_path: Path) -> None:
    kernels = tmp_path / "kernels"
    kernels.mkdir()
    shutil.copy(compiled.__file__, kernels / "compiled.py")
    (kernels / "__init__.py").write_text("")
    (kernels / "calling.py").write_text(CALLING)
    (kernels / "called.py").write_text(CALLED.format(1))
    assert answer(tmp_path) == (2, 0)
    assert answer(tmp_path) == (2, 1)
    (kernels / "called.py").write_text(CALLED.format(7))
    assert answer(tmp_path) == (8, 0)
