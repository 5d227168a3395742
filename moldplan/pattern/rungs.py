"""The rungs of the ladder of mending, each a function from state to state that notes what it did."""

from dataclasses import replace
from typing import Final

import numpy as np

from moldplan.pattern.arrays import mesh_area_mm2
from moldplan.pattern.bodies import one_body
from moldplan.pattern.cutout import deep_inside, inner_walls, uncrowded, without
from moldplan.pattern.doubles import doubled_faces
from moldplan.pattern.holes import MOST_OPEN_EDGES, Cap, Rims, cap_hole, ring_width, simple_loops, with_caps
from moldplan.pattern.islands import Dropped, face_areas, islands, second_shells, summed
from moldplan.pattern.model import Rung
from moldplan.pattern.slivers import flip_slivers
from moldplan.pattern.state import NOWHERE, Mended, Shift, compact, noted, proper_faces, shift_of
from moldplan.pattern.topology import (
    Bools,
    Edges,
    Floats,
    Ints,
    Surface,
    face_bodies,
    genus_sum,
    mesh_edges,
    open_loops,
    turned_faces,
)
from moldplan.pattern.underside import Piece, closing, floor_faces
from moldplan.pattern.weld import weld_near
from moldplan.pattern.words import counted, place
from moldplan.tolerances import (
    CUT_FEW,
    CUT_SHARE,
    FLAT_REL,
    HOLE_AREA_SHARE,
    HOLE_WIDTH,
    MOST_LOOSENED,
    PIN_HOLE_AREA_SHARE,
    PIN_HOLE_EDGES,
    WELD_STEPS,
    WORTH_CLOSING,
)

#: How far off a cap may be is spread over it in so many equal parts of its area.
_PARTS: Final = 8
#: Which rung the sorting of bodies speaks for.
_BODY_RUNGS: Final[dict[str, Rung]] = {
    "bodies that were inside out turned": "wind",
    "inner hollows filled": "unite",
    "buried bodies dropped": "unite",
    "loose specks dropped": "drop",
    "overlapping bodies joined": "unite",
    "loose crumbs dropped": "drop",
}


def refuse_flat(state: Mended) -> Mended:
    """Note that nothing solid can come of the faces there are."""
    flat = _flatness(state.surface)
    return state if flat is None else replace(state, problems=(flat,), flat=True)


def _flatness(surface: Surface) -> str | None:
    """Return why nothing solid can come of the surface, None when something can."""
    if len(surface.faces) == 0:
        return "nothing is left without faces that have no area; export the figure as a solid"
    corners = compact(surface).points
    corners = corners - corners.mean(axis=0)
    thinnest = np.linalg.eigh(corners.T @ corners)[1][:, 0]
    if float(np.ptp(corners @ thinnest)) > FLAT_REL * float(np.linalg.norm(np.ptp(corners, axis=0))):
        return None
    return "all of it lies in one plane: a flat sheet has no inside; give it thickness and export it again"


def weld(state: Mended, label: Ints | None) -> Mended:
    """Make one of points with the same coordinates; drop faces that this leaves without area or doubled.

    `label` has the number among the differing points for every point of the file; None when all differ.
    """
    points, raw = state.surface.points, state.surface.faces
    faces = raw if label is None else label[raw]
    proper = proper_faces(faces)
    lost = int((~proper).sum())
    if lost:
        raw, faces = raw[proper], faces[proper]
    state = _counted(replace(state, surface=Surface(points, faces)), lost)
    state = noted(state, "faces without area dropped", lost, rung="doubles")
    single = _single(state)
    if label is None or len(single.surface.edges.crowded) == 0:
        return single
    # Bodies that touch along an edge or part of a side hang together once equal points are one; the file's
    # own numbering may still tell them apart.
    apart = Surface(points[label], raw)
    return replace(state, surface=apart) if apart.edges.closed else single


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


def _single(state: Mended) -> Mended:
    """Drop doubled faces and walls between touching bodies."""
    if state.surface.edges.unmirrored:
        return state
    repeat, wall = doubled_faces(state.surface.faces)
    if not bool((repeat | wall).any()):
        return state
    if bool(wall.any()):
        repeat, wall = _proven(state.surface, repeat, wall)
    found = replace(state.found, doubled=state.found.doubled + int(repeat.sum() + wall.sum()))
    state = replace(state, surface=without(state.surface, repeat | wall), found=found)
    state = noted(state, "doubled faces dropped", int(repeat.sum()), rung="doubles")
    return noted(
        state, "faces of inner walls between touching bodies dropped", int(wall.sum()), rung="doubles"
    )


