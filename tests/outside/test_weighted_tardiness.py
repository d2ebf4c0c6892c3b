"""The search against published scheduling instances with known answers.

OR-Library (J. E. Beasley), single-machine total weighted tardiness, 125 instances of 40 jobs, best values (optimal;
number 19 best known): Crauwels, Potts & Van Wassenhove, INFORMS J. Computing 10(3) 1998. With setups that depend on
the order: 60 jobs, V. A. Cicirello's instances with the best values published with them. Both are read from beside the
checkout.

Budgets are counted in steps, so that a busy machine changes the time they take and not what they find.
"""

import csv
import re

import numpy as np
import pytest

from planner import InputError
from planner.week import order_jobs


@pytest.mark.slow
def test_all_forty_job_instances_reach_the_published_value(reference_dir):
    values = np.array(reference_dir("scheduling/wt40.txt").read_text().split(), float).reshape(125, 3, 40)
    best = np.array(reference_dir("scheduling/wtopt40.txt").read_text().split(), float)
    for number, ((minutes, weights, due), published) in enumerate(zip(values, best, strict=True), start=1):
        found = order_jobs(minutes, weights, due, steps=6_000, target=published)
        end = np.cumsum(minutes[found.order])
        cost = (weights[found.order] * np.maximum(0.0, end - due[found.order])).sum()
        assert sorted(found.order) == list(range(40))
        assert found.cost == pytest.approx(cost), number
        assert found.cost == pytest.approx(published), number


def read_instance(path):
    text = path.read_text()
    blocks = re.split(r"(Process Times|Weights|Duedates|Setup Times):", text)
    part = {name: blocks[i + 1] for i, name in enumerate(blocks) if name in blocks and i + 1 < len(blocks)}
    minutes, weights, due = (
        np.array([float(x) for x in re.findall(r"^-?\d+\s*$", part[name], re.M)])
        for name in ("Process Times", "Weights", "Duedates")
    )
    setups = np.zeros((len(minutes) + 1, len(minutes)))
    for i, j, s in re.findall(r"^(-?\d+)\s+(\d+)\s+(\d+)\s*$", part["Setup Times"], re.M):
        setups[int(i) + 1, int(j)] = float(s)
    return minutes, weights, due, setups


def published_values(reference_dir):
    with reference_dir("scheduling/wtsds/best_known.csv").open() as lines:
        rows = list(csv.reader(line for line in lines if not line.startswith("#")))
    return {int(re.findall(r"\d+", row[0])[0]): float(row[1]) for row in rows if re.search(r"\d", row[0])}


SAMPLE = (13, 43, 58, 68, 83, 108)


@pytest.mark.slow
def test_instances_with_setups_come_near_the_published_values(reference_dir):
    """All zero ones and a sample of the others; ``tests/bench/bench_order.py`` prints every gap."""
    ours = theirs = 0.0
    gaps = []
    for number, published in published_values(reference_dir).items():
        if published and number not in SAMPLE:
            continue
        minutes, weights, due, setups = read_instance(reference_dir(f"scheduling/wtsds/wt_sds_{number}.instance"))
        assert len(minutes) == len(weights) == len(due) == 60
        found = order_jobs(minutes, weights, due, setups, steps=20_000, target=published)
        end, before, cost = 0.0, 0, 0.0
        for job in found.order:
            end += setups[before, job] + minutes[job]
            cost += weights[job] * max(0.0, end - due[job])
            before = job + 1
        assert found.cost == pytest.approx(cost)
        if published == 0:
            assert cost == 0
        else:
            gaps.append(cost / published - 1)
            ours, theirs = ours + cost, theirs + published
    assert len(gaps) == len(SAMPLE)
    assert np.mean(gaps) <= 0.02
    assert ours <= 1.005 * theirs


@pytest.mark.parametrize(
    ("field", "arguments"),
    [
        ("minutes[0]", ([np.nan, 1], [1, 1], [1, 1])),
        ("weights", ([1, 2], [1], [1, 1])),
        ("minutes", ([-1, 2], [1, 1], [1, 1])),
        ("setups", ([1, 2], [1, 1], [1, 1], [[0, 0]])),
    ],
)
def test_wrong_input_is_named(field, arguments):
    with pytest.raises(InputError) as caught:
        order_jobs(*arguments)
    assert caught.value.field == field
