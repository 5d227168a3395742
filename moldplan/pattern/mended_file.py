"""A mesh file read and mended: in its own numbers, to be written again, and in mm about its middle."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from moldplan.errors import PatternError, SettingError, UnitError, one_line
from moldplan.pattern.arrays import frozen, mesh_area_mm2, mesh_volume_mm3
from moldplan.pattern.limits import Limits
from moldplan.pattern.mend import Mended, mend
from moldplan.pattern.model import AXES, Axis, Marks, Mending, Pattern, Repair, SizeFrom, Survey
from moldplan.pattern.read import RawMesh, read_mesh
from moldplan.pattern.topology import Floats, Surface
from moldplan.pattern.words import place

#: Millimetres in the units a mesh may be in (the inch is exactly 25.4 mm since 1959).
UNITS_MM = {"um": 0.001, "mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8}


@dataclass(frozen=True, kw_only=True)
class MendedFile:
    """What mending made of a file.

    `surface` is the closed mesh in the file's own axes and numbers; `pattern` the same about its middle, in
    mm when the size is known (``pattern.survey.scale_known``), else in the file's numbers too. `unit` is what
    the file, or its format, says one of its numbers is; None when nothing does.
    """

    surface: Surface
    unit: str | None
    pattern: Pattern


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What a person said of a file: how large its figure is, how it stands; None where nothing was said."""

    height_mm: float | None
    unit: str | None
    up: Axis | None
    front: Axis | None

    def check(self) -> None:
        """Refuse values that no file could make right.

        Raises
        ------
        UnitError, SettingError
            For the first of them.
        """
        height_mm, unit = self.height_mm, self.unit
        if height_mm is not None and unit is not None:
            raise SettingError("--height and --unit both say how large the figure is; give only one of them")
        if height_mm is not None and not (np.isfinite(height_mm) and height_mm > 0.0):
            raise SettingError(f'the height is {height_mm:g} mm; it must be over 0, like --height "1.5 m"')
        if unit is not None and unit not in UNITS_MM:
            raise UnitError(f"unknown unit {unit!r} of the file's numbers; give one of {', '.join(UNITS_MM)}")
        for name, axis in (("--up", self.up), ("--front", self.front)):
            if axis is not None and axis not in AXES:
                raise SettingError(f"{name} {axis!r} is no direction; give one of {', '.join(AXES)}")

    def size_known(self, raw: RawMesh) -> bool:
        """Return whether anything says how large the figure is."""
        return self.height_mm is not None or self.unit is not None or raw.unit is not None


def mend_file(  # noqa: PLR0913 - the same as `load_pattern`
    path: str | Path,
    *,
    height_mm: float | None = None,
    unit: str | None = None,
    up: Axis | None = None,
    front: Axis | None = None,
    mending: Mending = Mending(),  # noqa: B008 - a frozen value
    limits: Limits = Limits(),  # noqa: B008 - a frozen value
) -> MendedFile:
    """Return the mesh file at `path` mended, however much that changes it.

    Parameters as of `load_pattern`; without a height or unit the lengths stay in the file's own numbers.
    What goes beyond `mending` stands in ``pattern.survey.accepting``.

    Raises
    ------
    PatternError
        When the file cannot be read, or no mending makes a solid of it.
    UnitError, SettingError
        As `load_pattern`.
    """
    asked = Asked(height_mm=height_mm, unit=unit, up=up, front=front)
    asked.check()
    return made_pattern(read_mesh(Path(path), limits=limits), asked, mending)


def made_pattern(raw: RawMesh, asked: Asked, mending: Mending) -> MendedFile:
    """Return a mesh that was read, mended and scaled.

    Raises
    ------
    PatternError, SettingError
        As `mend_file`.
    """
    up_axis, front_axis = directions(raw, asked)
    mended = mend(raw.points, raw.faces, welded=raw.file_format == "stl", mending=mending)
    if mended.problems:
        raise PatternError(f"{raw.path.name}: {mended.problems[0]}")
    scale = mm_per_number(raw, mended, asked)
    middle = _middle(mended.surface.points)
    points = (mended.surface.points - middle) * scale
    faces = mended.surface.faces.astype(np.int64)
    frozen(points)
    frozen(faces)
    by_unit: SizeFrom = "unit" if asked.unit is not None else "file"
    pattern = Pattern(
        name=raw.name, path=raw.path, vertices=points, faces=faces, up=up_axis, front=front_axis,
        up_given=asked.up is not None, front_given=asked.front is not None, scale_mm=scale,
        middle_file=(float(middle[0]), float(middle[1]), float(middle[2])),
        size_from="height" if asked.height_mm is not None else by_unit,
        survey=surveyed(raw, mended, scale, mending, known=asked.size_known(raw)),
        marks=_scaled_marks(mended.marks, middle, scale),
    )  # fmt: skip
    return MendedFile(surface=mended.surface, unit=raw.unit, pattern=pattern)


