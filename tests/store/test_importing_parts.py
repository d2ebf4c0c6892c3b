"""The week's parts by the store's own door: read, ask for units, refuse whole, store whole."""

from __future__ import annotations

from datetime import datetime

import pytest

from planner.errors import InputError
from planner.shop import Face, Family, Job, Part
from planner.store import PART_COLUMNS, RowProblem, read_parts, store_import
from planner.units import System

AT = datetime(2026, 3, 2, 8, 30)
BARE = b"tag,family,height,due\nP-1,small head,3.93,2026-03-05 15:00\n"


def test_a_file_without_units_asks_and_takes_the_answer(repository, stored):
    shop = repository.load_shop()
    asked = read_parts(BARE, "week.csv", shop, at=AT)
    assert asked.ask_units and not asked.ok and not asked.problems
    with pytest.raises(InputError):
        store_import(repository, asked, "ab", AT)
    inch = read_parts(BARE, "week.csv", shop, System.INCH, AT)
    (reading,) = inch.parts[0].part.heights
    assert inch.ok and reading.height_mm == pytest.approx(3.93 * 25.4) and reading.at == AT
    metric = read_parts(BARE.replace(b"3.93", b"99.8"), "week.csv", shop, System.METRIC, AT)
    assert metric.parts[0].part.heights[0].height_mm == pytest.approx(99.8)


def test_what_was_read_is_stored_with_who_and_when(repository, stored):
    found = read_parts(BARE.replace(b"height,", b"height_in,"), "week.csv", repository.load_shop(), at=AT)
    done = store_import(repository, found, "ab", AT)
    assert [p.tag for p in done.stored] == ["P-1"]
    job = repository.load(Job, done.jobs[0].id)
    assert (job.part_id, job.face_id, job.due) == (done.stored[0].id, stored.deck.id, datetime(2026, 3, 5, 15))
    assert job.version == 1


def test_every_bad_row_is_told_with_row_column_value_and_what_is_accepted(repository, stored, count_rows):
    before = count_rows()
    text = (
        "tag,family,height_mm\nP-1,small head,99.8\nP-1,small head,99.7\nH-101,small head,99.8\n"
        "P-4,large head,99.8\nP-5,small head,9980\nP-6,small head,tall\n"
    )
    found = read_parts(text.encode(), "week.csv", repository.load_shop(), at=AT)
    assert [(p.row, p.column, p.value) for p in found.problems][:3] == [
        (3, "tag", "P-1"),
        (4, "tag", "H-101"),
        (5, "family", "large head"),
    ]
    assert [(p.row, p.column) for p in found.problems[3:]] == [(6, "height"), (7, "height")]
    assert all(isinstance(p, RowProblem) and p.accepted and p.words for p in found.problems)
    assert found.parts == ()
    with pytest.raises(InputError, match="5 problems"):
        store_import(repository, found, "ab", AT)
    assert count_rows() == before and "P-1" not in {p.tag for p in repository.load_all(Part).values()}


def test_the_family_of_a_quick_job_takes_no_other_part(repository, stored):
    repository.add(Family("one-off Q-1", "aluminium", (Face("face", 300, 180),), one_off=True))
    found = read_parts(b"tag,family\nP-1,one-off Q-1\n", "week.csv", repository.load_shop(), at=AT)
    (problem,) = found.problems
    assert problem.column == "family" and problem.accepted == "a family of the shop: small head"


def test_heights_without_a_date_are_dated_now(repository, stored):
    before = datetime.now().replace(second=0, microsecond=0)
    found = read_parts(BARE, "week.csv", repository.load_shop(), System.INCH)
    (reading,) = found.parts[0].part.heights
    assert before <= reading.at <= datetime.now()


def test_the_columns_of_a_part_are_documented():
    assert {"tag", "family", "height", "due", "set", "units"} <= {c.name for c in PART_COLUMNS}
    assert [c.name for c in PART_COLUMNS if c.required] == ["tag", "family"]
    assert all(c.what and c.accepted for c in PART_COLUMNS)