def _proven(surface: Surface, repeat: Bools, wall: Bools) -> tuple[Bools, Bools]:
    """Return repeats and walls, where only what lies inside is a wall: the rest is skin drawn twice."""
    _, twin = np.unique(np.sort(surface.faces[wall], axis=1), axis=0, return_inverse=True)
    label = np.zeros(len(surface.faces), dtype=np.int64)
    label[wall] = twin.ravel()
    first = np.zeros(len(surface.faces), dtype=bool)
    first[np.flatnonzero(wall)[np.unique(twin, return_index=True)[1]]] = True
    edges = mesh_edges(surface.faces[first])
    patch = np.zeros(len(surface.faces), dtype=np.int64)
    patch[first] = face_bodies(edges)[1]
    inside = np.zeros(int(label.max()) + 1, dtype=bool)
    inside[label[deep_inside(surface, patch, first, surface)]] = True
    proven = wall & inside[label]
    return repeat | (wall & ~proven & ~first), proven


def weld_loose(state: Mended) -> Mended:
    """Weld nearly equal points along open edges, farther apart step by step while that closes open edges."""
    for step in WELD_STEPS:
        edges = state.surface.edges
        if len(edges.open) == 0:
            break
        welded = _welded(state, step)
        after = welded.surface.edges
        closed = len(edges.open) - len(after.open)
        crowded = len(after.crowded) - len(edges.crowded)
        if closed > WORTH_CLOSING * max(crowded, 0) or step == WELD_STEPS[0]:
            state = welded
    return state


def _welded(state: Mended, share: float) -> Mended:
    """Weld points along open edges that are no farther apart than a share of the diagonal."""
    points, edges = state.surface.points, state.surface.edges
    loose = np.unique(np.concatenate(edges.ends(edges.open)))
    target, _ = weld_near(points, loose, share * float(np.linalg.norm(np.ptp(points, axis=0))))
    moved = np.flatnonzero(target != np.arange(len(target)))
    if len(moved) == 0:
        return state
    faces = target[state.surface.faces]
    proper = proper_faces(faces)
    shift = _weld_shift(state.surface, target, moved)
    state = replace(state, surface=Surface(points, faces[proper]))
    state = noted(state, "nearly equal points welded", len(moved), rung="weld", shift=shift)
    state = noted(state, "slivers along a crack dropped", int((~proper).sum()), rung="weld")
    return _single(state)


def _weld_shift(surface: Surface, target: Ints, moved: Ints) -> Shift:
    """Return how far welding moves the surface: every point takes a third of the faces round it with it."""
    away = np.zeros(len(surface.points))
    away[moved] = np.linalg.norm(surface.points[target[moved]] - surface.points[moved], axis=1)
    touched = surface.faces[(away > 0.0)[surface.faces].any(axis=1)]
    corners = surface.points[touched]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    third = np.sqrt(np.einsum("ij,ij->i", normals, normals)) / 6.0
    area = summed(touched.ravel(), np.repeat(third, 3), len(away))
    whole = mesh_area_mm2(surface.points, surface.faces)
    return shift_of(away[moved], area[moved], surface.points[moved], whole=whole)


def drop_pieces(state: Mended) -> Mended:
    """Drop small open pieces beside the figure, and a second shell that lies on the first."""
    if not state.surface.edges.closed:
        state = _dropped(state, islands(state.surface), "islands beside the figure dropped", "drop")
    return _dropped(
        state, second_shells(state.surface), "shells drawn twice, nearly alike, dropped", "doubles"
    )


def _dropped(state: Mended, dropped: Dropped, what: str, rung: Rung) -> Mended:
    """Drop pieces."""
    if dropped.pieces == 0:
        return state
    state = replace(state, surface=without(state.surface, dropped.faces))
    return noted(state, what, dropped.pieces, rung=rung, shift=dropped.shift)


