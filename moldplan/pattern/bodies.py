"""One solid out of the closed shells of a file: turned outward, filled, joined, or refused as several."""

from collections.abc import Iterable
from dataclasses import dataclass

import manifold3d
import numpy as np

from moldplan.pattern.arrays import mesh_volume_mm3
from moldplan.pattern.topology import Floats, Ints, Surface, face_bodies
from moldplan.pattern.words import place
from moldplan.tolerances import BURIED_SHARE, FLAT_REL, SPECK_SHARE

#: Files of loose crumbs are no figures; more shells than this are not sorted out.
_MOST_SHELLS = 1000

Counts = tuple[tuple[str, int], ...]


@dataclass(frozen=True, kw_only=True)
class OneBody:
    """What became of the shells. `problems` is empty when the surface is one body."""

    surface: Surface
    bodies: int
    turned: int = 0
    repairs: Counts = ()
    problems: tuple[str, ...] = ()
    final: bool = False
    """Whether a problem is one that no making anew of the surface could solve."""
    inside_out: bool = False
    """Whether most of it, by volume, was wound inside out."""


@dataclass(frozen=True)
class _Shell:
    """One closed shell, wound outward; `volume` keeps the sign it had in the file."""

    faces: Ints
    volume: float
    low: Floats
    high: Floats

    @property
    def solid_volume(self) -> float:
        """Volume inside, whichever way the shell was wound."""
        return abs(self.volume)

    @property
    def thick(self) -> bool:
        """Whether there is anything inside."""
        return self.solid_volume > FLAT_REL * float(np.linalg.norm(self.high - self.low)) ** 3


def one_body(surface: Surface) -> OneBody:
    """Return a closed, consistently wound surface as one outward-wound body, or say why it cannot be one.

    Notes
    -----
    A shell inside another is a hollow or buried: rubber never reaches it, and it is dropped. Shells that
    cross or touch are united. Specks are dropped. What then still falls apart is several figures.
    """
    number, label = face_bodies(surface.edges)
    if number > _MOST_SHELLS:
        many = f"{number} separate bodies in one file; delete the loose crumbs and export one figure"
        return OneBody(surface=surface, bodies=number, problems=(many,), final=True)
    shells = _shells(surface, np.split(np.argsort(label, kind="stable"), np.cumsum(np.bincount(label))[:-1]))
    thin = sum(not shell.thick for shell in shells)
    if thin:
        sheet = (
            "it is a sheet without thickness; give it thickness and export it again"
            if number == 1
            else f"{thin} of {number} bodies are sheets without thickness; give them thickness or delete them"
        )
        return OneBody(surface=surface, bodies=number, problems=(sheet,), final=True)
    outer, hidden = _outermost(surface.points, shells)
    kept = [shell for shell in outer if shell.solid_volume >= SPECK_SHARE * outer[0].solid_volume]
    inside_out = [shell for shell in kept if shell.volume < 0.0]
    repairs = (
        ("bodies that were inside out turned", len(inside_out)),
        ("inner hollows filled", sum(shell.volume < 0.0 for shell in hidden)),
        ("buried bodies dropped", sum(shell.volume > 0.0 for shell in hidden)),
        ("loose specks dropped", len(outer) - len(kept)),
    )
    turned = sum(len(shell.faces) for shell in inside_out)
    faces = np.concatenate([shell.faces for shell in kept])
    if len(kept) == 1:
        return OneBody(surface=Surface(surface.points, faces), bodies=1, turned=turned, repairs=repairs)
    return _joined(Surface(surface.points, faces), kept, repairs, turned)


def _shells(surface: Surface, groups: Iterable[Ints]) -> list[_Shell]:
    """Return the shells, largest first."""
    centred = surface.points - 0.5 * (surface.points.min(axis=0) + surface.points.max(axis=0))
    shells = []
    for group in groups:
        faces = surface.faces[np.sort(group)]
        corners = surface.points[faces].reshape(-1, 3)
        volume = mesh_volume_mm3(centred, faces)
        outward = faces if volume >= 0.0 else faces[:, ::-1]
        shells.append(_Shell(outward, volume, corners.min(axis=0), corners.max(axis=0)))
    return sorted(shells, key=lambda shell: -shell.solid_volume)


def _solid(points: Floats, faces: Ints) -> manifold3d.Manifold:
    """Return faces as a solid of its own."""
    used, compact = np.unique(faces, return_inverse=True)
    mesh = manifold3d.Mesh64(
        vert_properties=np.ascontiguousarray(points[used]),
        tri_verts=compact.reshape(-1, 3).astype(np.uint64),
    )
    return manifold3d.Manifold(mesh)


def _outermost(points: Floats, shells: list[_Shell]) -> tuple[list[_Shell], list[_Shell]]:
    """Return the shells that lie in no other, and those that do; both largest first."""
    outer: list[_Shell] = []
    hidden: list[_Shell] = []
    for shell in shells:
        around = (
            large
            for large in outer
            if bool((large.low <= shell.low).all()) and bool((large.high >= shell.high).all())
        )
        (hidden if any(_holds(points, large, shell) for large in around) else outer).append(shell)
    return outer, hidden


def _holds(points: Floats, large: _Shell, small: _Shell) -> bool:
    """Return whether the body `small` lies inside the body `large`."""
    inner = _solid(points, small.faces)
    shared = _solid(points, large.faces) ^ inner
    return bool(0.0 < BURIED_SHARE * inner.volume() <= shared.volume())


def _joined(surface: Surface, shells: list[_Shell], repairs: Counts, turned: int) -> OneBody:
    """Unite bodies that overlap or touch; refuse when they stay apart."""
    singles = [_solid(surface.points, shell.faces) for shell in shells]
    united = manifold3d.Manifold.batch_boolean(singles, manifold3d.OpType.Add)
    parts = united.decompose()
    solids = sorted((part for part in parts if part.volume() > 0.0), key=lambda solid: -solid.volume())
    sound = all(single.status() == manifold3d.Error.NoError for single in singles)
    if len(solids) > 1 and sound:
        return OneBody(
            surface=surface, bodies=len(solids), turned=turned, problems=(_apart(solids),), final=True
        )
    result = _surface(solids[0]) if solids else surface
    if not (sound and solids and result.edges.closed):
        problem = f"its {len(shells)} bodies could not be joined; join them in the program that made them"
        return OneBody(surface=surface, bodies=len(shells), turned=turned, problems=(problem,))
    repairs = (*repairs, ("overlapping bodies joined", len(shells)), ("inner hollows filled", len(parts) - 1))
    return OneBody(surface=result, bodies=1, turned=turned, repairs=repairs)


def _surface(solid: manifold3d.Manifold) -> Surface:
    """Return a solid's points and faces as arrays of our own (the library's are read-only)."""
    mesh = solid.to_mesh64()
    points = np.array(mesh.vert_properties[:, :3], dtype=np.float64)
    return Surface(points, np.array(mesh.tri_verts, dtype=np.int64))


def _apart(solids: list[manifold3d.Manifold]) -> str:
    """Say how the bodies lie apart."""
    box = np.array(solids[1].bounding_box()).reshape(2, 3)
    size = " x ".join(f"{value:.4g}" for value in box[1] - box[0])
    where = place(box.mean(axis=0))
    share = 100.0 * solids[1].volume() / solids[0].volume()
    return (
        f"{len(solids)} bodies that are not joined; the second largest ({share:.3g} % of the largest, {size} "
        f"in the file's numbers) lies at {where}; delete it, give it its own file, or join it to the first"
    )
