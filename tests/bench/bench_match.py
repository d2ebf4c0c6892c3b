"""Speed of the matching room. Run by hand: python tests/bench/bench_match.py"""

import time

import numpy as np
from scipy import stats
from scipy.optimize import linprog

from planner.match import Member, MemberSet, PoolPart, advise_order, match_set, pair_parts, pair_pool


def seconds(call, repeat=3):
    best = np.inf
    for _ in range(repeat):
        start = time.perf_counter()
        call()
        best = min(best, time.perf_counter() - start)
    return best


def pool(count, sides):
    rng = np.random.default_rng(1)
    return [
        PoolPart(
            f"p{i}",
            "f",
            float(rng.normal(0, 0.1)),
            float(rng.uniform(0, 0.05)),
            ("left", "right")[i % 2] if sides else None,
        )
        for i in range(count)
    ]


def four():
    return MemberSet(
        "four",
        tuple(
            Member(n, "checked", (100 + 0.03 * i,), stats.lognorm(0.4, scale=0.1), 99.5, height_sd_mm=0.01)
            for i, n in enumerate("ABCD")
        ),
        0.05,
        0.127,
    )


def main():
    rng = np.random.default_rng(0)
    left, right = rng.normal(0, 0.1, 500), rng.normal(0, 0.1, 500)
    second = seconds(lambda: pair_pool(left, right, 0.03))
    print(f"pool 500 x 500: {second:.3f} s, {1 / second:.0f} times within a second")
    second = seconds(lambda: pair_parts(pool(1000, True), 0.03), 1)
    print(f"pool of 1000 parts with sides and doubts: {second:.3f} s")
    second = seconds(lambda: pair_parts(pool(59, False), 0.03), 1)
    print(f"pool of 59 parts without sides, doubts differ: {second:.3f} s")

    heights, cleanup = rng.normal(0, 0.1, 4), rng.uniform(0, 0.2, 4)
    own = seconds(lambda: match_set(heights, cleanup, heights - 1, 0.05), 20)
    rows = [np.eye(4)[j] - np.eye(4)[i] for i in range(4) for j in range(4) if i != j]
    ends = [0.05 - heights[i] + heights[j] for i in range(4) for j in range(4) if i != j]
    bounds = list(zip(cleanup, np.ones(4), strict=True))
    programme = seconds(lambda: linprog(np.ones(4), A_ub=np.array(rows), b_ub=ends, bounds=bounds), 20)
    print(f"set of four: {1e6 * own:.0f} us, linear programme / closed form = {programme / own:.0f}")

    second = seconds(lambda: advise_order(four(), value_per_mm=300, setup_cost=40, least_mm=0.0127))
    print(f"order of four members (24 orders): {second:.3f} s")


if __name__ == "__main__":
    main()
