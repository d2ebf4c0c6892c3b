"""Storing an imported file: all of it in one transaction, or nothing; and no file makes the reader stumble."""

from datetime import datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner import InputError
from planner.shop import Face, Family, Gasket, JobState, Part, Shop
from planner.store.importing import IMPORTS, commit, preview
from planner.units import System

NOW = datetime(2026, 3, 2, 8, 30)
WEEK = (
    "tag,family,engine_serial,position,height_mm,due,set,set_tolerance_mm,gasket\n"
    "N-1,small head,ES 9,left,99.9,2026-03-05 15:00,engine 9,0.05,thick\n"
    "N-2,small head,ES 9,right,99.8,2026-03-05 15:00,engine 9,,thick\n"
    "N-3,small head,,,,,,,\n"
)


def read(repository, text, table="parts"):
    return preview(text.encode(), "week.csv", table, repository.load_shop(), now=NOW)


def test_parts_jobs_and_sets_are_stored_and_found_again(repository, stored):
    done = commit(repository, read(repository, WEEK), "ab", NOW)
    shop = repository.load_shop()
    assert [p.tag for p in done.stored] == ["N-1", "N-2", "N-3"]
    for part, job in zip(done.stored, done.jobs, strict=True):
        assert shop.parts[part.id] == part and shop.jobs[job.id] == job
        assert (job.part_id, job.face_id, job.state) == (part.id, stored.deck.id, JobState.WAITING)
    (matched,) = done.sets
    assert shop.sets[matched.id].job_ids == (done.jobs[0].id, done.jobs[1].id)
    assert matched.tolerance_mm == pytest.approx(0.05)
    assert shop.parts[done.stored[0].id].latest_heights_mm(stored.deck.id)["middle"].height_mm == 99.9
    assert shop.jobs[done.jobs[0].id].gasket_id == stored.gasket.id
    assert repository.find("es 9")[0].part.tag in ("N-1", "N-2")


def test_the_progress_is_told(repository, stored):
    seen = []
    commit(repository, read(repository, WEEK), "ab", NOW, lambda done, total: seen.append((done, total)))
    assert seen[-1] == (6, 6) and [d for d, _ in seen] == sorted(d for d, _ in seen)


def test_a_rejected_file_stores_nothing(repository, stored, count_rows):
    before = count_rows()
    found = read(repository, WEEK + "N-4,no such,,,,,,,\n")
    assert not found.ok
    with pytest.raises(InputError, match="without problems"):
        commit(repository, found, "ab", NOW)
    assert count_rows() == before


def test_a_tag_taken_between_preview_and_storing_stores_nothing(repository, stored, count_rows):
    found = read(repository, WEEK)
    repository.add(Part("n-3", stored.family.id))
    before = count_rows()
    with pytest.raises(InputError, match="tag"):
        commit(repository, found, "ab", NOW)
    assert count_rows() == before


def test_a_family_gone_between_preview_and_storing_stores_nothing(repository, stored, count_rows):
    other = repository.add(Family("other head", "grey iron", (Face("deck", 200, 100),)))
    found = read(repository, "tag,family\nN-1,small head\nN-2,other head\n")
    repository.delete(other)
    before = count_rows()
    with pytest.raises(InputError):
        commit(repository, found, "ab", NOW)
    assert count_rows() == before


def test_the_same_file_twice_is_refused_by_its_tags(repository, stored):
    commit(repository, read(repository, WEEK), "ab", NOW)
    again = read(repository, WEEK)
    assert {(p.row, p.column) for p in again.problems} == {(2, "tag"), (3, "tag"), (4, "tag"), (2, "set")}


@pytest.mark.parametrize(
    ("table", "text"),
    [
        ("families", "family,material,face,length_in,width_in\nLong,grey iron,deck,26,8.5\nLong,,cover,8,4\n"),
        ("gaskets", "gasket,crushed_mm\nthin,0.9\n"),
        ("grades", "grade,positions\nCBN,4\n"),
        ("machines", "machine,least_rpm,greatest_rpm\nthe other,100,900\n"),
        ("people", "person,machines\nC. Bell,the mill\n"),
        ("cutters", "cutter,diameter_mm,machine,grade\nfly 250,250,the mill,diamond\n"),
        ("engines", "engine,bore_in,stroke_in,head_families,banks\nBoat six,3.6,3.1,small head,left; right\n"),
        (
            "recipes",
            "material,grade,speed_m_min,rough_feed_mm_rev,finish_feed_mm_rev,least_pass_mm,usual_pass_mm,greatest_pass_mm"
            "\ngrey iron,diamond,300,0.2,0.1,0.02,0.05,0.1\n",
        ),
    ],
)
def test_nouns_are_stored(repository, stored, table, text):
    found = read(repository, text, table)
    assert found.ok, [p.words for p in found.problems]
    done = commit(repository, found, "ab", NOW)
    assert all(repository.load(type(noun), noun.id) == noun for noun in done.stored)
    again = read(repository, text, table)
    assert {(p.row, p.column) for p in again.problems} == {(2, IMPORTS[table].columns[0].name)}


_FAMILY = Family("Small head", "aluminium", (Face("deck", 300, 180, id=7, new_height_mm=120.65),), id=3)
_SHOP = Shop(families={3: _FAMILY}, gaskets={1: Gasket("thick", 1.3, id=1)})
_CELLS = st.one_of(
    st.sampled_from(
        ["", "Small head", "thick", "deck", "4.74", "4.74 in", "1/32", "-1", "yes", "2026-03-05 15:00", "=1"]
    ),
    st.text(max_size=12),
)


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=400), st.sampled_from(sorted(IMPORTS)))
def test_any_bytes_are_answered(data, table):
    found = preview(data, "x", table, _SHOP, System.INCH, now=NOW)
    assert found.ok or found.problems
    assert all(p.accepted for p in found.problems)


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(sorted(IMPORTS)), st.data())
def test_any_cells_are_answered(table, data):
    import csv
    import io

    headings = IMPORTS[table].headings(System.INCH)
    rows = data.draw(st.lists(st.lists(_CELLS, min_size=len(headings), max_size=len(headings)), min_size=1, max_size=4))
    out = io.StringIO()
    csv.writer(out).writerows([headings, *rows])
    found = preview(out.getvalue().encode("utf-8", "replace"), "x.csv", table, _SHOP, System.INCH, now=NOW)
    assert found.ok or found.problems
    if found.ok:
        assert len(found.parts or found.nouns) >= 1
