"""The surface as measured: intake check, survey, levelling, clean-up, heights.

Pure: arrays and numbers in, arrays and frozen dataclasses out. Millimetres and degrees; z along the spindle, positive
toward the cutter.
"""

from planner.face.cleanup import cleanup as cleanup  # its module has the same name
from planner.late import late

__all__, __getattr__, __dir__ = late(
    __name__,
    {
        "cleanup": (
            "Cleanup",
            "Responsibility",
            "ZoneDepth",
            "cleanup",
            "responsibility",
        ),
        "figures": (
            "SurveyFigures",
            "counted_points",
            "datum_slopes",
            "face_template",
            "heights_at",
            "outline_of",
            "place_said",
            "survey_figures",
            "told_place",
            "worst_places",
        ),
        "finished": (
            "FinishedLimits",
            "Verdict",
            "check_finished",
        ),
        "flatness": (
            "Flatness",
            "LocalFlatness",
            "least_squares",
            "local_flatness",
            "minimum_zone",
        ),
        "heights": (
            "LowestCorner",
            "cool_down_minutes",
            "expansion_mm",
            "gaps",
            "height_elsewhere",
            "heights_after",
            "lowest_corner",
            "warmest_c",
        ),
        "intake": (
            "Gap",
            "IntakeBound",
            "intake_bound",
            "next_leaf",
        ),
        "levelling": (
            "JackPlan",
            "ShimPlan",
            "beside_datum",
            "choose_shims",
            "datum_readings",
            "set_jacks",
        ),
        "readings": (
            "ReadIn",
            "read_readings",
        ),
        "reread": (
            "RereadCheck",
            "check_reread",
        ),
        "spindle": (
            "TramEffect",
            "tram_effect",
        ),
        "survey": (
            "ClampSpring",
            "Closure",
            "DepthRange",
            "Indicator",
            "Place",
            "UsualPlace",
            "clamp_spring",
            "depth_range",
            "find_place",
            "sweep_closes",
            "template",
            "true_reading",
            "usual_place",
        ),
    },
)
