"""From raw triangles to a closed solid, mending what is small and naming what is not.

Steps: weld, drop what is no face, make the winding agree, close pin-holes, sort out the bodies. Lengths here are in
the file's own numbers; nothing is scaled yet.
"""

from dataclasses import dataclass, replace

import numpy as np

from moldplan.pattern.bodies import one_body
from moldplan.pattern.doubles import drop_doubled
from moldplan.pattern.holes import fill_pin_holes
from moldplan.pattern.model import Repair
from moldplan.pattern.topology import (
    Edges,
    Floats,
    Ints,
    face_bodies,
    genus_sum,
    mesh_edges,
    open_loops,
    turned_faces,
)
from moldplan.pattern.weld import weld_equal, weld_near
from moldplan.tolerances import WELD_REL


@dataclass(frozen=True, kw_only=True)
class Found:
    """What was counted on the way, of the file as it came."""

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
    """A mesh with its history. `problems` is empty when the mesh is one closed outward-wound solid."""

    points: Floats
    faces: Ints
    found: Found
    repairs: tuple[Repair, ...] = ()
    problems: tuple[str, ...] = ()
    bodies: int = 0
    genus: int = 0


def mend(points: Floats, faces: Ints) -> Mended:
    """Return the mesh mended as far as small things go. It never refuses: see `Mended.problems`."""
    state = Mended(points=points, faces=faces, found=Found(points=len(points), triangles=len(faces)))
    for step in (_weld_equal, _drop_doubled, _weld_near, _agree, _fill, _sort_bodies, _drop_unused):
        state = step(state)
        if len(state.faces) == 0:
            flat = "nothing is left after dropping faces without area and doubled faces; export a solid"
            return replace(state, problems=(flat,))
    return state


def _with(state: Mended, what: str, count: int, moved: float = 0.0) -> Mended:
    """Note a repair."""
    if count == 0:
        return state
    return replace(state, repairs=(*state.repairs, Repair(what=what, count=count, moved_mm=moved)))


def _weld_equal(state: Mended) -> Mended:
    """Make one of points with the same coordinates, and drop faces that shrink to a line by it."""
    places, label = weld_equal(state.points)
    faces = label[state.faces]
    proper = _proper(faces)
    dropped = int((~proper).sum())
    state = replace(
        state, points=places.astype(np.float64), faces=faces[proper],
        found=replace(state.found, degenerate=dropped),
    )  # fmt: skip
    return _with(state, "faces without area dropped", dropped)


def _proper(faces: Ints) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Return which faces have three different corners."""
    return np.asarray((faces != np.roll(faces, 1, axis=1)).all(axis=1))


def _drop_doubled(state: Mended) -> Mended:
    """Keep one of faces that lie on each other."""
    faces, doubled, walls = drop_doubled(state.faces)
    state = replace(state, faces=faces, found=replace(state.found, doubled=doubled))
    state = _with(state, "doubled faces dropped", doubled - walls)
    return _with(state, "inner wall faces between touching bodies dropped", walls)


def _weld_near(state: Mended) -> Mended:
    """Weld nearly equal points along open edges, where they are what keeps the mesh open."""
    edges = mesh_edges(state.faces)
    if len(edges.open) == 0:
        return _counted(state, edges)
    loose = np.unique(np.concatenate(edges.ends(edges.open)))
    spread = float(np.linalg.norm(np.ptp(state.points, axis=0)))
    target, moved = weld_near(state.points, loose, WELD_REL * spread)
    welded = int((target != np.arange(len(target))).sum())
    if welded == 0:
        return _counted(state, edges)
    faces = target[state.faces]
    proper = _proper(faces)
    lost = int((~proper).sum())
    faces, doubled, _ = drop_doubled(faces[proper])
    found = replace(
        state.found, degenerate=state.found.degenerate + lost, doubled=state.found.doubled + doubled
    )
    state = _with(replace(state, faces=faces, found=found), "nearly equal points welded", welded, moved)
    state = _with(_with(state, "slivers closed by welding dropped", lost), "doubled faces dropped", doubled)
    return _counted(state, edges)


def _counted(state: Mended, edges: Edges) -> Mended:
    """Note the open and crowded edges of the file as it came (equal points merged)."""
    found = replace(
        state.found,
        open_edges=len(edges.open),
        open_loops=open_loops(edges)[0],
        nonmanifold=len(edges.crowded),
    )
    return replace(state, found=found)


def _agree(state: Mended) -> Mended:
    """Turn faces until neighbours agree on which side is out."""
    edges = mesh_edges(state.faces)
    turn, possible = turned_faces(edges)
    if not possible:
        one_sided = "the surface has only one side (like a twisted band); rebuild it as a solid"
        state = replace(state, problems=(*state.problems, one_sided))
    faces = state.faces.copy()
    faces[turn] = faces[turn][:, ::-1]
    count = int(turn.sum())
    return _with(
        replace(state, faces=faces, found=replace(state.found, flipped=count)), "flipped faces turned", count
    )


def _fill(state: Mended) -> Mended:
    """Close pin-holes; report what stays open or crowded."""
    caps, holes, moved = fill_pin_holes(state.points, mesh_edges(state.faces))
    if holes:
        state = _with(
            replace(state, faces=np.concatenate([state.faces, caps])), "pin-holes closed", holes, moved
        )
    edges = mesh_edges(state.faces)
    problems = (*state.problems, *_edge_problems(state.points, edges))
    bodies, _ = face_bodies(edges)
    return replace(state, problems=problems, bodies=bodies)


def _edge_problems(points: Floats, edges: Edges) -> list[str]:
    """Say which edges keep the mesh from being a solid."""
    problems = []
    if len(edges.open):
        loops, _ = open_loops(edges)
        place = _place(points[edges.ends(edges.open)[0][0]])
        problems.append(
            f"the surface is open: {len(edges.open)} open edges round {loops} holes, one at {place}; close "
            "them in the program that made the mesh, or scan and export it again as a closed solid"
        )
    if len(edges.crowded):
        place = _place(points[edges.ends(edges.crowded)[0][0]])
        problems.append(
            f"{len(edges.crowded)} edges are shared by more than two faces, one at {place}; take out inner walls "
            "and doubled parts in the program that made the mesh, or join its parts into one solid there"
        )
    return problems


def _place(point: Floats) -> str:
    """Return a place in the file's own numbers, for finding it again in another program."""
    return "(" + ", ".join(f"{value:.6g}" for value in point) + ")"


def _sort_bodies(state: Mended) -> Mended:
    """Make one outward-wound body of a closed mesh."""
    if state.problems:
        return state
    result = one_body(state.points, state.faces)
    state = replace(
        state, points=result.points, faces=result.faces, problems=result.problems, bodies=result.bodies
    )
    for what, count in result.repairs:
        state = _with(state, what, count)
    found = replace(state.found, flipped=state.found.flipped + result.turned_faces)
    edges = mesh_edges(state.faces)
    return replace(state, found=found, genus=genus_sum(edges, face_bodies(edges)[0]))


def _drop_unused(state: Mended) -> Mended:
    """Drop points that no face uses: they would spoil the size."""
    used = np.zeros(len(state.points), dtype=bool)
    used[state.faces] = True
    number = np.cumsum(used) - 1
    return replace(state, points=state.points[used], faces=number[state.faces])
