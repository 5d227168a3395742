"""Where the `moldplan` command begins: a process in front first, so that it can be stopped from then on."""

import os
from typing import Final

from moldplan import guard

#: Where libraries of linear algebra are told how many threads add up one sum: with one, the last bit never
#: depends on how many there are.
_SUM_THREADS: Final = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


def main() -> None:
    """Run the command line behind a process that can always be stopped."""
    for name in _SUM_THREADS:  # before numpy is loaded
        os.environ.setdefault(name, "1")
    guard.watched(_work, tidy=_tidy)


def _work() -> None:
    """Run the command line; loaded only now, in the process that works."""
    from moldplan.cli import app  # noqa: PLC0415 - as above

    app()


def _tidy(place: str) -> None:
    """Clear up after a worker that did not come to its end."""
    from moldplan.store import tidy  # noqa: PLC0415 - the front stays small

    tidy(place)
