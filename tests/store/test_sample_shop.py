"""The sample shop: made the same at every run, whole, and with its week ahead on whatever day it is opened."""

from __future__ import annotations

import io
import re
import subprocess
import sys
import zipfile
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import planner.store.sample as sample
from planner.errors import InputError
from planner.shop import Aim, Cut, EndOfPass, Job, JobState, Part, PartState
from planner.store import Kind, export_shop, first_day, load_sample, open_database, sample_folder
from planner.store.sample import mover
from planner.store.shop_files import read_shop
from planner.week.board import hours, plan_shop
from planner.week.edge_course import edge_needs
from planner.week.queue import estimate_queue

REFERENCE = date(2026, 1, 5)
SCRIPT = sample_folder() / "make_sample.py"
# Monday early, Wednesday, Friday forenoon, Monday after three, Saturday
OPENED = [
    datetime(2026, 11, 23, 6, 30),
    datetime(2026, 11, 25, 9, 0),
    datetime(2026, 11, 27, 10, 0),
    datetime(2026, 11, 23, 16, 0),
    datetime(2026, 11, 28, 12, 0),
]


def make(folder: Path, *more: str) -> None:
    subprocess.run([sys.executable, str(SCRIPT), "--out", str(folder), *more], check=True, capture_output=True)


def opened(folder: Path, at: datetime):
    repository = open_database(folder / "sample.db", Kind.SAMPLE, at=at)
    load_sample(repository, at)
    return repository


@pytest.fixture(scope="module")
def loaded(tmp_path_factory):
    repository = opened(tmp_path_factory.mktemp("sample"), OPENED[1])
    yield repository
    repository.engine.dispose()


def workdays(first: date, last: date) -> int:
    return int(np.busday_count(first, last))


def test_the_script_makes_the_files_that_are_kept_beside_it(tmp_path):
    make(tmp_path)
    made = {path.name: path.read_bytes() for path in tmp_path.glob("*.csv")}
    kept = {path.name: path.read_bytes() for path in sample_folder().glob("*.csv")}
    assert made == kept


def test_a_longer_record_can_be_made_for_benchmarks(tmp_path):
    make(tmp_path, "--years", "0.5", "--cuts", "1600")
    at = datetime(2026, 11, 25, 9)
    repository = open_database(tmp_path / "sample.db", Kind.SAMPLE, at=at)
    assert 1590 <= load_sample(repository, at, tmp_path) <= 1610
    shop = repository.load_shop()
    assert len(shop.machines) > 2 and len(shop.jobs) == 28
    repository.engine.dispose()


def test_the_shop_is_whole(loaded):
    shop = loaded.load_shop()
    assert loaded.kind is Kind.SAMPLE and "sample" in shop.settings.shop_name
    assert len(shop.families) >= 8
    assert {f.material for f in shop.families.values()} == {"aluminium", "grey_iron", "magnesium"}
    north, south = shop.machines.values()
    assert north.instrument.counts is not south.instrument.counts
    assert north.instrument.zeroable is not south.instrument.zeroable
    assert {north.end_of_pass, south.end_of_pass} == set(EndOfPass)
    assert len(shop.people) == 2
    assert all(p.shifts and any(w.breaks for w in p.shifts) for p in shop.people.values())
    (magnesium,) = (r for r in shop.recipes.values() if r.material == "magnesium")
    assert not magnesium.active and not magnesium.signed_by
    assert any(f.material == "magnesium" and f.kind.value == "case half" for f in shop.families.values())


def test_the_week_holds_28_parts_with_a_job_each_and_8_sets(loaded):
    shop = loaded.load_shop()
    assert len(shop.jobs) == 28
    due = {job.part_id for job in shop.jobs.values()}
    assert len(due) == 28
    # every other part lies loose on the shelf, without a job or a set
    assert {p.id for p in shop.parts.values() if p.state is not PartState.SHELF} == due
    assert len(shop.sets) == 8
    sizes = sorted(len(s.job_ids) for s in shop.sets.values())
    assert sizes == [2] * 7 + [4]
    parts = shop.parts.values()
    assert sum(bool(p.open_holds) for p in parts) >= 3
    assert sum(bool(p.open_gates) and not p.open_holds for p in parts) >= 2
    assert sum(p.state is PartState.EXPECTED for p in parts) == 2
    assert sum(bool(p.heights) for p in parts) > 20
    assert any(job.aim is Aim.TO_DEPTH for job in shop.jobs.values())
    assert sum(job.state is JobState.CUT for job in shop.jobs.values()) == 1


def test_loose_parts_lie_on_the_shelf_and_pair_up(loaded):
    shop = loaded.load_shop()
    loose = [p for p in shop.parts.values() if p.state is PartState.SHELF]
    sides = [p.position for p in loose if shop.family_of(p).name == "Brackle boat head"]
    assert sides.count("left") == sides.count("right") == 3
    assert any(not p.heights for p in loose)  # one nobody measured yet
    covered = [f.name for family in shop.families.values() for f in family.faces if f.cover_bolted]
    assert covered == ["front end", "front end"]


