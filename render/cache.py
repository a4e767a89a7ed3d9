"""Where computed responses are kept between runs."""

from __future__ import annotations

import os
from pathlib import Path

from platformdirs import user_cache_path

from rooms.store import Store

__all__ = ["FOLDER_VARIABLE", "response_store"]

FOLDER_VARIABLE = "SITZPROBE_CACHE"
"""Environment variable that names another folder than the system's own for caches."""


def response_store() -> Store:
    """Return the store that renders share."""
    named = os.environ.get(FOLDER_VARIABLE)
    return Store(Path(named) if named else user_cache_path("sitzprobe", appauthor=False) / "responses")
