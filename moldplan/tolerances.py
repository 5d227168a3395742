"""Every small number that decides something, with its reason.

*Epsilon* values cover rounding; *tolerance* values say what a workshop does not care about.
"""

from typing import Final

#: Relative rounding noise of a float64 coordinate after a few transforms.
REL_EPSILON: Final = 1e-9
#: Heights nearer than this to the board are on the board, relative to the half's size.
BOARD_EPSILON: Final = 1e-9
#: Share of the pattern's volume below which an undercut is no undercut.
UNDERCUT_NOTHING: Final = 1e-5
#: Share of the pattern's volume a one-part open mould may leave undercut.
RELIEF_UNDERCUT: Final = 1e-3
#: Share of the projection that must be flat on the board for a one-part open mould.
RELIEF_FLAT_SHARE: Final = 0.9
#: Least share of the volume a half may hold (the first search).
LEAST_HALF_SHARE: Final = 0.15
#: Cells along the half's longest side at the default resolution.
DEFAULT_CELLS: Final = 512
#: Points nearer than this share of the bounding-box diagonal are welded.
WELD_REL: Final = 1e-6
#: A body is a sheet, or a face a line, when its thinnest measure is below this share of its longest.
FLAT_REL: Final = 1e-9
#: A hole with more edges than this is no pin-hole and is not closed unasked.
PIN_HOLE_EDGES: Final = 8
#: Nor is one whose cap is over this share of the whole surface.
PIN_HOLE_AREA_SHARE: Final = 1e-3
#: A body lies inside another when at least this share of its volume does; the rest is rounding.
BURIED_SHARE: Final = 1.0 - 1e-6
#: A separate body under this share of the largest one's volume is a speck of a scan, not a part.
SPECK_SHARE: Final = 1e-6
#: Share by which the search's columns may be wrong about an undercut: nearer candidates are measured exactly.
SEARCH_ERROR: Final = 0.02
#: How many near-equal candidates of a search are cut and measured at most.
CONTENDERS: Final = 3
