"""How long both halves of a mould take at the default cell, and how much memory, without reading and drawing.

A knobbly ring of 200 000 triangles and the large figure, each in a process of its own; the first run of
each compiles and does not count. Both halves are planned side by side, as `moldplan plan` does.
"""

import resource
import statistics
import subprocess
import sys
import time

from figures import bumpy, large_figure

from moldplan.cards import resolve_settings
from moldplan.half import cut
from moldplan.pattern import load_pattern, pattern_from_arrays
from moldplan.pattern.model import Pattern
from moldplan.plan import plan_job
from moldplan.split.model import Plane

RUNS = 3


def figure(name: str) -> Pattern:
    """Return one of the two figures, 1.2 m."""
    if name == "ring":
        return pattern_from_arrays(*bumpy(500, 200), name=name)
    return load_pattern(large_figure(), height_mm=1200.0)


def one(name: str) -> None:
    """Print the figures of one pattern."""
    settings = resolve_settings()
    pattern = figure(name)
    plane = Plane(normal=(0.0, 0.0, 1.0), offset_mm=0.0)
    begun = time.perf_counter()
    plan_job(pattern, settings, plane=plane)
    print(f"{name}: {len(pattern.faces)} triangles; first run {time.perf_counter() - begun:.1f} s", end="; ")
    times, cutting = [], []
    for _ in range(RUNS):
        begun = time.perf_counter()
        cut(pattern, plane, called=("FRONT", "BACK"))
        cutting.append(time.perf_counter() - begun)
        begun = time.perf_counter()
        plan_job(pattern, settings, plane=plane)
        times.append(time.perf_counter() - begun)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    whole, sawing = statistics.median(times), statistics.median(cutting)
    print(f"median {whole:.1f} s, {sawing:.1f} s of it cutting; {peak:.0f} MB")


def main() -> None:
    """Print the figures of both patterns."""
    if len(sys.argv) > 1:
        one(sys.argv[1])
        return
    for name in ("ring", "figure"):
        subprocess.run([sys.executable, __file__, name], check=True)


if __name__ == "__main__":
    main()
