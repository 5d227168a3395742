"""How long a whole plan takes, from file to `plan.json` and all drawings, and how much memory.

The first run compiles; the median of the next three counts. Whole processes, as a person starts them.
"""

import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from figures import large_figure


def seconds(figure: Path, *words: str) -> float:
    """Run one plan and return its wall time."""
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-c", "from moldplan.start import main; main()", "plan", str(figure)]
        begun = time.perf_counter()
        done = subprocess.run(
            [*command, "--height", "1.2 m", "--quiet", "--out", str(Path(folder) / "out"), *words],
            check=False,
            stdout=subprocess.DEVNULL,
        )
        if done.returncode not in {0, 3}:
            raise SystemExit(f"the plan failed with exit code {done.returncode}")
        return time.perf_counter() - begun


def main() -> None:
    """Print the figures."""
    figure = large_figure()
    print(f"figure {figure.name}, {os.cpu_count()} cores")
    print(f"first run (compiles when nothing is cached): {seconds(figure):.1f} s")
    for name, words in (("plan.json and all drawings", ()), ("plan.json alone", ("--only", "none"))):
        times = [seconds(figure, *words) for _ in range(3)]
        print(f"{name}: median {statistics.median(times):.1f} s of {', '.join(f'{t:.1f}' for t in times)}")
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(f"peak memory of the largest process: {peak:.0f} MB")


if __name__ == "__main__":
    main()
