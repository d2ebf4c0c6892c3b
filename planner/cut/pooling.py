"""Partial pooling: what a thin record leans on, and how that is said to people."""

from __future__ import annotations

from dataclasses import dataclass

from planner.errors import not_negative

PRIOR_RECORDS = 5.0
"""What the level above is worth, in records of the level below."""


@dataclass(frozen=True)
class PooledFrom:
    """Records behind a learned figure: of the family itself, of other families of its kind, of the rest of the shop."""

    family: int = 0
    kind: int = 0
    shop: int = 0

    def __post_init__(self) -> None:
        for name in ("family", "kind", "shop"):
            not_negative(f"records.{name}", getattr(self, name))

    @property
    def learned(self) -> bool:
        """Any record at all; else the figure is a starting value."""
        return bool(self.family or self.kind or self.shop)

    @property
    def borrowed(self) -> bool:
        """The family's own record is thin (below three times what it leans on), and there are others to lean on."""
        return self.family < 3 * PRIOR_RECORDS and bool(self.kind or self.shop)

    @property
    def words(self) -> str:
        """The origin in plain words."""
        if not self.learned:
            return "starting value"
        own = f"learned from {_records(self.family)} of this family"
        if not self.borrowed:
            return own
        lent = [f"{_records(n)} of {whose}" for n, whose in ((self.kind, "its kind"), (self.shop, "the shop")) if n]
        borrowed = "borrowing from " + " and ".join(lent)
        return f"{own}, {borrowed}" if self.family else f"no record of this family yet, {borrowed}"


def _records(count: int) -> str:
    return f"{count} record" if count == 1 else f"{count} records"
