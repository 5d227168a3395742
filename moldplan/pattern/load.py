"""`load_pattern` and `survey_file`: from a file to a pattern in millimetres, or to what is known about it."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from moldplan.cards.model import Settings
from moldplan.errors import PatternError, SettingError, UnitError
from moldplan.pattern.arrays import frozen, mesh_area_mm2, mesh_volume_mm3
from moldplan.pattern.lighten import lightened
from moldplan.pattern.limits import Limits
from moldplan.pattern.mend import Mended, mend
from moldplan.pattern.model import AXES, Axis, Marks, Mending, Pattern, Repair, Survey
from moldplan.pattern.read import RawMesh, read_mesh
from moldplan.pattern.topology import Floats
from moldplan.pattern.words import place
from moldplan.tolerances import REL_EPSILON

#: Millimetres in the units a mesh may be in (the inch is exactly 25.4 mm since 1959).
UNITS_MM = {"um": 0.001, "mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8}
LEAST_SIZE_MM = 10.0
MOST_SIZE_MM = 20_000.0
_LOOK_AND_ACCEPT = (
    "look at it (moldplan survey FILE --repair mended.ply) and accept it with --accept-repairs, "
    "or mend the file"
)


def load_pattern(  # noqa: PLR0913 - what the command line offers
    path: str | Path,
    *,
    height_mm: float | None = None,
    unit: str | None = None,
    up: Axis | None = None,
    front: Axis | None = None,
    mending: Mending = Mending(),  # noqa: B008 - a frozen value
    limits: Limits = Limits(),  # noqa: B008 - a frozen value
) -> Pattern:
    """Return the mesh file at `path` as a closed solid in millimetres.

    Parameters
    ----------
    path
        STL, PLY, OBJ, OFF, 3MF, GLB or single-file GLTF.
    height_mm
        Extent wanted along `up`, over 0. Not together with `unit`.
    unit
        What one number of the file is: um, mm, cm, m, in or ft. It goes before what the file itself says.
    up, front
        Which way the figure stands and looks, in the file's axes; None takes the format's custom (+z and -y;
        glTF +y and +z).
    mending
        How far mending may go unasked, and whether more was accepted.
    limits
        How large a file is read.

    Returns
    -------
    Pattern
        With what was mended in ``survey.repairs``; of over a million triangles a lighter copy, the whole mesh
        being in `lighter`.

    Raises
    ------
    PatternError
        When the file cannot be read, or what it holds is no solid and no mending makes it one, or mending
        changes it beyond `mending` and that was not accepted, or its size is under 10 mm or over 20 m.
    UnitError
        When nothing says how large the figure is, or `unit` is unknown.
    SettingError
        When `height_mm` is not over 0, both it and `unit` are given, or `up` and `front` do not fit together.
    """
    return lightened(_whole(Path(path), height_mm, unit, (up, front), mending, limits))


def _whole(  # noqa: PLR0913, PLR0917 - what `load_pattern` was given, apart so that the raw mesh is let go of
    path: Path,
    height_mm: float | None,
    unit: str | None,
    given: tuple[Axis | None, Axis | None],
    mending: Mending,
    limits: Limits,
) -> Pattern:
    """Return the pattern with the whole mesh."""
    up, front = given
    _check_options(height_mm, unit, up, front)
    raw = read_mesh(path, limits=limits)
    up_axis, front_axis = _directions(raw, up, front)
    if height_mm is None and unit is None and raw.unit is None:
        raise UnitError(
            f"{path.name}: a {raw.file_format.upper()} file does not say how large the figure is; give its "
            'height (--height "1.5 m") or the unit of its numbers (--unit mm)'
        )
    mended = mend(raw.points, raw.faces, welded=raw.file_format == "stl", mending=mending)
    if mended.problems:
        raise PatternError(f"{path.name}: {mended.problems[0]}")
    scale = _scale(raw, mended, height_mm, unit, up_axis)
    middle = _middle(mended.surface.points)
    survey = _survey(raw, mended, scale, mending, known=True)
    if survey.accepting and not mending.accept:
        raise PatternError(f"{path.name}: {survey.accepting[0]}; {_LOOK_AND_ACCEPT}")
    points = _centred(mended.surface.points) * scale
    _check_size(path.name, points)
    faces = mended.surface.faces.astype(np.int64)
    frozen(points)
    frozen(faces)
    return Pattern(
        name=raw.name, path=path, vertices=points, faces=faces, up=up_axis, front=front_axis,
        up_given=up is not None, front_given=front is not None, scale_mm=scale,
        middle_file=(float(middle[0]), float(middle[1]), float(middle[2])),
        size_from="height" if height_mm is not None else "unit" if unit is not None else "file",
        survey=survey, marks=_scaled_marks(mended.marks, middle, scale),
    )  # fmt: skip


def survey_file(  # noqa: PLR0913 - the same as `load_pattern`
    path: str | Path,
    *,
    height_mm: float | None = None,
    unit: str | None = None,
    up: Axis | None = None,
    front: Axis | None = None,
    mending: Mending = Mending(),  # noqa: B008 - a frozen value
    limits: Limits = Limits(),  # noqa: B008 - a frozen value
) -> Survey:
    """Return what the mesh file at `path` holds and what is wrong with it.

    Parameters as of `load_pattern`; without a height or unit the lengths stay in the file's own numbers
    (``scale_known`` False).

    Raises
    ------
    PatternError
        When the file cannot be read at all. A mesh that is no solid is no error here: see `Survey.problems`.
    UnitError, SettingError
        As `load_pattern`.
    """
    path = Path(path)
    _check_options(height_mm, unit, up, front)
    raw = read_mesh(path, limits=limits)
    up_axis, _ = _directions(raw, up, front)
    mended = mend(raw.points, raw.faces, welded=raw.file_format == "stl", mending=mending)
    known = height_mm is not None or unit is not None or raw.unit is not None
    scale = _scale(raw, mended, height_mm, unit, up_axis) if known else 1.0
    return _survey(raw, mended, scale, mending, known=known)


def read_mending(settings: Settings, *, accept: bool = False) -> Mending:
    """Return what a shop's settings let mending do; `accept` lets more pass."""
    return Mending(
        repair_mm=settings.number("pattern.repair_mm"),
        repair_percent=settings.number("pattern.repair_percent"),
        accept=accept,
        cells=round(settings.number("pattern.resurface_cells")),
    )


