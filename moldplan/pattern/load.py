"""`load_pattern` and `survey_file`: from a file to a pattern in millimetres, or to what is known about it."""

from pathlib import Path

import numpy as np

from moldplan.cards.model import Settings
from moldplan.errors import PatternError, UnitError
from moldplan.pattern.lighten import lightened
from moldplan.pattern.limits import Limits
from moldplan.pattern.mend import mend
from moldplan.pattern.mended_file import Asked, directions, made_pattern, mm_per_number, surveyed
from moldplan.pattern.model import Axis, Mending, Pattern, Survey
from moldplan.pattern.read import read_mesh
from moldplan.pattern.topology import Floats
from moldplan.tolerances import REL_EPSILON

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
        STL, PLY, OBJ, OFF, 3MF, GLB, or GLTF with its data inside or beside it.
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
        With what was mended in ``survey.repairs``; of over half a million triangles a lighter copy, the
        whole mesh being in `lighter`.

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
    asked = Asked(height_mm=height_mm, unit=unit, up=up, front=front)
    asked.check()
    return lightened(_whole(Path(path), asked, mending, limits))


def _whole(path: Path, asked: Asked, mending: Mending, limits: Limits) -> Pattern:
    """Return the pattern with the whole mesh; apart, so that the raw mesh is let go of."""
    raw = read_mesh(path, limits=limits)
    if not asked.size_known(raw):
        raise UnitError(
            f"{path.name}: a {raw.file_format.upper()} file does not say how large the figure is; give its "
            'height (--height "1.5 m") or the unit of its numbers (--unit mm)'
        )
    pattern = made_pattern(raw, asked, mending).pattern
    if pattern.survey.accepting and not mending.accept:
        raise PatternError(f"{path.name}: {pattern.survey.accepting[0]}; {_LOOK_AND_ACCEPT}")
    _check_size(path.name, pattern.vertices)
    return pattern


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
    asked = Asked(height_mm=height_mm, unit=unit, up=up, front=front)
    asked.check()
    raw = read_mesh(Path(path), limits=limits)
    directions(raw, asked)
    mended = mend(raw.points, raw.faces, welded=raw.file_format == "stl", mending=mending)
    return surveyed(raw, mended, mm_per_number(raw, mended, asked), mending, known=asked.size_known(raw))


def read_mending(settings: Settings, *, accept: bool = False) -> Mending:
    """Return what a shop's settings let mending do; `accept` lets more pass."""
    return Mending(
        repair_mm=settings.number("pattern.repair_mm"),
        repair_percent=settings.number("pattern.repair_percent"),
        accept=accept,
        cells=round(settings.number("pattern.resurface_cells")),
    )


def _check_size(name: str, points: Floats) -> None:
    """Refuse sizes that only a mistaken unit gives."""
    longest = float(np.ptp(points, axis=0).max())
    slack = 1.0 + REL_EPSILON
    if not LEAST_SIZE_MM / slack <= longest <= MOST_SIZE_MM * slack:
        raise PatternError(
            f"{name}: the figure would be {longest:.5g} mm at its longest; {LEAST_SIZE_MM:g} mm to "
            f'{MOST_SIZE_MM / 1000:g} m can be planned; check the unit, or give --height "1.5 m"'
        )
