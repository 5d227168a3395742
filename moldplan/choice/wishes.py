"""What a shop wishes of the split: read from the job file and the command line, and held against an answer.

A wish never rules an answer out here: it is broken by so much, and the ranking takes the answers that break
the fewest by the least.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import Final, TypeVar

import numpy as np

from moldplan.choice.model import Broken, Measures, Patch, Wishes
from moldplan.choice.patches import Marks, patch_from_box, patch_from_line, patch_from_marks
from moldplan.errors import SettingError
from moldplan.findings import Finding
from moldplan.job import Job
from moldplan.pattern.model import Pattern, axis_vector
from moldplan.split.frame import figure_axes
from moldplan.split.region import ANGLE_EPSILON, Region
from moldplan.tolerances import REL_EPSILON
from moldplan.units import kg, mm
from moldplan.wishfile import (
    PULL_WORDS,
    CleanFields,
    WishFields,
    parse_board_mm,
    parse_half_kg,
    parse_pull,
    parse_within_deg,
)

_Read = TypeVar("_Read")

#: A seam that is upright but for rounding to whole degrees counts as upright.
ROUNDED_DEG: Final = 0.5
#: No place on a patch is farther from its points than this share of the clean margin (mostly than half as
#: much): they lie within a third of it of each other.
SPACING_OF_MARGIN: Final = 1.0 / 4.0
#: On a small margin, points need not lie closer than this share of the figure's diagonal ...
LEAST_SPACING_SHARE: Final = 1.0 / 2000.0
#: ... and on a large one no place is farther from them than this.
MOST_SPACING_SHARE: Final = 1.0 / 100.0
#: Degrees off are judged as a share of a right angle.
_RIGHT_ANGLE_DEG: Final = 90.0

_UPRIGHT: Final = "seam upright"

#: Row of the figure's axes and sign, by the word.
_SIDES: Final = {word: (place // 2, 1.0 - 2.0 * (place % 2)) for place, word in enumerate(PULL_WORDS)}


def read_wishes(  # noqa: PLR0913 - one parameter for each wish a person may give
    job: Job | None,
    *,
    pattern: Pattern,
    margin_mm: float,
    seam_upright: bool | None = None,
    pull: str | None = None,
    within: str | None = None,
    largest_board: str | None = None,
    heaviest_half: str | None = None,
) -> Wishes:
    """Return what is wished of the split; the command line goes before the job file.

    Parameters
    ----------
    job
        The job file, whose wishes are already read and checked; None when there is none.
    pattern
        The figure: its up and front say what the words for a pull mean, its surface where patches lie.
    margin_mm
        How far the seam is to stay off patches, 0 or more: it sets how dense their points lie.
    seam_upright, pull, within, largest_board, heaviest_half
        As given on the command line, with units ("10 deg", "2440 mm x 1220 mm", "40 kg"); None leaves it to
        the job file. `pull` is front, back, left, right, up or down (the figure's own sides), or x,y,z in
        the file's axes.

    Raises
    ------
    SettingError
        When a text cannot be read, a pull's angle is given without a pull, or a patch cannot be found on the
        pattern (see `moldplan.choice.patches`).
    UnitError
        When a quantity lacks its unit.
    """
    written = WishFields() if job is None else job.wishes
    towards = written.pull if pull is None else pull
    within_deg = _read(within, written.within_deg, lambda text: parse_within_deg(text, what="--within"))
    wishes = Wishes(
        seam_upright=bool(written.seam_upright if seam_upright is None else seam_upright),
        largest_board_mm=_read(
            largest_board, written.largest_board_mm, lambda text: parse_board_mm(text, what="--largest-board")
        ),
        heaviest_half_kg=_read(
            heaviest_half, written.heaviest_half_kg, lambda text: parse_half_kg(text, what="--heaviest-half")
        ),
        keep_clean=_patches(job, pattern, margin_mm),
    )
    if towards is None:
        if within_deg is not None:
            raise SettingError(
                f"within {within_deg:g} deg says how far a pull may be off, and no pull is given: add --pull "
                "front, or pull in the job file"
            )
        return wishes
    return replace(
        wishes,
        pull=_direction(towards, pattern),
        pull_called=towards.strip(),
        within_deg=wishes.within_deg if within_deg is None else within_deg,
    )


def broken_wishes(
    wishes: Wishes,
    *,
    normal: tuple[float, float, float],
    measures: Measures,
    pattern: Pattern,
    margin_mm: float,  # noqa: ARG001 - seam this near a patch is measured (`Seam.near_mm`), and breaks no wish
) -> tuple[Broken, ...]:
    """Return the wishes that a measured plane does not fulfil, each with how it is and what was wished.

    Parameters
    ----------
    normal
        The plane's unit normal in the file's axes; its opposite is the same plane.
    measures
        What the plane measures.

    Returns
    -------
    tuple of Broken
        In the order seam, pull, board, half, patches. A seam counts as upright to `ROUNDED_DEG`.
    """
    return (
        *_broken_directions(wishes, normal, pattern),
        *_broken_board(wishes, measures),
        *_broken_half(wishes, measures),
        *_broken_patches(wishes, measures),
    )


def wish_findings(broken: Sequence[Broken]) -> list[Finding]:
    """Return a finding for each wish that the best answer breaks, with how near it gets."""
    return [
        Finding(
            code="wish-not-met", severity="check", stage="split", advice=_advice(item), value=item.value,
            limit=item.limit, unit=item.unit,
        )
        for item in broken
    ]  # fmt: skip


def _read(text: str | None, otherwise: _Read | None, parse: Callable[[str], _Read]) -> _Read | None:
    """Return what the command line says, or what the job file does."""
    return otherwise if text is None else parse(text)


def _direction(text: str, pattern: Pattern) -> tuple[float, float, float]:
    """Return the unit direction of a pull in the file's axes."""
    read = parse_pull(text, what="--pull")
    if not isinstance(read, str):
        return read
    row, sign = _SIDES[read]
    x, y, z = sign * figure_axes(pattern.up, pattern.front)[row]
    return float(x) + 0.0, float(y) + 0.0, float(z) + 0.0


# --- patches ----------------------------------------------------------------------------------------------


def _patches(job: Job | None, pattern: Pattern, margin_mm: float) -> tuple[Patch, ...]:
    """Return the patches of a job file."""
    if job is None:
        return ()
    diagonal_mm = math.hypot(*pattern.size_mm)
    spacing_mm = min(
        max(SPACING_OF_MARGIN * margin_mm, LEAST_SPACING_SHARE * diagonal_mm),
        MOST_SPACING_SHARE * diagonal_mm,
    )
    found = []
    for fields in job.wishes.keep_clean:
        try:
            found.append(_one_patch(fields, job, pattern, spacing_mm))
        except SettingError as error:
            raise SettingError(f"{fields.where}: {error}") from error
    return tuple(found)


def _one_patch(fields: CleanFields, job: Job, pattern: Pattern, spacing_mm: float) -> Patch:
    """Return one patch, found on the pattern."""
    if fields.box_mm is not None:
        low, high = fields.box_mm
        return patch_from_box(pattern, name=fields.name, low_mm=low, high_mm=high, spacing_mm=spacing_mm)
    if fields.line_mm is not None:
        return patch_from_line(pattern, name=fields.name, line_mm=fields.line_mm, spacing_mm=spacing_mm)
    file = pattern.path if fields.file is None else job.folder / fields.file
    if fields.file is None and file.suffix.lower() != ".ply":
        raise SettingError(
            f"keep_clean {fields.name!r}: marks are read from a PLY, and the pattern is {file.name}: add "
            'file = "painted.ply", or give a box or a line'
        )
    marks = Marks(file=file, marked=fields.marked, colour=fields.colour)
    return patch_from_marks(pattern, name=fields.name, marks=marks, spacing_mm=spacing_mm)


# --- held against an answer -------------------------------------------------------------------------------


def _broken_directions(
    wishes: Wishes, normal: tuple[float, float, float], pattern: Pattern
) -> Iterator[Broken]:
    """Walk over the broken wishes about the plane's direction."""
    region = Region(upright=wishes.seam_upright, pull=wishes.pull, within_deg=wishes.within_deg)
    up = axis_vector(pattern.up)
    contradict = region.empty(up=up)
    lean_deg, outside_deg = region.broken_deg(np.array(normal), up=up)
    pull = f"pull {wishes.pull_called} within {wishes.within_deg:g} deg"
    if lean_deg > ROUNDED_DEG:
        yield Broken(
            wish=_UPRIGHT, value=lean_deg, limit=0.0, unit="deg", share=lean_deg / _RIGHT_ANGLE_DEG,
            in_the_way=pull if contradict else "", near=f"it leans {lean_deg:.1f} deg from upright",
        )  # fmt: skip
    if outside_deg > ANGLE_EPSILON:
        off_deg = wishes.within_deg + outside_deg
        yield Broken(
            wish=pull, value=off_deg, limit=wishes.within_deg, unit="deg",
            share=outside_deg / _RIGHT_ANGLE_DEG, in_the_way=_UPRIGHT if contradict else "",
            near=f"it is {off_deg:.1f} deg off; allow as much, or pull another way",
        )  # fmt: skip


def _broken_board(wishes: Wishes, measures: Measures) -> Iterator[Broken]:
    """Say which side of the largest board is too long, the worse one of the two."""
    if wishes.largest_board_mm is None:
        return
    boards = [size for half in measures.halves for size in (half.coating_mm, half.jacketing_mm)]
    sides = (max(max(size) for size in boards), max(min(size) for size in boards))
    over, side, limit = max(
        (side / limit - 1.0, side, limit) for side, limit in zip(sides, wishes.largest_board_mm, strict=True)
    )
    if over > REL_EPSILON:
        long_mm, short_mm = wishes.largest_board_mm
        yield Broken(
            wish=f"largest board {long_mm:g} mm x {short_mm:g} mm", value=side, limit=limit, unit="mm",
            share=over, near=f"its largest board is {mm(side)} where {mm(limit)} were wished; "
            "take a board that large, or part the figure further",
        )  # fmt: skip


def _broken_half(wishes: Wishes, measures: Measures) -> Iterator[Broken]:
    """Say when turning the heavier half over moves too much."""
    limit = wishes.heaviest_half_kg
    if limit is not None and measures.turning_kg > limit * (1.0 + REL_EPSILON):
        even_kg = sum(half.turning_kg for half in measures.halves) / len(measures.halves)
        even = f", and halves alike would move about {kg(even_kg)} each" if even_kg > limit else ""
        moved = f"turning its heavier half moves {kg(measures.turning_kg)}"
        yield Broken(
            wish=f"heaviest half {limit:g} kg", value=measures.turning_kg, limit=limit, unit="kg",
            share=measures.turning_kg / limit - 1.0,
            near=f"{moved}{even}; plan a hoist or more hands",
        )  # fmt: skip


def _broken_patches(wishes: Wishes, measures: Measures) -> Iterator[Broken]:
    """Walk over the patches that the seam runs through."""
    seam = measures.seam
    inside = dict(seam.clean_of)
    for patch in wishes.keep_clean:
        length_mm = inside.get(patch.name, 0.0)
        if length_mm > REL_EPSILON * seam.length_mm:
            yield Broken(
                wish=f'keep clean "{patch.name}"', value=length_mm, limit=0.0, unit="mm",
                share=length_mm / seam.length_mm,
                near=f"{mm(length_mm)} of its seam run through there; dress the cast there, or make the "
                "patch smaller",
            )  # fmt: skip


def _advice(broken: Broken) -> str:
    """Return what is said of a broken wish: which, what stood in the way, how near the best answer gets."""
    near = f"answer 1 comes nearest: {broken.near}"
    if broken.in_the_way:
        return f"{broken.in_the_way} stood in the way of {broken.wish}: {near}; give up one of the two"
    return f"no split was found that holds {broken.wish} and all else that is wished: {near}"
