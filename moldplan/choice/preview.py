"""What a mould comes to while somebody still moves the plane: quick numbers from a lighter copy.

Made once for a pattern (`lighter`), asked again for every plane (`preview`). The same stages as a plan, on
some ten thousand triangles and coarse cells, without coats, keys and peel.

Error budget: on figures of 1.2 m the copy moves the surface by up to 2 mm; the preview is within 1 % of the
plan in undercut, rubber and jacket (0.1 % on the figures tried); boards may be one step of rounding off.
"""

from dataclasses import dataclass, replace
from typing import Final

from moldplan.cards.model import Settings
from moldplan.half import cut
from moldplan.half.model import Half, HalfName
from moldplan.mould.board import plan_board
from moldplan.mould.jacket import plan_jacket
from moldplan.mould.rubber import brief_rubber
from moldplan.mould.wall import plan_wall
from moldplan.pattern.light import light_copy
from moldplan.pattern.model import Pattern
from moldplan.split import called
from moldplan.split.model import Plane

#: Triangles that a copy may have.
LIGHT_FACES: Final = 30_000
#: Cells along the longest side of each half when it is cut, and when its rubber is measured.
CUT_CELLS: Final = 128
RUBBER_CELLS: Final = 96


@dataclass(frozen=True, kw_only=True)
class HalfPreview:
    """The numbers of one half's mould, quickly; lengths mm, areas by (x, y)."""

    name: HalfName
    called: str
    height_mm: float
    undercut_mm3: float
    loops: int
    rubber_kg: float
    wall_mm: float
    board_mm: tuple[float, float]
    jacket_kg: float
    turning_kg: float


def lighter(pattern: Pattern) -> Pattern:
    """Return the pattern with few triangles, in the same frame; one that has few comes back as it is.

    Notes
    -----
    About 0.6 s for 100 000 triangles, once for all planes.
    """
    if len(pattern.faces) <= LIGHT_FACES:
        return pattern
    vertices, faces, _ = light_copy(pattern.vertices, pattern.faces, most=LIGHT_FACES)
    return replace(pattern, vertices=vertices, faces=faces)


def preview(light: Pattern, plane: Plane, settings: Settings) -> tuple[HalfPreview, HalfPreview]:
    """Return what the moulds of both halves come to when `light` is parted at `plane`.

    Parameters
    ----------
    light
        What `lighter` made of the pattern.
    plane
        Where to part it, unit normal; half A lies on the side its normal points to.
    settings
        Every value the mould's stages use.

    Raises
    ------
    PatternError
        When the plane misses the pattern.
    SettingError
        When the plane's normal has no length, or a number is not finite.

    Notes
    -----
    About 0.3 s.
    """
    names = called(plane.normal, light.up, light.front)
    a, b = cut(light, plane, called=names, cells=CUT_CELLS)
    return _half(a, settings), _half(b, settings)


def _half(half: Half, settings: Settings) -> HalfPreview:
    rubber = brief_rubber(half, settings, cells=RUBBER_CELLS)
    wall = plan_wall(rubber, settings)
    jacket = plan_jacket(half, rubber, settings)
    return HalfPreview(
        name=half.name,
        called=half.called,
        height_mm=half.height_mm,
        undercut_mm3=half.undercut.volume_mm3,
        loops=half.undercut.links,
        rubber_kg=rubber.mass_kg,
        wall_mm=wall.height_mm,
        board_mm=plan_board(rubber, wall, settings).size_mm,
        jacket_kg=jacket.mass_kg,
        turning_kg=jacket.turning_kg,
    )
