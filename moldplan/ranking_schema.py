"""The JSON Schema (draft 2020-12) of `split.json`, as `moldplan schema split` prints it."""

from moldplan.schema import (
    COUNT,
    FLAG,
    TEXT,
    Schema,
    amount,
    finding_schema,
    listed,
    number,
    one_of,
    or_null,
    pattern_schema,
    row,
    settings_schema,
    thing,
)


def ranking_schema() -> Schema:
    """Return the schema of `split.json` as plain dictionaries."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "moldplan split",
        **thing(
            "Ways to split a pattern, best first. Lengths mm, volumes litres, masses kg, angles degrees; the "
            "unit ends each key. Normals in the file's axes, offsets from the middle of the bounding box.",
            {
                "moldplan": {"type": "string", "description": "version that made the ranking"},
                "job": thing(
                    "the job",
                    {
                        "title": TEXT,
                        "made": {"type": "string", "description": "ISO 8601 date and time"},
                        "settings": settings_schema(),
                    },
                ),
                "pattern": pattern_schema(),
                "wishes": _wishes(),
                "search": thing(
                    "what was looked at",
                    {
                        "directions_tried": COUNT,
                        "cover_deg": amount("no direction is farther than this from one looked at"),
                        "best": thing("the plane of least undercut, not rounded", _found()),
                    },
                ),
                "answers": {**listed(_answer(), "numbered from 1; the shown ones first"), "minItems": 1},
                "findings": listed(finding_schema(), "what a person should know, check, or stop for"),
            },
        ),
    }


def _wishes() -> Schema:
    return thing(
        "what was wished",
        {
            "seam_upright": FLAG,
            "pull": or_null(row(3, "unit direction")),
            "pull_called": TEXT,
            "within_deg": amount("of the pull"),
            "largest_board_mm": or_null(row(2, "long side, short side")),
            "heaviest_half_kg": or_null(amount("to turn over")),
            "keep_clean": listed(TEXT, "names of patches"),
        },
    )


def _plane() -> dict[str, Schema]:
    return {
        "normal": row(3, "unit normal; half A lies on this side"),
        "offset_mm": number("along the normal, from the middle of the bounding box"),
    }


def _found() -> dict[str, Schema]:
    return {
        **_plane(),
        "undercut_l": amount("on the whole mesh, columns"),
        "light_undercut_l": amount("on the lighter copy that was searched"),
    }


def _answer() -> Schema:
    degrees: Schema = {"type": "integer", "minimum": -45, "maximum": 45}
    return thing(
        "one way to split",
        {
            "number": COUNT,
            "shown": FLAG,
            "on_front": {**FLAG, "description": "no other answer is as good in everything and better in one"},
            "kind": one_of("front/back", "left/right", "top/bottom", "skew"),
            "called": {"type": "array", "items": TEXT, "minItems": 2, "maxItems": 2},
            **_plane(),
            "saw": thing(
                "how to mark it: square to an axis, then turned along the two after it (front, left, up)",
                {
                    "axis": one_of("front", "left", "up"),
                    "first_deg": degrees,
                    "second_deg": degrees,
                    "words": TEXT,
                },
            ),
            "sentence": TEXT,
            "score": amount("weighed sum the answers are ordered by; 0 is best"),
            "measures": _measures(),
            "worst": or_null(_worst()),
            "found": thing("the search's own plane before rounding", _found()),
            "broken_wishes": listed(
                thing(
                    "one wish that does not hold",
                    {
                        "wish": TEXT,
                        "value": number("as it is"),
                        "limit": number("as wished"),
                        "unit": TEXT,
                        "in_the_way": {"type": "string", "description": "the wish that contradicts it"},
                        "near": {"type": "string", "description": "how near this answer gets"},
                    },
                ),
                "none when every wish holds",
            ),
            "softening": listed(_softening(), "largest saving first, half A before half B"),
        },
    )


def _measures() -> Schema:
    return thing(
        "both halves together where nothing else is said",
        {
            "undercut_l": amount("locked by the flat split, exact"),
            "locked_l": amount("locked whatever the divide line"),
            "shaped_line_saves_l": amount("most that a shaped divide line could save"),
            "deepest_undercut_mm": amount("greatest height of a gap along the pull"),
            "rubber_kg": amount("all rubber"),
            "skin_kg": amount("within the skin's thickness of the pattern"),
            "fill_kg": amount("undercuts, draft and edge"),
            "rubber_cost": amount("in the shop's own money"),
            "fill_cost": amount("of it the fill"),
            "peel_strain": amount("estimated stretch when peeled, 0.2 is 20 %"),
            "seam_mm": amount("all seam"),
            "seam_front_mm": amount("where the surface faces the figure's front"),
            "seam_clean_mm": amount("inside keep-clean patches"),
            "seam_near_mm": amount("within the card's margin of them"),
            "seam_clean_of": listed(
                thing("one patch", {"name": TEXT, "mm": amount("inside it")}), "patches met"
            ),
            "pieces": COUNT,
            "loops": COUNT,
            "tunnels": COUNT,
            "deepest_half_mm": amount("height of the higher half"),
            "board_sheets": COUNT,
            "jacket_kg": amount("both jackets"),
            "turning_kg": amount("the heavier half to turn over"),
            "tips_deg": number("tilt at which the less steady half tips over; 0 or less: it does not lie"),
            "halves": {**listed(_half(), "A first"), "minItems": 2, "maxItems": 2},
        },
    )


def _half() -> Schema:
    return thing(
        "one half",
        {
            "name": one_of("A", "B"),
            "called": TEXT,
            "volume_l": amount("solid volume"),
            "height_mm": amount("above the board"),
            "undercut_l": amount("all gaps"),
            "deepest_undercut_mm": amount("greatest height of a gap"),
            "loops": COUNT,
            "pieces": COUNT,
            "tunnels": COUNT,
            "rubber_l": amount("all rubber"),
            "rubber_kg": amount("all rubber"),
            "peel_strain": amount("estimated stretch"),
            "peel_place_mm": or_null(row(3, "in the half's frame")),
            "board_coating_mm": row(2, "least board while coating"),
            "board_jacketing_mm": row(2, "least board while jacketing"),
            "board_sheets": COUNT,
            "jacket_kg": amount("jacket"),
            "turning_kg": amount("jacket, rubber and the heavier of pattern and cast"),
            "tips_deg": number("tilt at which it tips over"),
        },
    )


def _worst() -> Schema:
    return thing(
        "the worst plane that was tried within what a saw is off",
        {
            **_plane(),
            "within_deg": amount("tilt tried"),
            "within_mm": amount("offset tried"),
            "undercut_l": amount("there"),
            "rubber_kg": amount("there"),
        },
    )


def _softening() -> Schema:
    return thing(
        "one undercut that filler or carving would take away",
        {
            "half": one_of("A", "B"),
            "region": COUNT,
            "way": one_of("fill", "carve"),
            "thickest_mm": amount("filler, or depth of the carving"),
            "amount_l": amount("filler, or what is taken away"),
            "saves_l": amount("undercut that is gone"),
            "saves_kg": amount("rubber"),
            "centre_mm": row(3, "in the half's frame"),
            "needs_approval": FLAG,
            "words": TEXT,
        },
    )
