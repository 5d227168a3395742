"""The parts of each half's mould as solids, for other programs: binary STL a part, one 3MF a half.

`mould_solids` builds them, `write_solids` writes them. The solid library is imported when either is called,
not before.
"""

from pathlib import Path
from typing import TYPE_CHECKING

from moldplan.progress import QUIET, Progress

if TYPE_CHECKING:
    from moldplan.half.model import Half
    from moldplan.mould.model import Mould
    from moldplan.plan import Plan
    from moldplan.solids.model import MouldSolids, SolidFile

__all__ = ["mould_solids", "write_solids"]


def mould_solids(half: "Half", mould: "Mould") -> "MouldSolids":
    """Return the parts of one half's mould as closed solids.

    Parameters
    ----------
    half, mould
        The half on its board and the plan of its mould.

    Returns
    -------
    MouldSolids
        In the half's own frame: board at z = 0, pull +z, mm.

    Raises
    ------
    PatternError
        When the half's mesh is no closed solid.

    Notes
    -----
    The rubber lies between the triangles of its outer face and the half; sealed pockets hold none. The
    jacket lies between the same triangles and its own outside, on its flange's ground; its holes for buttons
    are open. Ribs, feet and handles are not in it: it is what `Jacket.volume_mm3` counts, skin and flange.
    Volumes agree with the plan's within 1 % at the default cell. Under 1 s for a half of 50 000 triangles at
    512 cells.
    """
    from moldplan.solids.build import build_solids  # noqa: PLC0415 - a heavy library, see above

    return build_solids(half, mould)


def write_solids(plan: "Plan", folder: Path, *, progress: Progress = QUIET) -> "tuple[SolidFile, ...]":
    """Write the solids of a plan: a binary STL for each part and a 3MF of named parts for each half.

    Parameters
    ----------
    plan
        What to write.
    folder
        An existing folder to write into: ``half-a-pattern.stl``, ``-rubber``, ``-jacket``, ``-wall``,
        ``-board`` and ``half-a.3mf`` (the same for b).
    progress
        Told of each half; its `stop` event ends the work between two of them.

    Returns
    -------
    tuple of SolidFile
        Every file with its part, the state of the board it belongs to (coating or jacketing) and its volume.

    Raises
    ------
    OutputError
        When a file cannot be written.
    PatternError
        When a half's mesh is no closed solid.
    StoppedError
        When `progress` was told to stop.

    Notes
    -----
    Every half in its own frame: board at z = 0, pull +z, mm. An STL's header names job, half, part, state
    and unit; 3MF names its parts the same way and states millimetres. The same plan gives the same bytes.
    Corners are rounded to what STL can hold (under 0.0001 mm for 2 m), never two to one place, so that every
    edge of what is read back has two faces. Buttons stand in the 3MF only: they come out before the jacket.
    About 5 s and 130 MB for both halves of a figure of 90 000 triangles.
    """
    from moldplan.solids.write import write_all  # noqa: PLC0415 - a heavy library, see above

    return write_all(plan, folder, progress=progress)
