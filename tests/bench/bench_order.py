"""Gap to the best published values on the instances with setups: `python tests/bench/bench_order.py [seconds]`."""

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from planner.week import order_jobs
from tests.outside.conftest import reference_path
from tests.outside.test_weighted_tardiness import published_values, read_instance


def main(seconds: float) -> None:
    gaps, ours, theirs = [], 0.0, 0.0
    for number, value in published_values(reference_path).items():
        instance = read_instance(reference_path(f"scheduling/wtsds/wt_sds_{number}.instance"))
        began = time.perf_counter()
        found = order_jobs(*instance, seconds=seconds, target=value)
        ours, theirs = ours + found.cost, theirs + value
        gap = 0.0 if found.cost == value else (found.cost / value - 1 if value else float("inf"))
        gaps.append(gap)
        print(
            f"{number:4d}  published {value:9.0f}  ours {found.cost:9.0f}  gap {gap:6.1%}  {time.perf_counter() - began:4.1f} s"
        )
    print(f"mean gap {sum(gaps) / len(gaps):.2%}, of the summed cost {ours / theirs - 1:.2%}")


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 10.0)
