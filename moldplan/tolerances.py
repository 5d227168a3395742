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
#: A body is a sheet, or a face a line, when its thinnest measure is below this share of its longest.
FLAT_REL: Final = 1e-9
#: A hole with more edges than this is no pin-hole.
PIN_HOLE_EDGES: Final = 8
#: Nor is one whose cap is over this share of the whole surface.
PIN_HOLE_AREA_SHARE: Final = 1e-3
#: A hole wider than this share of the diagonal, or over this share of the surface, is not filled: nobody can
#: know what was there.
HOLE_WIDTH: Final = 0.35
HOLE_AREA_SHARE: Final = 0.1
#: Cutting out faces that cross may move the surface by this share of the diagonal; else they do less harm.
CROSSING_MOVE: Final = 1e-3
#: An opening is the open underside when its rim is flat within this share of its span and lies at the end of
#: the figure within it; a wavy one within the second is still taken for one, and how far it waves is said.
FLAT_RIM: Final = 0.01
WAVY_RIM: Final = 0.08
#: With a flat opening of more than this share of the surface that is left, most of the figure is missing.
OPENING_SHARE: Final = 0.75
#: An open piece under this share of the whole surface is an island of a scan.
ISLAND_SHARE: Final = 5e-3
#: With more of the surface in islands than this the figure itself is in pieces, and none is dropped.
MOST_ISLANDS: Final = 0.1
#: Nor are walls inside the figure where they would be more of the surface than this.
MOST_WALLS: Final = 0.45
#: More faces round crowded edges than this share, and than so many, are no small damage to be cut out.
CUT_SHARE: Final = 5e-3
CUT_FEW: Final = 60
#: Share of a piece's faces that may be taken out along its torn rims.
MOST_LOOSENED: Final = 0.15
#: Welding farther apart has to close this many open edges for every edge it crowds.
WORTH_CLOSING: Final = 10
#: With less than this share of the surface left after dropping and cutting, a surface is made anew from what
#: was there before.
LEAST_LEFT: Final = 0.9
#: A patch that hangs on a crowded edge and is no larger than this share is a fin.
FIN_SHARE: Final = 0.15
#: Winding number from which a place is taken to be inside.
INSIDE: Final = 0.75
#: A second shell nearer than this share of the diagonal all over is the first one drawn again.
SAME_SHELL_REL: Final = 2e-3
#: Distances, as shares of the diagonal, over which loose edges are welded as long as that closes any.
WELD_STEPS: Final = (1e-6, 1e-5, 1e-4)
#: A body lies inside another when at least this share of its volume does; the rest is rounding.
BURIED_SHARE: Final = 1.0 - 1e-6
#: A separate body under this share of the largest one's volume is a speck of a scan, not a part.
SPECK_SHARE: Final = 1e-6
#: One beside the figure and under this share is a crumb of a scan: dropped, and its volume said.
CRUMB_SHARE: Final = 1e-3
#: Share by which the search's columns may be wrong about an undercut: nearer candidates are measured exactly.
SEARCH_ERROR: Final = 0.02
#: How many near-equal candidates of a search are cut and measured at most.
CONTENDERS: Final = 3
#: A mesh of more triangles is planned on a lighter copy: so many lie less than 0.5 % of a figure's height
#: apart, and planning a million on a copy takes two thirds of the time, copying included.
MOST_PLANNED_FACES: Final = 500_000
#: How far a lighter copy's surface may move in each step that is needed, as a share of the diagonal: 0.01 %
#: first, 0.05 % in all at the most (1 mm on a figure of 2 m; what a saw cut is true to).
PLANNED_MOVES: Final = (1e-4, 1e-4, 1e-4, 1e-4, 1e-4)
