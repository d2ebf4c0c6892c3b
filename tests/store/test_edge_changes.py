"""Edge changes: what the ledger allows is stored, two sessions cannot both index, stock and edges in use follow."""

from __future__ import annotations

import math
import threading
from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from planner.edge import (
    BackFromRegrind,
    Chipped,
    Counted,
    EdgeState,
    End,
    Fitted,
    Indexed,
    Mounted,
    Received,
    Replaced,
    Reversed,
    Scrapped,
    SentForRegrind,
    TakenOut,
)
from planner.errors import InputError
from planner.shop import Condition, Cutter, Insert, InsertGrade, Machine
from planner.store import StaleRecord

AT = datetime(2026, 3, 3, 8, 0)


def index(to: int = 2, **more) -> Indexed:
    fields = {"at": AT, "by": "ab", "cutter": "fly 300", "pocket": 1, "insert": "D-1", "end": End.BY_RULE}
    return Indexed(**(fields | {"from_position": 3 - to, "to_position": to} | more))


def stock(repository, s) -> int:
    return repository.load(InsertGrade, s.grade.id).stock


def test_fitting_a_new_label_opens_an_insert_from_the_stock(repository, stored):
    assert stock(repository, stored) == 2
    shop = repository.load_shop()
    assert [i.label for i in shop.inserts.values()] == ["D-1"]
    (edge,) = shop.edges
    assert (edge.cutter_id, edge.pocket, edge.insert_id, edge.position) == (stored.cutter.id, 1, stored.insert_id, 1)
    # the other position of D-1 is unused
    assert shop.ready_edges == {stored.grade.id: 1}


def test_an_opened_insert_can_be_fitted_when_it_was_the_last_of_the_stock(repository, stored):
    for label in ("D-2", "D-3"):
        repository.open_insert(stored.grade.id, label, AT, "ab")
    assert stock(repository, stored) == 0
    assert repository.load_shop().ready_edges == {stored.grade.id: 1 + 4}
    with pytest.raises(InputError, match="none is left"):
        repository.open_insert(stored.grade.id, "D-4", AT)
    change = Replaced(
        at=AT, by="ab", cutter="fly 300", pocket=1, insert="D-1", end=End.WORN, new_insert="D-3", new_position=1
    )
    repository.add_edge_event(change)
    assert stock(repository, stored) == 0
    assert repository.pockets()[stored.cutter.id, 1][1] == 1
    with pytest.raises(InputError, match="none is left"):
        repository.add_edge_event(replace(change, insert="D-3", new_insert="D-4", grade="diamond"))


def test_received_and_counted_inserts_move_the_stock(repository, stored):
    repository.add_edge_event(Received(at=AT, by="ab", grade="diamond", inserts=4, price_each=85.0))
    assert stock(repository, stored) == 6
    repository.add_edge_event(Counted(at=AT, by="ab", grade="diamond", inserts=5))
    assert stock(repository, stored) == 5
    event = repository.edge_events()[-2]
    assert (event.kind, event.count, event.cost) == ("received", 4, 340.0)
    assert repository.ledger().prices["diamond"] == 85.0


WRONG = [
    (index(from_position=2, to_position=1), "the position at work"),
    (index(to_position=3), "a position from 1 to 2"),
    (index(pocket=2), "a pocket from 1 to 1"),
    (index(insert="D-9"), "the insert in pocket"),
    (index(cutter="fly 999"), "one of fly 300"),
    (index(at=AT - timedelta(days=30)), "a time after the pocket was filled"),
    (Fitted(at=AT, cutter="fly 300", pocket=1, insert="D-2", position=1, grade="diamond"), "an empty pocket"),
    (Fitted(at=AT, cutter="fly 400", pocket=1, insert="D-1", position=2), "an insert in the drawer"),
    (Fitted(at=AT, cutter="fly 400", pocket=1, insert="D-2", position=1, grade="ruby"), "one of diamond"),
    (Scrapped(at=AT, insert="D-1"), "an insert in the drawer"),
    (BackFromRegrind(at=AT, insert="D-1", cost=20), "out for regrind"),
    (Received(at=AT, grade="ruby", inserts=1), "one of diamond"),
    (Mounted(at=AT, cutter="fly 300", machine="a dream"), "a machine of the shop"),
    (Reversed(at=AT, number=7), "the number of an event"),
]


