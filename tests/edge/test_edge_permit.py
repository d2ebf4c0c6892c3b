"""What an edge may still cut. The rules are common practice, no source."""

from __future__ import annotations

import pytest

from planner import InputError
from planner.edge import Allowed, End, may_cut

CBN, DIAMOND = ("aluminium", "grey_iron"), ("aluminium", "magnesium")
IRON = ("grey_iron",)


@pytest.mark.parametrize(
    ("material", "grade", "more", "allowed"),
    [
        ("aluminium", CBN, {}, Allowed.FINISH),
        ("grey_iron", CBN, {"worked": ("aluminium",)}, Allowed.FINISH),
        ("aluminium", CBN, {"worked": ("grey_iron",)}, Allowed.ROUGH),  # an edge that cut iron never finishes aluminium
        ("grey_iron", CBN, {"worked": ("grey_iron",)}, Allowed.FINISH),
        ("grey_iron", DIAMOND, {}, Allowed.NONE),
        ("aluminium", DIAMOND, {"ferrous_in_face": True}, Allowed.NONE),  # seat rings, sleeves, dowels in the face
        ("aluminium", CBN, {"ferrous_in_face": True}, Allowed.FINISH),
        ("magnesium", DIAMOND, {}, Allowed.FINISH),
        ("magnesium", DIAMOND, {"edge_use": 0.26, "limit_use": 0.45}, Allowed.FINISH),
        ("magnesium", DIAMOND, {"edge_use": 0.28, "limit_use": 0.45}, Allowed.NONE),  # keen: at most 0.6 of the limit
        ("magnesium", (*CBN, "magnesium"), {"worked": ("grey_iron",)}, Allowed.NONE),
        ("magnesium", DIAMOND, {"end": End.FINISH_LOST}, Allowed.NONE),
        ("aluminium", DIAMOND, {"end": End.FINISH_LOST}, Allowed.ROUGH),
        ("aluminium", DIAMOND, {"end": End.JOB_END}, Allowed.FINISH),
        ("aluminium", DIAMOND, {"end": End.CHIPPED}, Allowed.NONE),
        ("aluminium", DIAMOND, {"end": End.WORN}, Allowed.NONE),
        ("aluminium", DIAMOND, {"edge_use": 0.5, "limit_use": 0.45}, Allowed.ROUGH),
    ],
)
def test_permits(material, grade, more, allowed):
    permit = may_cut(material, grade, IRON, **more)
    assert permit.allowed is allowed
    assert bool(permit.reason) == (allowed is not Allowed.FINISH)


def test_words():
    assert may_cut("aluminium", CBN, IRON, ("grey_iron",)).reason == (
        "the edge has cut grey iron: it never finishes aluminium"
    )


@pytest.mark.parametrize(
    ("more", "field"),
    [({"edge_use": -0.1}, "edge_use"), ({"keen_share": 1.1}, "keen_share"), ({"limit_use": -1}, "limit_use")],
)
def test_bad_input_is_refused(more, field):
    with pytest.raises(InputError) as refused:
        may_cut("aluminium", CBN, IRON, **more)
    assert refused.value.field == field
