"""The JSON Schema (draft 2020-12) of `plan.json`, as `moldplan schema` prints it."""

from typing import Any

Schema = dict[str, Any]

TEXT: Schema = {"type": "string"}
COUNT: Schema = {"type": "integer", "minimum": 0}
FLAG: Schema = {"type": "boolean"}


def number(text: str, *, least: float | None = None) -> Schema:
    """Return the schema of a number, at least `least` when that is given."""
    schema: Schema = {"type": "number", "description": text}
    return schema if least is None else {**schema, "minimum": least}


def amount(text: str) -> Schema:
    """Return the schema of a number that cannot be negative."""
    return number(text, least=0)


def row(count: int, text: str) -> Schema:
    """Return the schema of a list of just `count` numbers."""
    return {
        "type": "array",
        "items": {"type": "number"},
        "minItems": count,
        "maxItems": count,
        "description": text,
    }


def listed(items: Schema, text: str) -> Schema:
    """Return the schema of a list of `items`."""
    return {"type": "array", "items": items, "description": text}


def or_null(schema: Schema) -> Schema:
    """Return the schema of a value that may be null."""
    return {"anyOf": [schema, {"type": "null"}]}


def one_of(*values: str) -> Schema:
    """Return the schema of one of some texts."""
    return {"enum": list(values)}


def thing(text: str, keys: dict[str, Schema], *, optional: tuple[str, ...] = ()) -> Schema:
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
        **thing(
            "A mould plan. Lengths mm, volumes litres, masses kg, times minutes, angles degrees; "
            "the unit ends each key. The figure's frame: the file's axes, mm, from the middle of the "
            "bounding box. A half's frame: board z = 0, pull +z.",
            {
                "moldplan": {"type": "string", "description": "version that made the plan"},
                "job": _job(),
                "pattern": pattern_schema(),
                "split": _split(),
                "halves": {
                    **listed(_half(), "A first; one alone for an open mould"),
                    "minItems": 1,
                    "maxItems": 2,
                },
                "findings": listed(finding_schema(), "what a person should know, check, or stop for"),
                "accuracy": _accuracy(),
            },
        ),
    }


def settings_schema() -> Schema:
    """Return the schema of the settings by name."""
    setting = thing(
        "one setting",
        {
            "value": {"type": ["number", "string"]},
            "unit": TEXT,
            "origin": {"type": "string", "description": "card, job file with line, or flag it came from"},
            "tag": one_of("source", "practice", "memory", "derived", "invented"),
        },
    )
    return {"type": "object", "additionalProperties": setting}


def _job() -> Schema:
    return thing(
        "the job",
        {
            "title": TEXT,
            "revision": {"type": "string", "pattern": "^r[0-9]{3,}$"},
            "made": {"type": "string", "description": "ISO 8601 date and time"},
            "settings": settings_schema(),
        },
    )


def pattern_schema() -> Schema:
    """Return the schema of the pattern."""
    axis = one_of("+x", "-x", "+y", "-y", "+z", "-z")
    repair = thing("one thing mended", {"what": TEXT, "count": COUNT, "moved_mm": amount("furthest move")})
    return thing(
        "the pattern after scaling and mending",
        {
            "name": TEXT,
            "file": TEXT,
            "sha256": {"type": "string", "description": "of the file's bytes"},
            "up": axis,
            "front": axis,
            "scale_mm": amount("mm to one unit of the file"),
            "triangles": COUNT,
            "watertight": FLAG,
            "bodies": COUNT,
            "genus": COUNT,
            "size_mm": row(3, "bounding box along the file's x, y, z"),
            "area_m2": amount("surface"),
            "volume_l": amount("solid volume"),
            "repairs": listed(repair, "in the order done"),
            "deviation_mm": amount("furthest any point was moved by mending"),
        },
    )


def _split() -> Schema:
    return thing(
        "where the pattern is split",
        {
            "normal": row(3, "unit normal in the file's axes; half A lies on this side"),
            "offset_mm": number("along the normal, from the middle of the bounding box"),
            "chosen_by": one_of("search", "cut", "open", "answer"),
            "seam_mm": amount("length of all outlines of the section"),
            "undercut_l": amount("locked by this flat split, all halves"),
            "locked_l": amount("locked along this direction whatever the parting's shape"),
            "directions_tried": COUNT,
            "cover_deg": amount("no direction is farther than this from one tried"),
        },
        optional=("directions_tried", "cover_deg"),
    )


def _half() -> Schema:
    frame: Schema = {"type": "array", "items": row(4, "row"), "minItems": 4, "maxItems": 4}
    return thing(
        "one half on its board, and its mould",
        {
            "name": one_of("A", "B"),
            "called": one_of("FRONT", "BACK", "LEFT", "RIGHT", "TOP", "BOTTOM", "WHOLE"),
            "frame": {**frame, "description": "4 x 4 matrix from the figure's frame to the half's"},
            "volume_l": amount("solid volume"),
            "height_mm": amount("above the board"),
            "section_m2": amount("sawn face"),
            "section_perimeter_mm": amount("all outlines of the sawn face"),
            "projection_m2": amount("shadow on the board"),
            "projection_perimeter_mm": amount("all outlines of the shadow"),
            "genus": COUNT,
            "links": {**COUNT, "description": "closed loops of rubber to cut or web"},
            "undercut": _undercut(),
            "rubber": _rubber(),
            "wall": _wall(),
            "board": _board(),
            "jacket": _jacket(),
        },
    )


