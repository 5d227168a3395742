"""From raw triangles to a closed solid: a ladder of repairs, climbed only as far as a mesh needs it.

Goal
    One closed, outward-wound surface that keeps the surface of the file wherever that is sound, and a figure
    for every repair of how far off it may be.

Steps
    1. Equal points are welded, doubled faces dropped, nearly equal points along open edges welded, a second
       shell nearly on the first dropped, the winding made to agree.
    2. Only when the surface is open or edges are crowded: islands and floor are dropped, fins cut off, faces
       round crowded edges taken out, and what is open is closed: the underside flat, holes as
       smoothly as their rims.
    3. Flat slivers are evened out and the bodies made one.
    4. Faces that cross others are cut out and the wound filled, when that leaves one sound body.
    5. What is still no solid is made anew on a grid (`moldplan.pattern.resurface`).

Each step is in `moldplan.pattern.rungs`. Lengths are in the file's own numbers; nothing is scaled yet.
"""

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np
from scipy.spatial import cKDTree

from moldplan.pattern import rungs
from moldplan.pattern.arrays import mesh_area_mm2, mesh_volume_mm3
from moldplan.pattern.compare import marks_between, moved_between, rounding
from moldplan.pattern.crossings import crossing_faces
from moldplan.pattern.cutout import grown
from moldplan.pattern.model import Mending
from moldplan.pattern.resurface import enclosed_volume, resurface
from moldplan.pattern.state import Found, Mended, Shift, compact, noted, proper_faces
from moldplan.pattern.topology import Floats, Ints, Surface
from moldplan.pattern.weld import weld_equal
from moldplan.tolerances import CROSSING_MOVE, LEAST_LEFT

__all__ = ["Found", "Mended", "mend"]

#: Larger meshes are not searched for crossing faces.
MOST_CROSSING_CHECK: Final = 2_000_000
#: Rings of faces taken out with those that cross, one round after the other.
_CUT_RINGS: Final = (0, 1, 1, 2, 2)
#: More crossing faces than this share, and than so many, are no small damage that can be cut out.
_MOST_CUT: Final = 0.03
_FEW_CUT: Final = 8
#: How often the faces along rims that no cap fits are taken out.
_LOOSENINGS: Final = 3
#: Rungs after which the volume is held against what the mesh enclosed before ...
_LOSING: Final = frozenset({"cut", "drop", "unite", "doubles"})
#: ... on a grid of so many cells, and may be off by this share of it.
_CHECK_CELLS: Final = 96
_MOST_ASTRAY: Final = 0.03
#: A surface made anew is no finer than the mesh: so many cells at least, so many times the root of its faces.
_FEW_CELLS: Final = 96
_CELLS_A_FACE: Final = 2.0
#: Rungs that leave every face where it was.
_INVISIBLE: Final = frozenset({"wind"})

Step = Callable[[Mended], Mended]


def mend(
    points: Floats,
    faces: Ints,
    *,
    welded: bool = False,
    mending: Mending = Mending(),  # noqa: B008 - a frozen value
) -> Mended:
    """Return the mesh mended as far as it can be. It never refuses: see ``Mended.problems``.

    Parameters
    ----------
    points, faces
        (n, 3) and (m, 3), as they came.
    welded
        Whether no two points have the same coordinates.
    mending
        `cells` says how fine a surface is made anew. Whether what was changed is within the tolerance is for
        the caller to see from ``Mended.repairs``.
    """
    found = Found(points=len(points), triangles=len(faces))
    label = None
    if not welded:
        different, label = weld_equal(points)
        points = different.astype(np.float64)
    raw = Surface(points, faces if label is None else label[faces])
    state = rungs.weld(Mended(surface=Surface(points, faces), found=found), label)
    state = rungs.refuse_flat(state)
    base = _run(state, (rungs.weld_loose,))
    state = _climbed(base if base is state else rungs.refuse_flat(base), raw)
    if state.problems and not state.flat:
        state = _made_anew(_before_losses(base, state), mending)
    elif not state.flat and _lost_faces(base, state):
        state = _held_against(base, state, mending)
    return _marked(replace(state, surface=compact(state.surface)), raw)


def _climbed(state: Mended, raw: Surface) -> Mended:
    """Return the state after all rungs that keep the surface."""
    state = _run(state, (rungs.drop_pieces, rungs.agree))
    if not state.flat and not state.surface.edges.closed:
        state = rungs.drop_walls(state, raw)
        state = _run(state, (rungs.drop_floor, rungs.cut_crowded, rungs.drop_pieces, rungs.agree, _filled))
    return _run(state, (rungs.count_bodies, rungs.even_out, rungs.sort_bodies, _uncrossed))


def _run(state: Mended, steps: tuple[Step, ...]) -> Mended:
    """Return the state after some rungs; none is tried when nothing solid can come of it."""
    for step in steps:
        if state.flat:
            break
        state = step(state)
    return state


def _filled(state: Mended) -> Mended:
    """Close what is open; take out the faces along rims that no cap fits, and try again."""
    first = state = rungs.cut_crowded(rungs.fill(state))
    for _ in range(_LOOSENINGS):
        if state.surface.edges.closed:
            return state
        loosened = rungs.loosen(state)
        if loosened is state:
            return first
        state = rungs.cut_crowded(rungs.fill(loosened))
    return state if state.surface.edges.closed else first


def _uncrossed(state: Mended) -> Mended:
    """Cut out faces that cross others, where that leaves one sound body; else say how many are left."""
    size = len(state.surface.faces)
    if state.problems or size > MOST_CROSSING_CHECK:
        return state
    most = int(max(_MOST_CUT * size, _FEW_CUT))
    crossing = crossing_faces(state.surface, most=most)
    if len(crossing) == 0:
        return state
    healed = _healed(state, crossing, most) if len(crossing) <= most else None
    return replace(state, crossing_faces=len(crossing)) if healed is None else healed


