"""What the indexing rule costs over many weeks, against the best fixed interval on the same weeks and edges."""

from __future__ import annotations

import numpy as np
import pytest

from planner import InputError
from tests.edge.rule_simulation import compare_rules, fixed_interval, priced_rule, simulate_rule


def weeks(seed: int, failure: float, streams: int = 100, jobs: int = 2000):
    """10 000 weeks of 20 jobs of mixed size, in 100 streams; prices of a spoiled face vary from job to job."""
    rng = np.random.default_rng(seed)
    uses = rng.choice([0.01, 0.02, 0.04, 0.08, 0.15], (streams, jobs), p=[0.3, 0.3, 0.2, 0.15, 0.05])
    return uses, failure * rng.uniform(0.6, 1.4, (streams, jobs))


@pytest.mark.slow
@pytest.mark.parametrize(("shape", "failure"), [(2.0, 3.0), (2.5, 10.0), (3.71, 5.0)])
def test_at_most_one_percent_above_the_best_fixed_interval(shape, failure):
    uses, prices = weeks(1, failure)
    costs = compare_rules(shape, uses, prices, 1.0, 20, risk_limit=0.05, seed=2)
    print(
        f"\nshape {shape}, spoiled face {failure:g} edges: per week {costs.priced:.3f}, best fixed interval "
        f"{costs.best_fixed:.3f} (at {costs.best_interval:.2f}); within a limit of 5 % {costs.within_limit:.3f}"
    )
    assert costs.priced <= 1.01 * costs.best_fixed
    # the limit only takes choices away; what remains is the noise of 10 000 weeks
    assert costs.within_limit > 0.99 * costs.priced


def test_simulation_by_hand():
    # lives 1.0, 1.0, 1.0; jobs 0.4 each; an interval of 0.9 never loses an edge: index before jobs 3, 5
    lives, uses, prices = np.ones((1, 9)), np.full((1, 6), 0.4), np.full((1, 6), 10.0)
    run = simulate_rule(lives, uses, prices, 1.0, fixed_interval([0.9, 9.0]))
    assert run.indexes[:, 0].tolist() == [2, 0]
    # never indexed: lost in jobs 3 and 6 (0.4 + 0.4 + 0.2 | 0.2 + 0.4 + 0.4, the next 0.4 ends with the edge's last bit)
    assert run.failures[:, 0].tolist() == [0, 2]
    assert run.cost[:, 0].tolist() == [2.0, 20.0]


def test_an_unused_edge_is_never_indexed():
    run = simulate_rule(
        np.full((1, 50), 0.3), np.ones((1, 3)), np.ones((1, 3)), 1.0, lambda a, u, c: np.ones(1, dtype=bool)
    )
    # each job of 1.0 loses three edges of 0.3 and leaves one part used, which is indexed before the next job
    assert run.indexes[0] == 2
    assert run.failures[0] == 9


def test_the_limit_is_kept():
    rule = priced_rule(
        3.71, 1.0, 1.5, risk_limit=0.05
    )  # a spoiled face hardly dearer than an index: only the limit acts
    age, one = np.array([0.40, 0.44]), np.array([[0.02], [0.1]])
    chance = 1 - np.exp(-((age + one[:, 0]) ** 3.71) + age**3.71)
    assert (rule(age, one, np.full((2, 1), 1.5)) == (chance > 0.05)).all()
    assert chance.min() < 0.05 < chance.max()


@pytest.mark.parametrize(
    ("call", "field"),
    [
        (lambda: simulate_rule(np.full((1, 2), 0.1), [[1.0]], [[1.0]], 1.0, fixed_interval([1])), "lives"),
        (lambda: simulate_rule(np.ones((2, 2)), [[1.0]], [[1.0]], 1.0, fixed_interval([1])), "uses"),
        (lambda: compare_rules(3, [[0.1, 0.0]], [[1, 1]], 1, 1), "uses"),
        (lambda: priced_rule(3, 1, 2, risk_limit=2), "risk_limit"),
    ],
)
def test_bad_input_is_refused(call, field):
    with pytest.raises(InputError) as refused:
        call()
    assert refused.value.field == field
