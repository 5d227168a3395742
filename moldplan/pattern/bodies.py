"""One solid out of the closed shells of a file: turned outward, filled, joined, or refused as several figures."""

from dataclasses import dataclass, field

import manifold3d
import numpy as np

from moldplan.pattern.arrays import mesh_volume_mm3
from moldplan.pattern.topology import Bools, Floats, Ints, face_bodies, mesh_edges

#: A body is flat when its volume is below this share of its bounding box's diagonal cubed.
FLAT_SHARE = 1e-9
#: A shell counts as buried when this share of its volume lies inside the other body.
BURIED_SHARE = 1.0 - 1e-6


@dataclass(frozen=True, kw_only=True)
class Bodies:
    """What became of the shells; lengths in the file's numbers."""

    points: Floats
    faces: Ints
    bodies: int
    turned_faces: int = 0
    repairs: list[tuple[str, int]] = field(default_factory=list)
    problems: tuple[str, ...] = ()


def one_body(points: Floats, faces: Ints) -> Bodies:
    """Return a closed, consistently wound mesh as one outward-wound body, or say why it cannot be one."""
    number, label = face_bodies(mesh_edges(faces))
    shells = [np.flatnonzero(label == shell) for shell in range(number)] if number < 1000 else []
    return _shelled(points, faces, shells, number)


def _shelled(points: Floats, faces: Ints, shells: list[Ints], number: int) -> Bodies:
    """Sort out the shells, given as face numbers."""
    if not shells:
        many = (
            f"{number} separate bodies in one file; give one figure (delete loose crumbs) and export it again"
        )
        return Bodies(points=points, faces=faces, bodies=number, problems=(many,))
    middle = 0.5 * (points.min(axis=0) + points.max(axis=0))
    volumes = np.array([mesh_volume_mm3(points - middle, faces[shell]) for shell in shells])
    flat = [
        k
        for k, shell in enumerate(shells)
        if abs(volumes[k]) <= FLAT_SHARE * _diagonal(points[faces[shell]]) ** 3
    ]
    if flat:
        sheet = f"{len(flat)} of {number} bodies are flat: a sheet without thickness cannot be cast; give it thickness"
        return Bodies(points=points, faces=faces, bodies=number, problems=(sheet,))
    outward = faces.copy()
    for shell, volume in zip(shells, volumes, strict=True):
        if volume < 0.0:
            outward[shell] = outward[shell][:, ::-1]
    order = np.argsort(-np.abs(volumes), kind="stable")
    outer, voids, buried = _outermost(points, outward, [shells[k] for k in order], volumes[order])
    kept = np.sort(np.concatenate(outer))
    inside_out = [shell for shell in outer if volumes[[s is shell for s in shells].index(True)] < 0.0]
    repairs = [("bodies that were inside out turned", len(inside_out)), ("inner hollows filled", voids),
               ("buried bodies dropped", buried)]  # fmt: skip
    turned = sum(len(shell) for shell in inside_out)
    if len(outer) == 1:
        return Bodies(points=points, faces=outward[kept], bodies=1, turned_faces=turned, repairs=repairs)
    return _joined(points, outward, outer, repairs, turned)


def _diagonal(corners: Floats) -> float:
    """Return the diagonal of the bounding box of corners (m, 3, 3)."""
    flat = corners.reshape(-1, 3)
    return float(np.linalg.norm(np.ptp(flat, axis=0)))


def _solid(points: Floats, faces: Ints) -> manifold3d.Manifold:
    """Return faces as a solid of its own."""
    used, compact = np.unique(faces, return_inverse=True)
    return manifold3d.Manifold(
        manifold3d.Mesh64(
            vert_properties=np.ascontiguousarray(points[used]),
            tri_verts=compact.reshape(-1, 3).astype(np.uint64),
        )
    )


def _outermost(
    points: Floats, faces: Ints, shells: list[Ints], volumes: Floats
) -> tuple[list[Ints], int, int]:
    """Return the shells that lie in no other (largest first), and how many were hollows and buried bodies."""
    boxes = [
        (points[faces[shell]].min(axis=(0, 1)), points[faces[shell]].max(axis=(0, 1))) for shell in shells
    ]
    outer: list[int] = []
    voids = buried = 0
    for k, shell in enumerate(shells):
        low, high = boxes[k]
        around = [j for j in outer if bool((boxes[j][0] <= low).all() and (boxes[j][1] >= high).all())]
        if any(_holds(points, faces[shells[j]], faces[shell]) for j in around):
            voids += int(volumes[k] < 0.0)
            buried += int(volumes[k] > 0.0)
        else:
            outer.append(k)
    return [shells[k] for k in outer], voids, buried


def _holds(points: Floats, large: Ints, small: Ints) -> bool:
    """Return whether the body `small` lies inside the body `large`."""
    inner = _solid(points, small)
    shared = _solid(points, large) ^ inner
    return bool(shared.volume() >= BURIED_SHARE * inner.volume())


def _joined(
    points: Floats, faces: Ints, shells: list[Ints], repairs: list[tuple[str, int]], turned: int
) -> Bodies:
    """Unite overlapping bodies; refuse when they stay apart."""
    united = manifold3d.Manifold.batch_boolean(
        [_solid(points, faces[shell]) for shell in shells], manifold3d.OpType.Add
    )
    parts = united.decompose()
    solid = [part for part in parts if part.volume() > 0.0]
    if len(solid) != 1:
        return Bodies(points=points, faces=faces, bodies=len(solid), repairs=repairs, turned_faces=turned,
                      problems=(_apart(solid),))  # fmt: skip
    mesh = solid[0].to_mesh64()
    repairs = [*repairs, ("overlapping bodies joined", len(shells)), ("inner hollows filled", len(parts) - 1)]
    return Bodies(
        points=np.array(mesh.vert_properties[:, :3], dtype=np.float64),
        faces=np.array(mesh.tri_verts, dtype=np.int64), bodies=1, repairs=repairs, turned_faces=turned,
    )  # fmt: skip


def _apart(solids: list[manifold3d.Manifold]) -> str:
    """Say how the bodies lie apart."""
    solids = sorted(solids, key=lambda solid: -solid.volume())
    low, high = (np.array(part) for part in (solids[1].bounding_box()[:3], solids[1].bounding_box()[3:]))
    size = " x ".join(f"{value:.4g}" for value in high - low)
    place = "(" + ", ".join(f"{value:.6g}" for value in 0.5 * (low + high)) + ")"
    share = 100.0 * solids[1].volume() / solids[0].volume()
    return (
        f"{len(solids)} bodies that do not touch; the second, {size} in the file's numbers and {share:.3g} % of the "
        f"first, lies at {place}; give each its own file, delete it, or join them into one solid"
    )


def is_closed(faces: Ints) -> Bools:
    """Return whether every edge of `faces` is shared by exactly two faces, as a bool array of one."""
    return np.array([mesh_edges(faces).closed])