def test_the_record_is_long_and_spreads_plausibly(loaded):
    frame = loaded.cuts_frame()
    assert len(frame) >= 2000
    assert (frame["ended"].max() - frame["ended"].min()).days > 17 * 30
    assert frame["ended"].max() < OPENED[1]
    assert (frame["ended"].dt.day_of_week < 5).all()
    assert (frame["started"] < frame["ended"]).all()
    # one person at one machine makes one cut at a time
    for _, mine in frame.sort_values("started").groupby("machine"):
        assert (mine["started"].to_numpy()[1:] >= mine["ended"].to_numpy()[:-1]).all()
    clean = frame[frame["clean_upper_mm"].notna()]
    assert len(clean) > 1000
    assert (clean["clean_lower_mm"].fillna(0) < clean["clean_upper_mm"]).all()
    assert frame["ra_um"].notna().mean() > 0.5
    cleaned = frame.groupby("condition")["stop_depth_mm"].median()
    assert cleaned["light"] < cleaned["normal"] < cleaned["corroded"] < cleaned["heavily corroded"]
    records = loaded.depth_records()
    assert sum(r.lower_mm.size for r in records) > 1000
    assert all((r.lower_mm <= r.upper_mm).all() for r in records)


def test_cuts_keep_their_numbers_heights_and_edges(loaded):
    cut = loaded.load(Cut, 100)
    assert cut.passes and cut.uses and cut.by
    part = loaded.load(Part, cut.part_id)
    assert part.state is PartState.GONE
    finished = {r.point: r.height_mm for r in part.heights if r.stage.value == "finished"}
    assert finished == cut.heights_mm
    assert [f.part.id for f in loaded.find(part.tag)] == [part.id]


def test_edges_are_in_the_cutters_and_the_ledger_adds_up(loaded):
    shop = loaded.load_shop()
    assert len(shop.edges) == 3 and all(sum(e.path_mm.values()) >= 0 for e in shop.edges)
    ledger = loaded.ledger()
    events = loaded.edge_events()
    for grade in shop.grades.values():
        received = sum(e.count for e in events if e.kind == "received" and e.grade_id == grade.id)
        taken = sum(e.kind == "opened" and e.grade_id == grade.id for e in events)
        assert ledger.drawer[grade.name] == grade.stock == received - taken
    assert len([e for e in events if e.payload.get("end")]) > 15
    # every use lies within the stay of its edge in the cutter
    assert {(u.insert_id, u.position) for c in loaded.load_all(Cut).values() for u in c.uses} <= {
        (e.insert_id, e.position) for e in events if e.kind in ("fitted", "indexed", "replaced")
    }


def test_exported_whole_it_reads_back(loaded):
    with zipfile.ZipFile(io.BytesIO(export_shop(loaded))) as packed:
        contents = read_shop({name: packed.read(name) for name in packed.namelist()})
    shop = loaded.load_shop()
    assert len(contents.cuts) == len(loaded.load_all(Cut))
    assert len(contents.edge_events) == len(loaded.edge_events())
    assert {j.id: (j.due, j.state) for j in contents.jobs} == {j.id: (j.due, j.state) for j in shop.jobs.values()}
    removed = sum(c.stop_depth_mm for c in contents.cuts)
    assert removed == pytest.approx(loaded.cuts_frame()["stop_depth_mm"].sum())


@pytest.mark.parametrize("at", OPENED, ids=lambda at: f"{at:%a %H:%M}")
def test_on_whatever_day_it_is_opened_the_week_lies_ahead(tmp_path, at):
    repository = opened(tmp_path, at)
    shop = repository.load_shop()
    begin = first_day(at)
    due = [job.due for job in shop.open_jobs()]
    assert min(due) > at and all(0 <= workdays(begin, d.date()) <= 4 and d.weekday() < 5 for d in due)
    assert all(p.expected_on >= begin for p in shop.parts.values() if p.state is PartState.EXPECTED)
    assert all(c.last >= begin for c in shop.closures)
    assert all(h.since <= at.date() for p in shop.parts.values() for h in p.holds)
    assert all(r.at <= at for p in shop.parts.values() for r in p.heights)
    assert all(g.on <= at.date() for p in shop.parts.values() for g in p.route if g.on)
    assert repository.cuts_frame()["ended"].max() <= at
    queue = estimate_queue(shop)
    plan = plan_shop(shop, queue, at, seconds=60, steps=8)
    assert (plan.late_minutes > 0.5).sum() <= 2
    assert len(plan.jobs) >= 20
    end = datetime.combine(begin, time()) + timedelta(days=int(workdays_ahead(begin, 5)))
    load = hours(plan, shop, at, end)
    assert 0.6 <= load["booked"].sum() / load["available"].sum() <= 0.95
    assert edge_needs(plan, shop, queue)["needed"].sum() >= 1
    repository.engine.dispose()


def workdays_ahead(begin: date, count: int) -> int:
    return (np.busday_offset(begin, count - 1, roll="forward").astype(object) - begin).days + 1


