"""Speed of the face's arithmetic, as ratios to a plain ``linprog`` call on all points. Run by hand:

python tests/bench/bench_face.py
"""

from __future__ import annotations

import time

import numpy as np
from scipy.optimize import linprog

from planner.face import choose_shims, cleanup, minimum_zone

THOU = 0.0254
BOX = {k * THOU: 10 for k in (1, 1.5, 2, 3, 5, 10)}


def seconds(call, times):
    spent = []
    for _ in range(times):
        start = time.perf_counter()
        call()
        spent.append(time.perf_counter() - start)
    return float(np.median(spent))


def plain(points):
    x, y, z = (points - points.mean(axis=0)).T / np.abs(points - points.mean(axis=0)).max(axis=0)[:, None]
    one = np.ones(len(x))
    rows = np.vstack([np.column_stack([-x, -y, -one, -one]), np.column_stack([x, y, one, 0 * one])])
    return linprog([0, 0, 0, 1], A_ub=rows, b_ub=np.concatenate([-z, z]), bounds=(None, None))


def main():
    rng = np.random.default_rng(0)
    yardstick = None
    for n in (25, 1000, 100_000):
        points = rng.uniform(0, 1, (n, 3)) * [300, 180, 0] + [0, 0, 1] * rng.normal(0, 0.02, (n, 1))
        times = 3 if n > 10_000 else 15
        base = seconds(lambda p=points: plain(p), 1 if n > 10_000 else times)
        yardstick = yardstick or base
        zone, depth = seconds(lambda p=points: minimum_zone(p), times), seconds(lambda p=points: cleanup(p), times)
        print(
            f"{n:>7} points: plain linprog {base * 1e3:9.1f} ms   minimum zone {zone * 1e3:7.1f} ms"
            f" = {zone / base:7.3f} x   clean-up {depth * 1e3:7.1f} ms = {depth / base:7.3f} x"
        )
    checks = np.array([[x, y] for x in (5, 150, 295) for y in (5, 90, 175)], dtype=float)
    for supports in (4, 6, 8):
        half = supports // 2
        places = np.array([[x, y] for y in (20, 160) for x in np.linspace(30, 270, half)])
        for name, moved in (("in rows", 0.0), ("anywhere", 9.0)):
            for rock in (0.0, 0.5 * THOU, 2 * THOU):
                spent = []
                for _ in range(8):
                    readings = checks @ rng.normal(0, 4e-4, 2) + rng.normal(0, 0.02, 9)
                    under = places + rng.uniform(-moved, moved, places.shape)
                    spent.append(seconds(lambda u=under, r=readings, k=rock: choose_shims(u, checks, r, BOX, k), 1))
                middle = np.median(spent)
                print(
                    f"{supports} supports {name:>8}, rock {rock / THOU:3.1f} thou: median {middle * 1e3:6.1f} ms"
                    f" = {middle / yardstick:6.2f} x linprog on 25 points, worst {max(spent) * 1e3:6.1f} ms"
                )


if __name__ == "__main__":
    main()
