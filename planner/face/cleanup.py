"""How deep a face must be cut until it is clean: as clamped, best levelled, with a limit of parallelism, with pits.

Survey coordinates throughout: x and y in the plane of the table, z along the spindle, positive toward the cutter,
nothing rotated. A cut is parallel to the travel; slopes say how the part would be tilted against it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import scipy

from planner.errors import InputError, finite, finite_array, not_negative, positive
from planner.face.area import Surface, as_polygon, far_origin, inside, lowest_inside, surface
from planner.face.zone import SlopeLimit, narrowest_band

_TIE = 1e-9


@dataclass(frozen=True, eq=False)
class Cleanup:
    """The clean-up depth of a surveyed face and where it comes from.

    depth_mm: below first contact. slope_x, slope_y: of the cut in survey coordinates (subtract them from the survey to
    see the face as it would be levelled). first_contact, last_to_clean: indices of the points.
    parallel_mm: greatest difference of finished height above the datum between any two places of the outline.
    uncertainty_share: standard deviation of the depth per standard deviation of one reading, to first order.
    """

    depth_mm: float
    slope_x: float
    slope_y: float
    first_contact: int
    last_to_clean: int
    parallel_mm: float
    uncertainty_share: float
    points: np.ndarray = field(repr=False)
    pits: np.ndarray = field(repr=False)
    counts: np.ndarray = field(repr=False)
    outline: np.ndarray | None = field(repr=False)
    openings: tuple = field(repr=False)

    @cached_property
    def levelled_mm(self) -> np.ndarray:
        """Height of every point below first contact, (n,), 0 at first contact, otherwise negative."""
        height = _levelled(self.points, np.array([self.slope_x, self.slope_y]))
        return height - height.max()

    @cached_property
    def to_clean_mm(self) -> np.ndarray:
        """Depth at which each point is clean, its pit included, (n,)."""
        return self.pits - self.levelled_mm

    @cached_property
    def surface(self) -> Surface:
        return surface(self.points[:, :2], self.levelled_mm, self.outline, self.openings)

    def share_clean(self, depth_mm: object) -> object:
        """Share 0 to 1 of the surveyed face cut at ``depth_mm`` below first contact (a number or an array).

        The area of the linear interpolant at or above the depth, inside the outline less openings. A pit has no area,
        so the share reaches 1 before the depth of a pitted face does. Needs three places not on one line.
        """
        depth = _depths(depth_mm)
        slack = 1e-12 * max(1e-300, float(-self.levelled_mm.min()))  # the last triangle counts at its own level
        area = self.surface.area_above(-(depth.ravel() + slack))
        share = np.where(depth.ravel() < 0, 0.0, np.clip(area / self.surface.covered_area, 0.0, 1.0))
        share = np.where(-(depth.ravel() + slack) <= self.surface.heights.min(), 1.0, share)
        return float(share[0]) if depth.ndim == 0 else share.reshape(depth.shape)

    def curve(self, steps: int = 51) -> tuple[np.ndarray, np.ndarray]:
        """The clean-up curve: depths from 0 to ``depth_mm`` (steps,), and the share of the face clean at each."""
        depths = np.linspace(0.0, self.depth_mm, steps)
        return depths, self.share_clean(depths)

    def volume_mm3(self, depth_mm: object) -> object:
        """Volume cut away at ``depth_mm`` over the surveyed face, mm3 (a number or an array)."""
        depth = _depths(depth_mm)
        volume = self.surface.volume_above(-np.maximum(depth.ravel(), 0.0))
        return float(volume[0]) if depth.ndim == 0 else volume.reshape(depth.shape)

    def map(self, cell_mm: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Depth at which each place of the face comes in: x (k,), y (m,), depth (m, k) mm, NaN off the face."""
        cell = positive("cell_mm", cell_mm)
        places = self.points[:, :2]
        low, high = places.min(axis=0), places.max(axis=0)
        x, y = (np.linspace(a, b, max(2, int(np.ceil((b - a) / cell)) + 1)) for a, b in zip(low, high, strict=True))
        at = np.column_stack([grid.ravel() for grid in np.meshgrid(x, y)])
        origin = far_origin(places)
        depth = scipy.interpolate.LinearNDInterpolator(places - origin, -self.levelled_mm)(at - origin)
        if self.outline is not None:
            depth[~inside(self.outline, at)] = np.nan
        for opening in self.openings:
            depth[inside(opening, at)] = np.nan
        return x, y, depth.reshape(len(y), len(x))

    def zones(self, zones: Mapping[str, object]) -> dict[str, ZoneDepth]:
        """Depth below first contact at which each zone is clean.

        ``zones``: name -> indices or mask of its points, or a polygon (k, 2) in mm. A polygon counts with the lowest
        place of the interpolant in it and with the pits of points inside.
        """
        if not isinstance(zones, Mapping):
            raise InputError("zones", zones, "name -> indices or mask of its points, or a polygon (k, 2)")
        return {name: self._zone(f"zones[{name!r}]", member) for name, member in zones.items()}

    def _zone(self, where: str, member: object) -> ZoneDepth:
        n = len(self.points)
        try:
            array = np.asarray(member)
        except ValueError:  # rows of different lengths
            array = np.zeros(0)
        if array.ndim == 2:
            polygon = as_polygon(where, member)
            held = np.flatnonzero(inside(polygon, self.points[:, :2]))
            lowest = -lowest_inside(self.points[:, :2], self.levelled_mm, polygon)
            deepest = float(self.to_clean_mm[held].max()) if len(held) else float("nan")
            depth = float(np.fmax(lowest, deepest))
            last = int(held[np.argmax(self.to_clean_mm[held])]) if len(held) and deepest >= depth else None
            return ZoneDepth(depth, last)
        if array.dtype == bool and array.shape == (n,):
            array = np.flatnonzero(array)
        if not (array.ndim == 1 and len(array) and array.dtype.kind in "iu" and array.min() >= 0 and array.max() < n):
            raise InputError(where, member, f"indices 0 to {n - 1}, a mask of {n}, or a polygon (k, 2)")
        last = int(array[np.argmax(self.to_clean_mm[array])])
        return ZoneDepth(float(self.to_clean_mm[last]), last)


