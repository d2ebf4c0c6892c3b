"""Surfacing planner: the week of a shop that resurfaces cylinder heads and case halves."""

from planner.errors import InputError, LimitOfValidity

__all__ = ["InputError", "LimitOfValidity"]
