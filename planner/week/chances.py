"""Which chances of being on time bear on a decision: those that two plans give differently, and those of jobs that
somebody singled out (rushed, pinned, asked about)."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from planner.errors import InputError, finite

__all__ = ["DIFFERS", "deciding", "of_ten"]

DIFFERS = 0.1
"""Chances this far apart are another chance to a lead, and far beyond what a thousand sampled weeks scatter."""


def deciding(
    chance: pd.Series, beside: pd.Series | None = None, at_stake: Iterable[str] = (), differs: float = DIFFERS
) -> pd.DataFrame:
    """The jobs whose chance bears on a decision, the greatest difference first.

    ``chance``: by job id, 0 to 1, NaN without a due time; ``beside``: the same under the other plan; ``at_stake``: ids
    of jobs that are told whatever the other plan says. Columns ``chance``, ``beside`` (NaN: unknown there) and
    ``differs``. Raises `InputError` for chances outside 0 to 1.
    """
    if not 0 < finite("differs", differs) <= 1:
        raise InputError("differs", differs, "a number above 0, at most 1")
    frame = pd.DataFrame({"chance": chance.astype(float)})
    frame["beside"] = float("nan") if beside is None else beside.astype(float).reindex(frame.index)
    for name in ("chance", "beside"):
        wrong = frame[name][(frame[name] < 0) | (frame[name] > 1)]
        if len(wrong):
            raise InputError(name, float(wrong.iloc[0]), "chances from 0 to 1")
    apart = (frame["chance"] - frame["beside"]).abs()
    # nobody decides by a difference that the words do not show
    told = frame.fillna(0.0).map(of_ten)
    frame["differs"] = (apart >= differs - 1e-9) & (told["chance"] != told["beside"])
    frame = frame[frame["chance"].notna() & (frame["differs"] | frame.index.isin(list(at_stake)))]
    return frame.loc[apart[frame.index].fillna(-1.0).sort_values(ascending=False, kind="stable").index]


def of_ten(chance: float) -> str:
    """ "8 of 10"."""
    count = round(chance * 10)
    if count == 0 and chance > 0:
        return "less than 1 of 10"
    if count == 10 and chance < 1:
        return "more than 9 of 10"
    return f"{count} of 10"