def directions(raw: RawMesh, asked: Asked) -> tuple[Axis, Axis]:
    """Return up and front, each from the option or the format's custom."""
    up, front = asked.up, asked.front
    up_axis = up or raw.up
    if front is None:
        custom: tuple[Axis, ...] = (raw.front, "-y", "+z")
        return up_axis, next(axis for axis in custom if axis[1] != up_axis[1])
    if front[1] == up_axis[1]:
        raise SettingError(
            f"--front {front} runs along --up {up_axis}; give the direction the figure looks in, across up"
        )
    return up_axis, front


def mm_per_number(raw: RawMesh, mended: Mended, asked: Asked) -> float:
    """Return mm per number of the file; 1 when nothing says how large the figure is."""
    up, _ = directions(raw, asked)
    if asked.height_mm is None:
        return UNITS_MM[asked.unit or raw.unit or "mm"]
    along = mended.surface.points[:, "xyz".index(up[1])]
    extent = float(np.ptp(along)) if len(along) else 0.0
    if extent <= 0.0:
        raise PatternError(
            f"{raw.path.name}: nothing to scale: the mesh has no extent along {up}; check --up"
        )
    return asked.height_mm / extent


def _middle(points: Floats) -> Floats:
    """Return the middle (3,) of the points' bounding box."""
    return np.asarray(0.5 * (points.min(axis=0) + points.max(axis=0)))


def surveyed(raw: RawMesh, mended: Mended, scale: float, mending: Mending, *, known: bool) -> Survey:
    """Put what was found into a survey, lengths scaled."""
    found = mended.found
    middle = _middle(mended.surface.points) if len(mended.surface.points) else np.zeros(3)
    points = (mended.surface.points - middle if len(mended.surface.points) else np.zeros((1, 3))) * scale
    faces = mended.surface.faces
    size = np.ptp(points, axis=0)
    repairs = tuple(_scaled_repair(repair, middle, scale) for repair in mended.repairs)
    closed = not mended.problems
    survey = Survey(
        file_name=one_line(raw.path.name), sha256=raw.sha256, file_format=raw.file_format, file_unit=raw.unit,
        scale_known=known,
        points_found=found.points, triangles_found=found.triangles, open_edges_found=found.open_edges,
        open_loops_found=found.open_loops, nonmanifold_edges_found=found.nonmanifold,
        doubled_faces_found=found.doubled, degenerate_faces_found=found.degenerate,
        flipped_faces_found=found.flipped, triangles=len(faces), bodies=mended.bodies, genus=mended.genus,
        watertight=closed, size_mm=(float(size[0]), float(size[1]), float(size[2])),
        area_mm2=mesh_area_mm2(points, faces) if len(faces) else 0.0,
        volume_mm3=mesh_volume_mm3(points, faces) if closed else 0.0,
        repairs=repairs, deviation_mm=sum(repair.moved_mm for repair in repairs),
        problems=mended.problems, turned_inside_out=mended.turned_inside_out,
        crossing_faces=mended.crossing_faces,
    )  # fmt: skip
    return replace(survey, accepting=tuple(beyond(survey, mending)))


def beyond(survey: Survey, mending: Mending) -> Iterator[str]:
    """Walk over what mending changed beyond the shop's tolerance, in words."""
    if not survey.watertight:
        return
    worst = max(survey.repairs, key=lambda repair: repair.moved_mm, default=None)
    if survey.scale_known and worst is not None and worst.moved_mm > mending.repair_mm:
        where = "" if worst.place_mm is None else f" at {place(np.array(worst.place_mm))} mm from the middle"
        yield (
            f"mending ({worst.what}) may be {worst.moved_mm:.2g} mm off{where}; "
            f"{mending.repair_mm:g} mm pass unasked"
        )
    changed = sum(repair.volume_mm3 for repair in survey.repairs)
    share = 100.0 * changed / survey.volume_mm3
    if share > mending.repair_percent:
        yield (
            f"mending may have changed the volume by {share:.2g} %; {mending.repair_percent:g} % pass unasked"
        )


def _scaled_repair(repair: Repair, middle: Floats, scale: float) -> Repair:
    """Return a repair in mm of the figure, its place from the middle."""
    where = repair.place_mm
    if where is not None:
        x, y, z = ((np.array(where) - middle) * scale).tolist()
        where = (x, y, z)
    return replace(
        repair,
        moved_mm=repair.moved_mm * scale,
        mean_mm=repair.mean_mm * scale,
        p99_mm=repair.p99_mm * scale,
        place_mm=where,
        volume_mm3=repair.volume_mm3 * scale**3,
        cell_mm=None if repair.cell_mm is None else repair.cell_mm * scale,
    )


def _scaled_marks(marks: Marks | None, middle: Floats, scale: float) -> Marks | None:
    """Return marks in mm of the figure, places from the middle."""
    if marks is None:
        return None
    dropped = ((marks.dropped_mm - middle) * scale).astype(np.float32)
    moved = (marks.moved_mm * scale).astype(np.float32)
    frozen(dropped)
    frozen(moved)
    return Marks(new=marks.new, moved_mm=moved, dropped_mm=dropped)
