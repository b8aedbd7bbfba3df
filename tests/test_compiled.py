"""Kept machine code counts only as long as none of the kernels' sources changed."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import spreadplan.compiled as compiled

CALLED = "from kernels.compiled import compiled\n\n@compiled\ndef one() -> int:\n    return {}\n"
CALLING = (
    "from kernels.compiled import compiled\nfrom kernels.below.called import one\n\n"
    "@compiled\ndef two() -> int:\n    return one() + 1\n"
)


def answer(folder: Path) -> tuple[int, int]:
    """What the calling kernel says in a process of its own, and whether it had been kept."""
    code = (
        "from kernels.above.calling import two; "
        "print(two(), sum(two.stats.cache_hits.values()), sep=',')"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=folder, check=True, capture_output=True, text=True
    )
    said, kept = done.stdout.strip().split(",")
    return int(said), int(kept)


@pytest.mark.slow
def test_a_change_in_a_kernel_that_another_calls_is_seen(tmp_path: Path) -> None:
    """Also where it stands in another room."""
    kernels = tmp_path / "kernels"
    for room in ("above", "below", "apart"):
        (kernels / room).mkdir(parents=True)
    shutil.copy(compiled.__file__, kernels / "compiled.py")
    (kernels / "above" / "calling.py").write_text(CALLING)
    called, apart = kernels / "below" / "called.py", kernels / "apart" / "other.py"
    called.write_text(CALLED.format(1))
    apart.write_text("PAGE = 1\n")
    assert answer(tmp_path) == (2, 0)
    assert answer(tmp_path) == (2, 1)
    apart.write_text("PAGE = 2  # no kernel in its room\n")
    assert answer(tmp_path) == (2, 1)
    called.write_text(CALLED.format(7))
    assert answer(tmp_path) == (8, 0)