def drop_floor(state: Mended) -> Mended:
    """Cut off the sheet the figure was scanned on."""
    if len(state.surface.edges.open) == 0:
        return state
    sheet = floor_faces(state.surface)
    if sheet is None:
        return state
    state = replace(state, surface=without(state.surface, sheet))
    return noted(state, "floor cut off", 1, rung="drop")


def drop_walls(state: Mended, raw: Surface) -> Mended:
    """Drop walls inside the figure, where bodies share part of their skin; `raw` is the mesh as it came."""
    if len(state.surface.edges.crowded) == 0:
        return state
    turn, _ = turned_faces(raw.edges)
    walls = inner_walls(state.surface, Surface(raw.points, _turned(raw.faces, turn)))
    state = replace(state, surface=without(state.surface, walls)) if bool(walls.any()) else state
    return noted(state, "faces of walls inside the figure dropped", int(walls.sum()), rung="unite")


def cut_crowded(state: Mended) -> Mended:
    """Cut off fins and take out the faces round edges that more than two faces share."""
    if len(state.surface.edges.crowded) == 0:
        return state
    surface, loose, cut = uncrowded(state.surface)
    if cut > max(CUT_SHARE * len(state.surface.faces), CUT_FEW):
        return state  # no small damage: caps over all that would be guessing
    state = noted(replace(state, surface=surface), "faces of fins cut off", loose, rung="cut")
    return noted(state, "faces round edges shared by more than two taken out", cut, rung="cut")


def agree(state: Mended) -> Mended:
    """Turn faces until neighbours agree on which side is out."""
    edges = state.surface.edges
    turn, possible = turned_faces(edges)
    if not possible:
        one_sided = "the surface has one side only, like a twisted band; rebuild it as a solid"
        state = replace(state, problems=(*state.problems, one_sided), flat=True)
    count = int(turn.sum())
    if count == 0:
        return state
    faces = _turned(state.surface.faces, turn)
    found = replace(state.found, flipped=state.found.flipped + count)
    state = replace(state, surface=Surface(state.surface.points, faces), found=found)
    return noted(state, "flipped faces turned", count, rung="wind")


def _turned(faces: Ints, turn: Bools) -> Ints:
    """Return faces with some of them turned."""
    return np.asarray(np.where(turn[:, None], faces[:, ::-1], faces))


def fill(state: Mended) -> Mended:
    """Close what is open: the underside flat, holes as smoothly as their rims."""
    edges = state.surface.edges
    if not 0 < len(edges.open) <= MOST_OPEN_EDGES or len(edges.crowded):
        return state
    flat, pins, large = _caps(state.surface)
    whole = mesh_area_mm2(state.surface.points, state.surface.faces)
    state = _capped(state, [*flat, *pins, *large])
    kinds: tuple[tuple[str, list[Cap], Rung], ...] = (
        ("open underside closed flat", flat, "close"),
        ("pin-holes closed", pins, "fill"),
        ("holes filled", large, "fill"),
    )
    for what, caps, rung in kinds:
        state = noted(state, what, len(caps), rung=rung, shift=cap_shift(caps, whole))
    return state


def _capped(state: Mended, caps: list[Cap]) -> Mended:
    """Put caps on, and keep in mind how far off every face of theirs may be."""
    if not caps:
        return state
    surface = with_caps(state.surface, caps)
    off = np.concatenate([np.full(len(cap.faces), cap.off) for cap in caps])
    middles = surface.points[surface.faces[len(state.surface.faces) :]].mean(axis=1)
    unsure = np.concatenate([state.unsure, np.column_stack([middles, off])])
    return replace(state, surface=surface, unsure=unsure)


def _caps(surface: Surface) -> tuple[list[Cap], list[Cap], list[Cap]]:
    """Return caps over the undersides, over pin-holes and over larger holes."""
    rims = Rims(surface)
    span = float(np.linalg.norm(np.ptp(surface.points[surface.faces.ravel()], axis=0)))
    pieces = _Pieces(surface)
    flat: list[Cap] = []
    pins: list[Cap] = []
    large: list[Cap] = []
    for ring in rims.loops:
        if len(ring) < 3:
            continue
        piece = pieces.of(ring)
        cap = closing(rims, ring, piece)
        if cap is not None:
            flat.append(cap)
            continue
        cap = cap_hole(rims, ring, most=HOLE_AREA_SHARE * piece.area, widest=HOLE_WIDTH * span)
        if cap is not None:
            pin = len(ring) <= PIN_HOLE_EDGES and cap.area <= PIN_HOLE_AREA_SHARE * piece.area
            (pins if pin else large).append(cap)
    return flat, pins, large


