"""The search for one machine against published instances: `python tests/bench/bench_order.py [seconds]`.

The gap to the best published values on the instances with setups, and how long each of the 125 instances of 40 jobs
takes to reach its published value (at most a second is asked).
"""

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np

from planner.week import order_jobs
from tests.outside.conftest import reference_path
from tests.outside.test_weighted_tardiness import published_values, read_instance


def forty_jobs() -> None:
    values = np.array(reference_path("scheduling/wt40.txt").read_text().split(), float).reshape(125, 3, 40)
    best = np.array(reference_path("scheduling/wtopt40.txt").read_text().split(), float)
    spent, missed = [], []
    for number, (instance, value) in enumerate(zip(values, best, strict=True), start=1):
        began = time.perf_counter()
        found = order_jobs(*instance, seconds=1.0, target=value)
        spent.append(time.perf_counter() - began)
        if found.cost > value:
            missed.append(number)
    print(
        f"40 jobs, within 1 s each: {125 - len(missed)} of 125 reach the published value, missed {missed or 'none'}; "
        f"longest {max(spent):.2f} s, all together {sum(spent):.1f} s"
    )


def with_setups(seconds: float) -> None:
    gaps, ours, theirs, zeros = [], 0.0, 0.0, []
    for number, value in published_values(reference_path).items():
        instance = read_instance(reference_path(f"scheduling/wtsds/wt_sds_{number}.instance"))
        began = time.perf_counter()
        found = order_jobs(*instance, seconds=seconds, target=value)
        ours, theirs = ours + found.cost, theirs + value
        if value:
            gaps.append(found.cost / value - 1)
        else:
            zeros.append(found.cost)
        said = f"gap {gaps[-1]:6.1%}" if value else "gap   none" if found.cost == 0 else "missed"
        spent = time.perf_counter() - began
        print(f"{number:4d}  published {value:9.0f}  ours {found.cost:9.0f}  {said}  {spent:4.1f} s")
    print(
        f"{sum(cost == 0 for cost in zeros)} of {len(zeros)} zero ones hit; mean gap of the {len(gaps)} others", end=" "
    )
    print(f"{sum(gaps) / len(gaps):.2%}, of the summed cost {ours / theirs - 1:.2%}")


if __name__ == "__main__":
    forty_jobs()
    with_setups(float(sys.argv[1]) if len(sys.argv) > 1 else 10.0)
