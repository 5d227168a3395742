"""3MF: a zip of XML that says its unit (3MF Core Specification 1.3, with parts in several files).

Nothing of the archive is unpacked to a disk, nothing outside it is read, XML entities are refused, and what a
few lines of XML may grow to (packed bytes, parts of parts of parts) is counted before it is made.
"""

import posixpath
import zipfile
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from moldplan.errors import PatternError
from moldplan.pattern.assembly import Assembly
from moldplan.pattern.modelxml import Attributes, ModelFile, Part, read_model, walk_xml
from moldplan.pattern.topology import Floats, Ints

#: A packed file may grow this much on reading; mesh text packs about 3 to 20 times.
_MOST_UNPACKING = 200
_SMALL_BYTES = 64 * 1024**2
#: Thumbnails, settings of printers and parts: a few dozen files.
_MOST_ENTRIES = 10_000
_LOCAL_HEADER_BYTES = 30
_MODEL_RELATION = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
_UNITS = {
    "micron": "um",
    "millimeter": "mm",
    "centimeter": "cm",
    "inch": "in",
    "foot": "ft",
    "meter": "m",
}
#: Helpers of the printing process are no part of the figure.
_LEFT_OUT = ("support", "solidsupport")

Key = tuple[str, str]


@dataclass(frozen=True)
class _Object:
    """One object: a mesh, or components that place other objects."""

    points: Floats
    faces: Ints
    components: list[tuple[Key, Floats]]


@dataclass
class _Model:
    """What the model files of an archive hold."""

    objects: dict[Key, _Object | None] = field(default_factory=dict)  # None: left out
    build: list[tuple[Key, Floats]] = field(default_factory=list)
    unit: str = "millimeter"


def read_3mf(path: Path, *, most_bytes: int, most_triangles: int) -> tuple[Floats, Ints, str]:
    """Return points (n, 3), faces (m, 3) and the unit of what the file builds.

    Raises
    ------
    PatternError
        When it unpacks to more than `most_bytes` or 200 times its size, in all or in one entry, its entries
        have odd names or lie in each other, it builds more than `most_triangles`, or names an unknown unit.
    """
    with zipfile.ZipFile(path) as archive:
        _check_entries(path.name, archive)
        _check_unpacked(path, archive, most_bytes)
        model = _Model()
        root = _root_part(archive)
        for part in _model_parts(archive, root):
            with archive.open(part) as file:
                found = read_model(file, name=path.name, most_triangles=most_triangles)
            _take(model, part, found, is_root=part == root)
    if model.unit not in _UNITS:
        raise PatternError(
            f"{path.name}: unknown unit {model.unit[:40]!r} in this 3MF file; known are {', '.join(_UNITS)}; "
            "export it again"
        )
    assembly = Assembly(path.name, most_triangles)
    for key, matrix in model.build:
        _place(model, key, matrix, assembly, depth=0)
    points, faces = assembly.arrays()
    return points, faces, _UNITS[model.unit]


def _check_entries(name: str, archive: zipfile.ZipFile) -> None:
    """Refuse an archive whose directory only a broken or hostile file has."""
    entries = archive.infolist()
    if len(entries) > _MOST_ENTRIES:
        raise PatternError(
            f"{name}: {len(entries)} files in it, at most {_MOST_ENTRIES} are read; export the figure again"
        )
    seen: set[str] = set()
    for entry in entries:
        wrong = _what_is_wrong(entry, seen)
        if wrong is not None:
            raise PatternError(f"{name}: {entry.orig_filename[:60]!r} in it {wrong}; export the figure again")
        seen.add(entry.filename.lower())
    end = 0
    for entry in sorted(entries, key=lambda one: one.header_offset):
        if entry.header_offset < end:
            raise PatternError(
                f"{name}: {entry.filename[:60]!r} in it lies inside another file; export the figure again"
            )
        end = entry.header_offset + _LOCAL_HEADER_BYTES + entry.compress_size


