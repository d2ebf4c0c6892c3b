"""Gasket choice over the shelf for both banks together."""

import itertools
from dataclasses import dataclass

import pytest

from planner import InputError
from planner.match import Bank, Engine, Limits, bank_effects, choose_gaskets, gasket_stacks


@dataclass(frozen=True)
class Shelf:
    name: str
    crushed_mm: float
    bore_mm: float | None = None
    may_be_stacked: bool = False


ENGINE = Engine(
    90.0,
    80.0,
    chamber_area_mm2=5000.0,
    piston_cm3=0.0,
    limits=Limits(compression_greatest=10.2, squish_least_mm=0.9),
)


def bank(name, head, deck=0.0):
    return Bank(name, head, deck, chambers_cm3=(50.0,), deck_clearance_mm=0.1, gasket_before_mm=1.0)


SHELF = [Shelf("A", 1.0), Shelf("B", 1.3), Shelf("C", 1.6), Shelf("shim", 0.4, may_be_stacked=True)]


def test_each_bank_gets_the_gasket_that_restores_it():
    found = choose_gaskets(ENGINE, [bank("left", 0.0), bank("right", 0.3)], SHELF, stack_tolerance_mm=0.05)
    best = found[0]
    assert best.stacks == {"left": ("A",), "right": ("B",)}
    assert best.fits and best.past == () and best.stack_difference_mm == pytest.approx(0.0)
    assert set(best.unknown) >= {("left", "intake valve clearance"), ("right", "preload")}
    assert best.effects[0]["compression ratio"].headroom_head_mm is not None


def test_best_is_best_of_every_combination():
    """Every pair of singles worked out one by one: none that is past fewer limits, and none that fits is nearer."""
    banks = [bank("left", 0.1), bank("right", 0.35, 0.1)]
    found = choose_gaskets(ENGINE, banks, SHELF, stack_tolerance_mm=0.2, target_compression=9.5, keep=100)
    assert len(found) == len(SHELF) ** 2

    def off(pair):
        total, past, drops = 0.0, 0, []
        for b, g in zip(banks, pair, strict=True):
            effects = bank_effects(ENGINE, Bank(**{**vars(b), "gasket_after_mm": g.crushed_mm}))
            total += abs(effects["compression ratio"].after - 9.5)
            past += len(effects.past)
            drops.append(effects.drop_mm)
        return past, not (past == 0 and abs(drops[0] - drops[1]) <= 0.2), round(total, 9)

    best = min(off(pair) for pair in itertools.product(SHELF, repeat=2))
    picked = [next(g for g in SHELF if g.name == found[0].stacks[b.name][0]) for b in banks]
    assert off(picked) == best


def test_stacks_only_where_allowed():
    names = [tuple(g.name for g in s) for s in gasket_stacks(SHELF, 2)]
    assert names == [("shim",), ("shim", "shim"), ("A",), ("B",), ("C",)]
    shelf = [Shelf("A", 1.0, may_be_stacked=True), Shelf("shim", 0.4, may_be_stacked=True)]
    found = choose_gaskets(ENGINE, [bank("left", 0.4)], shelf, most_stacked=2)
    assert found[0].stacks["left"] == ("A", "shim") and found[0].crushed_mm["left"] == pytest.approx(1.4)


def test_what_is_on_hand_bounds_the_choice():
    banks = [bank("left", 0.3), bank("right", 0.3)]
    assert choose_gaskets(ENGINE, banks, SHELF)[0].stacks == {"left": ("B",), "right": ("B",)}
    short = choose_gaskets(ENGINE, banks, SHELF, on_hand={"B": 1}, keep=100)
    assert all(list(c.stacks.values()) != [("B",), ("B",)] for c in short)


def test_metal_heights_decide_the_stacks():
    banks = [bank("left", 0.0), bank("right", 0.0)]
    found = choose_gaskets(
        ENGINE, banks, SHELF, stack_tolerance_mm=0.05, metal_heights_mm={"left": 300.0, "right": 299.7}
    )
    assert found[0].fits and found[0].crushed_mm["right"] - found[0].crushed_mm["left"] == pytest.approx(0.3)


def test_a_wider_ring_holds_more():
    plain = choose_gaskets(ENGINE, [bank("left", 0.0)], [Shelf("A", 1.0, 90.0)])[0]
    wide = choose_gaskets(ENGINE, [bank("left", 0.0)], [Shelf("A", 1.0, 94.0)])[0]
    assert wide.effects[0]["compression ratio"].after < plain.effects[0]["compression ratio"].after


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"banks": []}, "banks"),
        ({"banks": [bank("one", 0), bank("one", 0)]}, "banks"),
        ({"shelf": []}, "shelf"),
        ({"shelf": [Shelf("A", -1.0)]}, "shelf[0].crushed_mm"),
        ({"stack_tolerance_mm": -0.1}, "stack_tolerance_mm"),
        ({"most_stacked": 0}, "most"),
    ],
)
def test_refusals(change, field):
    good = {"engine": ENGINE, "banks": [bank("left", 0.1)], "shelf": SHELF}
    with pytest.raises(InputError) as caught:
        choose_gaskets(**{**good, **change})
    assert caught.value.field == field
