"""The JSON Schema (draft 2020-12) of `plan.json`, as `moldplan schema` prints it."""

from typing import Any

Schema = dict[str, Any]

_TEXT: Schema = {"type": "string"}
_COUNT: Schema = {"type": "integer", "minimum": 0}
_FLAG: Schema = {"type": "boolean"}


def _number(text: str, *, least: float | None = None) -> Schema:
    schema: Schema = {"type": "number", "description": text}
    return schema if least is None else {**schema, "minimum": least}


def _amount(text: str) -> Schema:
    """Return the schema of a number that cannot be negative."""
    return _number(text, least=0)


def _row(count: int, text: str) -> Schema:
    return {
        "type": "array",
        "items": {"type": "number"},
        "minItems": count,
        "maxItems": count,
        "description": text,
    }


def _list(items: Schema, text: str) -> Schema:
    return {"type": "array", "items": items, "description": text}


def _or_null(schema: Schema) -> Schema:
    return {"anyOf": [schema, {"type": "null"}]}


def _one_of(*values: str) -> Schema:
    return {"enum": list(values)}


def _thing(text: str, keys: dict[str, Schema], *, optional: tuple[str, ...] = ()) -> Schema:
    """Return the schema of an object that holds just `keys`, all but `optional` required."""
    return {
        "type": "object",
        "description": text,
        "properties": keys,
        "required": [key for key in keys if key not in optional],
        "additionalProperties": False,
    }


