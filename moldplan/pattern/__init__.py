"""The pattern: a mesh file read, scaled to millimetres, surveyed and, where small things are wrong, mended.

`load_pattern` gives the closed solid every later stage works on; `survey_file` tells what a file holds and
what is wrong with it without refusing it; `pattern_from_arrays` takes a solid that is already in memory.

A mesh carries no unit (3MF and glTF do), so the size is always asked for, never guessed. What is mended is
listed in ``Survey.repairs`` with how far the surface moved; what is beyond the shop's tolerance (`Mending`)
is refused until somebody accepts it, and what no mending makes a solid is refused with a place and advice.

Raises
------
PatternError
    The file cannot be read, or holds no solid.
UnitError, SettingError
    The size or the directions asked for make no sense.
"""

from moldplan.pattern.arrays import mesh_area_mm2, mesh_volume_mm3, pattern_from_arrays
from moldplan.pattern.describe import describe_survey, survey_document
from moldplan.pattern.limits import Limits
from moldplan.pattern.load import load_pattern, read_mending, survey_file
from moldplan.pattern.mended_file import UNITS_MM
from moldplan.pattern.model import AXES, Axis, Mending, Pattern, Repair, Survey, axis_vector

__all__ = [
    "AXES",
    "UNITS_MM",
    "Axis",
    "Limits",
    "Mending",
    "Pattern",
    "Repair",
    "Survey",
    "axis_vector",
    "describe_survey",
    "load_pattern",
    "mesh_area_mm2",
    "mesh_volume_mm3",
    "pattern_from_arrays",
    "read_mending",
    "survey_document",
    "survey_file",
]
