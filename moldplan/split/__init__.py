"""Where to split the pattern: the search, what a plane locks, and how planes are named."""

from moldplan.split.around import undercut_around
from moldplan.split.cut_text import parse_cut
from moldplan.split.frame import called, canonical_plane
from moldplan.split.model import Candidate, Plane, Seen, Splits
from moldplan.split.region import Region
from moldplan.split.search import SearchOptions, find_splits
from moldplan.split.sight import locked_volume, undercut_curve, volume_above

__all__ = [
    "Candidate",
    "Plane",
    "Region",
    "SearchOptions",
    "Seen",
    "Splits",
    "called",
    "canonical_plane",
    "find_splits",
    "locked_volume",
    "parse_cut",
    "undercut_around",
    "undercut_curve",
    "volume_above",
]
