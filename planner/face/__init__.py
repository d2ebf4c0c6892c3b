"""The surface as measured: intake check, survey, levelling, clean-up, heights, touch-off.

Pure: arrays and numbers in, arrays and frozen dataclasses out. Millimetres and degrees; z along the spindle, positive
toward the cutter.
"""

from planner.face.cleanup import (
    Cleanup,
    PitSaving,
    Responsibility,
    ZoneDepth,
    accept_pits,
    cleanup,
    responsibility,
)
from planner.face.figures import SurveyFigures, counted_points, datum_slopes, heights_at, outline_of, survey_figures
from planner.face.finished import FinishedLimits, Verdict, check_finished
from planner.face.flatness import Flatness, LocalFlatness, least_squares, local_flatness, minimum_zone
from planner.face.heights import (
    LowestCorner,
    cool_down_minutes,
    expansion_mm,
    gaps,
    greatest_depth,
    height_elsewhere,
    heights_after,
    lowest_corner,
    refuse_warm,
    warmest_c,
)
from planner.face.intake import Gap, IntakeBound, intake_bound, next_leaf
from planner.face.levelling import JackPlan, ShimPlan, choose_shims, set_jacks
from planner.face.reread import RereadCheck, check_reread
from planner.face.spindle import TramEffect, tram_effect
from planner.face.survey import (
    ClampSpring,
    Closure,
    DepthRange,
    Indicator,
    Place,
    UsualPlace,
    clamp_spring,
    depth_range,
    find_place,
    sweep_closes,
    template,
    true_reading,
    usual_place,
)
from planner.face.touchoff import FirstTraverse, TouchOff, touch_off_delta

__all__ = [
    "ClampSpring",
    "Cleanup",
    "Closure",
    "DepthRange",
    "FinishedLimits",
    "FirstTraverse",
    "Flatness",
    "Gap",
    "Indicator",
    "IntakeBound",
    "JackPlan",
    "LocalFlatness",
    "LowestCorner",
    "PitSaving",
    "Place",
    "RereadCheck",
    "Responsibility",
    "ShimPlan",
    "SurveyFigures",
    "TouchOff",
    "TramEffect",
    "UsualPlace",
    "Verdict",
    "ZoneDepth",
    "accept_pits",
    "check_finished",
    "check_reread",
    "choose_shims",
    "clamp_spring",
    "cleanup",
    "cool_down_minutes",
    "counted_points",
    "datum_slopes",
    "depth_range",
    "expansion_mm",
    "find_place",
    "gaps",
    "greatest_depth",
    "height_elsewhere",
    "heights_after",
    "heights_at",
    "intake_bound",
    "least_squares",
    "local_flatness",
    "lowest_corner",
    "minimum_zone",
    "next_leaf",
    "outline_of",
    "refuse_warm",
    "responsibility",
    "set_jacks",
    "survey_figures",
    "sweep_closes",
    "template",
    "touch_off_delta",
    "tram_effect",
    "true_reading",
    "usual_place",
    "warmest_c",
]
