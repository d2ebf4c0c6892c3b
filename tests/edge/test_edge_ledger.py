"""Where every insert and edge is: what can happen, what cannot, and what is told then."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from planner import InputError
from planner.edge import (
    BackFromRegrind,
    Chipped,
    Cleaned,
    Counted,
    Cut,
    CutSpend,
    EdgeState,
    End,
    Event,
    Fitted,
    Indexed,
    InsertPlace,
    Ledger,
    Mounted,
    Received,
    Replaced,
    Reversed,
    Scrapped,
    SentForRegrind,
    TakenOut,
)

START = datetime(2026, 1, 5, 8)
SPEND = CutSpend(1000.0, 1200.0, 1500.0, 50_000.0, 4000.0)


def at(minutes: float) -> datetime:
    return START + timedelta(minutes=minutes)


def run(ledger: Ledger, *events: Event) -> Ledger:
    for event in events:
        ledger = ledger.apply(event)
    return ledger


def cut(name: str, minutes: float, cutter: str = "fly", material: str = "aluminium", **more) -> Cut:
    return Cut(at=at(minutes), cut_id=name, cutter=cutter, material=material, spend=SPEND, **more)


@pytest.fixture
def shop() -> Ledger:
    """A fly cutter on a machine with insert A1 at position 1, a mill of two inserts on the shelf, three unopened."""
    return run(
        Ledger.start({"round": 4, "tip": 1}, {"fly": 1, "mill": 2}),
        Received(at=at(0), grade="round", inserts=4, price_each=80.0),
        Received(at=at(0), grade="tip", inserts=1, price_each=120.0),
        Fitted(at=at(1), cutter="fly", pocket=1, insert="A1", position=1, grade="round"),
        Mounted(at=at(2), cutter="fly", machine="surfacer"),
    )


def index(minutes: float, start: int = 1, to: int = 2, end: End | None = End.WORN) -> Indexed:
    return Indexed(at=at(minutes), cutter="fly", pocket=1, insert="A1", from_position=start, to_position=to, end=end)


def test_what_the_old_edge_did_stays_with_it(shop):
    after = run(shop, cut("c1", 3), cut("c2", 4, material="grey_iron"), index(5), cut("c3", 6))
    first, second = after.inserts["A1"].edges[:2]
    assert first.state is EdgeState.RETIRED
    assert first.end is End.WORN
    assert first.ended_at == at(5)
    assert first.cuts == ("c1", "c2")
    assert first.wear_paths(("aluminium", "grey_iron", "magnesium")) == (1200.0, 1200.0, 0.0)
    assert first.swept_mm2 == 100_000.0
    assert first.last_material == "grey_iron"
    assert second.cuts == ("c3",)
    assert after.edge_in("fly", 1) == second
    assert after.pockets["fly"][0].since == at(5)
    assert shop.edge_in("fly", 1).cuts == ()  # the ledger before it is untouched


def test_a_cutter_of_several_inserts_wears_all_its_edges(shop):
    both = run(
        shop,
        Fitted(at=at(3), cutter="mill", pocket=1, insert="B1", position=1, grade="round"),
        Fitted(at=at(3), cutter="mill", pocket=2, insert="B2", position=3, grade="round"),
        Mounted(at=at(4), cutter="fly", machine=""),
        Mounted(at=at(5), cutter="mill", machine="surfacer"),
        cut("c1", 6, "mill"),
    )
    assert both.edge_in("mill", 1).work == both.edge_in("mill", 2).work == {"aluminium": SPEND}
    assert both.machines["mill"] == ("surfacer", at(5))
    assert both.machines["fly"] is None


def test_chip_then_index_within_a_job(shop):
    chipped = run(shop, cut("j1 passes 1-2", 3), Chipped(at=at(4), cutter="fly", pocket=1, insert="A1"))
    with pytest.raises(InputError, match="still cut; the one in pocket 1 is chipped"):
        chipped.apply(cut("j1 pass 3", 5))
    again = run(chipped, index(6, end=None), cut("j1 pass 3", 7))
    assert again.inserts["A1"].edges[0].end is End.CHIPPED
    assert again.edge_in("fly", 1).cuts == ("j1 pass 3",)


def test_cleaned_and_put_back_goes_on(shop):
    after = run(shop, cut("c1", 3), Cleaned(at=at(4), cutter="fly", pocket=1, insert="A1"), cut("c2", 5))
    assert after.edge_in("fly", 1).cleanings == 1
    assert after.edge_in("fly", 1).cuts == ("c1", "c2")


def test_a_healthy_edge_taken_out_may_go_back(shop):
    out = run(shop, cut("c1", 3), TakenOut(at=at(4), cutter="fly", pocket=1, insert="A1", end=End.JOB_END))
    assert out.edge_in("fly", 1) is None
    assert out.inserts["A1"].place is InsertPlace.DRAWER
    assert out.inserts["A1"].edges[0].state is EdgeState.PART_USED
    back = run(out, Fitted(at=at(5), cutter="fly", pocket=1, insert="A1", position=1), cut("c2", 6))
    assert back.edge_in("fly", 1).cuts == ("c1", "c2")


def test_regrind_begins_a_new_life(shop):
    ground = run(
        shop,
        Replaced(at=at(3), cutter="fly", pocket=1, insert="A1", end=End.JOB_END, new_insert="T1", grade="tip"),
        cut("c1", 4),
        TakenOut(at=at(5), cutter="fly", pocket=1, insert="T1", end=End.FINISH_LOST),
        SentForRegrind(at=at(6), insert="T1"),
    )
    assert ground.inserts["T1"].place is InsertPlace.REGRIND
    back = run(
        ground,
        BackFromRegrind(at=at(900), insert="T1", cost=45.0),
        Fitted(at=at(901), cutter="fly", pocket=1, insert="T1", position=1),
        cut("c2", 902),
    )
    insert = back.inserts["T1"]
    assert (insert.regrinds, insert.regrind_cost, insert.price) == (1, 45.0, 120.0)
    assert [e.cuts for e in (*insert.past, *insert.edges)] == [("c1",), ("c2",)]
    assert insert.past[0].end is End.FINISH_LOST
    assert insert.edges[0].grind == 1


def test_fresh_edges_at_hand(shop):
    assert shop.drawer == {"round": 3, "tip": 1}
    assert shop.fresh_edges("round") == 3 * 4 + 3  # the one in the cutter is at work
    assert run(shop, Counted(at=at(3), grade="round", inserts=1)).fresh_edges("round") == 4 + 3


def test_undo_of_an_index(shop):
    cut_twice = run(shop, cut("c1", 3), index(4))
    undone = cut_twice.apply(Reversed(at=at(5), number=5))
    assert undone.edge_in("fly", 1).position == 1
    assert undone.edge_in("fly", 1).state is EdgeState.CUTTING
    assert len(undone.log) == 7
    # the cut that follows is charged to the edge that really made it
    moved = run(cut_twice, cut("c2", 6)).apply(Reversed(at=at(7), number=5))
    assert moved.inserts["A1"].edges[0].cuts == ("c1", "c2")
    # the log alone gives the same ledger
    assert Ledger.replay({"round": 4, "tip": 1}, {"fly": 1, "mill": 2}, moved.log) == moved


def test_undo_is_refused_while_something_rests_on_it(shop):
    after = run(shop, cut("c1", 3))
    with pytest.raises(InputError, match="event 2 does") as refused:
        after.apply(Reversed(at=at(4), number=0))
    assert refused.value.field == "number"
    with pytest.raises(InputError, match="event 4 does"):
        after.apply(Reversed(at=at(4), number=3))
    free = run(after, Reversed(at=at(5), number=4), Reversed(at=at(6), number=3))
    assert free.machines["fly"] is None
    with pytest.raises(InputError, match="not yet reversed"):
        free.apply(Reversed(at=at(7), number=4))
    with pytest.raises(InputError, match="not itself a reversal"):
        free.apply(Reversed(at=at(7), number=5))
    with pytest.raises(InputError, match="number of an event in the log"):
        free.apply(Reversed(at=at(7), number=99))


def test_two_people_index_the_same_cutter(shop):
    """Both saw position 1 at work; the second is told what is there now, and nothing moves."""
    first = shop.apply(index(4))
    with pytest.raises(InputError, match="the position at work, now 2"):
        first.apply(index(4.5, to=3))
    replaced = shop.apply(
        Replaced(at=at(4), cutter="fly", pocket=1, insert="A1", end=End.WORN, new_insert="A2", grade="round")
    )
    with pytest.raises(InputError, match="now A2"):
        replaced.apply(index(4.5))


IMPOSSIBLE = [
    # index an edge that is not fitted
    (Indexed(at=at(9), cutter="mill", pocket=1, insert="A1", from_position=1, to_position=2, end=End.WORN), "pocket"),
    (Indexed(at=at(9), cutter="fly", pocket=1, insert="Z9", from_position=1, to_position=2, end=End.WORN), "insert"),
    (index(9, start=3, to=4), "from_position"),
    (index(9, to=5), "position"),
    (index(0.5), "at"),  # before it was fitted
    (index(9, end=None), "end"),  # how did it end?
    # a cut on a cutter with an empty pocket, on the shelf, unknown, before its insert, twice
    (cut("c9", 9, "mill"), "cutter"),
    (cut("c9", 9, "none"), "cutter"),
    (cut("c9", 0.5), "at"),
    # the same insert in two pockets, or none there to take
    (Fitted(at=at(9), cutter="mill", pocket=1, insert="A1", position=2), "insert"),
    (Fitted(at=at(9), cutter="fly", pocket=1, insert="A2", position=1, grade="round"), "pocket"),
    (Fitted(at=at(9), cutter="mill", pocket=3, insert="A2", position=1, grade="round"), "pocket"),
    (Fitted(at=at(9), cutter="mill", pocket=1, insert="A2", position=1), "insert"),  # new label without a grade
    (Fitted(at=at(9), cutter="mill", pocket=1, insert="A2", position=5, grade="round"), "position"),
    (Fitted(at=at(9), cutter="mill", pocket=1, insert="A2", position=1, grade="square"), "grade"),
    (Replaced(at=at(9), cutter="fly", pocket=1, insert="A1", end=End.WORN, new_insert="A1"), "new_insert"),
    (TakenOut(at=at(9), cutter="mill", pocket=2, insert="A1"), "pocket"),
    (Chipped(at=at(9), cutter="mill", pocket=1, insert="A1"), "pocket"),
    # regrind and scrap
    (SentForRegrind(at=at(9), insert="A1"), "insert"),  # still in the cutter
    (SentForRegrind(at=at(9), insert="Z9"), "insert"),
    (BackFromRegrind(at=at(9), insert="A1", cost=5), "insert"),
    (Scrapped(at=at(9), insert="A1"), "insert"),
    (Received(at=at(9), grade="square", inserts=1), "grade"),
    (Counted(at=at(9), grade="square", inserts=1), "grade"),
    (Mounted(at=at(9), cutter="mill", machine="surfacer"), "machine"),  # the fly cutter is on it
    (Event(at=at(9)), "event"),
]


@pytest.mark.parametrize(("event", "field"), IMPOSSIBLE, ids=lambda v: type(v).__name__ if isinstance(v, Event) else v)
def test_the_impossible_is_refused_and_nothing_half_done(shop, event, field):
    before = replace(shop)
    with pytest.raises(InputError) as refused:
        shop.apply(event)
    assert refused.value.field == field
    assert shop == before


def test_retired_twice(shop):
    worn = run(shop, cut("c1", 3), index(4))
    with pytest.raises(InputError, match="this one ended: worn"):
        worn.apply(index(5, start=2, to=1))  # back to a dead edge
    chipped = worn.apply(Chipped(at=at(5), cutter="fly", pocket=1, insert="A1"))
    with pytest.raises(InputError, match="already ended: chipped"):
        chipped.apply(index(6, start=2, to=3))
    with pytest.raises(InputError, match="already ended: chipped"):
        chipped.apply(Chipped(at=at(6), cutter="fly", pocket=1, insert="A1"))
    with pytest.raises(InputError, match="still cuts; this one ended chipped"):
        chipped.apply(Cleaned(at=at(6), cutter="fly", pocket=1, insert="A1"))


def test_no_cut_on_an_empty_pocket_or_twice(shop):
    with pytest.raises(InputError, match="not yet recorded"):
        run(shop, cut("c1", 3), cut("c1", 4))
    half = run(
        shop,
        Mounted(at=at(3), cutter="fly", machine=""),
        Mounted(at=at(3), cutter="mill", machine="surfacer"),
        Fitted(at=at(4), cutter="mill", pocket=1, insert="B1", position=1, grade="round"),
    )
    with pytest.raises(InputError, match="pocket 2 is empty"):
        half.apply(cut("c1", 5, "mill"))
    assert half.edge_in("mill", 1).cuts == ()


def test_stock_never_below_none(shop):
    empty = shop.apply(Counted(at=at(3), grade="round", inserts=0))
    with pytest.raises(InputError, match="none is left"):
        empty.apply(Fitted(at=at(4), cutter="mill", pocket=1, insert="B1", position=1, grade="round"))


@pytest.mark.parametrize(
    ("make", "field"),
    [
        (lambda: Received(at=at(0), grade="round", inserts=0), "inserts"),
        (lambda: Received(at=at(0), grade="round", inserts=1.5), "inserts"),
        (lambda: Received(at=at(0), grade="round", inserts=1, price_each=-1), "price_each"),
        (lambda: Counted(at=at(0), grade="round", inserts=-1), "inserts"),
        (lambda: Fitted(at=at(0), cutter="fly", pocket=0, insert="A", position=1), "pocket"),
        (lambda: Fitted(at=at(0), cutter="fly", pocket=1, insert=" ", position=1), "insert"),
        (lambda: index(0, start=1, to=1), "to_position"),
        (lambda: BackFromRegrind(at=at(0), insert="A", cost=-1), "cost"),
        (lambda: CutSpend(-1.0, 0, 0, 0, 0), "path_mm"),  # wear running backwards
        (lambda: Cut(at=at(0), cut_id="c", cutter="fly", material="aluminium", spend=5.0), "spend"),
        (lambda: cut("", 0), "cut_id"),
        (lambda: Ledger.start({"round": 0}, {}), "grades[round]"),
        (lambda: Ledger.start({}, {"fly": 0}), "cutters[fly]"),
    ],
)
def test_bad_events_cannot_be_made(make, field):
    with pytest.raises(InputError) as refused:
        make()
    assert refused.value.field == field


class AnyDay(RuleBasedStateMachine):
    """Whatever people try in whatever order: refused or done whole, and the books always balance.

    People mostly act on what they see in the cutter (``sees``), and sometimes on what is no longer there.
    """

    @initialize()
    def begin(self):
        self.cutters = {"fly": 1, "mill": 2}
        self.clock = 0
        self.cuts = 0
        self.done = Counter()
        self.ledger = Ledger.start({"round": 2}, self.cutters)
        self.attempt(lambda now: Received(at=now, grade="round", inserts=5))
        for label, cutter, pocket in (("A", "fly", 1), ("B", "mill", 1), ("C", "mill", 2)):
            self.attempt(
                lambda now, label=label, cutter=cutter, pocket=pocket: Fitted(
                    at=now, cutter=cutter, pocket=pocket, insert=label, position=1, grade="round"
                )
            )
        for cutter, machine in (("fly", "one"), ("mill", "two")):
            self.attempt(lambda now, cutter=cutter, machine=machine: Mounted(at=now, cutter=cutter, machine=machine))
        assert not self.done["refused"]

    def attempt(self, make):
        self.clock += 1
        before = self.ledger
        event = make(at(self.clock))
        try:
            self.ledger = before.apply(event)
        except InputError:
            self.done["refused"] += 1
            assert self.ledger is before
            return False
        self.done[type(event)] += 1
        return True

    def seen(self, cutter, pocket, insert, sees):
        """Insert and position in the pocket, or what somebody remembers."""
        held = self.ledger.pockets[cutter][pocket - 1] if pocket <= self.cutters[cutter] else None
        return (held.insert, held.position) if sees and held else (insert, 1)

    cutter_names, pocket_numbers = st.sampled_from(["fly", "mill"]), st.integers(1, 2)
    labels, positions = st.sampled_from(["A", "B", "C", "D", "E"]), st.integers(1, 2)
    ends = st.sampled_from([*End, None])
    mostly = st.sampled_from([True, True, True, False])

    @rule(count=st.integers(1, 3))
    def receive(self, count):
        self.attempt(lambda now: Received(at=now, grade="round", inserts=count))

    @rule(cutter=cutter_names, machine=st.sampled_from(["one", "two", "three", ""]))
    def mount(self, cutter, machine):
        self.attempt(lambda now: Mounted(at=now, cutter=cutter, machine=machine))

    @rule(cutter=cutter_names, pocket=pocket_numbers, insert=labels, position=positions)
    def fit(self, cutter, pocket, insert, position):
        self.attempt(
            lambda now: Fitted(at=now, cutter=cutter, pocket=pocket, insert=insert, position=position, grade="round")
        )

    @rule(cutter=cutter_names, pocket=pocket_numbers, insert=labels, end=ends, sees=mostly)
    def turn(self, cutter, pocket, insert, end, sees):
        label, position = self.seen(cutter, pocket, insert, sees)
        self.attempt(
            lambda now: Indexed(
                at=now,
                cutter=cutter,
                pocket=pocket,
                insert=label,
                from_position=position,
                to_position=3 - position,
                end=end,
            )
        )

    @rule(cutter=cutter_names, pocket=pocket_numbers, insert=labels, sees=mostly, end=ends, new=labels)
    def exchange(self, cutter, pocket, insert, sees, end, new):
        label, _ = self.seen(cutter, pocket, insert, sees)
        self.attempt(
            lambda now: Replaced(
                at=now, cutter=cutter, pocket=pocket, insert=label, end=end, new_insert=new, grade="round"
            )
        )

    @rule(cutter=cutter_names, pocket=pocket_numbers, insert=labels, sees=mostly, end=ends)
    def take_out(self, cutter, pocket, insert, sees, end):
        label, _ = self.seen(cutter, pocket, insert, sees)
        self.attempt(lambda now: TakenOut(at=now, cutter=cutter, pocket=pocket, insert=label, end=end))

    @rule(cutter=cutter_names, pocket=pocket_numbers, insert=labels, sees=mostly)
    def chip(self, cutter, pocket, insert, sees):
        label, _ = self.seen(cutter, pocket, insert, sees)
        self.attempt(lambda now: Chipped(at=now, cutter=cutter, pocket=pocket, insert=label))

    @rule(insert=labels, back=st.booleans())
    def regrind(self, insert, back):
        if back:
            self.attempt(lambda now: BackFromRegrind(at=now, insert=insert, cost=10, positions=(1, 2)))
        else:
            self.attempt(lambda now: SentForRegrind(at=now, insert=insert))

    @rule(cutter=cutter_names, times=st.integers(1, 3))
    def make_cuts(self, cutter, times):
        for _ in range(times):
            self.cuts += 1
            self.attempt(lambda now: replace(cut(f"c{self.cuts}", 0, cutter), at=now))

    @rule(back=st.integers(1, 6))
    def undo(self, back):
        self.attempt(lambda now: Reversed(at=now, number=len(self.ledger.log) - back))

    @invariant()
    def books_balance(self):
        ledger = self.ledger
        held = [p.insert for pockets in ledger.pockets.values() for p in pockets if p is not None]
        assert len(held) == len(set(held))  # nothing is in two pockets
        in_pocket = {i.label for i in ledger.inserts.values() if i.place is InsertPlace.POCKET}
        assert in_pocket == set(held)
        gone = {e.number for e in ledger.log if isinstance(e, Reversed)}
        happened = [e for number, e in enumerate(ledger.log) if number not in gone]
        received = sum(e.inserts for e in happened if isinstance(e, Received))
        assert ledger.drawer["round"] + len(ledger.inserts) == received
        assert ledger.drawer["round"] >= 0
        # every use is traceable: each cut sits on as many edges as its cutter has pockets, with its area
        cuts = {e.cut_id: self.cutters[e.cutter] for e in happened if isinstance(e, Cut)}
        assert Counter(name for e in ledger.edges() for name in e.cuts) == Counter(cuts)
        assert sum(e.swept_mm2 for e in ledger.edges()) == pytest.approx(SPEND.swept_mm2 * sum(cuts.values()))
        assert all((e.end is None) == (e.state is not EdgeState.RETIRED) for e in ledger.edges())

    def teardown(self):
        if hasattr(self, "ledger"):
            assert Ledger.replay({"round": 2}, self.cutters, self.ledger.log) == self.ledger


AnyDay.TestCase.settings = settings(max_examples=25, stateful_step_count=40, deadline=None)
test_any_day = AnyDay.TestCase