def _healed(state: Mended, crossing: Ints, most: int) -> Mended | None:
    """Return the state with crossing faces cut out and the wounds filled, None when they do not heal.

    A wound whose filling crosses something again is cut wider.
    """
    tried = state
    cut = 0
    for rings in _CUT_RINGS:
        faces = np.zeros(len(tried.surface.faces), dtype=bool)
        faces[crossing] = True
        faces = grown(tried.surface, faces, rings)
        tried = rungs.cut_faces(tried, faces, "faces that cross others taken out")
        tried = _run(
            tried, (rungs.drop_pieces, _filled, rungs.count_bodies, rungs.even_out, rungs.sort_bodies)
        )
        if tried.problems or tried.flat or tried.genus > state.genus:
            return None
        cut += int(faces.sum())
        crossing = crossing_faces(tried.surface, most=most)
        if len(crossing) == 0:
            return _compared(state, tried, cut)
    return None


def _compared(before: Mended, healed: Mended, cut: int) -> Mended | None:
    """Return a healed state with what cutting and filling did as one repair.

    Here it is known what was there before: how far the surface moved is measured, not estimated. None when
    it moved so far that the crossing faces did less harm.
    """
    shift = _shift_between(before.surface, healed.surface)
    if shift.most > CROSSING_MOVE * float(np.linalg.norm(np.ptp(before.surface.points, axis=0))):
        return None
    healed = replace(healed, repairs=before.repairs, unsure=before.unsure)
    return noted(healed, "faces that cross others cut out and filled", cut, rung="cut", shift=shift)


def _shift_between(before: Surface, after: Surface) -> Shift:
    """Return how far a surface moved, measured."""
    moved = moved_between(before, after)
    return Shift(most=moved.most, mean=moved.mean, p99=moved.p99, place=moved.place, volume=moved.volume)


def _before_losses(base: Mended, state: Mended) -> Mended:
    """Return the state, or as it was when only welded where dropping and cutting lost much of it."""
    left = mesh_area_mm2(state.surface.points, state.surface.faces)
    if left >= LEAST_LEFT * mesh_area_mm2(base.surface.points, base.surface.faces):
        return state
    return replace(state, surface=base.surface, repairs=base.repairs, unsure=base.unsure)


def _lost_faces(base: Mended, state: Mended) -> bool:
    """Return whether faces were cut out or dropped on the way, so that another part may have been kept."""
    losing = any(repair.rung in _LOSING for repair in state.repairs[len(base.repairs) :])
    return losing and not base.surface.edges.closed


def _held_against(base: Mended, state: Mended, mending: Mending) -> Mended:
    """Return the state when its volume is what the mesh as it was welded encloses; else the mesh made anew.

    A shell drawn twice, or walls inside, may be closed in more than one way: every one of them is a solid.
    """
    faces = base.surface.faces
    if len(faces) > MOST_CROSSING_CHECK:
        return state
    enclosed = enclosed_volume(base.surface, cells=_CHECK_CELLS)
    volume = mesh_volume_mm3(state.surface.points, state.surface.faces)
    if abs(volume - enclosed) <= _MOST_ASTRAY * enclosed:
        return state
    doubt = (
        f"its shells can be closed to {volume:.4g} or to {enclosed:.4g} of the file's numbers cubed; take "
        "out doubled shells and walls inside it, in the program that made it"
    )
    return _made_anew(replace(base, problems=(doubt,), bodies=state.bodies), mending)


def _made_anew(state: Mended, mending: Mending) -> Mended:
    """Return the state with its surface made anew on a grid, as it was when that leads nowhere."""
    faces = len(state.surface.faces)
    cells = min(mending.cells, max(_FEW_CELLS, math.ceil(_CELLS_A_FACE * math.sqrt(faces))))
    made = resurface(state.surface, cells=cells)
    if made.problem is not None:
        return state
    tried = replace(state, surface=made.surface, problems=())
    shift = _shift_between(state.surface, made.surface)
    what = f"surface made anew on a grid ({100.0 * made.kept:.0f} % of it kept as it came)"
    tried = noted(tried, what, 1, rung="resurface", shift=shift, cell=made.cell)
    tried = _run(tried, (rungs.count_bodies, rungs.even_out, rungs.sort_bodies))
    if tried.problems:
        return state
    crossing = crossing_faces(tried.surface) if len(tried.surface.faces) <= MOST_CROSSING_CHECK else ()
    return replace(tried, crossing_faces=len(crossing))


def _marked(state: Mended, raw: Surface) -> Mended:
    """Return the state with what differs from the file marked.

    Where nothing was, a distance from what was there says nothing: there stands how far off the filling
    may be.
    """
    if state.problems or all(repair.rung in _INVISIBLE for repair in state.repairs):
        return state
    raw = Surface(raw.points, raw.faces[proper_faces(raw.faces)])
    marks = marks_between(raw, state.surface)
    if marks is not None and len(state.unsure):
        fresh = np.flatnonzero(marks.new)
        middles = state.surface.points[state.surface.faces[fresh]].mean(axis=1)
        away, nearest = cKDTree(state.unsure[:, :3]).query(middles)
        filled = away <= rounding(raw.points)
        moved = marks.moved_mm.copy()
        unsure = state.unsure[np.asarray(nearest)[filled], 3]
        moved[fresh[filled]] = np.minimum(moved[fresh[filled]], unsure)
        moved.flags.writeable = False
        marks = replace(marks, moved_mm=moved)
    return replace(state, marks=marks)
