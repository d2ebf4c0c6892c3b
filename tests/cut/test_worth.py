"""What thickness is worth: owner's value, replacement price over usable stock, the shop's value of a rebuild."""

from __future__ import annotations

from dataclasses import replace

import pytest

from planner import InputError
from planner.cut.estimate import estimate_job
from planner.cut.worth import usable_mm, worth_of
from planner.shop import Limit, Settings
from tests.tiny import tiny_shop


def setting(**more):
    """The tiny shop's first head, and changes to settings, family and part."""
    shop = tiny_shop()
    part, family = shop.parts[1], shop.families[1]
    part = replace(part, **more.get("part", {}))
    family = replace(family, **more.get("family", {}))
    shop = replace(shop, settings=replace(shop.settings, **more.get("settings", {})))
    return shop, part, family, family.faces[0]


def test_without_prices_the_shops_value_of_a_rebuild_stands():
    found = worth_of(*setting(), 0.08)
    assert found.per_rebuild == 100 and found.per_mm == pytest.approx(1250)
    assert found.origin.words == "entered by the shop, the shop's value of a rebuild"


def test_the_price_of_a_replacement_is_spread_over_the_usable_stock():
    # new 100.0 mm, least 99.0: one millimetre for 500
    found = worth_of(*setting(family={"replacement_price": 500}), 0.08)
    assert found.per_mm == pytest.approx(500) and found.per_rebuild == pytest.approx(40)
    own = worth_of(*setting(family={"replacement_price": 500}, part={"replacement_price": 900}), 0.08)
    assert own.per_rebuild == pytest.approx(72) and "the part's" in own.origin.words


def test_an_owners_own_value_comes_first():
    more = {"family": {"replacement_price": 500}, "part": {"owner": "Quay Boats"}}
    shop, part, family, face = setting(settings={"owner_values": (("quay boats", 260.0),)}, **more)
    found = worth_of(shop, part, family, face, 0.08)
    assert found.per_rebuild == 260 and found.origin.words == "entered by the shop, set for quay boats"
    # another owner's part goes by its price
    assert worth_of(shop, replace(part, owner="Sluice"), family, face, 0.08).per_rebuild == pytest.approx(40)


def test_usable_stock_by_either_limit():
    face = tiny_shop().families[1].faces[0]
    assert usable_mm(face) == pytest.approx(1.0)
    assert usable_mm(replace(face, limit=Limit(greatest_removal_mm=0.3))) == pytest.approx(0.3)
    assert usable_mm(replace(face, limit=Limit())) is None
    assert usable_mm(replace(face, new_height_mm=None)) is None


def test_dearer_thickness_takes_finer_passes():
    shop = tiny_shop()
    dear = replace(shop, settings=replace(shop.settings, owner_values=(("Quay Boats", 2000.0),)))
    parts = {i: replace(p, owner="Quay Boats") for i, p in shop.parts.items()}
    cheap, fine = estimate_job(replace(shop, parts=parts), shop.jobs[1]), None
    fine = estimate_job(replace(dear, parts=parts), shop.jobs[1])
    assert fine.worth.per_rebuild == 2000 and cheap.worth.per_rebuild == 100
    assert len(fine.passes) > len(cheap.passes)


@pytest.mark.parametrize(
    "values",
    [(("", 100.0),), (("Quay", -1.0),), (("Quay", 1.0), ("quay", 2.0))],
)
def test_values_that_make_no_sense_are_refused(values):
    with pytest.raises(InputError):
        Settings(owner_values=values)
