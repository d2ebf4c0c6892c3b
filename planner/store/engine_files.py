"""Engines as rows of the documented files, and back."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from planner.errors import InputError
from planner.shop import (
    ChamberReading,
    EngineFamily,
    EngineLimits,
    Family,
    HandOver,
    LiftCurve,
    MeasuredBank,
    MeasuredEngine,
    RaPlace,
    ReportedCut,
    Valve,
)
from planner.store import file_engine_tables as ft
from planner.store.file_rows import Row, noun_fields, noun_values

ENGINE_RENAMES: Mapping[str, str] = {"engine": "name"}
_VALVES = ("intake", "exhaust")
_NESTED = (
    *ft.LIMIT_COLUMNS,
    *(f"{v}_{n}" for v in _VALVES for n in ("angle_deg", "crown", "crank_deg", "lift")),
    "head_families",
    "case_families",
)
# the file's lists and the noun's own names part here
_DONE_RENAMES = {"job": "job_id"}


# -- reading -----------------------------------------------------------------------------------------------------------
def engine_fields(row: Row, family_id: Callable[[str, str], int | None]) -> dict[str, Any]:
    """Keyword arguments of an engine. ``family_id(column, name)`` looks a family up. Raises `InputError`."""
    fields = noun_fields(row, [c for c in ft.ENGINES.columns if c.name not in _NESTED], ENGINE_RENAMES)
    limits = noun_fields(row, [c for c in ft.ENGINES.columns if c.name in ft.LIMIT_COLUMNS])
    fields["limits"] = EngineLimits(**limits)
    for valve in _VALVES:
        fields[valve] = _valve(row, valve)
    for part in ("head", "case"):
        found = (family_id(f"{part}_families", name) for name in row.get(f"{part}_families") or ())
        fields[f"{part}_family_ids"] = tuple(i for i in found if i is not None)
    return fields


def _valve(row: Row, valve: str) -> Valve:
    angles, lifts = row.get(f"{valve}_crank_deg") or (), row.get(f"{valve}_lift") or ()
    if len(angles) != len(lifts):
        raise InputError(f"{valve}_lift", len(lifts), f"as many lifts as crank angles, {len(angles)}")
    told = {"angle_deg": row.get(f"{valve}_angle_deg"), "crown": row.get(f"{valve}_crown")}
    try:
        curve = LiftCurve(angles, lifts) if angles else None
        return Valve(**{k: v for k, v in told.items() if v is not None}, curve=curve)
    except InputError as wrong:
        raise InputError(f"{valve}_{wrong.field.rsplit('.', 1)[-1]}", wrong.value, wrong.accepted) from None


def read_engines(source: Any, families: Iterable[Family]) -> tuple[EngineFamily, ...]:
    """Every engine of a shop's files, numbered from 1. ``source``: the files (`shop_files.ShopFiles`)."""
    known = {f.name: f.id for f in families}
    number = iter(range(1, 1_000_000))

    def family_id(column: str, name: str) -> int:
        if name not in known:
            raise InputError(column, name, "families of families.csv")
        return known[name]

    return source.nouns(ft.ENGINES, lambda r: EngineFamily(**engine_fields(r, family_id), id=next(number)))


