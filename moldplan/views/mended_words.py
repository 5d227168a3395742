"""What the sheet of mended places says: its table, places in words, and the hold point."""

import re
from dataclasses import dataclass

import numpy as np

from moldplan.pattern.model import Pattern, Repair
from moldplan.pattern.words import counted
from moldplan.split.frame import figure_axes
from moldplan.units import litres, m2, mm

#: A place is left or right, front or back, when it lies so far off the middle, as a share of the whole width.
_ASIDE = 0.12
#: And at the foot or at the top within this share of the height.
_AT_END = 0.01
#: Where in the file's frame something is: the table says it in words.
_COORDINATES = re.compile(r" at \([^()]*\) mm from the middle")
LOOK = "Look at each hatched place, on pattern or scan, before foam is cut."


@dataclass(frozen=True, kw_only=True)
class Words:
    """Lengths and volumes as a sheet writes them: in mm and litres, or in the file's own numbers."""

    pattern: Pattern

    @property
    def known(self) -> bool:
        """Whether anything says how large the figure is."""
        return self.pattern.survey.scale_known

    @property
    def unit(self) -> str:
        """What lengths are in, for headings."""
        return "mm" if self.known else "file's numbers"

    def volume(self, volume_mm3: float) -> str:
        """Return a volume with its unit."""
        return litres(volume_mm3) if self.known else f"{volume_mm3:.4g}"

    def area(self, area_mm2: float) -> str:
        """Return an area with its unit."""
        return m2(area_mm2) if self.known else f"{area_mm2:.4g}"

    def size(self, length_mm: float) -> str:
        """Return a length of the figure with its unit."""
        return mm(length_mm) if self.known else f"{length_mm:.4g}"

    def move(self, length_mm: float) -> str:
        """Return a small length without its unit."""
        if length_mm == 0.0:
            return "0"
        if not self.known:
            return f"{length_mm:.2g}"
        if length_mm < 0.005:
            return "<0.01"
        return f"{length_mm:.2f}" if length_mm < 9.995 else f"{length_mm:.1f}"


def height_mm(pattern: Pattern) -> float:
    """Return how tall the figure stands."""
    return pattern.size_mm["xyz".index(pattern.up[1])]


def place_text(pattern: Pattern, place: tuple[float, float, float] | None, *, inside: bool = False) -> str:
    """Return a place in words: "left, 430 mm up, front", left and right the figure's own.

    Heights are above the lowest point of the figure; a share of the height where no size is known.
    """
    if place is None:
        return "at no one place"
    axes = figure_axes(pattern.up, pattern.front)
    forward, left, up = (axes @ np.array(place)).tolist()
    wide, tall, deep = (
        float(np.abs(axis) @ np.array(pattern.size_mm)) for axis in (axes[1], axes[2], axes[0])
    )
    high = (up + 0.5 * tall) / tall
    if high < _AT_END:
        level = "at the foot"
    elif high > 1.0 - _AT_END:
        level = "at the top"
    else:
        level = f"{mm(high * tall)} up" if pattern.survey.scale_known else f"{100.0 * high:.0f} % up"
    words = [*_end(left / wide, "left", "right"), level, *_end(forward / deep, "front", "back")]
    if len(words) == 1:
        words.insert(0, "middle")
    return ", ".join([*words, *(["inside"] if inside else [])])


def _end(share: float, one: str, other: str) -> list[str]:
    """Return what side of the middle a share of a width is on, nothing when it is near the middle."""
    return [] if abs(share) < _ASIDE else [one if share > 0.0 else other]


def repair_row(words: Words, number: int, repair: Repair, *, inside: bool) -> list[str]:
    """Return one line of the table: number, what, how often, mean, 99 %, largest, where, volume, share."""
    pattern = words.pattern
    moved = [words.move(value) for value in (repair.mean_mm, repair.p99_mm, repair.moved_mm)]
    return [
        str(number),
        repair.what,
        str(repair.count),
        *moved,
        place_text(pattern, repair.place_mm, inside=inside),
        *volume_cells(words, repair.volume_mm3),
    ]


def volume_cells(words: Words, volume_mm3: float) -> tuple[str, str]:
    """Return a changed volume, in litres where the size is known, and as a share of the figure's."""
    if volume_mm3 == 0.0:
        return "0", "0"
    share = 100.0 * volume_mm3 / words.pattern.volume_mm3
    amount = litres(volume_mm3).removesuffix(" l") if words.known else f"{volume_mm3:.2g}"
    return ("<0.001" if amount == "0" else amount), ("<0.01" if share < 0.005 else f"{share:.2f}")


def hold_lines(pattern: Pattern) -> list[str]:
    """Return what stops the work until somebody has looked; empty when mending stayed within tolerance."""
    accepting = [_COORDINATES.sub("", text) for text in pattern.survey.accepting]
    return [f"HOLD POINT: {'; '.join(accepting)}. {LOOK}"] if accepting else []


def plain_lines(pattern: Pattern) -> list[str]:
    """Return what else is to be known about the mending."""
    survey, lines = pattern.survey, []
    if not survey.repairs:
        lines.append("Nothing had to be mended.")
    elif not survey.accepting:
        lines.append(f"Within what the shop lets pass unasked. {LOOK}")
    if survey.crossing_faces:
        are = counted(survey.crossing_faces, "face cuts", "faces cut")
        lines.append(f"{are} through others of the figure and had to be left so.")
    if not survey.scale_known:
        lines.append(
            "Nothing says how large the figure is: lengths are in the file's own numbers, and the views "
            "keep their proportions but no scale."
        )
    return lines


def figure_rows(words: Words, *, new_mm2: float, left_out: int) -> list[tuple[str, str]]:
    """Return the figure in numbers, and how much of it is new."""
    survey = words.pattern.survey
    changed = sum(repair.volume_mm3 for repair in survey.repairs)
    rows = [
        ("height", words.size(height_mm(words.pattern))),
        ("volume", words.volume(survey.volume_mm3)),
        ("surface", words.area(survey.area_mm2)),
        ("of it new", f"{_percent(new_mm2, survey.area_mm2)} %"),
        ("volume changed, at most", f"{_percent(changed, survey.volume_mm3)} %"),
        ("triangles as it came", str(survey.triangles_found)),
        ("triangles now", str(survey.triangles)),
    ]
    return [*rows, ("numbers without room", str(left_out))] if left_out else rows


def _percent(part: float, whole: float) -> str:
    share = 100.0 * part / whole if whole > 0.0 else 0.0
    return "< 0.1" if 0.0 < share < 0.05 else f"{share:.1f}"
