"""Every solid of a plan into files."""

from collections.abc import Iterator
from pathlib import Path

from moldplan.errors import OutputError
from moldplan.half.model import Half
from moldplan.mould.model import Mould
from moldplan.plan import Plan
from moldplan.progress import Progress
from moldplan.solids.build import build_solids
from moldplan.solids.model import Part, SolidFile
from moldplan.solids.rounding import RoundedMesh, rounded
from moldplan.solids.stl import write_stl
from moldplan.solids.threemf import NamedMesh, write_3mf

_MM3_PER_L = 1e6
#: Bytes of an STL header left for the job's title, after half, part, state and unit.
_TITLE_LETTERS = 28


def write_all(plan: Plan, folder: Path, *, progress: Progress) -> tuple[SolidFile, ...]:
    """Write the solids of a plan (`moldplan.solids.write_solids`)."""
    written: list[SolidFile] = []
    for number, (half, mould) in enumerate(plan.pairs()):
        progress.step(f"writing the solids of half {half.name}", number / len(plan.halves))
        try:
            written.extend(_write_half(plan.job, half, mould, folder))
        except OSError as error:
            raise OutputError(
                f"{folder}: cannot write the solids of half {half.name}: {error.strerror}; "
                "make room or choose another folder"
            ) from error
    return tuple(written)


def _write_half(job: str, half: Half, mould: Mould, folder: Path) -> Iterator[SolidFile]:
    """Write each part of a half by itself, then all of them into one file."""
    stem = f"half-{half.name.lower()}"
    meshes: list[tuple[Part, RoundedMesh]] = []
    for part in build_solids(half, mould).parts():
        mesh = rounded(part.vertices, part.faces)
        meshes.append((part, mesh))
        if part.name != "buttons":  # they are studs of the rubber, for looking at, not for making
            path = folder / f"{stem}-{part.name}.stl"
            write_stl(path, mesh, _header(job, half, part))
            yield _listed(path, part, mesh)
    path = folder / f"{stem}.3mf"
    write_3mf(path, [NamedMesh(name=part.title, mesh=mesh) for part, mesh in meshes], title=job)
    yield SolidFile(
        path=path, half=half.name, part="all parts", state="coating and jacketing",
        volume_l=sum(part.volume_mm3 for part, _ in meshes) / _MM3_PER_L,
        triangles=sum(len(mesh.faces) for _, mesh in meshes),
    )  # fmt: skip


def _listed(path: Path, part: Part, mesh: RoundedMesh) -> SolidFile:
    """Return the entry of a part's own file."""
    return SolidFile(
        path=path, half=part.half, part=part.name, state=part.state,
        volume_l=part.volume_mm3 / _MM3_PER_L, triangles=len(mesh.faces),
    )  # fmt: skip


def _header(job: str, half: Half, part: Part) -> str:
    """Return the line at the head of an STL. It must not begin with "solid", which text files do."""
    return f"mm; half {half.name}; {part.name}; {part.state}; {job[:_TITLE_LETTERS]}"
