"""3MF: a zip of XML that says its unit (3MF Core Specification 1.3, with parts in several files).

Nothing outside the archive is read, XML entities are not expanded, and what a few lines of XML may
grow to (packed bytes, parts of parts of parts) is counted before it is made.
"""

import posixpath
import zipfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

import numpy as np
from lxml import etree  # type: ignore[import-untyped] # lxml ships no types

from moldplan.errors import PatternError
from moldplan.pattern.assembly import Assembly
from moldplan.pattern.topology import Floats, Ints

#: A packed file may grow this much on reading; mesh text packs about 3 to 20 times.
_MOST_UNPACKING = 200
_SMALL_BYTES = 64 * 1024**2
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
        When it unpacks to more than `most_bytes` or 200 times its size, builds more than `most_triangles`, or
        names an unknown unit.
    """
    with zipfile.ZipFile(path) as archive:
        _check_unpacked(path, archive, most_bytes)
        model = _Model()
        root = _root_part(archive)
        for part in _model_parts(archive, root):
            with archive.open(part) as file:
                _read_part(file, part, model, is_root=part == root)
    if model.unit not in _UNITS:
        raise PatternError(
            f"{path.name}: unknown unit {model.unit!r} in this 3MF file; known are {', '.join(_UNITS)}; "
            "export it again"
        )
    assembly = Assembly(path.name, most_triangles)
    for key, matrix in model.build:
        _place(model, key, matrix, assembly, depth=0)
    points, faces = assembly.arrays()
    return points, faces, _UNITS[model.unit]


def _check_unpacked(path: Path, archive: zipfile.ZipFile, most_bytes: int) -> None:
    """Refuse an archive that grows beyond reason, before anything of it is unpacked.

    The sizes in the directory can lie, but `zipfile` never yields more than they say.
    """
    unpacked = sum(entry.file_size for entry in archive.infolist())
    allowed = min(most_bytes, max(_SMALL_BYTES, _MOST_UNPACKING * path.stat().st_size))
    if unpacked > allowed:
        raise PatternError(
            f"{path.name}: unpacks to {unpacked / 1024**2:.0f} MiB, at most {allowed / 1024**2:.0f} MiB are "
            "read; export the figure as binary STL or PLY"
        )


def _root_part(archive: zipfile.ZipFile) -> str:
    """Return the name of the model file the archive starts from."""
    names = {name.lower(): name for name in archive.namelist()}
    relations = names.get("_rels/.rels")
    if relations is not None:
        with archive.open(relations) as file:
            for _, element in _elements(file, "{*}Relationship"):
                target = names.get(element.get("Target", "").strip("/").lower())
                if element.get("Type") == _MODEL_RELATION and target is not None:
                    return target
    if "3d/3dmodel.model" not in names:
        raise ValueError("no 3D/3dmodel.model in the archive")
    return names["3d/3dmodel.model"]


def _model_parts(archive: zipfile.ZipFile, root: str) -> list[str]:
    """Return every model file, the root first."""
    others = [name for name in archive.namelist() if name.lower().endswith(".model") and name != root]
    return [root, *others]


def _elements(file: IO[bytes], *tags: str) -> Any:  # noqa: ANN401 - an iterator of lxml's own type
    """Walk over finished elements called `tags`, with everything that reaches outside switched off."""
    return etree.iterparse(
        file,
        events=("end",),
        tag=tags,
        resolve_entities=False,
        no_network=True,
        load_dtd=False,
        huge_tree=False,
    )


def _read_part(file: IO[bytes], part: str, model: _Model, *, is_root: bool) -> None:
    """Add the objects of one model file, and of the root its unit and what it builds."""
    elements = _elements(file, "{*}object", "{*}item")
    for _, element in elements:
        if etree.QName(element).localname == "object":
            left_out = element.get("type", "model") in _LEFT_OUT
            model.objects[part, element.get("id", "")] = None if left_out else _object(element, part)
            element.clear()  # the triangles are in arrays now
        elif is_root and element.get("objectid") is not None:
            model.build.append(_reference(element, part))
    if is_root and elements.root is not None:
        model.unit = elements.root.get("unit", "millimeter")


def _object(element: Any, part: str) -> _Object:  # noqa: ANN401 - lxml's own type
    """Return one object element as arrays."""
    corners = [(v.get("x"), v.get("y"), v.get("z")) for v in element.iter("{*}vertex")]
    faces = [(t.get("v1"), t.get("v2"), t.get("v3")) for t in element.iter("{*}triangle")]
    return _Object(
        points=np.array(corners, dtype=np.float64).reshape(-1, 3),
        faces=np.array(faces, dtype=np.int64).reshape(-1, 3),
        components=[_reference(child, part) for child in element.iter("{*}component")],
    )


def _reference(element: Any, part: str) -> tuple[Key, Floats]:  # noqa: ANN401 - lxml's own type
    """Return what an item or component refers to and where it puts it, as a (4, 4) matrix."""
    elsewhere = next((value for name, value in element.attrib.items() if name.endswith("}path")), None)
    target = part if elsewhere is None else posixpath.normpath(elsewhere).strip("/")
    matrix = np.eye(4)
    if (text := element.get("transform")) is not None:
        matrix[:3] = np.array(text.split(), dtype=np.float64).reshape(4, 3).T  # the file has row vectors
    return (target, element.get("objectid", "")), matrix


def _place(model: _Model, key: Key, matrix: Floats, assembly: Assembly, *, depth: int) -> None:
    """Add an object and its components, placed by `matrix`."""
    assembly.visit(depth)
    if key not in model.objects:
        raise ValueError(f"it builds object {key[1]} of {key[0]}, which is not in it")
    found = model.objects[key]
    if found is None:
        return
    assembly.add(found.points, found.faces, matrix)
    for child, placed in found.components:
        _place(model, child, matrix @ placed, assembly, depth=depth + 1)
