"""Tables in the form in which they go to the browser (Arrow). Made of rows there is no data frame in between, which
takes several times as long to make and to send as all the rest of a small table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd
import pyarrow as pa


def rows_table(rows: Sequence[Mapping[str, Any]]) -> pa.Table:
    """A table of rows that all name the same columns, in the first row's order. None is an empty cell."""
    return pa.Table.from_pylist(list(rows))


def sent(frame: pd.DataFrame) -> pa.Table:
    """A data frame ready to be sent again and again: for one that is kept."""
    return pa.Table.from_pandas(frame, preserve_index=False)
