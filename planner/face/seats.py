"""On which supports a rigid part comes to rest.

A flat underside rests on the tops of three stacks whose triangle holds the centre of gravity, with every other stack
at or below the plane through those three: a facet of the stacks' upper hull. When the centre of gravity lies over an
edge of that hull, as it does over the diagonal of four blocks in a rectangle, the part rocks between two such seats.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from planner.errors import InputError, finite_array

LEVEL_MM = 1e-9  # stacks whose difference is below this are level
CENTRE_EDGE = 1e-9  # share of a corner below which the centre of gravity lies over the opposite edge


@dataclass(frozen=True, eq=False)
class Seating:
    """Triples of supports (k, 3) whose triangle holds the centre of gravity, and their planes.

    weights (k, m, 3): the plane of triple k at support s is weights[k, s] @ heights[triples[k]].
    inside (k,): the centre of gravity lies strictly within, so a seat on this triple is the only one. share (k, 3):
    the part of the weight that each of the three carries.
    """

    supports: np.ndarray
    triples: np.ndarray
    weights: np.ndarray
    inside: np.ndarray
    share: np.ndarray

    def planes(self, heights: np.ndarray) -> np.ndarray:
        """Height of every triple's plane at every support, (..., k, m), for stack heights (..., m)."""
        return np.einsum("ksj,...kj->...ks", self.weights, heights[..., self.triples])

    def seats(self, heights: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """For stacks (n, m): which triples are seats, (n, k), and the widest gap under each, (n, k)."""
        gap = self.planes(heights) - heights[:, None, :]
        return gap.min(axis=2) >= -LEVEL_MM, gap.max(axis=2)

    def at(self, places: np.ndarray) -> np.ndarray:
        """Weights (k, n, 3) of each triple's plane at ``places`` (n, 2)."""
        return np.stack([_weights(self.supports[triple], places) for triple in self.triples])


def seating(supports: object, centre_of_gravity: object = None) -> Seating:
    """The possible seats over ``supports`` (3 to 8 of them, (m, 2) mm); the centre of gravity defaults to their mean.

    Raises `InputError` for supports on one line and for a centre of gravity beyond them (the part would tip).
    """
    places = finite_array("supports", supports, (None, 2))
    if not 3 <= len(places) <= 8:
        raise InputError("supports", f"{len(places)} supports", "3 to 8 supports")
    centre = places.mean(axis=0)
    if centre_of_gravity is not None:
        centre = finite_array("centre_of_gravity", centre_of_gravity, (2,))
    triples = np.array(list(itertools.combinations(range(len(places)), 3)))
    one = places[triples[:, 1]] - places[triples[:, 0]]
    two = places[triples[:, 2]] - places[triples[:, 0]]
    area = np.abs(one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0])
    reach = np.ptp(places, axis=0).max()
    if not area.max() > 1e-6 * reach**2:
        raise InputError("supports", places.tolist(), "supports that are not on one line")
    triples = triples[area > 1e-6 * area.max()]
    share = np.stack([_weights(places[triple], centre[None, :])[0] for triple in triples])
    holds = share.min(axis=1) >= -CENTRE_EDGE
    if not holds.any():
        raise InputError("centre_of_gravity", centre.tolist(), "a place over the supports, or the part would tip")
    triples, share = triples[holds], share[holds]
    weights = np.stack([_weights(places[triple], places) for triple in triples])
    for k, triple in enumerate(triples):
        weights[k, triple] = np.eye(3)
    return Seating(places, triples, weights, share.min(axis=1) > CENTRE_EDGE, share)


def _weights(corners: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Barycentric coordinates (n, 3) of ``places`` in the triangle ``corners`` (3, 2)."""
    edges = np.column_stack([corners[1] - corners[0], corners[2] - corners[0]])
    far = np.linalg.solve(edges, (places - corners[0]).T).T
    return np.column_stack([1 - far.sum(axis=1), far])
