"""How long the quick numbers take after the plane has moved by 10 mm, and how near they are to the plan's."""

import statistics
import time
from dataclasses import replace

from figures import large_figure

from moldplan.cards import resolve_settings
from moldplan.choice.preview import lighter, preview
from moldplan.half import cut
from moldplan.mould import plan_mould
from moldplan.pattern import load_pattern
from moldplan.split.model import Plane


def main() -> None:
    """Print the figures."""
    settings = resolve_settings()
    pattern = load_pattern(large_figure(), height_mm=1200.0)
    begun = time.perf_counter()
    light = lighter(pattern)
    print(
        f"{len(pattern.faces)} triangles, {len(light.faces)} in the copy: {time.perf_counter() - begun:.2f} s"
    )
    plane = Plane(normal=(0.0, 0.0, 1.0), offset_mm=0.0)
    preview(light, plane, settings)  # compiles
    times = []
    for step in range(10):
        moved = replace(plane, offset_mm=10.0 * step - 50.0)
        begun = time.perf_counter()
        preview(light, moved, settings)
        times.append(time.perf_counter() - begun)
    print(f"preview: median {statistics.median(times):.2f} s of {', '.join(f'{t:.2f}' for t in times)}")
    quick = preview(light, plane, settings)
    for half, numbers in zip(cut(pattern, plane, called=("FRONT", "BACK")), quick, strict=True):
        mould, _ = plan_mould(half, settings)
        rubber = numbers.rubber_kg / mould.rubber.mass_kg - 1.0
        jacket = numbers.jacket_kg / mould.jacket.mass_kg - 1.0
        undercut = numbers.undercut_mm3 / half.undercut.volume_mm3 - 1.0
        off = f"rubber {rubber:+.2%}, jacket {jacket:+.2%}, undercut {undercut:+.2%}"
        print(f"half {half.name}: {off} off the plan")


if __name__ == "__main__":
    main()