def loosen(state: Mended) -> Mended:
    """Take out the faces along rims that no cap fits: those that touch themselves or fold over.

    Rims too wide to be filled stay, and pieces that would lose more than a small part; when there is nothing
    else, the state itself is returned.
    """
    surface = state.surface
    if len(surface.edges.open) > MOST_OPEN_EDGES:
        return state
    span = float(np.linalg.norm(np.ptp(surface.points[surface.faces.ravel()], axis=0)))
    touched = np.zeros(len(surface.points), dtype=bool)
    for rim in simple_loops(surface):
        touched[rim] = ring_width(surface.points, rim) <= HOLE_WIDTH * span
    faces = np.asarray(touched[surface.faces].any(axis=1))
    number, label = face_bodies(surface.edges)
    share = summed(label, faces.astype(np.float64), number) / np.bincount(label, minlength=number)
    faces &= (share <= MOST_LOOSENED)[label]
    if not bool(faces.any()):
        return state
    return cut_faces(state, faces, "faces along torn rims taken out")


class _Pieces:
    """Every connected piece with what an opening is measured against, by the ring that belongs to it."""

    def __init__(self, surface: Surface) -> None:
        """Sort the points by piece."""
        number, label = face_bodies(surface.edges)
        self._of = np.full(len(surface.points), number, dtype=np.int64)
        self._of[surface.faces] = label[:, None]
        order = np.argsort(self._of, kind="stable")
        ends = np.cumsum(np.bincount(self._of, minlength=number + 1))[:-1]
        areas = summed(label, face_areas(surface), number)
        self._pieces = [
            Piece(points, float(np.linalg.norm(np.ptp(points, axis=0))) if len(points) else 0.0, area)
            for points, area in zip(
                np.split(surface.points[order], ends)[:number], areas.tolist(), strict=True
            )
        ]

    def of(self, ring: Ints) -> Piece:
        """Return the piece that a ring is on."""
        return self._pieces[int(self._of[ring[0]])]


def cap_shift(caps: list[Cap], whole: float) -> Shift:
    """Return how far off a filled surface may be: falling evenly from each cap's middle to its rim."""
    if not caps:
        return NOWHERE
    parts = (np.arange(_PARTS) + 1.0) / _PARTS
    away = np.concatenate([cap.off * parts for cap in caps])
    area = np.repeat([cap.area / _PARTS for cap in caps], _PARTS)
    places = np.repeat([cap.middle for cap in caps], _PARTS, axis=0)
    return shift_of(away, area, places, whole=whole + float(area.sum()))


def count_bodies(state: Mended) -> Mended:
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


def even_out(state: Mended) -> Mended:
    """Turn the long edge of faces without area, so that every face has a side to look at."""
    if state.problems:
        return state
    surface, flipped, moved = flip_slivers(state.surface)
    return noted(
        replace(state, surface=surface),
        "flat slivers evened out",
        flipped,
        rung="even",
        shift=Shift(most=moved),
    )


def sort_bodies(state: Mended) -> Mended:
    """Make one outward-wound body of a closed mesh."""
    if state.problems:
        return state
    result = one_body(state.surface)
    found = replace(state.found, flipped=state.found.flipped + result.turned)
    state = replace(
        state, surface=result.surface, problems=result.problems, bodies=result.bodies, found=found,
        genus=genus_sum(result.surface.edges), flat=state.flat or result.final,
        turned_inside_out=state.turned_inside_out or result.inside_out,
    )  # fmt: skip
    for what, count in result.repairs:
        state = noted(state, what, count, rung=_BODY_RUNGS[what])
    return state


def cut_faces(state: Mended, faces: Bools, what: str) -> Mended:
    """Take out some faces."""
    state = replace(state, surface=without(state.surface, faces))
    return noted(state, what, int(faces.sum()), rung="cut")
