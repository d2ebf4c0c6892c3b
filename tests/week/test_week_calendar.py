"""Working hours by hand: breaks, holidays, closures, nights, overtime; and the clock's arithmetic against plain
counting."""

from __future__ import annotations

from datetime import date, datetime, time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner import InputError
from planner.week import Overtime, Shift, Window, machine_windows, minutes_since, person_windows
from planner.week.calendar import Clock, intersect, without

MONDAY = datetime(2024, 1, 1, 6, 0)
DAY = Shift({0, 1, 2, 3, 4}, time(7), time(15, 30), ((time(12), time(12, 30)),))


def spans(windows):
    return [(w.start_min, w.end_min, w.shift) for w in windows]


def test_a_week_of_day_shifts_with_a_break():
    windows = person_windows(MONDAY, 7, [DAY])
    assert spans(windows)[:3] == [(60, 360, 0), (390, 570, 0), (1500, 1800, 1)]
    assert len(windows) == 10 and sum(w.end_min - w.start_min for w in windows) == 5 * 480


def test_a_plan_that_starts_within_a_shift_begins_now():
    windows = person_windows(datetime(2024, 1, 1, 12, 10), 1, [DAY])
    assert spans(windows) == [(20, 200, 0)]


def test_holidays_and_absences():
    windows = person_windows(MONDAY, 3, [DAY], holidays=[date(2024, 1, 2)])
    assert spans(windows) == [(60, 360, 0), (390, 570, 0), (2940, 3240, 1), (3270, 3450, 1)]
    away = [(datetime(2024, 1, 1, 9), datetime(2024, 1, 1, 14))]
    assert spans(person_windows(MONDAY, 1, [DAY], absences=away)) == [(60, 180, 0), (480, 570, 0)]


def test_a_night_shift_runs_past_midnight_and_the_last_one_counts():
    night = Shift({0, 1}, time(22), time(6), ((time(2), time(2, 30)),))
    windows = person_windows(datetime(2024, 1, 2, 0, 0), 2, [night])
    assert spans(windows) == [(0, 120, 0), (150, 360, 0), (1320, 1560, 1), (1590, 1800, 1)]


def test_overtime_that_touches_a_shift_continues_it():
    evening = Overtime("late Monday", datetime(2024, 1, 1, 15, 30), datetime(2024, 1, 1, 18), 1.2)
    saturday = Overtime("Saturday", datetime(2024, 1, 6, 8), datetime(2024, 1, 6, 12), 1.5)
    windows = person_windows(MONDAY, 7, [DAY], overtime=[evening, saturday])
    assert [(w.start_min, w.shift, w.overtime) for w in windows][2] == (570, 0, "late Monday")
    assert windows[-1] == Window(7320, 7560, 5, "Saturday", 1.5)


def test_a_machine_down_on_tuesday():
    down = (datetime(2024, 1, 2, 0), datetime(2024, 1, 3, 0))
    machine = machine_windows(MONDAY, 7, [down])
    both = intersect(person_windows(MONDAY, 7, [DAY]), machine)
    assert [a for a, *_ in both][:4] == [60, 390, 2940, 3270]
    assert minutes_since(MONDAY, down[0]) == 1080


def test_what_lies_after_a_cut_is_another_shift():
    assert spans(without((Window(0, 100, 0), Window(120, 200, 0)), [(50, 60)])) == [
        (0, 50, 0),
        (60, 100, 1),
        (120, 200, 1),
    ]


@pytest.mark.parametrize(
    ("make", "field"),
    [
        (lambda: Shift({7}, time(7), time(15)), "weekdays"),
        (lambda: Overtime("", MONDAY, datetime(2024, 1, 1, 8)), "name"),
        (lambda: Overtime("x", MONDAY, MONDAY), "end"),
        (lambda: person_windows(MONDAY, 0, [DAY]), "days"),
        (lambda: person_windows(MONDAY, 1, [DAY, Shift({0}, time(8), time(16))]), "shifts"),
    ],
)
def test_impossible_hours_are_refused_by_name(make, field):
    with pytest.raises(InputError) as caught:
        make()
    assert caught.value.field == field


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 40), st.integers(1, 60)), min_size=1, max_size=6),
    st.integers(0, 300),
    st.integers(1, 80),
)
def test_the_clock_equals_counting_minutes(parts, t, minutes):
    """Whole minutes, counted one by one."""
    working, at = [], 0
    windows = []
    for gap, length in parts:
        windows.append((float(at + gap), float(at + gap + length), 0))
        working += range(at + gap, at + gap + length)
        at += gap + length
    clock = Clock([[(0.0, 10.0, 0)], windows], 100.0)
    c = np.array([1])
    worked = clock.worked(c, np.array([float(t)]))[0]
    if t < clock.horizon_min:
        assert worked == sum(1 for w in working if w < t)
    if minutes <= len(working):
        assert clock.reach(c, np.array([float(minutes)]))[0][0] == working[minutes - 1] + 1
    starts = [w for w in working if w >= t and all(w + i in set(working) for i in range(minutes))]
    begin, _ = clock.fit(c, np.array([float(t)]), np.array([float(minutes)]))
    fits = [s for s in starts if any(a <= s and s + minutes <= z for a, z, _ in windows)]
    if fits:
        assert begin[0] == fits[0]
    else:
        assert begin[0] >= clock.horizon_min