def plan_schema() -> Schema:
    """Return the schema of `plan.json` as plain dictionaries. Keys of stages not built yet are absent."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "moldplan plan",
        **_thing(
            "A mould plan. Lengths mm, volumes litres, masses kg, times minutes, angles degrees; "
            "the unit ends each key. The figure's frame: the file's axes, mm, from the middle of the "
            "bounding box. A half's frame: board z = 0, pull +z.",
            {
                "moldplan": {"type": "string", "description": "version that made the plan"},
                "job": _job(),
                "pattern": _pattern(),
                "split": _split(),
                "halves": {
                    **_list(_half(), "A first; one alone for an open mould"),
                    "minItems": 1,
                    "maxItems": 2,
                },
                "findings": _list(_finding(), "what a person should know, check, or stop for"),
                "accuracy": _accuracy(),
            },
        ),
    }


def _job() -> Schema:
    setting = _thing(
        "one setting",
        {
            "value": {"type": ["number", "string"]},
            "unit": _TEXT,
            "origin": {"type": "string", "description": "card, job file with line, or flag it came from"},
            "tag": _one_of("source", "practice", "memory", "derived", "invented"),
        },
    )
    return _thing(
        "the job",
        {
            "title": _TEXT,
            "revision": {"type": "string", "pattern": "^r[0-9]{3,}$"},
            "made": {"type": "string", "description": "ISO 8601 date and time"},
            "settings": {"type": "object", "additionalProperties": setting},
        },
    )


def _pattern() -> Schema:
    axis = _one_of("+x", "-x", "+y", "-y", "+z", "-z")
    repair = _thing(
        "one thing mended", {"what": _TEXT, "count": _COUNT, "moved_mm": _amount("furthest move")}
    )
    return _thing(
        "the pattern after scaling and mending",
        {
            "name": _TEXT,
            "file": _TEXT,
            "sha256": {"type": "string", "description": "of the file's bytes"},
            "up": axis,
            "front": axis,
            "scale_mm": _amount("mm to one unit of the file"),
            "triangles": _COUNT,
            "watertight": _FLAG,
            "bodies": _COUNT,
            "genus": _COUNT,
            "size_mm": _row(3, "bounding box along the file's x, y, z"),
            "area_m2": _amount("surface"),
            "volume_l": _amount("solid volume"),
            "repairs": _list(repair, "in the order done"),
            "deviation_mm": _amount("furthest any point was moved by mending"),
        },
    )


def _split() -> Schema:
    return _thing(
        "where the pattern is split",
        {
            "normal": _row(3, "unit normal in the file's axes; half A lies on this side"),
            "offset_mm": _number("along the normal, from the middle of the bounding box"),
            "chosen_by": _one_of("search", "cut", "open"),
            "seam_mm": _amount("length of all outlines of the section"),
            "undercut_l": _amount("locked by this flat split, all halves"),
            "locked_l": _amount("locked along this direction whatever the parting's shape"),
            "directions_tried": _COUNT,
            "cover_deg": _amount("no direction is farther than this from one tried"),
        },
        optional=("directions_tried", "cover_deg"),
    )


def _half() -> Schema:
    frame: Schema = {"type": "array", "items": _row(4, "row"), "minItems": 4, "maxItems": 4}
    return _thing(
        "one half on its board, and its mould",
        {
            "name": _one_of("A", "B"),
            "called": _one_of("FRONT", "BACK", "LEFT", "RIGHT", "TOP", "BOTTOM", "WHOLE"),
            "frame": {**frame, "description": "4 x 4 matrix from the figure's frame to the half's"},
            "volume_l": _amount("solid volume"),
            "height_mm": _amount("above the board"),
            "section_m2": _amount("sawn face"),
            "section_perimeter_mm": _amount("all outlines of the sawn face"),
            "projection_m2": _amount("shadow on the board"),
            "projection_perimeter_mm": _amount("all outlines of the shadow"),
            "genus": _COUNT,
            "links": {**_COUNT, "description": "closed loops of rubber to cut or web"},
            "undercut": _undercut(),
            "rubber": _rubber(),
            "wall": _wall(),
            "board": _board(),
            "jacket": _jacket(),
        },
    )


def _undercut() -> Schema:
    region = _thing(
        "one undercut",
        {
            "id": _COUNT,
            "volume_l": _amount("gap to fill"),
            "area_m2": _amount("its shadow on the board"),
            "depth_mm": _amount("greatest height along the pull"),
            "reach_mm": _amount("how far in from its nearest mouth"),
            "mouth_mm": _amount("length of its widest mouth"),
            "mouths": {**_COUNT, "description": "two or more make a tunnel, none a sealed pocket"},
            "centre_mm": _row(3, "in the half's frame"),
            "coats": {**_COUNT, "description": "extra passes of rubber"},
            "advice": _TEXT,
        },
    )
    return _thing(
        "what the pull leaves behind",
        {
            "volume_l": _amount("all gaps"),
            "area_m2": _amount("shadow of all gaps"),
            "crumbs_l": _amount("gaps too small to name, part of volume_l"),
            "regions": _list(region, "largest first"),
        },
    )


def _rubber() -> Schema:
    coat = _thing(
        "one coat, or the passes of one undercut",
        {
            "name": _TEXT,
            "passes": _COUNT,
            "thickness_mm": _amount("mean, of all passes together"),
            "area_m2": _amount("covered"),
            "volume_l": _amount("rubber"),
            "mass_kg": _amount("rubber"),
            "next_after_min": _amount("earliest next coat"),
            "next_before_min": _amount("latest next coat"),
            "region": _COUNT,
        },
        optional=("region",),
    )
    return _thing(
        "the rubber of one half",
        {
            "skin_mm": _amount("least thickness"),
            "draft_deg": _amount("lean of the outer face"),
            "volume_l": _amount("skin + fill + draft + edge"),
            "skin_l": _amount("within the skin's thickness of the pattern"),
            "fill_l": _amount("filling undercuts"),
            "draft_l": _amount("leaning the outer face out"),
            "edge_l": _amount("on the board round the half"),
            "mass_kg": _amount("in the mould"),
            "order_kg": _amount("with waste and run-off"),
            "outer_area_m2": _amount("face under the jacket"),
            "inner_area_m2": _amount("face on the pattern"),
            "coats": _list(coat, "in the order brushed"),
        },
    )


def _wall() -> Schema:
    return _thing(
        "the clay wall",
        {
            "inner_perimeter_mm": _amount("line to set out"),
            "height_mm": _amount("above the board"),
            "thickness_mm": _amount("at the foot"),
            "clay_kg": _amount("clay"),
            "moat_l": _amount("what the moat holds"),
        },
    )


def _board() -> Schema:
    return _thing(
        "the board in its two states",
        {
            "coating_mm": _row(2, "least size while coating (clay wall)"),
            "jacketing_mm": _row(2, "least size while jacketing (flange on bare board)"),
            "size_mm": _row(2, "what to cut"),
            "centre_mm": _row(2, "middle of the board in the half's frame"),
            "stock_mm": _row(2, "stock sheet"),
            "sheets": {**_COUNT, "description": "stock sheets for one board; more than one means joints"},
        },
    )


def _jacket() -> Schema:
    return _thing(
        "the rigid jacket",
        {
            "area_m2": _amount("laminated, flange included"),
            "flange_m2": _amount("flange on the board"),
            "plies": _COUNT,
            "thickness_mm": _amount("laminate"),
            "mass_kg": _amount("jacket"),
            "turning": _TEXT,
            "turning_kg": _amount("jacket, rubber and half of the pattern together"),
            "turning_people": _or_null(_COUNT),
        },
    )


def _finding() -> Schema:
    return _thing(
        "one remark",
        {
            "code": _TEXT,
            "severity": _one_of("note", "check", "stop"),
            "stage": _TEXT,
            "half": _or_null(_one_of("A", "B")),
            "place_mm": _or_null(_row(3, "in the half's frame, or the figure's when half is null")),
            "value": _or_null({"type": "number"}),
            "limit": _or_null({"type": "number"}),
            "unit": _or_null(_TEXT),
            "advice": _TEXT,
        },
    )


def _accuracy() -> Schema:
    half = _thing(
        "one half",
        {
            "name": _one_of("A", "B"),
            "cell_mm": _amount("column width"),
            "undercut_bracket_l": _row(2, "the undercut lies between these"),
            "rubber_measured_l": _amount("rubber by a second way, against halves[].rubber.volume_l"),
        },
    )
    return _thing(
        "how sure the numbers are",
        {
            "cell_mm": _amount("widest column"),
            "undercut_bracket_l": _row(2, "split.undercut_l lies between these"),
            "halves": _list(half, "each half"),
        },
    )