@pytest.mark.parametrize(("event", "why"), WRONG, ids=[w[1] for w in WRONG])
def test_what_cannot_have_happened_is_refused_and_leaves_nothing(repository, stored, count_rows, event, why):
    repository.add(Cutter("fly 400", 400, 1, max_rpm=800))
    before, version = count_rows(), repository.data_version()
    with pytest.raises(InputError, match=why):
        repository.add_edge_event(event)
    assert count_rows() == before and repository.data_version() == version
    assert stock(repository, stored) == 2


def test_several_changes_are_stored_together_or_not_at_all(repository, stored, count_rows):
    before = count_rows()
    with pytest.raises(InputError):
        repository.add_edge_events([index(2), index(1, end=End.WORN), index(1)])
    assert count_rows() == before
    repository.add_edge_events([index(2, end=End.JOB_END), index(1, at=AT + timedelta(hours=1), end=End.JOB_END)])
    assert count_rows()["edge_events"] == before["edge_events"] + 2


def test_of_two_sessions_indexing_one_cutter_one_wins_and_the_other_is_told(repository, second, stored):
    seen = len(repository.ledger().log)
    assert len(second.ledger().log) == seen
    start = threading.Barrier(2)
    said: dict[str, object] = {}

    def go(store, who):
        start.wait()
        try:
            store.add_edge_event(index(by=who), seen=seen)
            said[who] = "stored"
        except StaleRecord as stale:
            said[who] = stale

    threads = [threading.Thread(target=go, args=(s, w)) for s, w in ((repository, "ab"), (second, "cd"))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    (winner,) = [who for who, what in said.items() if what == "stored"]
    stale = said["cd" if winner == "ab" else "ab"]
    assert isinstance(stale, StaleRecord) and stale.by == winner and winner in str(stale)
    assert repository.pockets() == {(stored.cutter.id, 1): (stored.insert_id, 2)}
    assert [e.kind for e in repository.edge_events()] == ["fitted", "indexed"]


def test_a_change_elsewhere_does_not_refuse_mine(repository, second, stored):
    seen = len(repository.ledger().log)
    second.add_edge_event(Received(at=AT, grade="diamond", inserts=1))
    repository.add_edge_event(index(), seen=seen)
    assert repository.pockets()[stored.cutter.id, 1] == (stored.insert_id, 2)


def test_a_mistaken_index_is_reversed_and_both_entries_stay(repository, stored):
    repository.add_edge_event(index())
    ledger = repository.ledger()
    repository.add_edge_event(Reversed(at=AT, by="ab", number=len(ledger.log) - 1))
    assert repository.pockets()[stored.cutter.id, 1] == (stored.insert_id, 1)
    assert [e.kind for e in repository.edge_events()] == ["fitted"]
    assert [e.kind for e in repository.edge_events(everything=True)] == ["fitted", "indexed", "reversed"]


def test_reversing_the_fitting_of_a_new_insert_puts_it_back_into_the_stock(repository, stored):
    repository.add_edge_event(Reversed(at=AT, by="ab", number=0))
    assert stock(repository, stored) == 3
    shop = repository.load_shop()
    assert shop.edges == () and shop.ready_edges == {}
    # the label is known and can be fitted anew
    repository.add_edge_event(Fitted(at=AT, by="ab", cutter="fly 300", pocket=1, insert="D-1", position=1))
    assert stock(repository, stored) == 2
    assert repository.load_shop().ready_edges == {stored.grade.id: 1}


def test_a_change_that_later_ones_or_cuts_rest_on_is_not_reversed(repository, stored, make_cut):
    repository.add_edge_event(index(at=AT - timedelta(days=1)))
    with pytest.raises(InputError, match="nothing later rests on"):
        repository.add_edge_event(Reversed(at=AT, number=0))
    from planner.shop import EdgeUse

    repository.record_cut(make_cut(uses=(EdgeUse(stored.insert_id, 2, 1.0, 1.0),), ended=AT))
    with pytest.raises(InputError, match="reverse the cut"):
        repository.add_edge_event(Reversed(at=AT, number=1))


def test_a_chipped_edge_stays_in_its_pocket_until_it_is_turned(repository, stored):
    ledger = repository.add_edge_event(Chipped(at=AT, cutter="fly 300", pocket=1, insert="D-1"))
    assert ledger.edge_in("fly 300", 1).end is End.CHIPPED
    repository.add_edge_event(index(end=None))
    assert repository.ledger().edge_in("fly 300", 1).position == 2


def test_a_reground_position_begins_a_new_life(repository, stored, make_cut):
    repository.record_cut(make_cut())
    day = timedelta(days=1)
    repository.add_edge_events(
        [
            TakenOut(at=AT, cutter="fly 300", pocket=1, insert="D-1", end=End.WORN),
            SentForRegrind(at=AT, insert="D-1"),
        ]
    )
    assert repository.load_shop().ready_edges == {}
    repository.add_edge_event(BackFromRegrind(at=AT + day, insert="D-1", cost=22.0, positions=(1,)))
    assert repository.load_shop().ready_edges == {stored.grade.id: 2}
    repository.add_edge_event(Fitted(at=AT + day, by="ab", cutter="fly 300", pocket=1, insert="D-1", position=1))
    (edge,) = repository.load_shop().edges
    assert edge.path_mm == {}  # the old life's path is not the new one's
    lives = {(e.position, e.grind): e for e in repository.ledger().edges()}
    assert lives[1, 0].cuts == ("1",) and lives[1, 1].cuts == ()
    assert lives[1, 0].end is End.WORN and lives[1, 1].state is EdgeState.CUTTING


def test_the_ledger_carries_the_work_of_standing_cuts(repository, stored, make_cut):
    repository.save(replace(stored.left, condition=Condition.WELDED))
    first = repository.record_cut(make_cut())
    repository.record_cut(make_cut(job_id=stored.other_job.id, part_id=stored.right.id))
    edge = repository.ledger().edge_in("fly 300", 1)
    assert edge.cuts == ("1", "2") and (edge.last_material, edge.last_skin) == ("aluminium", "")
    assert edge.work["aluminium"].path_mm == edge.work["aluminium"].wear_path_mm == 4.0e6
    assert edge.in_skin["aluminium", "weld"].wear_path_mm == 2.0e6
    weighed = repository.ledger().weighed({"weld": 3.0}, {"weld": 2.0}).edge_in("fly 300", 1)
    assert weighed.work["aluminium"].wear_path_mm == 8.0e6 and weighed.work["aluminium"].chip_path_mm == 6.0e6
    assert weighed.weighed({"weld": 3.0}, {"weld": 2.0}) == weighed  # never weighed twice
    (now,) = repository.load_shop().edges
    assert now.wear_mm == {"aluminium": 4.0e6} and now.skin_mm == {("aluminium", "weld"): 2.0e6}
    begin, end = AT.replace(year=2000), AT.replace(year=2100)
    assert repository.edge_load(begin, end) == {
        (stored.grade.id, "aluminium", "weld"): 2.0e6,
        (stored.grade.id, "aluminium", ""): 2.0e6,
    }
    repository.reverse_cut(first.id, "typo", "ab", AT)
    assert repository.ledger().edge_in("fly 300", 1).cuts == ("2",)
    assert repository.load_shop().edges[0].skin_mm == {}


def test_a_cut_wears_its_edge_by_the_speed_it_ran_at(repository, stored, make_cut):
    """Taylor's (V / V_ref)^(1/n - 1), the recipe's speed 750 m/min; a cut that names no speed ran at what the machine's
    list gives, 700 rpm under a cutter of 300 mm."""
    repository.save(replace(stored.recipe, taylor_n=0.5))
    repository.record_cut(make_cut(speed_m_min=600.0))
    repository.record_cut(make_cut(job_id=stored.other_job.id, part_id=stored.right.id))
    worn = 2.0e6 * (600 / 750 + math.pi * 300 * 700 / 1000 / 750)
    edge = repository.ledger().edge_in("fly 300", 1)
    assert edge.work["aluminium"].wear_path_mm == pytest.approx(worn)
    assert edge.work["aluminium"].path_mm == edge.work["aluminium"].chip_path_mm == 4.0e6
    (now,) = repository.load_shop().edges
    assert now.path_mm == {"aluminium": 4.0e6} and now.wear_mm == {"aluminium": pytest.approx(worn)}
    assert sum(repository.edge_load(AT.replace(year=2000), AT.replace(year=2100)).values()) == pytest.approx(worn)
    assert repository.edge_cuts()["wear_mm"].sum() == pytest.approx(worn)
    (spent,) = repository.charge_details().loc[1, "uses"]
    assert spent == (stored.grade.id, pytest.approx(2.0e6 * 0.8))


def test_a_new_name_does_not_change_the_past(repository, stored):
    repository.save(replace(repository.load(Cutter, stored.cutter.id), name="big fly"))
    assert repository.ledger().edge_in("big fly", 1).insert == "D-1"


def test_a_cutter_with_an_empty_pocket_cannot_have_cut(repository, stored, make_cut):
    mill = repository.add(Cutter("mill 3", 300, 3, max_rpm=900))
    repository.add_edge_event(Fitted(at=AT, cutter="mill 3", pocket=1, insert="D-2", position=1, grade="diamond"))
    with pytest.raises(InputError, match="all pockets filled; 2 is empty"):
        repository.record_cut(make_cut(cutter_id=mill.id))


def test_labels_are_unique(repository, stored):
    with pytest.raises(InputError, match="no other insert has"):
        repository.open_insert(stored.grade.id, "d-1", AT)
    with pytest.raises(InputError, match="no other insert has"):
        repository.add(Insert("D-1", stored.grade.id))


def test_a_recorded_cut_tells_on_which_machine_its_cutter_sits(repository, stored, make_cut):
    other = repository.add(Cutter("fly 200", 200, 1, max_rpm=1500))
    repository.add_edge_event(Mounted(at=AT.replace(year=2025), by="ab", cutter="fly 200", machine="the mill"))
    assert repository.load_shop().cutter_on(stored.machine.id) == other.id
    cut = repository.record_cut(make_cut())
    shop = repository.load_shop()
    assert shop.cutter_on(stored.machine.id) == stored.cutter.id
    assert shop.cutter_places[stored.cutter.id].since == cut.started
    assert shop.cutter_places[other.id].machine_id is None  # on the shelf
    said = len(repository.edge_events())
    repository.record_cut(make_cut(job_id=stored.other_job.id, part_id=stored.right.id))
    assert len(repository.edge_events()) == said  # it says nothing new


def test_a_cut_typed_in_late_does_not_move_a_cutter_that_was_moved_since(repository, stored, make_cut):
    repository.add_edge_event(Mounted(at=AT.replace(year=2027), by="ab", cutter="fly 300", machine=""))
    repository.record_cut(make_cut())
    assert repository.load_shop().cutter_places[stored.cutter.id].machine_id is None


def test_a_cutter_sits_only_where_it_goes(repository, stored):
    second = repository.add(Machine("the other mill", speeds_rpm=(200, 400)))
    with pytest.raises(InputError, match="goes on no other"):
        repository.add_edge_event(Mounted(at=AT, cutter="fly 300", machine="the other mill"))
    repository.add_edge_event(Mounted(at=AT, cutter="fly 300", machine="the mill"))
    with pytest.raises(InputError, match="take it down"):
        repository.save(replace(repository.load(Cutter, stored.cutter.id), machine_id=second.id))
    anywhere = repository.save(replace(repository.load(Cutter, stored.cutter.id), machine_id=None))
    repository.add_edge_events(
        [Mounted(at=AT, cutter="fly 300", machine=""), Mounted(at=AT, cutter="fly 300", machine="the other mill")]
    )
    shop = repository.load_shop()
    assert anywhere.machine_id is None and shop.machine_of(stored.cutter.id) == second.id