days = st.datetimes(datetime(2024, 1, 1), datetime(2030, 12, 31))


@given(days)
@settings(max_examples=60, deadline=None)
def test_moved_dates_keep_their_order_and_their_side_of_today(at):
    move = mover(REFERENCE, at)
    assert move(REFERENCE) == first_day(at)
    written = [REFERENCE + timedelta(days=n) for n in range(-600, 30) if (REFERENCE + timedelta(days=n)).weekday() < 5]
    moved = [move(day) for day in written]
    assert moved == sorted(set(moved))
    assert all(day.weekday() < 5 for day in moved)
    assert all(
        (new < at.date()) if old < REFERENCE else (new >= at.date()) for old, new in zip(written, moved, strict=True)
    )
    # the record moves by whole weeks, so a Friday's cut stays a Friday's
    assert all(old.weekday() == new.weekday() for old, new in zip(written[:300], moved[:300], strict=True))
    when = datetime(2025, 3, 4, 13, 17)
    assert move(when) == datetime.combine(move(when.date()), when.time())


@pytest.mark.parametrize(
    ("at", "first"),
    [
        (datetime(2026, 11, 25, 14, 59), date(2026, 11, 25)),
        (datetime(2026, 11, 25, 15, 0), date(2026, 11, 26)),
        (datetime(2026, 11, 27, 15, 0), date(2026, 11, 30)),  # Friday afternoon
        (datetime(2026, 11, 28, 8, 0), date(2026, 11, 30)),  # Saturday
    ],
)
def test_the_first_day_is_today_until_three_else_the_next_working_day(at, first):
    assert first_day(at) == first


def test_it_is_loaded_only_into_an_empty_sample(loaded, tmp_path):
    own = open_database(tmp_path / "own.db", Kind.OWN, at=OPENED[0])
    with pytest.raises(InputError, match="never mix"):
        load_sample(own, OPENED[0])
    assert own.is_empty()
    own.engine.dispose()
    with pytest.raises(InputError, match="an empty sample"):
        load_sample(loaded, OPENED[0])
    assert len(loaded.load_all(Job)) == 28


def test_a_fault_in_the_files_names_its_place_and_stores_nothing(tmp_path):
    folder = tmp_path / "files"
    make(folder, "--years", "0.1", "--cuts", "30")
    jobs = folder / "jobs.csv"
    jobs.write_text(jobs.read_text().replace("till clean", "till bright", 1))
    repository = open_database(tmp_path / "sample.db", Kind.SAMPLE, at=OPENED[0])
    with pytest.raises(InputError, match=r"jobs\.csv row 2 aim"):
        load_sample(repository, OPENED[0], folder)
    assert repository.is_empty()
    repository.engine.dispose()


def test_without_the_folder_it_says_so(monkeypatch, tmp_path):
    monkeypatch.setattr(sample, "__file__", str(tmp_path / "planner" / "store" / "sample.py"))
    with pytest.raises(InputError, match="checkout"):
        sample.sample_folder()


def test_checked_and_surveyed_parts_are_in_the_picture(loaded):
    shop = loaded.load_shop()
    tag = {key: part.tag for key, part in shop.parts.items()}
    waiting = {(j.part_id, j.face_id) for j in shop.open_jobs()}
    assert len(waiting & set(shop.checks)) >= 4 and len(waiting & set(shop.surveys)) >= 3
    assert {tag[p] for p, _ in shop.surveys if (p, _) in waiting} == {"T3202", "T3204", "T3225"}
    assert all(check.greatest_mm > check.least_mm > 0 for check in shop.checks.values())
    # past surveys of one family say where first contact usually is
    face = shop.families[next(p for p in shop.parts.values() if p.tag == "T3202").family_id].faces[0]
    assert len(loaded.surveys_of_face(face.id)) >= 12


def test_a_job_on_a_sample_face_that_is_cut_under_its_cover_waits_for_the_cover(tmp_path):
    """The sample's case halves have such a face and no job on it: one that is entered holds its half until somebody says
    that the cover is on."""
    repository = opened(tmp_path, OPENED[1])
    shop = repository.load_shop()
    part = next(p for p in shop.parts.values() if p.tag == "T3210")
    end = next(f for f in shop.family_of(part).faces if f.cover_bolted)
    assert part.waits_for == ()
    repository.add(Job(part.id, end.id), by="ab", at=OPENED[1])
    (held,) = repository.load(Part, part.id).open_holds
    assert held.waiting_for == "cover" and "must be bolted on" in held.reason and "front end" in held.reason
    on = replace(held, ended=OPENED[1].date())
    released = repository.save(replace(repository.load(Part, part.id), holds=(on,)), by="ab", at=OPENED[1])
    assert released.waits_for == ()
    repository.engine.dispose()


def test_what_is_written_about_a_part_names_no_unit(loaded):
    """Notes are shown as they were typed, whichever unit is switched to."""
    said = [hold.reason for part in loaded.load_shop().parts.values() for hold in part.holds]
    assert said
    assert not [reason for reason in said if re.search(r"\b(thou|inch|mm)\b", reason)]