def read_measured(source: Any, engine_ids: Mapping[str, int]) -> tuple[MeasuredEngine, ...]:
    """Every measured engine, numbered from 1: its banks are rows of one file, its chambers of another."""
    chambers: dict[tuple[str, str], list[ChamberReading]] = {}
    columns = [c for c in ft.CHAMBERS.columns if c.name not in ("engine_serial", "bank")]
    for row in source.rows(ft.CHAMBERS):
        at = (row.get("engine_serial"), row.get("bank") or "")
        chambers.setdefault(at, []).append(ChamberReading(**noun_fields(row, columns)))
    reported: dict[tuple[str, str], list[ReportedCut]] = {}
    columns = [c for c in ft.REPORTED_CUTS.columns if c.name not in ("engine_serial", "bank")]
    for row in source.rows(ft.REPORTED_CUTS):
        at = (row.get("engine_serial"), row.get("bank") or "")
        reported.setdefault(at, []).append(ReportedCut(**noun_fields(row, columns)))
    own = ("engine_serial", "engine", "measured_on", "by", "engine_notes")
    columns = [c for c in ft.MEASURED_BANKS.columns if c.name not in own]
    first: dict[str, Row] = {}
    banks: dict[str, list[MeasuredBank]] = {}

    def bank(row: Row) -> None:
        serial = row.get("engine_serial")
        if row.get("engine") not in engine_ids:
            raise InputError("engine", row.get("engine"), "an engine of engines.csv")
        first.setdefault(serial, row)
        fields = noun_fields(
            row, columns, {"bank": "name", "gaskets": "gasket_after", "gasket_after": "gasket_after_mm"}
        )
        at = (serial, row.get("bank") or "")
        told = {"name": "", "chambers": tuple(chambers.get(at, ())), "reported": tuple(reported.get(at, ()))}
        banks.setdefault(serial, []).append(MeasuredBank(**(told | fields)))

    source.nouns(ft.MEASURED_BANKS, bank)
    return tuple(
        MeasuredEngine(
            serial,
            engine_ids[row.get("engine")],
            id=number,
            measured_on=row.get("measured_on"),
            # a row that names no bank and measures nothing stands for an engine of which only the kind is known
            banks=tuple(b for b in banks[serial] if b != MeasuredBank("")),
            by=row.get("by") or "",
            notes=row.get("engine_notes") or "",
        )
        for number, (serial, row) in enumerate(first.items(), start=1)
    )


def read_hand_overs(source: Any) -> tuple[HandOver, ...]:
    columns = [c for c in ft.HAND_OVERS.columns if c.name not in ("ra", "ra_places")]
    number = iter(range(1, 10_000_000))

    def build(row: Row) -> HandOver:
        places, read = row.get("ra_places") or (), row.get("ra") or ()
        if places and len(places) != len(read):
            raise InputError("ra_places", len(places), f"a place for each of the {len(read)} readings, or none")
        ra = tuple(RaPlace("" if p == "-" else p, v) for p, v in zip(places or ("-",) * len(read), read, strict=True))
        return HandOver(**noun_fields(row, columns, _DONE_RENAMES), ra=ra, id=next(number))

    return source.nouns(ft.HAND_OVERS, build)


# -- writing -----------------------------------------------------------------------------------------------------------
def engine_row(engine: EngineFamily, families: Mapping[int, Family]) -> dict[str, Any]:
    """Columns of an engine's file."""
    row = noun_values(engine, ft.ENGINES.columns, ENGINE_RENAMES)
    row |= noun_values(engine.limits, ft.ENGINES.columns)
    for valve in _VALVES:
        own = getattr(engine, valve)
        row |= {f"{valve}_angle_deg": own.angle_deg, f"{valve}_crown": own.crown}
        if own.curve is not None:
            row |= {f"{valve}_crank_deg": own.curve.crank_deg, f"{valve}_lift": own.curve.lift_mm}
    return row | {
        "head_families": tuple(families[i].name for i in engine.head_family_ids if i in families),
        "case_families": tuple(families[i].name for i in engine.case_family_ids if i in families),
    }


def bank_rows(measured: MeasuredEngine, engine: EngineFamily) -> Iterable[dict[str, Any]]:
    for bank in measured.banks or (MeasuredBank(""),):
        row = noun_values(bank, ft.MEASURED_BANKS.columns, {"bank": "name"})
        yield row | {
            "engine_serial": measured.serial,
            "engine": engine.name,
            "measured_on": measured.measured_on,
            "gasket_after": bank.gasket_after_mm,
            "gaskets": bank.gasket_after,
            "by": measured.by,
            "engine_notes": measured.notes,
        }


def chamber_rows(measured: MeasuredEngine) -> Iterable[dict[str, Any]]:
    for bank in measured.banks:
        for reading in bank.chambers:
            yield noun_values(reading, ft.CHAMBERS.columns) | {"engine_serial": measured.serial, "bank": bank.name}


def reported_rows(measured: MeasuredEngine) -> Iterable[dict[str, Any]]:
    for bank in measured.banks:
        for cut in bank.reported:
            yield noun_values(cut, ft.REPORTED_CUTS.columns) | {"engine_serial": measured.serial, "bank": bank.name}


def hand_over_row(done: HandOver) -> dict[str, Any]:
    row = noun_values(done, [c for c in ft.HAND_OVERS.columns if c.name != "ra"], _DONE_RENAMES)
    return row | {"ra_places": tuple(r.place or "-" for r in done.ra), "ra": tuple(r.ra_um for r in done.ra)}
