"""Which program computes: a fingerprint of moldplan's own files, the libraries that reckon, and the machine.

A kept answer is taken only by the program that would give the same one to the last bit. So the fingerprint
holds every source file and card, the versions of the libraries that numbers pass through, the Python that
runs, and the kind of processor (linear algebra picks its routines by it).
"""

import functools
import hashlib
import os
import platform
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Final

from moldplan.release import package_version

#: Libraries whose version may change a number.
LIBRARIES: Final = (
    "libigl", "llvmlite", "manifold3d", "numba", "numpy", "scikit-image", "scipy", "shapely",
)  # fmt: skip
#: Settings of the surroundings that change how numbers are worked out.
_SURROUNDINGS: Final = ("NUMBA_DISABLE_JIT", "NUMBA_CPU_NAME", "NUMBA_CPU_FEATURES", "OPENBLAS_CORETYPE")
_SOURCES: Final = (".py", ".toml")


@functools.cache
def program_fingerprint() -> str:
    """Return the SHA-256 of everything that may change an answer beside its input, as hex digits.

    Worked out once in a process, in some 20 ms.
    """
    said = hashlib.sha256()
    for line in (
        f"moldplan {package_version()}",
        f"python {platform.python_implementation()} {platform.python_version()} {platform.system()}",
        *(f"{name} {_version(name)}" for name in LIBRARIES),
        *(f"{name}={os.environ.get(name, '')}" for name in _SURROUNDINGS),
        *_processor(),
    ):
        said.update(f"{line}\n".encode())
    said.update(sources_fingerprint(Path(__file__).parent.parent).encode())
    return said.hexdigest()


def sources_fingerprint(folder: Path) -> str:
    """Return the SHA-256 of all source files and cards in a package, names and bytes, as hex digits."""
    said = hashlib.sha256()
    files = sorted(path for path in folder.rglob("*") if path.suffix in _SOURCES and path.is_file())
    for path in files:
        data = path.read_bytes()
        said.update(f"{path.relative_to(folder).as_posix()} {len(data)}\n".encode())
        said.update(data)
    return said.hexdigest()


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "none"


def _processor() -> list[str]:
    """Return what the system says of its processor, without clock rates and the like."""
    try:
        text = Path("/proc/cpuinfo").read_text(encoding="utf-8", errors="replace")
    except OSError:  # not a Linux
        text = ""
    first = text.partition("\n\n")[0].splitlines()
    kinds = [line for line in first if line.startswith(("model name", "flags", "Features", "CPU part"))]
    return [platform.machine(), platform.processor(), *kinds]
