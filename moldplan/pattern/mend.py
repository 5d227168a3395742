"""From raw triangles to a closed solid, mending what is small and naming what is not.

Steps, each a function from state to state: weld equal points and drop doubled faces, weld nearly equal points
along open edges, make the winding agree, close pin-holes, even out flat slivers, sort out the bodies.
Lengths are in the file's own numbers; nothing is scaled yet.
"""

from dataclasses import dataclass, replace

import numpy as np

from moldplan.pattern.bodies import one_body
from moldplan.pattern.doubles import doubled_faces
from moldplan.pattern.holes import fill_pin_holes
from moldplan.pattern.model import Marks, Mending, Repair
from moldplan.pattern.slivers import flip_slivers
from moldplan.pattern.topology import (
    Bools,
    Edges,
    Floats,
    Ints,
    Surface,
    face_bodies,
    genus_sum,
    open_loops,
    turned_faces,
)
from moldplan.pattern.weld import weld_equal, weld_near
from moldplan.pattern.words import counted, place
from moldplan.tolerances import FLAT_REL, WELD_REL


@dataclass(frozen=True, kw_only=True)
class Found:
    """What was counted on the way, of the file as it came (points with equal coordinates taken as one)."""

    points: int
    triangles: int
    degenerate: int = 0
    doubled: int = 0
    flipped: int = 0
    open_edges: int = 0
    open_loops: int = 0
    nonmanifold: int = 0


@dataclass(frozen=True, kw_only=True)
class Mended:
    """A mesh with its history. `problems` is empty when the surface is one closed outward-wound solid."""

    surface: Surface
    found: Found
    repairs: tuple[Repair, ...] = ()
    problems: tuple[str, ...] = ()
    bodies: int = 0
    genus: int = 0
    flat: bool = False
    """Whether nothing solid can come of it, so that the rest was not looked at."""
    marks: Marks | None = None
    """Where the mended surface differs from the one in the file; None when it does nowhere."""
    turned_inside_out: bool = False
    crossing_faces: int = 0


def mend(points: Floats, faces: Ints, *, welded: bool = False, mending: Mending = Mending()) -> Mended:  # noqa: ARG001, B008
    """Return the mesh mended as far as small things go. It never refuses: see ``Mended.problems``.

    `welded` says that no two points have the same coordinates.
    """
    found = Found(points=len(points), triangles=len(faces))
    label = None
    if not welded:
        different, label = weld_equal(points)
        points = different.astype(np.float64)
    state = Mended(surface=Surface(points, faces), found=found)
    state = _refuse_flat(_weld(state, label))
    for step in (_weld_near, _refuse_flat, _agree, _fill, _count_bodies, _even_out, _sort_bodies):
        if state.flat:
            break
        state = step(state)
    return replace(state, surface=_compact(state.surface))


def _noted(state: Mended, what: str, count: int, moved: float = 0.0) -> Mended:
    """Note a repair that happened `count` times."""
    if count == 0:
        return state
    return replace(state, repairs=(*state.repairs, Repair(what=what, count=count, moved_mm=moved)))


def _refuse_flat(state: Mended) -> Mended:
    """Note that nothing solid can come of the faces there are."""
    flat = _flatness(state.surface)
    return state if flat is None else replace(state, problems=(flat,), flat=True)


def _flatness(surface: Surface) -> str | None:
    """Return why nothing solid can come of the surface, None when something can."""
    if len(surface.faces) == 0:
        return "nothing is left without faces that have no area; export the figure as a solid"
    corners = _compact(surface).points
    corners = corners - corners.mean(axis=0)
    thinnest = np.linalg.eigh(corners.T @ corners)[1][:, 0]
    if float(np.ptp(corners @ thinnest)) > FLAT_REL * float(np.linalg.norm(np.ptp(corners, axis=0))):
        return None
    return "all of it lies in one plane: a flat sheet has no inside; give it thickness and export it again"


def _weld(state: Mended, label: Ints | None) -> Mended:
    """Make one of points with the same coordinates; drop faces that this leaves without area or doubled.

    `label` has the number among the differing points for every point of the file; None when all differ.
    """
    points, raw = state.surface.points, state.surface.faces
    faces = raw if label is None else label[raw]
    proper = _proper(faces)
    lost = int((~proper).sum())
    if lost:
        raw, faces = raw[proper], faces[proper]
    state = _counted(replace(state, surface=Surface(points, faces)), lost)
    state = _noted(state, "faces without area dropped", lost)
    single = _without(state, *doubled_faces(faces))
    if label is None or len(single.surface.edges.crowded) == 0:
        return single
    # Bodies that touch along an edge or part of a side hang together once equal points are one; the file's
    # own numbering may still tell them apart.
    apart = Surface(points[label], raw)
    return replace(state, surface=apart) if apart.edges.closed else single


def _proper(faces: Ints) -> Bools:
    """Return which faces have three different corners."""
    a, b, c = faces.T
    return np.asarray((a != b) & (b != c) & (c != a))


