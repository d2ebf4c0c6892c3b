"""Stacks that can be built from a box of leaves, and the fewest leaves that build several at once."""

from __future__ import annotations

import numbers
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from planner.errors import InputError, positive


@dataclass(frozen=True, eq=False)
class Box:
    """Leaf thicknesses (k,), how many there are of each (k,), and every height they stack to.

    heights (h,) rising from 0; recipes[i]: the ways to build heights[i] as leaf counts, fewest leaves first;
    fewest (h,): leaves of the first.
    """

    sizes: np.ndarray
    available: np.ndarray
    heights: np.ndarray
    recipes: tuple[tuple[tuple[int, ...], ...], ...]
    fewest: np.ndarray

    def build(self, choices: list[np.ndarray]) -> tuple[tuple[int, float], list[tuple[int, tuple[int, ...]]]] | None:
        """Fewest leaves, then least total height, with one of ``choices`` (indices of heights) under each support.

        Returns ((leaves, total height), [(height index, leaf counts) per support]), or None when the box lacks leaves.
        """
        options = []
        for indices in choices:
            ways = [(sum(way), float(self.heights[i]), int(i), way) for i in indices for way in self.recipes[i]]
            options.append(sorted(ways))
        first = [ways[0] for ways in options]
        if (np.sum([way[3] for way in first], axis=0) <= self.available).all():
            return (sum(w[0] for w in first), sum(w[1] for w in first)), [(w[2], w[3]) for w in first]
        rest = np.cumsum([ways[0][0] for ways in options][::-1])[::-1].tolist() + [0]
        best: list = [None]

        def place(k: int, left: tuple[int, ...], leaves: int, height: float, chosen: list) -> None:
            if best[0] is not None and (leaves + rest[k], height) >= best[0][0]:
                return
            if k == len(options):
                best[0] = ((leaves, height), list(chosen))
                return
            for count, tall, index, way in options[k]:
                after = tuple(a - b for a, b in zip(left, way, strict=True))
                if min(after, default=0) >= 0:
                    place(k + 1, after, leaves + count, height + tall, [*chosen, (index, way)])

        place(0, tuple(int(a) for a in self.available), 0, 0.0, [])
        return best[0]


def open_box(leaves: object, max_leaves: int) -> Box:
    """Read ``leaves`` {thickness_mm: count} into every stack of at most ``max_leaves``."""
    if not isinstance(leaves, Mapping):
        raise InputError("leaves", leaves, "{thickness_mm: count}")
    if isinstance(max_leaves, bool) or not isinstance(max_leaves, numbers.Integral) or not 0 <= max_leaves <= 6:
        raise InputError("max_leaves", max_leaves, "a whole number from 0 to 6")
    stock: dict[float, int] = {}
    for thickness, count in leaves.items():
        size = positive("leaves", thickness)
        if isinstance(count, bool) or not isinstance(count, numbers.Integral) or count < 0:
            raise InputError(f"leaves[{size:g}]", count, "a whole number of leaves, 0 or more")
        stock[size] = stock.get(size, 0) + int(count)
    sizes = np.array(sorted(size for size, count in stock.items() if count), dtype=float)
    available = np.array([stock[size] for size in sizes], dtype=int)
    ways: list[tuple[int, ...]] = [()]
    for count in available:
        ways = [(*way, more) for way in ways for more in range(min(int(count), max_leaves - sum(way)) + 1)]
    built: dict[float, list[tuple[int, ...]]] = {}
    for way in ways:
        built.setdefault(round(float(np.dot(way, sizes)) if len(sizes) else 0.0, 9), []).append(way)
    heights = np.array(sorted(built))
    recipes = tuple(tuple(sorted(built[h], key=lambda way: (sum(way), way))) for h in heights.tolist())
    return Box(sizes, available, heights, recipes, np.array([sum(ways[0]) for ways in recipes]))
