"""What takes seconds to make and stays the same until a package changes, kept in the user's cache folder.

Losing it costs those seconds again and nothing else, so whatever hinders reading or writing it is passed over.
"""

from __future__ import annotations

from importlib.metadata import version
from pathlib import Path

from platformdirs import user_cache_path


def kept(name: str, *packages: str) -> Path:
    """Where a thing of that name is kept for the installed versions of the packages it is made by."""
    made_by = "-".join(f"{package}-{version(package)}" for package in packages)
    return user_cache_path("foulcast", appauthor=False) / made_by / name


def vega_script_file() -> Path:
    """Where the script that draws the charts of the pages is kept."""
    return kept("vega.js", "vl-convert-python")
