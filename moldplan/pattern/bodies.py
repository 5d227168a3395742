"""One solid out of the closed shells of a file: turned outward, filled, joined, or refused as several."""

from dataclasses import dataclass, replace

import manifold3d
import numpy as np

from moldplan.columns.sums import used_box
from moldplan.pattern.arrays import mesh_volume_mm3
from moldplan.pattern.topology import Floats, Ints, Surface, face_bodies
from moldplan.pattern.words import place
from moldplan.tolerances import BURIED_SHARE, CRUMB_SHARE, FLAT_REL, REL_EPSILON, SPECK_SHARE

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
    shells = _shells(surface, label, number)
    if problem := _thin_problem(shells):
        return OneBody(surface=surface, bodies=number, problems=(problem,), final=True)
    outer, hidden = _outermost(surface.points, shells)
    kept = [shell for shell in outer if shell.solid_volume >= SPECK_SHARE * outer[0].solid_volume]
    inside_out = [shell for shell in kept if shell.volume < 0.0]
    body = OneBody(
        surface=surface,
        bodies=1,
        turned=sum(len(shell.faces) for shell in inside_out),
        inside_out=sum(shell.volume for shell in kept) < 0.0,
        repairs=(
            ("bodies that were inside out turned", len(inside_out)),
            ("inner hollows filled", sum(shell.volume < 0.0 for shell in hidden)),
            ("buried bodies dropped", sum(shell.volume > 0.0 for shell in hidden)),
            ("loose specks dropped", len(outer) - len(kept)),
        ),
    )
    if number == 1 and not inside_out:
        return body
    if len(kept) == 1:
        return replace(body, surface=Surface(surface.points, kept[0].faces))
    return _joined(body, kept)


def _thin_problem(shells: list[_Shell]) -> str | None:
    """Say that some of the bodies are sheets."""
    thin = sum(not shell.thick for shell in shells)
    if not thin:
        return None
    if len(shells) == 1:
        return "it is a sheet without thickness; give it thickness and export it again"
    return f"{thin} of {len(shells)} bodies are sheets without thickness; give them thickness or delete them"


def _shells(surface: Surface, label: Ints, number: int) -> list[_Shell]:
    """Return the shells, largest first."""
    centred = surface.points - 0.5 * (surface.points.min(axis=0) + surface.points.max(axis=0))
    if number == 1:
        return [_shell(surface.points, centred, surface.faces)]
    groups = np.split(np.argsort(label, kind="stable"), np.cumsum(np.bincount(label))[:-1])
    shells = [_shell(surface.points, centred, surface.faces[group]) for group in groups]
    return sorted(shells, key=lambda shell: -shell.solid_volume)


def _shell(points: Floats, centred: Floats, faces: Ints) -> _Shell:
    """Return one shell; `centred` are the points nearer the origin, for a true volume."""
    volume = mesh_volume_mm3(centred, faces)
    low, high = used_box(points, faces)
    return _Shell(faces if volume >= 0.0 else faces[:, ::-1], volume, low, high)


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


def _joined(body: OneBody, shells: list[_Shell]) -> OneBody:
    """Unite bodies that overlap or touch; refuse when they stay apart. Small ones apart are dropped.

    That the library reports no error is no proof: every edge of the result must have two faces, and its
    volume must lie between the largest body's and the sum of all.
    """
    points = body.surface.points
    singles = [_solid(points, shell.faces) for shell in shells]
    united = manifold3d.Manifold.batch_boolean(singles, manifold3d.OpType.Add)
    parts = united.decompose()
    solids = sorted((part for part in parts if part.volume() > 0.0), key=lambda solid: -solid.volume())
    sound = bool(solids) and all(single.status() == manifold3d.Error.NoError for single in singles)
    apart = [solid for solid in solids[1:] if solid.volume() >= CRUMB_SHARE * solids[0].volume()]
    if apart and sound:
        left = [solids[0], *apart]
        return replace(body, bodies=len(left), repairs=(), problems=(_apart(left),), final=True)
    result = _surface(solids[0]) if solids else body.surface
    if not (sound and result.edges.closed and _plausible(united.volume(), shells)):
        problem = f"its {len(shells)} bodies could not be joined; join them in the program that made them"
        return replace(body, bodies=len(shells), repairs=(), problems=(problem,))
    repairs = (
        *body.repairs,
        ("overlapping bodies joined", len(shells) - len(solids) + 1 if len(solids) < len(shells) else 0),
        ("inner hollows filled", len(parts) - len(solids)),
        ("loose crumbs dropped", len(solids) - 1),
    )
    return replace(body, surface=result, repairs=repairs)


def _plausible(volume: float, shells: list[_Shell]) -> bool:
    """Return whether united bodies hold no less than the largest of them and no more than all together."""
    slack = 1.0 + REL_EPSILON
    return bool(
        shells[0].solid_volume <= volume * slack
        and volume <= sum(shell.solid_volume for shell in shells) * slack
    )


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