@dataclass(frozen=True)
class ZoneDepth:
    """Depth at which a zone is clean, and its last point; None when the last place lies between points."""

    depth_mm: float
    last_to_clean: int | None


def cleanup(
    points: object,
    pits: object = None,
    slopes: object = None,
    parallel_limit_mm: float | None = None,
    datum_slopes: object = (0, 0),
    *,
    counts: object = None,
    outline: object = None,
    openings: object = (),
) -> Cleanup:
    """Depth at which the last untouched spot disappears.

    points (n, 3) mm; pits (n,) mm, depth below the face around, 0 where none. slopes: (0, 0) as clamped, (a, b) a given
    levelling, None the best levelling: the least t with z <= plane + t and z - pit >= plane.
    parallel_limit_mm bounds the best levelling: the greatest difference of finished height above the datum between any
    two places of the outline (of the points, where no outline is given); datum_slopes are the datum's in survey
    coordinates, (0, 0) only while the part sits on its datum unshimmed.
    counts (n,): which points must come clean (default all); the others can still be first contact.
    Raises `InputError` naming the field. Points on one line in plan have a depth, but no share, map or curve.
    Derived: the highest and the lowest counted place bound the zone, a linear programme finds the best levelling.

    >>> cut = cleanup([[0, 0, 0.10], [100, 0, 0], [0, 50, 0.10], [100, 50, 0]], pits=[0, 0, 0, 0.03], slopes=(0, 0))
    >>> round(cut.depth_mm, 9), cut.last_to_clean, round(cut.share_clean(0.05), 9)
    (0.13, 3, 0.5)
    """
    array = finite_array("points", points, (None, 3))
    n = len(array)
    if n == 0:
        raise InputError("points", points, "at least one point")
    depth_of_pits = _pits(pits, n)
    counted = _counts(counts, n)
    datum = finite_array("datum_slopes", datum_slopes, (2,))
    edge = None if outline is None else as_polygon("outline", outline)
    if not isinstance(openings, Sequence | np.ndarray) or isinstance(openings, str):
        raise InputError("openings", openings, "polygons, each (k, 2)")
    holes = tuple(as_polygon(f"openings[{k}]", opening) for k, opening in enumerate(openings))
    places, z = array[:, :2], array[:, 2]
    edge_places = (places if edge is None else edge) - places.mean(axis=0)
    floor = np.where(counted, z - depth_of_pits, np.inf)
    if parallel_limit_mm is not None:
        parallel_limit_mm = not_negative("parallel_limit_mm", parallel_limit_mm)
    if slopes is None:
        limit = None if parallel_limit_mm is None else SlopeLimit(edge_places, datum, parallel_limit_mm)
        band = narrowest_band(places, z, floor, limit)
        chosen = band.slopes + 0.0
        weights = np.concatenate([band.high_weights, band.low_weights])
    else:
        chosen = finite_array("slopes", slopes, (2,))
        weights = np.ones(2)
    height = _levelled(array, chosen)
    base = np.where(counted, height - depth_of_pits, np.inf)
    depth = float(height.max() - base.min())
    tie = _TIE * max(abs(depth), 1e-3 * np.ptp(height))
    return Cleanup(
        depth_mm=depth,
        slope_x=float(chosen[0]),
        slope_y=float(chosen[1]),
        first_contact=int(np.flatnonzero(height >= height.max() - tie)[0]),
        last_to_clean=int(np.flatnonzero(base <= base.min() + tie)[0]),
        parallel_mm=float(np.ptp(edge_places @ (chosen - datum))),
        uncertainty_share=float(np.sqrt((weights**2).sum())),
        points=array,
        pits=depth_of_pits,
        counts=counted,
        outline=edge,
        openings=holes,
    )


