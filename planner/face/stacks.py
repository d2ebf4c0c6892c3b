"""Stacks that can be built from a box of leaves, and the fewest leaves that build several at once."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from planner.errors import InputError, positive, whole


@dataclass(frozen=True, eq=False)
class Box:
    """Leaf thicknesses (k,), how many there are of each (k,), and every height they stack to.

    heights (h,) rising from 0; recipes[i]: the ways to build heights[i] as leaf counts, fewest leaves first;
    fewest (h,): leaves of the first. groups (g, k): sets of sizes; need (h, g): the fewest leaves of each set that a
    height takes; room (g,): how many there are. Where needs exceed room, no choice of recipes helps.
    """

    sizes: np.ndarray
    available: np.ndarray
    heights: np.ndarray
    recipes: tuple[tuple[tuple[int, ...], ...], ...]
    fewest: np.ndarray
    groups: np.ndarray
    need: np.ndarray
    room: np.ndarray

    def build(self, choices: list[np.ndarray]) -> tuple[tuple[int, float], list[tuple[int, tuple[int, ...]]]] | None:
        """Fewest leaves, then least total height, with one of ``choices`` (indices of heights) under each support.

        Returns ((leaves, total height), [(height index, leaf counts) per support]), or None when the box lacks leaves.
        """
        if any(not len(indices) for indices in choices):
            return None
        if (sum(self.need[indices].min(axis=0) for indices in choices) > self.room).any():
            return None
        options = []
        for indices in choices:
            ways = [(sum(way), float(self.heights[i]), int(i), way) for i in indices for way in self.recipes[i]]
            options.append(sorted(ways))
        first = [ways[0] for ways in options]
        if (np.sum([way[3] for way in first], axis=0) <= self.available).all():
            return (sum(w[0] for w in first), sum(w[1] for w in first)), [(w[2], w[3]) for w in first]
        order = sorted(range(len(options)), key=lambda s: len(options[s]))
        options = [options[s] for s in order]
        rest = np.cumsum([ways[0][0] for ways in options][::-1])[::-1].tolist() + [0]
        owed = [self.need[choices[s]].min(axis=0) for s in order]
        owed = [sum(owed[k:], start=np.zeros_like(self.room)) for k in range(len(owed) + 1)]
        taken = {way[3]: self.groups @ way[3] for ways in options for way in ways}
        best: list = [None]

        def place(k: int, left: np.ndarray, leaves: int, height: float, chosen: list) -> None:
            if best[0] is not None and (leaves + rest[k], height) >= best[0][0]:
                return
            if k == len(options):
                best[0] = ((leaves, height), list(chosen))
                return
            for count, tall, index, way in options[k]:
                after = left - taken[way]
                if (after >= owed[k + 1]).all():
                    place(k + 1, after, leaves + count, height + tall, [*chosen, (index, way)])

        place(0, self.room, 0, 0.0, [])
        if best[0] is None:
            return None
        key, chosen = best[0]
        return key, [way for _, way in sorted(zip(order, chosen, strict=True))]


def open_box(leaves: object, max_leaves: int) -> Box:
    """Read ``leaves`` {thickness_mm: count} into every stack of at most ``max_leaves``."""
    if not isinstance(leaves, Mapping):
        raise InputError("leaves", leaves, "{thickness_mm: count}")
    most = whole("max_leaves", max_leaves, 0, 6)
    stock: dict[float, int] = {}
    for thickness, count in leaves.items():
        size = positive("leaves", thickness)
        stock[size] = stock.get(size, 0) + whole(f"leaves[{size:g}]", count)
    sizes = np.array(sorted(size for size, count in stock.items() if count), dtype=float)
    available = np.array([stock[size] for size in sizes], dtype=int)
    ways: list[tuple[int, ...]] = [()]
    for count in available:
        ways = [(*way, more) for way in ways for more in range(min(int(count), most - sum(way)) + 1)]
    built: dict[float, list[tuple[int, ...]]] = {}
    for way in ways:
        built.setdefault(round(float(np.dot(way, sizes)) if len(sizes) else 0.0, 12), []).append(way)
    heights = np.array(sorted(built))
    recipes = tuple(tuple(sorted(built[h], key=lambda way: (sum(way), way))) for h in heights.tolist())
    every = list(itertools.product((0, 1), repeat=len(sizes)))[1:] if len(sizes) <= 7 else np.eye(len(sizes), dtype=int)
    groups = np.array(every, dtype=int).reshape(len(every), len(sizes))
    need = np.array([(np.array(ways) @ groups.T).min(axis=0) for ways in recipes])
    fewest = np.array([sum(ways[0]) for ways in recipes])
    return Box(sizes, available, heights, recipes, fewest, groups, need, groups @ available)