def _counted(state: Mended, lost: int) -> Mended:
    """Note the open and crowded edges and the faces without area."""
    edges = state.surface.edges
    found = replace(
        state.found,
        degenerate=lost,
        open_edges=len(edges.open),
        open_loops=open_loops(edges)[0] if len(edges.open) else 0,
        nonmanifold=len(edges.crowded),
    )
    return replace(state, found=found)


def _without(state: Mended, repeat: Bools, wall: Bools) -> Mended:
    """Drop doubled faces and walls."""
    if not bool((repeat | wall).any()):
        return state
    surface = Surface(state.surface.points, state.surface.faces[~(repeat | wall)])
    found = replace(state.found, doubled=state.found.doubled + int(repeat.sum() + wall.sum()))
    state = replace(state, surface=surface, found=found)
    state = _noted(state, "doubled faces dropped", int(repeat.sum()))
    return _noted(state, "faces of inner walls between touching bodies dropped", int(wall.sum()))


def _weld_near(state: Mended) -> Mended:
    """Weld nearly equal points along open edges, where they are what keeps the mesh open."""
    edges = state.surface.edges
    if len(edges.open) == 0:
        return state
    points = state.surface.points
    loose = np.unique(np.concatenate(edges.ends(edges.open)))
    spread = float(np.linalg.norm(np.ptp(points, axis=0)))
    target, moved = weld_near(points, loose, WELD_REL * spread)
    welded = int((target != np.arange(len(target))).sum())
    if welded == 0:
        return state
    faces = target[state.surface.faces]
    proper = _proper(faces)
    state = _noted(
        replace(state, surface=Surface(points, faces[proper])), "nearly equal points welded", welded, moved
    )
    state = _noted(state, "slivers along a crack dropped", int((~proper).sum()))
    return _without(state, *doubled_faces(faces[proper]))


def _agree(state: Mended) -> Mended:
    """Turn faces until neighbours agree on which side is out."""
    edges = state.surface.edges
    turn, possible = turned_faces(edges)
    if not possible:
        one_sided = "the surface has one side only, like a twisted band; rebuild it as a solid"
        state = replace(state, problems=(*state.problems, one_sided))
    count = int(turn.sum())
    if count == 0:
        return state
    faces = state.surface.faces.copy()
    faces[turn] = faces[turn][:, ::-1]
    found = replace(state.found, flipped=count)
    state = replace(state, surface=Surface(state.surface.points, faces), found=found)
    return _noted(state, "flipped faces turned", count)


def _fill(state: Mended) -> Mended:
    """Close pin-holes."""
    caps, holes, moved = fill_pin_holes(state.surface)
    if holes == 0:
        return state
    faces = np.concatenate([state.surface.faces, caps])
    return _noted(
        replace(state, surface=Surface(state.surface.points, faces)), "pin-holes closed", holes, moved
    )


def _count_bodies(state: Mended) -> Mended:
    """Count the pieces; name the edges that keep the mesh from being a solid."""
    edges = state.surface.edges
    problems = (*state.problems, *_edge_problems(state.surface.points, edges))
    return replace(state, problems=problems, bodies=face_bodies(edges)[0])


def _edge_problems(points: Floats, edges: Edges) -> list[str]:
    """Say which edges keep the mesh from being a solid, with one place each."""
    problems = []
    if len(edges.open):
        holes = counted(open_loops(edges)[0], "hole")
        where = place(points[edges.ends(edges.open)[0][0]])
        problems.append(
            f"the surface is open: {counted(len(edges.open), 'open edge')} round {holes}, one at "
            f"{where} in the file's numbers; close it in the program that made it and export it as a solid"
        )
    if len(edges.crowded):
        are = counted(len(edges.crowded), "edge is", "edges are")
        where = place(points[edges.ends(edges.crowded)[0][0]])
        problems.append(
            f"{are} shared by more than two faces, one at {where} in the file's "
            "numbers; take out inner walls, or join the parts into one solid, in the program that made it"
        )
    return problems


def _even_out(state: Mended) -> Mended:
    """Turn the long edge of faces without area, so that every face has a side to look at."""
    if state.problems:
        return state
    surface, flipped, moved = flip_slivers(state.surface)
    return _noted(replace(state, surface=surface), "flat slivers evened out", flipped, moved)


def _sort_bodies(state: Mended) -> Mended:
    """Make one outward-wound body of a closed mesh."""
    if state.problems:
        return state
    result = one_body(state.surface)
    found = replace(state.found, flipped=state.found.flipped + result.turned)
    state = replace(
        state, surface=result.surface, problems=result.problems, bodies=result.bodies, found=found,
        genus=genus_sum(result.surface.edges),
    )  # fmt: skip
    for what, count in result.repairs:
        state = _noted(state, what, count)
    return state


def _compact(surface: Surface) -> Surface:
    """Return the surface without points that no face uses: they would spoil the size."""
    used = np.zeros(len(surface.points), dtype=bool)
    used[surface.faces] = True
    if bool(used.all()):
        return surface
    number = np.cumsum(used) - 1
    return Surface(surface.points[used], number[surface.faces])