def _what_is_wrong(entry: zipfile.ZipInfo, seen: set[str]) -> str | None:
    """Return what is wrong with one file of an archive, None when nothing is."""
    name = entry.orig_filename  # as it stands there, not cut off at a zero or turned round for this system
    if not name.isprintable() or any(letter in name for letter in "\\:"):
        return "has a name no part of a 3MF has"
    if any(part in ("", ".", "..") for part in name.removesuffix("/").split("/")):
        return "has a name that leads elsewhere"
    if name.lower() in seen:
        return "is there twice"
    if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        return "is packed in a way 3MF does not know"
    if entry.flag_bits & 0x1:
        return "is locked with a password"
    return None


def _check_unpacked(path: Path, archive: zipfile.ZipFile, most_bytes: int) -> None:
    """Refuse an archive that grows beyond reason, in all or in one file, before anything of it is unpacked.

    The sizes in the directory can lie, but `zipfile` never yields more than they say.
    """
    sizes = [(path.stat().st_size, sum(entry.file_size for entry in archive.infolist()))]
    sizes += [(entry.compress_size, entry.file_size) for entry in archive.infolist()]
    for packed, unpacked in sizes:
        allowed = min(most_bytes, max(_SMALL_BYTES, _MOST_UNPACKING * packed))
        if unpacked > allowed:
            raise PatternError(
                f"{path.name}: unpacks to {unpacked / 1024**2:.0f} MiB, at most {allowed / 1024**2:.0f} MiB "
                "are read; export the figure as binary STL or PLY"
            )


def _root_part(archive: zipfile.ZipFile) -> str:
    """Return the name of the model file the archive starts from."""
    names = {name.lower(): name for name in archive.namelist()}
    targets: list[str] = []

    def take(tag: str, attributes: Attributes) -> None:
        if tag == "Relationship" and attributes.get("Type") == _MODEL_RELATION:
            targets.append(attributes.get("Target", "").strip("/").lower())

    if "_rels/.rels" in names:
        with archive.open(names["_rels/.rels"]) as file:
            walk_xml(file, take)
    for target in (*targets, "3d/3dmodel.model"):
        if target in names:
            return names[target]
    raise ValueError("no 3D/3dmodel.model in the archive")


def _model_parts(archive: zipfile.ZipFile, root: str) -> list[str]:
    """Return every model file, the root first."""
    others = [name for name in archive.namelist() if name.lower().endswith(".model") and name != root]
    return [root, *others]


def _take(model: _Model, part: str, found: ModelFile, *, is_root: bool) -> None:
    """Add the objects of one model file, and of the root its unit and what it builds."""
    for one in found.objects:
        left_out = one.attributes.get("type", "model") in _LEFT_OUT
        model.objects[part, one.attributes.get("id", "")] = None if left_out else _object(one, part)
    if is_root:
        model.unit = found.unit
        model.build = [_reference(item, part) for item in found.build if "objectid" in item]


def _object(one: Part, part: str) -> _Object:
    """Return one object as arrays."""
    points, faces = one.arrays()
    return _Object(points, faces, [_reference(child, part) for child in one.components])


def _reference(attributes: Attributes, part: str) -> tuple[Key, Floats]:
    """Return what an item or component refers to and where it puts it, as a (4, 4) matrix."""
    elsewhere = next((value for name, value in attributes.items() if name.endswith(":path")), None)
    target = part if elsewhere is None else posixpath.normpath(elsewhere).strip("/")
    matrix = np.eye(4)
    if (text := attributes.get("transform")) is not None:
        matrix[:3] = np.array(text.split(), dtype=np.float64).reshape(4, 3).T  # the file has row vectors
    return (target, attributes.get("objectid", "")), matrix


def _place(model: _Model, key: Key, matrix: Floats, assembly: Assembly, *, depth: int) -> None:
    """Add an object and its components, placed by `matrix`."""
    assembly.visit(depth)
    if key not in model.objects:
        raise ValueError(f"it builds object {key[1]} of {key[0]}, which is not in it")
    found = model.objects[key]
    if found is None:
        return
    assembly.room(len(found.points), len(found.faces))
    assembly.add(found.points, found.faces, matrix)
    for child, placed in found.components:
        _place(model, child, matrix @ placed, assembly, depth=depth + 1)
