"""Where the templates and the sample county are, in a checkout and in an installed copy."""

from __future__ import annotations

from pathlib import Path


def resource(name: str) -> Path:
    """The folder ``templates`` or ``sample_routes``.

    The wheel carries both below the package; in a checkout they lie beside it.
    """
    package = Path(__file__).parent
    installed = package / "_data" / name
    return installed if installed.is_dir() else package.parent / name
