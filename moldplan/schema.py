"""The JSON Schema (draft 2020-12) of `plan.json`, as `moldplan schema` prints it."""

from typing import Any

Schema = dict[str, Any]

TEXT: Schema = {"type": "string"}
COUNT: Schema = {"type": "integer", "minimum": 0}
FLAG: Schema = {"type": "boolean"}
REMEDY: Schema = {"enum": ["fill", "loose piece", "plug", "soften", "another split"]}


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
                "solids": listed(_solid(), "solids written beside this file"),
            },
            optional=("solids",),
        ),
    }


def _solid() -> Schema:
    return thing(
        "one file of a solid, in its half's own frame, mm",
        {
            "file": TEXT,
            "half": one_of("A", "B"),
            "part": TEXT,
            "state": {"type": "string", "description": "coating, jacketing, or both"},
            "volume_l": amount("of the solid itself"),
        },
    )


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
    rungs = ("weld", "doubles", "wind", "drop", "cut", "fill", "close", "even", "unite", "resurface")
    repair = thing(
        "one thing mended",
        {
            "what": TEXT,
            "count": COUNT,
            "rung": one_of(*rungs),
            "mean_mm": amount("mean move over the whole surface"),
            "p99_mm": amount("99 of 100 points of the surface moved less"),
            "moved_mm": amount("furthest move; of a filling, how far off it may be"),
            "place_mm": or_null(row(3, "where that is, in the figure's frame")),
            "volume_l": amount("most volume that it can have added or taken away"),
            "cell_mm": or_null(amount("edge of the grid's cubes, where a surface was made anew")),
        },
    )
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
            "size_from": one_of("height", "unit", "file"),
            "repairs": listed(repair, "in the order done"),
            "deviation_mm": amount("sum of the furthest moves of all mending"),
            "accepted": listed(TEXT, "mending beyond the shop's tolerance that somebody accepted"),
            "crossing_faces": {**COUNT, "description": "faces that cut through others and were left so"},
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
            "webs": listed(_web(), "one for each closed loop of rubber that a place was found for"),
            "release": listed(_release(), "surfaces that must part, in the order they meet"),
            "features": listed(_feature(), "what traps air or wants special laying up"),
            "peel": _peel(),
            "reach": _reach(),
            "datums": _datums(),
        },
        optional=("peel", "reach", "datums"),
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
            "solid_mm": amount("thickness of rubber if it is filled solid"),
            "remedy": REMEDY,
            "remedies": listed(_remedy(), "all that were weighed, cheapest first"),
        },
        optional=("solid_mm", "remedy", "remedies"),
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


def _remedy() -> Schema:
    return thing(
        "one way to deal with an undercut",
        {
            "kind": REMEDY,
            "possible": FLAG,
            "rubber_kg": amount("rubber it still takes beyond the skin"),
            "cost": or_null(amount("rubber, other stuff and hours, in the shop's money")),
            "hours": or_null(amount("work")),
            "text": TEXT,
            "pull": or_null(row(3, "unit direction a loose piece leaves by, half's frame")),
            "cleared": or_null(amount("share of the filling that leaves with the piece")),
            "size_mm": or_null(row(3, "length, width, thickness")),
        },
    )


def _mixes() -> Schema:
    share = thing(
        "what one mix takes of one can", {"name": TEXT, "mass_g": amount("g"), "volume_ml": amount("ml")}
    )
    return thing(
        "how a coat is mixed",
        {
            "count": COUNT,
            "each_kg": amount("one pot"),
            "pot_life_min": amount("at the shop's temperature"),
            "brush_min": amount("to lay one pot"),
            "shares": listed(share, "of one pot"),
        },
    )


