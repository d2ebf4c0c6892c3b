"""What is measured on one engine: which kind it is, clearances, chambers, gaskets. What stays empty stays unknown."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import streamlit as st

from planner import InputError
from planner.match import EngineStacks, engine_parts
from planner.screens import access
from planner.screens.engine_words import capital
from planner.screens.fields import UNKNOWN
from planner.screens.forms import Field, Form
from planner.screens.said import act
from planner.shop import ChamberReading, MeasuredBank, MeasuredEngine, Part, ReportedCut, Shop, StackFace
from planner.units import Units, read_number

_CLEARANCES = (
    ("deck_clearance_mm", "Piston below the deck", "depth", "At top dead centre; negative: it stands out."),
    ("intake_mm", "Intake valve to piston", "depth", "The least of the bank, measured on the engine."),
    ("exhaust_mm", "Exhaust valve to piston", "depth", "The least of the bank, measured on the engine."),
    ("preload_mm", "Preload", "depth", "Of the lifters, measured."),
    ("gasket_before_mm", "Gasket before, crushed", "length", ""),
)


def which(shop: Shop, parts: Sequence[Part]) -> None:
    """Say which kind of engine these parts belong to."""
    serials = {p.engine_serial.strip() for p in parts}
    if len(serials) != 1 or "" in serials or not shop.engines:
        return
    serial = serials.pop()
    key = f"engine/which/{access.kind()}/{serial}"
    with st.container(horizontal=True, vertical_alignment="bottom"):
        st.selectbox(
            "Kind of engine",
            list(shop.engines),
            format_func=lambda i: shop.engines[i].name,
            key=key,
            persist_state="session",
            width=360,
        )
        st.button("That is it", key=f"{key}/store", on_click=act, args=(_is, shop, serial, key))


def _is(shop: Shop, serial: str, key: str) -> str:
    store, known = access.repository(), shop.measured_engine(serial)
    chosen = st.session_state[key]
    if known is None:
        store.add(MeasuredEngine(serial, chosen), by=access.who(), at=access.now())
    else:
        store.save(replace(known, engine_id=chosen), by=access.who(), at=access.now())
    return f"Engine {serial} is a {shop.engines[chosen].name}."


def measured(shop: Shop, found: EngineStacks, units: Units) -> None:
    """The form of what was measured on this engine."""
    serial = next(p.engine_serial for own in found.parts.values() for p in own)
    known = found.measured or MeasuredEngine(serial, found.family.id)
    names = ["" if b.name == "the engine" else b.name for b in found.banks]
    fields = [
        Field("measured_on", "Measured on", "date", help="Cuts from that day on come after these figures."),
        Field("by", "By"),
    ]
    values: dict[str, Any] = {"measured_on": known.measured_on, "by": known.by or access.who()}
    for n, name in enumerate(names):
        bank = known.bank(name)
        of = f", {name}" if name else ""
        for field, label, kind, told in _CLEARANCES:
            fields.append(Field(f"{field} {n}", label + of, kind, help=told))
            values[f"{field} {n}"] = getattr(bank, field)
        fields.append(Field(f"same_gasket {n}", f"The same thickness goes back{of}", "flag"))
        values[f"same_gasket {n}"] = bank.same_gasket
        for turn in (1, 2):
            again = "" if turn == 1 else " again, at another height"
            fields += [
                Field(
                    f"chambers {n} {turn}",
                    f"Chambers{again} (cm³){of}",
                    help="One after another, by cylinder, with commas; - for one not measured. Two heights give the "
                    "chamber's area at the face.",
                    placeholder=", ".join(["-"] * found.family.cylinders),
                ),
                Field(
                    f"height {n} {turn}",
                    f"… with the head this high{of}",
                    "height",
                    help="Mean over its measuring points. Empty: as it arrived, before the cuts.",
                ),
            ]
        for turn, (volumes, height) in enumerate(_series(bank), start=1):
            values[f"chambers {n} {turn}"], values[f"height {n} {turn}"] = volumes, height
    record = known.id or f"new {serial}"
    form = Form("measured engine", record, fields, values, units, access.repository(), known.version)
    form.draw("measured_on", "by", columns=4)
    for n, name in enumerate(names):
        if name:
            # a bank called 1 is no heading
            st.markdown(f"**{f'Bank {name}' if name.isdigit() else capital(name)}**")
        form.draw(*(f"{field} {n}" for field, *_ in _CLEARANCES), f"same_gasket {n}", columns=3)
        form.draw(*(f"{w} {n} {t}" for t in (1, 2) for w in ("chambers", "height")), columns=4)
    form.say()
    form.button("Keep with the engine", lambda v: _store(known, names, v))


def elsewhere(shop: Shop, found: EngineStacks, units: Units) -> None:
    """On which bank a part is, where its position does not tell, and cuts of the stack made elsewhere."""
    serial = next(p.engine_serial for own in found.parts.values() for p in own)
    known = found.measured or MeasuredEngine(serial, found.family.id)
    names = {("" if b.name == "the engine" else b.name): b.name for b in found.banks}
    record = known.id or f"new {serial}"
    if len(names) > 1:
        tags = [p.tag for p in engine_parts(shop, found.family, serial)]
        fields = [
            Field("tag", "Part", "choice", options=tags, required=True),
            Field("bank", "Is on the bank", "choice", options={"": "as its position says"} | names, required=True),
        ]
        form = Form("bank of a part", record, fields, {"bank": ""}, units, access.repository(), known.version)
        form.draw(columns=2)
        form.say()
        form.button("Keep the bank", lambda v: _put_on(known, v), primary=False)
    for name, bank in ((n, known.bank(n)) for n in names):
        for i, cut in enumerate(bank.reported):
            st.markdown(
                f"{names[name]}: {units.depth(cut.removed_mm)} off the {cut.face.value}, {cut.on:%d %b %Y}, as {cut.said_by} "
                "said; not measured here."
            )
            key = f"reported/{record}/{name}/{i}"
            st.button("Drop it", key=key, on_click=act, args=(_drop, known, bank, i))
    fields = [
        Field("bank", "Bank", "choice", options=names, required=True),
        Field("face", "Face", "choice", options={f: f.value for f in StackFace}, required=True),
        Field("removed_mm", "Taken off", "depth", required=True),
        Field(
            "on", "Date", "date", required=True, help="Cuts before the engine was measured are in what was measured."
        ),
        Field("said_by", "Who said so", required=True),
        Field("note", "Note"),
    ]
    form = Form("cut elsewhere", record, fields, {"bank": next(iter(names))}, units, access.repository(), known.version)
    form.draw(columns=3)
    form.say()
    form.button("Keep this cut", lambda v: _reported(known, v), primary=False)


def _put_on(known: MeasuredEngine, values: dict[str, Any]) -> str:
    tag, name = values["tag"], values["bank"]
    banks = tuple(replace(b, parts=tuple(t for t in b.parts if t.casefold() != tag.casefold())) for b in known.banks)
    changed = replace(known, banks=banks)
    if name:
        bank = changed.bank(name)
        changed = changed.with_bank(replace(bank, parts=(*bank.parts, tag)))
    return _keep(changed)


def _reported(known: MeasuredEngine, values: dict[str, Any]) -> str:
    told = {k: v or "" if k == "note" else v for k, v in values.items() if k != "bank"}
    bank = known.bank(values["bank"] or "")
    return _keep(known.with_bank(replace(bank, reported=(*bank.reported, ReportedCut(**told)))))


def _drop(known: MeasuredEngine, bank: MeasuredBank, place: int) -> str:
    left = tuple(c for i, c in enumerate(bank.reported) if i != place)
    return _keep(known.with_bank(replace(bank, reported=left)))


def _keep(changed: MeasuredEngine) -> str:
    store = access.repository()
    (store.add if changed.id is None else store.save)(changed, by=access.who(), at=access.now())
    return "Kept with the engine."


def _series(bank: MeasuredBank) -> list[tuple[str, float | None]]:
    """The measured volumes as they are typed, one line a head height, two at most."""
    by_height: dict[float | None, dict[int, float]] = {}
    for c in bank.chambers:
        by_height.setdefault(c.height_mm, {})[c.cylinder] = c.volume_cm3
    found = []
    for height, volumes in list(by_height.items())[:2]:
        last = max(volumes)
        found.append((", ".join(f"{volumes[i]:g}" if i in volumes else "-" for i in range(1, last + 1)), height))
    return found or [("", None)]


def read_volumes(field: str, said: str, height_mm: float | None) -> tuple[ChamberReading, ...]:
    """Chamber volumes as typed, cm³: a figure for each cylinder in order, "-" or "unknown" for one not measured."""
    found = []
    pieces = [p.strip() for p in said.replace(";", ",").split(",")] if said.strip() else []
    for cylinder, piece in enumerate(pieces, start=1):
        if piece in ("", "-", "–", UNKNOWN):
            continue
        value = read_number(field, piece.removesuffix("cm³").removesuffix("cc").strip())
        if not 0 < value < 5000:
            raise InputError(field, piece, "volumes above 0 cm³, such as 41.2, 41.6, -")
        found.append(ChamberReading(cylinder, value, height_mm))
    return tuple(found)


def _store(known: MeasuredEngine, names: Sequence[str], values: dict[str, Any]) -> str:
    banks = []
    for n, name in enumerate(names):
        chambers: tuple[ChamberReading, ...] = ()
        for turn in (1, 2):
            field = f"chambers {n} {turn}"
            chambers += read_volumes(field, values[field] or "", values[f"height {n} {turn}"])
        if len({(c.cylinder, c.height_mm) for c in chambers}) < len(chambers):
            raise InputError(f"height {n} 2", "", "another height than the first, for chambers measured again")
        told = {field: values[f"{field} {n}"] for field, *_ in _CLEARANCES}
        told["same_gasket"] = bool(values[f"same_gasket {n}"])
        if told["same_gasket"]:
            told |= {"gasket_after": (), "gasket_after_mm": None}
        banks.append(replace(known.bank(name), chambers=chambers, **told))
    changed = replace(known, measured_on=values["measured_on"], by=values["by"], banks=tuple(banks))
    store = access.repository()
    (store.add if changed.id is None else store.save)(changed, by=access.who(), at=access.now())
    return "Kept with the engine."
