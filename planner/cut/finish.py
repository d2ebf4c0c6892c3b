"""Roughness of the finished face: from feed and corner, against the gasket's band, and learned from readings.

Rz of a fed arc is f²/(8 r) and its Ra f²/(18 sqrt(3) r), 2.6 % above the textbook's f²/(32 r) (Groover, Fundamentals of
Modern Manufacturing, surface chapter, uses 1/32). Real Ra is modelled as sqrt((ratio × theory)² + floor²). Ra is never
converted to Rz of a real surface: there is no fixed ratio.
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

from planner.errors import InputError, LimitOfValidity, each, finite_array, not_negative, plain, positive

_ARC_RA = 18.0 * math.sqrt(3.0)
_UM = 1000.0

# Common practice, from memory, no source: what a shop without readings of its own starts from.
STARTING_RATIO = 1.25
STARTING_FLOOR_UM = 0.2


def theoretical_rz(feed_mm: ArrayLike, radius_mm: ArrayLike):
    """Height [µm] of the profile a corner of this radius [mm] leaves at this feed [mm]: f² / (8 r).

    A number for numbers, an array for arrays. Warns `LimitOfValidity` where the feed is above the radius: the parabola
    is then more than 7 % below the arc. Raises `InputError` where it is above twice the radius (arcs no longer meet).
    """
    feed, radius = _arc(feed_mm, radius_mm)
    return plain(feed / radius * feed / 8.0 * _UM)


def theoretical_ra(feed_mm: ArrayLike, radius_mm: ArrayLike):
    """Ra [µm] of the profile a corner of this radius [mm] leaves at this feed [mm]: f² / (18 sqrt(3) r).

    Shapes, warning and error as `theoretical_rz`.

    >>> round(theoretical_ra(0.25, 1.2), 2)
    1.67
    """
    feed, radius = _arc(feed_mm, radius_mm)
    return plain(feed / radius * feed / _ARC_RA * _UM)


def feed_for_ra(ra_um: ArrayLike, radius_mm: ArrayLike, ratio: ArrayLike = 1.0):
    """Feed [mm] at which ratio × theory gives this Ra [µm] with a corner of this radius [mm]: sqrt(18 sqrt(3) r Ra).

    A number for numbers, an array for arrays. Warns `LimitOfValidity` and raises `InputError` as `theoretical_ra` does
    at that feed.
    """
    ra, radius, times = each(ra_um=(positive, ra_um), radius_mm=(positive, radius_mm), ratio=(positive, ratio))
    feed = np.sqrt(_ARC_RA * radius * (ra / times) / _UM)
    _within_arc(feed, radius, "ra_um", ra_um)
    return plain(feed)


@dataclass(frozen=True)
class Corner:
    """What shapes the face: the corner's radius [mm] (half the diameter of a round insert), or a wiper flat [mm]."""

    radius_mm: float
    wiper_mm: float = 0.0

    def __post_init__(self) -> None:
        positive("radius_mm", self.radius_mm)
        not_negative("wiper_mm", self.wiper_mm)

    @classmethod
    def round(cls, diameter_mm: float) -> Corner:
        """The corner of a round insert."""
        return cls(positive("diameter_mm", diameter_mm) / 2.0)


@dataclass(frozen=True)
class FinishModel:
    """Real Ra of one material with one grade: sqrt((ratio × theory)² + floor²), and what it was learned from."""

    ratio: float = STARTING_RATIO
    floor_um: float = STARTING_FLOOR_UM
    records: int = 0
    scatter: float = 0.0
    """Standard deviation of log(read / modelled); 0 while there is no record."""

    def __post_init__(self) -> None:
        positive("ratio", self.ratio)
        not_negative("floor_um", self.floor_um)
        not_negative("records", self.records)
        not_negative("scatter", self.scatter)

    @property
    def origin(self) -> str:
        return f"learned from {self.records} readings" if self.records else "starting value"

    def ra_um(self, feed_mm: float, corner: Corner) -> float:
        """Ra [µm] to expect at the feed [mm] that makes the profile; under a wiper longer than it the floor rules."""
        if positive("feed_mm", feed_mm) <= corner.wiper_mm:
            return self.floor_um
        return math.hypot(self.ratio * theoretical_ra(feed_mm, corner.radius_mm), self.floor_um)

    def bounds_um(self, feed_mm: float, inserts: int, corner: Corner) -> tuple[float, float]:
        """Least and greatest Ra [µm]: all inserts level (feed per insert), or one proud alone (feed per revolution)."""
        count = _inserts(inserts)
        return self.ra_um(feed_mm, corner), self.ra_um(feed_mm * count, corner)


@dataclass(frozen=True)
class FeedWindow:
    """Feeds per insert [mm] that keep Ra inside a band; ``reason`` says why it is empty."""

    least_mm: float
    greatest_mm: float
    reason: str = ""

    @property
    def possible(self) -> bool:
        return not self.reason