def _undercut() -> Schema:
    region = thing(
        "one undercut",
        {
            "id": COUNT,
            "volume_l": amount("gap to fill"),
            "area_m2": amount("its shadow on the board"),
            "depth_mm": amount("greatest height along the pull"),
            "reach_mm": amount("how far in from its nearest mouth"),
            "mouth_mm": amount("length of its widest mouth"),
            "mouths": {**COUNT, "description": "two or more make a tunnel, none a sealed pocket"},
            "centre_mm": row(3, "in the half's frame"),
            "coats": {**COUNT, "description": "extra passes of rubber"},
            "advice": TEXT,
        },
    )
    return thing(
        "what the pull leaves behind",
        {
            "volume_l": amount("all gaps"),
            "area_m2": amount("shadow of all gaps"),
            "crumbs_l": amount("gaps too small to name, part of volume_l"),
            "regions": listed(region, "largest first"),
        },
    )


def _rubber() -> Schema:
    coat = thing(
        "one coat, or the passes of one undercut",
        {
            "name": TEXT,
            "passes": COUNT,
            "thickness_mm": amount("mean, of all passes together"),
            "area_m2": amount("covered"),
            "volume_l": amount("rubber"),
            "mass_kg": amount("rubber"),
            "next_after_min": amount("earliest next coat"),
            "next_before_min": amount("latest next coat"),
            "region": COUNT,
        },
        optional=("region",),
    )
    return thing(
        "the rubber of one half",
        {
            "skin_mm": amount("least thickness"),
            "draft_deg": amount("lean of the outer face"),
            "volume_l": amount("skin + fill + draft + edge"),
            "skin_l": amount("within the skin's thickness of the pattern"),
            "fill_l": amount("filling undercuts"),
            "draft_l": amount("leaning the outer face out"),
            "edge_l": amount("on the board round the half"),
            "mass_kg": amount("in the mould"),
            "order_kg": amount("with waste and run-off"),
            "outer_area_m2": amount("face under the jacket"),
            "inner_area_m2": amount("face on the pattern"),
            "coats": listed(coat, "in the order brushed"),
        },
    )


def _wall() -> Schema:
    return thing(
        "the clay wall",
        {
            "inner_perimeter_mm": amount("line to set out"),
            "height_mm": amount("above the board"),
            "thickness_mm": amount("at the foot"),
            "clay_kg": amount("clay"),
            "moat_l": amount("what the moat holds"),
        },
    )


def _board() -> Schema:
    return thing(
        "the board in its two states",
        {
            "coating_mm": row(2, "least size while coating (clay wall)"),
            "jacketing_mm": row(2, "least size while jacketing (flange on bare board)"),
            "size_mm": row(2, "what to cut"),
            "centre_mm": row(2, "middle of the board in the half's frame"),
            "stock_mm": row(2, "stock sheet"),
            "sheets": {**COUNT, "description": "stock sheets for one board; more than one means joints"},
        },
    )


def _jacket() -> Schema:
    return thing(
        "the rigid jacket",
        {
            "area_m2": amount("laminated, flange included"),
            "flange_m2": amount("flange on the board"),
            "plies": COUNT,
            "thickness_mm": amount("laminate"),
            "mass_kg": amount("jacket"),
            "turning": TEXT,
            "turning_kg": amount("jacket, rubber and half of the pattern together"),
            "turning_people": or_null(COUNT),
        },
    )


def finding_schema() -> Schema:
    """Return the schema of one finding."""
    return thing(
        "one remark",
        {
            "code": TEXT,
            "severity": one_of("note", "check", "stop"),
            "stage": TEXT,
            "half": or_null(one_of("A", "B")),
            "place_mm": or_null(row(3, "in the half's frame, or the figure's when half is null")),
            "value": or_null({"type": "number"}),
            "limit": or_null({"type": "number"}),
            "unit": or_null(TEXT),
            "advice": TEXT,
        },
    )


def _accuracy() -> Schema:
    half = thing(
        "one half",
        {
            "name": one_of("A", "B"),
            "cell_mm": amount("column width"),
            "undercut_bracket_l": row(2, "the undercut lies between these"),
            "rubber_measured_l": amount("rubber by a second way, against halves[].rubber.volume_l"),
        },
    )
    return thing(
        "how sure the numbers are",
        {
            "cell_mm": amount("widest column"),
            "undercut_bracket_l": row(2, "split.undercut_l lies between these"),
            "halves": listed(half, "each half"),
        },
    )
