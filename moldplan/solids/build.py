"""The parts of one half's mould built as closed meshes.

1. Rubber: the triangles of its outer face, the half turned inside out without its sawn face, and a floor
   between the lines in which both end on the board. With a skin under a cell the two might cross: then the
   half is taken off as a solid. What fills sealed pockets is dropped: no rubber gets there.
2. Jacket (`moldplan.solids.jacket`): the triangles of its outside, those of the rubber's outer face turned
   over, and the floor between; so both parts have the same triangles between them.
3. Buttons: cylinders along their normals; what they cut out of the jacket are the studs.
4. Wall and board: upright prisms.

Dropped: making rubber and jacket as differences of solids. With a floor of as many triangles as the face it
took ten seconds a half, for all of them lie in one plane with the sawn face; with a coarse floor still four
times as long as putting the surfaces together, for the same mesh.
"""

from typing import Final

import manifold3d
import numpy as np
import shapely
from numpy.typing import NDArray

from moldplan.half.model import Half
from moldplan.half.solids import mesh_of, solid_of, surfaces
from moldplan.mould.board import BOARD_MM
from moldplan.mould.model import Board, Button, Mould, Rubber, Wall
from moldplan.pattern.arrays import frozen, mesh_volume_mm3
from moldplan.solids.jacket import jacket_mesh
from moldplan.solids.model import MouldSolids, Part, PartName
from moldplan.solids.prism import prism
from moldplan.solids.under import Mesh, closed_below, face_of, trimmed, turned_inside_out

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Sides of a button.
_BUTTON_SIDES: Final = 48


def build_solids(half: Half, mould: Mould) -> MouldSolids:
    """Return the parts of one half's mould (`moldplan.solids.mould_solids`)."""
    rubber, jacket = mould.rubber, mould.jacket

    def part(name: PartName, mesh: Mesh) -> Part:
        for array in mesh:
            frozen(array)
        return Part(name=name, half=half.name, vertices=mesh[0], faces=mesh[1])

    face = face_of(rubber.outer_mm, rubber.grid)
    shell = None if jacket.outer_mm is None else jacket_mesh(jacket, jacket.outer_mm, rubber, face)
    studs = None
    if shell is not None and rubber.buttons:
        drills = [_drill(button, jacket.thickness_mm) for button in rubber.buttons]
        bored = manifold3d.Manifold.batch_boolean(drills, manifold3d.OpType.Add)
        studs, shell = (mesh_of(part) for part in solid_of(*shell, "jacket").split(bored))
    return MouldSolids(
        pattern=part("pattern", (half.vertices, half.faces)),
        rubber=part("rubber", _rubber(half, rubber, face)),
        jacket=None if shell is None else part("jacket", shell),
        wall=part("wall", mesh_of(_wall(mould.wall))),
        board=part("board", mesh_of(_board(mould.board))),
        buttons=None if studs is None else part("buttons", studs),
    )


def _rubber(half: Half, rubber: Rubber, face: Mesh) -> Mesh:
    """Return the rubber between its outer face and the half."""
    if rubber.skin_mm > rubber.grid.cell_mm:
        off_board = half.faces[half.vertices[half.faces, 2].max(axis=1) > 0.0]
        inner = turned_inside_out(trimmed(half.vertices, off_board))
        return _without_pockets(closed_below(face, inner), face[0])
    name = f"rubber {half.name}"
    whole = solid_of(*closed_below(face), name) - solid_of(half.vertices, half.faces, name)
    return _without_pockets(mesh_of(whole), face[0])


def _without_pockets(mesh: Mesh, on_face: Floats) -> Mesh:
    """Return the rubber without what fills sealed pockets: bodies with no point of the outer face.

    Bodies inside out stay: they are the surface of a part of the half that touches neither board nor other
    parts.
    """
    points, faces = mesh
    count, label = surfaces(faces, len(points))
    if count <= 1:
        return mesh
    places = np.dtype([("x", np.float64), ("y", np.float64), ("z", np.float64)])
    met = np.isin(np.ascontiguousarray(points).view(places), np.ascontiguousarray(on_face).view(places))
    body, reached = label[faces[:, 0]], np.unique(label[met.ravel()])
    kept = [
        number in reached or _is_hollow(points, faces[body == number]) for number in range(label.max() + 1)
    ]
    return trimmed(points, faces[np.array(kept)[body]])


def _is_hollow(points: Floats, faces: Ints) -> bool:
    """Return whether a closed surface looks inwards."""
    return mesh_volume_mm3(points, faces) < 0.0


def _drill(button: Button, thickness_mm: float) -> manifold3d.Manifold:
    """Return the cylinder of a button, from inside the rubber to well outside the jacket.

    Well outside is twice the laminate and one diameter: the outside may lean another way than the face.
    """
    inside, outside = button.diameter_mm, 2.0 * thickness_mm + button.diameter_mm
    axis = np.asarray(button.normal) / np.linalg.norm(button.normal)
    across = np.cross(axis, np.eye(3)[np.argmin(np.abs(axis))])
    across /= np.linalg.norm(across)
    foot = np.asarray(button.place_mm) - inside * axis
    radius = 0.5 * button.diameter_mm
    upright = manifold3d.Manifold.cylinder(inside + outside, radius, circular_segments=_BUTTON_SIDES)
    return upright.transform(np.stack([across, np.cross(axis, across), axis, foot], axis=1))


def _wall(wall: Wall) -> manifold3d.Manifold:
    """Return the clay wall with the walls inside openings, without its buttresses."""
    ground = [wall.outer.difference(wall.inner), *wall.inner_walls]
    return prism(shapely.union_all(ground), 0.0, wall.height_mm)


def _board(board: Board) -> manifold3d.Manifold:
    """Return the board, its top at z = 0, cut to the larger of its two states in each direction."""
    middle = (board.centre_mm[0], board.centre_mm[1], -0.5 * BOARD_MM)
    return manifold3d.Manifold.cube((*board.size_mm, BOARD_MM), center=True).translate(middle)