def feed_window(
    model: FinishModel,
    inserts: int,
    corner: Corner,
    band_least_um: float | None = None,
    band_greatest_um: float | None = None,
) -> FeedWindow:
    """Least and greatest feed per insert [mm] for a band of Ra [µm].

    The lower end holds with all inserts level, the upper with one proud.
    ``greatest_mm`` is inf where the band has no upper end. An unreachable band is a result with its reason, no error.
    """
    least, greatest = _band(band_least_um, band_greatest_um)
    count = _inserts(inserts)
    if greatest < model.floor_um or (greatest == model.floor_um and not corner.wiper_mm):
        return FeedWindow(0.0, 0.0, "smoother than this grade leaves at any feed")
    low = 0.0
    if least > model.floor_um:
        low = _feed_at(model, least, corner)
        low = max(low, corner.wiper_mm)
    high = math.inf if math.isinf(greatest) else max(_feed_at(model, greatest, corner), corner.wiper_mm) / count
    if low > high:
        why = (
            "with several inserts one proud is too rough, all level too smooth"
            if count > 1
            else "the band is too narrow"
        )
        return FeedWindow(low, high, why)
    return FeedWindow(low, high)


def learn_finish(
    feed_mm: ArrayLike,
    radius_mm: ArrayLike,
    ra_um: ArrayLike,
    prior: FinishModel | None = None,
    prior_records: float = 5.0,
    wiper_mm: float = 0.0,
) -> FinishModel:
    """Ratio and floor from readings of Ra [µm] at acting feeds [mm] and corner radii [mm], all shape (n,).

    Least squares of log(read / modelled) (readings scatter in proportion), drawn toward ``prior`` (default: the
    starting values) with the worth of ``prior_records`` readings, on the logs of ratio and floor; soft_l1 loss keeps
    one wild reading from ruling. Without readings the prior comes back unchanged. A wiper flat [mm] at least as long as
    the feed leaves the floor alone: such readings say nothing of the ratio.
    """
    prior = prior if prior is not None else FinishModel()
    feed = finite_array("feed_mm", feed_mm, (None,))
    one = np.isscalar(radius_mm)
    radius = finite_array("radius_mm", np.full(feed.shape, radius_mm) if one else radius_mm, feed.shape)
    read = finite_array("ra_um", ra_um, feed.shape)
    for name, values in (("feed_mm", feed), ("radius_mm", radius), ("ra_um", read)):
        if not (values > 0).all():
            raise InputError(name, float(values.min()), "numbers above 0")
    if feed.size == 0:
        return prior
    theory = np.where(feed <= not_negative("wiper_mm", wiper_mm), 0.0, feed**2 / (_ARC_RA * radius) * _UM)
    centre = np.log([prior.ratio, max(prior.floor_um, 1e-3)])
    noise = 0.15  # usual scatter of repeated readings on one face, as a log; sets the scale of the robust loss
    pull = math.sqrt(positive("prior_records", prior_records)) / 2.0

    def residuals(logs: np.ndarray) -> np.ndarray:
        ratio, floor = np.exp(logs)
        return np.concatenate([np.log(read / np.hypot(ratio * theory, floor)) / noise, (logs - centre) * pull])

    found = scipy.optimize.least_squares(residuals, centre, loss="soft_l1")
    ratio, floor = np.exp(found.x)
    left = np.log(read / np.hypot(ratio * theory, floor))
    scatter = float(1.4826 * np.median(np.abs(left - np.median(left)))) if feed.size > 2 else 0.0
    return FinishModel(float(ratio), float(floor), int(feed.size), scatter)


def _feed_at(model: FinishModel, ra_um: float, corner: Corner) -> float:
    """Acting feed [mm] at which the arc gives this Ra, as far as arcs meet; 0 at or below the floor."""
    if ra_um <= model.floor_um:
        return 0.0
    arc = math.sqrt((ra_um - model.floor_um) * (ra_um + model.floor_um))
    return min(math.sqrt(_ARC_RA * corner.radius_mm * arc / model.ratio / _UM), 2.0 * corner.radius_mm)


def _arc(feed_mm, radius_mm):
    feed, radius = each(feed_mm=(positive, feed_mm), radius_mm=(positive, radius_mm))
    _within_arc(feed, radius, "feed_mm", feed_mm)
    return feed, radius


def _within_arc(feed, radius, field: str, value) -> None:
    """Refuse, or warn, where the arc no longer makes the profile the formulas tell."""
    if np.any(feed / 2 > radius):
        wanted = "a feed of at most twice the corner radius: wider apart the arcs do not meet"
        raise InputError(field, value, wanted)
    if np.any(feed > radius):
        warnings.warn(
            "feed above the corner radius: the parabola is over 7 % below the arc; take a larger corner or less feed",
            LimitOfValidity,
            stacklevel=4,
        )


def _inserts(inserts: int) -> int:
    number = positive("inserts", inserts)
    if number != int(number):
        raise InputError("inserts", inserts, "a whole number of 1 or more")
    return int(number)


def _band(least_um: float | None, greatest_um: float | None) -> tuple[float, float]:
    least = 0.0 if least_um is None else not_negative("band_least_um", least_um)
    greatest = math.inf if greatest_um is None else positive("band_greatest_um", greatest_um)
    if greatest < least:
        raise InputError("band_greatest_um", greatest_um, f"at least the band's lower end, {least:g}")
    return least, greatest