def _rubber() -> Schema:
    coat = thing(
        "one coat, or the passes of one undercut",
        {
            "name": TEXT,
            "passes": COUNT,
            "thickness_mm": amount("mean of one pass"),
            "area_m2": amount("covered"),
            "volume_l": amount("rubber"),
            "mass_kg": amount("rubber"),
            "next_after_min": amount("earliest next coat"),
            "next_before_min": amount("latest next coat"),
            "least_mm": amount("least anywhere, one pass"),
            "brushed_kg": amount("mixed and brushed on, with what runs off"),
            "tint": TEXT,
            "crumb_kg": amount("most of it that may be cured crumb"),
            "mixes": _mixes(),
            "region": COUNT,
        },
        optional=("region", "mixes"),
    )
    key = thing(
        "a cone that registers the rubber in the jacket",
        {
            "centre_mm": row(3, "middle of its top"),
            "base_mm": amount("across the base"),
            "height_mm": amount("above the face at its middle"),
            "side_deg": amount("lean of its sides"),
        },
    )
    button = thing(
        "a stud through the jacket",
        {"place_mm": row(3, "on the face"), "diameter_mm": amount("stud"), "mass_kg": amount("rubber")},
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
            "order_low_kg": amount("least that may be used"),
            "order_high_kg": amount("most that may be used"),
            "advised_kg": amount("in the mould when every undercut is dealt with as advised"),
            "run_off_l": amount("runs off the detail coat into the moat"),
            "draft_kg_per_deg": number("more rubber for one more degree of draft"),
            "thickness_mm": thing(
                "distance from pattern to outer face", {"least": amount("least"), "mean": amount("mean")}
            ),
            "keys_l": amount("in keys, part of edge_l"),
            "keys": listed(key, "cone keys"),
            "buttons": listed(button, "buttons"),
            "coats": listed(coat, "in the order brushed"),
        },
        optional=("thickness_mm",),
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
            "inner_walls": {**COUNT, "description": "rings of clay in openings"},
            "points_mm": listed(row(2, "corner"), "inner line, for setting out"),
            "buttresses": COUNT,
            "buttress_kg": amount("clay of the buttresses, on top of clay_kg"),
            "points_off_mm": amount("farthest the line runs off the straight lines between the corners"),
            "pressure_pa": amount("of what stands in the moat, at its foot"),
            "pressure_governs": FLAG,
            "wax_m2": amount("board and wall to wax"),
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
            "joints_mm": listed(_line(), "joints between sheets"),
            "battens_mm": listed(_line(), "battens under the board"),
            "shim_mm": amount("under the sawn face, for the kerf"),
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
            "turns_kg": {
                "type": "object",
                "description": "what is turned over, part by part",
                "additionalProperties": amount("kg"),
            },
            "skin_kg": amount("laminate over the rubber"),
            "flange_kg": amount("flange"),
            "ribs_kg": amount("ribs"),
            "fittings_kg": amount("feet, handles, turning edge"),
            "laminate_l": amount("skin and flange"),
            "flange_thickness_mm": amount("flange"),
            "ribs_mm": listed(_line(), "ribs, seen from above"),
            "feet": listed(
                thing("a foot", {"place_mm": row(3, "on the outside"), "height_mm": amount("its length")}),
                "feet of the opened half",
            ),
            "stand_mm": amount("flange above the floor, opened half on its feet"),
            "handles_mm": listed(row(3, "handle"), "handles"),
            "turning_edge_mm": or_null(_line()),
            "parting": or_null(_parting()),
        },
    )


def _parting() -> Schema:
    return thing(
        "a jacket made in pieces with bolted flanges",
        {
            "pieces": COUNT,
            "lines_mm": listed(_line(), "where to part it, seen from above"),
            "length_mm": amount("parting flanges over the jacket"),
            "bolts": COUNT,
            "mass_kg": amount("what the flanges add"),
        },
    )


def _line() -> Schema:
    return {"type": "array", "items": row(2, "end"), "minItems": 2, "maxItems": 2}


def _web() -> Schema:
    return thing(
        "a web or plug across an opening",
        {
            "region": or_null(COUNT),
            "place_mm": row(3, "its middle"),
            "normal": row(3, "unit, square to it"),
            "size_mm": row(2, "width, height"),
            "area_m2": amount("its area"),
            "text": TEXT,
        },
    )


