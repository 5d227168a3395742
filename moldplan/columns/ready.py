"""Whether the kernels were compiled before, so that a first run can say why it takes longer."""

import os
from pathlib import Path

from numba.misc.appdirs import AppDirs


def compiled_before() -> bool:
    """Return whether numba's cache holds kernels of this package."""
    here = Path(__file__).parent
    places = [here / "__pycache__"]
    if chosen := os.environ.get("NUMBA_CACHE_DIR"):
        places = [Path(chosen)]
    else:
        places.append(Path(AppDirs(appname="numba", appauthor=False).user_cache_dir))
    return any(next(place.rglob("envelope.*.nbi"), None) is not None for place in places if place.is_dir())