def _check_options(height_mm: float | None, unit: str | None, up: Axis | None, front: Axis | None) -> None:
    """Refuse option values that no file could make right."""
    if height_mm is not None and unit is not None:
        raise SettingError("--height and --unit both say how large the figure is; give only one of them")
    if height_mm is not None and not (np.isfinite(height_mm) and height_mm > 0.0):
        raise SettingError(f'the height is {height_mm:g} mm; it must be over 0, like --height "1.5 m"')
    if unit is not None and unit not in UNITS_MM:
        raise UnitError(f"unknown unit {unit!r} of the file's numbers; give one of {', '.join(UNITS_MM)}")
    for name, axis in (("--up", up), ("--front", front)):
        if axis is not None and axis not in AXES:
            raise SettingError(f"{name} {axis!r} is no direction; give one of {', '.join(AXES)}")


def _directions(raw: RawMesh, up: Axis | None, front: Axis | None) -> tuple[Axis, Axis]:
    """Return up and front, each from the option or the format's custom."""
    up_axis = up or raw.up
    if front is None:
        custom: tuple[Axis, ...] = (raw.front, "-y", "+z")
        return up_axis, next(axis for axis in custom if axis[1] != up_axis[1])
    if front[1] == up_axis[1]:
        raise SettingError(
            f"--front {front} runs along --up {up_axis}; give the direction the figure looks in, across up"
        )
    return up_axis, front


def _scale(raw: RawMesh, mended: Mended, height_mm: float | None, unit: str | None, up: Axis) -> float:
    """Return mm per number of the file."""
    if height_mm is None:
        return UNITS_MM[unit or raw.unit or "mm"]
    along = mended.surface.points[:, "xyz".index(up[1])]
    extent = float(np.ptp(along)) if len(along) else 0.0
    if extent <= 0.0:
        raise PatternError(
            f"{raw.path.name}: nothing to scale: the mesh has no extent along {up}; check --up"
        )
    return height_mm / extent


def _middle(points: Floats) -> Floats:
    """Return the middle (3,) of the points' bounding box."""
    return np.asarray(0.5 * (points.min(axis=0) + points.max(axis=0)))


def _centred(points: Floats) -> Floats:
    """Return points measured from the middle of their bounding box."""
    return np.asarray(points - _middle(points))


def _check_size(name: str, points: Floats) -> None:
    """Refuse sizes that only a mistaken unit gives."""
    longest = float(np.ptp(points, axis=0).max())
    slack = 1.0 + REL_EPSILON
    if not LEAST_SIZE_MM / slack <= longest <= MOST_SIZE_MM * slack:
        raise PatternError(
            f"{name}: the figure would be {longest:.5g} mm at its longest; {LEAST_SIZE_MM:g} mm to "
            f'{MOST_SIZE_MM / 1000:g} m can be planned; check the unit, or give --height "1.5 m"'
        )


def _survey(raw: RawMesh, mended: Mended, scale: float, mending: Mending, *, known: bool) -> Survey:
    """Put what was found into a survey, lengths scaled."""
    found = mended.found
    middle = _middle(mended.surface.points) if len(mended.surface.points) else np.zeros(3)
    points = (mended.surface.points - middle if len(mended.surface.points) else np.zeros((1, 3))) * scale
    faces = mended.surface.faces
    size = np.ptp(points, axis=0)
    repairs = tuple(_scaled_repair(repair, middle, scale) for repair in mended.repairs)
    closed = not mended.problems
    survey = Survey(
        file_name=raw.path.name, sha256=raw.sha256, file_format=raw.file_format, file_unit=raw.unit,
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