def _release() -> Schema:
    return thing(
        "two surfaces that must part",
        {
            "surface": TEXT,
            "against": TEXT,
            "agent": TEXT,
            "coats": COUNT,
            "dry_min": amount("before the other surface comes"),
            "text": TEXT,
            "stop": {**FLAG, "description": "work stops until it is done and tried"},
        },
    )


def _feature() -> Schema:
    return thing(
        "one small shape",
        {
            "kind": one_of("blind tip", "cup", "slot", "tight corner", "thin section"),
            "place_mm": row(3, "in the half's frame"),
            "width_mm": amount("width or radius"),
            "extent_mm": amount("length or depth"),
            "text": TEXT,
        },
    )


def _peel() -> Schema:
    place = thing(
        "one place where the rubber stretches or bends",
        {
            "place_mm": row(3, "in the half's frame"),
            "strain": amount("0.5 is 50 %"),
            "model": one_of("band", "lip"),
            "thickness_mm": amount("counted"),
            "region": or_null(COUNT),
        },
    )
    step = thing(
        "one step",
        {
            "number": COUNT,
            "place_mm": row(3, "in the half's frame"),
            "text": TEXT,
            "region": or_null(COUNT),
        },
    )
    thin = thing(
        "a slender part of the cast",
        {
            "place_mm": row(3, "in the half's frame"),
            "thickness_mm": amount("across"),
            "length_mm": amount("along"),
            "strain": amount("of the rubber round it"),
            "text": TEXT,
        },
    )
    return thing(
        "how the rubber comes off the cast",
        {
            "strain": amount("worst; 0.5 is 50 %"),
            "allowed": amount("least of a share of the break elongation and a fixed limit"),
            "place_mm": or_null(row(3, "of the worst")),
            "places": listed(place, "worst first"),
            "order": listed(step, "order of peeling"),
            "thin": listed(thin, "may break before the rubber gives"),
        },
    )


def _reach() -> Schema:
    place = thing(
        "a part that the hand does not get to",
        {
            "place_mm": row(3, "in the half's frame"),
            "area_m2": amount("its surface"),
            "why": one_of("narrow", "deep"),
            "text": TEXT,
        },
    )
    return thing(
        "what a gloved hand with a roller gets to in the emptied half-mould",
        {
            "surface_m2": amount("inner surface"),
            "unreached_m2": amount("not reached"),
            "places": listed(place, "largest first"),
        },
    )


def _datums() -> Schema:
    point = thing(
        "one corner of the wall",
        {
            "place_mm": row(2, "in the half's frame"),
            "from_first_mm": amount("from the first dowel"),
            "from_second_mm": amount("from the second dowel"),
            "along_mm": number("along the line of the dowels, from the first"),
            "square_mm": number("square to it, to the left"),
        },
    )
    return thing(
        "two dowels that both boards share, and the wall's corners from them",
        {
            "dowels_mm": {**listed(row(2, "dowel"), "in the half's frame"), "minItems": 2, "maxItems": 2},
            "points": listed(point, "in order round the wall"),
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
    mesh = thing(
        "one mesh, looked at through the same columns as the other",
        {
            "triangles": COUNT,
            "volume_l": amount("solid volume"),
            "area_m2": amount("surface"),
            "undercut_l": row(2, "half A, half B"),
        },
    )
    return thing(
        "how sure the numbers are",
        {
            "cell_mm": amount("widest column"),
            "undercut_bracket_l": row(2, "split.undercut_l lies between these"),
            "halves": listed(half, "each half"),
            "lighter_copy": thing(
                "of a mesh too large to plan with: the same figures of the whole one and of the copy",
                {
                    "moved_mm": amount("no point of the two surfaces is farther apart"),
                    "whole": mesh,
                    "planned": mesh,
                },
            ),
        },
        optional=("lighter_copy",),
    )
