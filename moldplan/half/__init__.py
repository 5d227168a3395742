"""A half on its board: cut, laid down and measured."""

from moldplan.half.cutting import cut, lay_whole
from moldplan.half.model import Gaps, Half, HalfName, Region, Undercut

__all__ = ["Gaps", "Half", "HalfName", "Region", "Undercut", "cut", "lay_whole"]
