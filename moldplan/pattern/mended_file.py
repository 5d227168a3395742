"""A mesh file mended for its own sake: to be written again in its own numbers, and to be looked at."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from moldplan.errors import PatternError
from moldplan.pattern.arrays import frozen
from moldplan.pattern.limits import Limits
from moldplan.pattern.load import _check_options, _directions, _middle, _scale, _scaled_marks, _survey
from moldplan.pattern.mend import mend
from moldplan.pattern.model import Axis, Mending, Pattern
from moldplan.pattern.read import read_mesh
from moldplan.pattern.topology import Surface


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
    path = Path(path)
    _check_options(height_mm, unit, up, front)
    raw = read_mesh(path, limits=limits)
    up_axis, front_axis = _directions(raw, up, front)
    mended = mend(raw.points, raw.faces, welded=raw.file_format == "stl", mending=mending)
    if mended.problems:
        raise PatternError(f"{path.name}: {mended.problems[0]}")
    known = height_mm is not None or unit is not None or raw.unit is not None
    scale = _scale(raw, mended, height_mm, unit, up_axis) if known else 1.0
    middle = _middle(mended.surface.points)
    points = (mended.surface.points - middle) * scale
    faces = mended.surface.faces.astype(np.int64, copy=False)
    frozen(points)
    pattern = Pattern(
        name=raw.name, path=path, vertices=points, faces=faces, up=up_axis, front=front_axis,
        up_given=up is not None, front_given=front is not None, scale_mm=scale,
        middle_file=(float(middle[0]), float(middle[1]), float(middle[2])),
        size_from="height" if height_mm is not None else "unit" if unit is not None else "file",
        survey=_survey(raw, mended, scale, mending, known=known),
        marks=_scaled_marks(mended.marks, middle, scale),
    )  # fmt: skip
    return MendedFile(surface=mended.surface, unit=raw.unit, pattern=pattern)
