"""Pool pairing against brute force up to 7 × 7 and against `networkx` (blossom) matching."""

import itertools

import networkx
import numpy as np
import pytest

from planner.match import PoolPart, expected_extra, pair_parts, pair_pool


def excess(a, b, tolerance):
    return max(0.0, abs(a - b) - tolerance)


@pytest.mark.parametrize("count", range(1, 8))
def test_brute_force_square(count):
    rng = np.random.default_rng(count)
    for _ in range(3 if count == 7 else 12):
        left, right = rng.normal(0, 0.1, count), rng.normal(0.03, 0.1, count)
        tolerance = rng.uniform(0, 0.08)
        best = min(
            (
                round(sum(excess(left[i], right[p[i]], tolerance) for i in range(count)), 9),
                sum((left[i] - right[p[i]]) ** 2 for i in range(count)),
            )
            for p in itertools.permutations(range(count))
        )
        found = pair_pool(left, right, tolerance)
        assert found.extra_mm == pytest.approx(best[0], abs=1e-7)
        squares = sum((left[i] - right[j]) ** 2 for i, j in found.pairs)
        assert squares == pytest.approx(best[1], rel=1e-4)  # ties go to the smallest squares
        assert sorted(found.pairs[:, 1]) == list(range(count))


@pytest.mark.parametrize(("few", "many"), [(1, 5), (3, 7), (5, 7)])
def test_brute_force_unequal_sides(few, many):
    rng = np.random.default_rng(10 * few + many)
    left, right = rng.normal(0, 0.1, few), rng.normal(0, 0.1, many)
    best = min(
        sum(excess(left[i], right[p[i]], 0.02) for i in range(few)) for p in itertools.permutations(range(many), few)
    )
    assert pair_pool(left, right, 0.02).extra_mm == pytest.approx(best, abs=1e-7)
    assert pair_pool(right, left, 0.02).extra_mm == pytest.approx(best, abs=1e-7)


@pytest.mark.parametrize("seed", range(5))
def test_networkx_bipartite(seed):
    rng = np.random.default_rng(seed)
    n, m = 30, 24
    left, right = rng.normal(0, 0.2, n), rng.normal(0, 0.2, m)
    graph = networkx.Graph()
    for i, j in itertools.product(range(n), range(m)):
        graph.add_edge(("l", i), ("r", j), weight=10 - excess(left[i], right[j], 0.05))
    matching = networkx.max_weight_matching(graph, maxcardinality=True)
    total = sum(10 - graph.edges[e]["weight"] for e in matching)
    assert pair_pool(left, right, 0.05).extra_mm == pytest.approx(total, abs=1e-6)


def blossom(parts, tolerance):
    """Largest number of pairs, then least expected extra removal, over any two parts that keep their limits."""
    graph = networkx.Graph()
    for a, b in itertools.combinations(parts, 2):
        low, high = sorted((a, b), key=lambda p: p.final_mm)
        final = min(high.final_mm, low.final_mm + tolerance)
        if any(p.least_mm is not None and f < p.least_mm for p, f in ((high, final), (low, low.final_mm))):
            continue
        cost = float(expected_extra(a.final_mm - b.final_mm, np.hypot(a.final_sd_mm, b.final_sd_mm), tolerance))
        graph.add_edge(a.name, b.name, weight=10 - cost)
    matching = networkx.max_weight_matching(graph, maxcardinality=True)
    return len(matching), sum(10 - graph.edges[e]["weight"] for e in matching)


@pytest.mark.parametrize("case", ["equal doubt", "doubts differ", "limits"])
@pytest.mark.parametrize("count", [6, 9, 20, 31])
def test_networkx_family_without_sides(count, case):
    rng = np.random.default_rng(count)
    parts = []
    for i in range(count):
        final = float(rng.normal(0, 0.1))
        parts.append(
            PoolPart(
                f"p{i}",
                "one",
                final,
                float(rng.uniform(0, 0.06)) if case == "doubts differ" else 0.02,
                least_mm=final - float(rng.uniform(0, 0.08)) if case == "limits" else None,
            )
        )
    plan = pair_parts(parts, 0.03)
    pairs, total = blossom(parts, 0.03)
    assert len(plan.pairs) == pairs
    assert plan.extra_mm == pytest.approx(total, abs=1e-6)