def _depths(depth_mm: object) -> np.ndarray:
    """Depths of any shape, finite."""
    try:
        shape = np.shape(depth_mm)
    except ValueError:  # rows of different lengths
        raise InputError("depth_mm", depth_mm, "a finite number or an array of them") from None
    return finite_array("depth_mm", depth_mm, shape) if shape else np.asarray(finite("depth_mm", depth_mm))


def _levelled(points: np.ndarray, slopes: np.ndarray) -> np.ndarray:
    return points[:, 2] - (points[:, :2] - points[:, :2].mean(axis=0)) @ slopes


def _pits(pits: object, n: int) -> np.ndarray:
    if pits is None:
        return np.zeros(n)
    array = finite_array("pits", pits, (n,))
    if (array < 0).any():
        worst = int(np.argmin(array))
        raise InputError(f"pits[{worst}]", float(array[worst]), "0 (no pit) or a depth above 0")
    return array


def _counts(counts: object, n: int) -> np.ndarray:
    if counts is None:
        return np.ones(n, dtype=bool)
    array = np.asarray(counts)
    if array.shape != (n,) or array.dtype != bool or not array.any():
        raise InputError("counts", counts, f"{n} true or false, at least one true")
    return array


@dataclass(frozen=True)
class Responsibility:
    """What the depth as clamped is made of; the four add up to ``depth_mm``.

    tilt_mm goes away with levelling; pits_mm with welding or accepting pits; bow_mm is the range of the fitted
    quadratic after levelling; local_mm is the rest. With fewer than five points bow and local cannot be told apart:
    ``bow_known`` is False and all of it stands under local.
    """

    depth_mm: float
    tilt_mm: float
    pits_mm: float
    bow_mm: float
    local_mm: float
    bow_known: bool

    def straighten_first(self, bow_limit_mm: float) -> bool:
        """Whether the bow is beyond the family's limit: straighten or reject before cutting."""
        return self.bow_mm > positive("bow_limit_mm", bow_limit_mm)


def responsibility(points: object, pits: object = None, *, counts: object = None) -> Responsibility:
    """Split the depth as clamped into tilt, pits, bow and local; arguments as for `cleanup`.

    The quadratic has all three terms from seven points on; with five or six, one bend along the longer direction, so
    that a single low spot is not taken for a bow. It never counts for more than the depth without pits.
    """
    clamped = cleanup(points, pits, (0, 0), counts=counts)
    levelled = cleanup(points, pits, None, counts=counts)
    smooth = cleanup(points, None, None, counts=counts)
    array = clamped.points
    n = len(array)
    bow = 0.0
    if n >= 5:
        centred = array[:, :2] - array[:, :2].mean(axis=0)
        directions = np.linalg.svd(centred, full_matrices=False)[2]
        reach = np.abs(centred @ directions.T).max(axis=0)
        u, v = (centred @ directions.T / np.where(reach > 0, reach, 1.0)).T
        bends = [u * u, u * v, v * v] if n >= 7 else [u * u]
        columns = np.column_stack([np.ones(n), u, v, *bends])
        fitted = columns @ np.linalg.lstsq(columns, smooth.levelled_mm, rcond=None)[0]
        bow = narrowest_band(array[:, :2], fitted, np.where(smooth.counts, fitted, np.inf)).width
        bow = min(max(bow, 0.0), smooth.depth_mm)
    return Responsibility(
        depth_mm=clamped.depth_mm,
        tilt_mm=clamped.depth_mm - levelled.depth_mm,
        pits_mm=levelled.depth_mm - smooth.depth_mm,
        bow_mm=bow,
        local_mm=smooth.depth_mm - bow,
        bow_known=n >= 5,
    )
