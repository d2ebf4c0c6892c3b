"""What the cuts of a set do to its engine: figures of every bank before and after, what a deeper cut would do, the
gasket to use, the manifold's faces, dimensions that change with the cut, and the hand-over."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pandas as pd
import streamlit as st

from planner import InputError
from planner.match import (
    GUIDE,
    EngineEffects,
    EngineStacks,
    GasketChoice,
    choose_gaskets,
    engine_effects,
    stacks_of,
    vee_correction,
)
from planner.screens import access, engine_depths, engine_drawing, engine_forms, hand_over
from planner.screens.engine_words import LABELS, alike, capital, figure, first_words, limit, none_fits, room
from planner.screens.kept import kept
from planner.screens.said import act
from planner.shop import EngineFamily, MeasuredBank, MeasuredEngine, Part, PartKind, Shop
from planner.store import Kind
from planner.units import Units
from planner.week.queue import Queue
from planner.week.set_view import SetView

THREE_THOU_MM = 3 * 0.0254


def draw(shop: Shop, queue: Queue, view: SetView, units: Units) -> None:
    """The engine of one matched set, under its heights."""
    jobs = [shop.jobs[j] for j in view.matched.job_ids if j in shop.jobs]
    parts = {shop.part_of(j).id: shop.part_of(j) for j in jobs}
    st.subheader("What the cuts do to the engine")
    found = stacks(shop, queue, tuple(parts.values()))
    if isinstance(found, str):
        st.caption(found)
        engine_forms.which(shop, tuple(parts.values()))
    else:
        _panel(shop, found, units)
    engine_depths.draw_set(shop, queue, jobs, units)
    hand_over.draw(shop, view.matched, found if isinstance(found, EngineStacks) else None, units)


def stacks(shop: Shop, queue: Queue, parts: tuple[Part, ...]) -> EngineStacks | str:
    """The stacks of the engine these parts belong to, or why there are none."""
    serials = {p.engine_serial.strip().casefold() for p in parts}
    if len(serials) != 1 or "" in serials:
        return "No engine: enter the same engine serial on the page of each member, then its figures stand here."
    serial = parts[0].engine_serial
    kinds = {id(e): e for p in parts if (e := shop.engine_of(p)) is not None}
    if not kinds:
        if not shop.engines:
            return (
                "No kind of engine is entered yet. Enter bore, stroke and what else you know on the page Shop, Engines."
            )
        return f"Which kind of engine is {serial}?"
    if len(kinds) > 1:
        return f"Which kind of engine is {serial}?"
    family = next(iter(kinds.values()))
    return _stacks(access.kind(), *access.versions(), access.units().system, family, serial)


@st.cache_resource(max_entries=64, show_spinner=False, hash_funcs={EngineFamily: lambda e: (e.id, e.version)})
def _stacks(which: Kind, version: int, records: int, system, family: EngineFamily, serial: str) -> EngineStacks | str:
    shop, queue = access.shop(), access.queue()
    own = [p for p in shop.parts.values() if p.engine_serial.strip().casefold() == serial.strip().casefold()]
    cuts = {p.id: engine_depths.cuts_of(p) for p in own}
    try:
        return stacks_of(shop, family, serial, cuts, planned(queue))
    except InputError as wrong:
        return f"The engine's figures do not fit together: {wrong.field} must be {wrong.accepted}."


def planned(queue: Queue) -> Mapping[int, float]:
    """What each open job is planned to take off the height, mm: as its set asks, else as it will likely come clean."""
    found = {job_id: e.stop_likely_mm for job_id, e in queue.estimates.items()}
    for view in queue.sets.values():
        found |= {j: cut for j, cut in view.cuts_mm.items() if j in found}
    return found


# -- figures -----------------------------------------------------------------------------------------------------------
def _panel(shop: Shop, found: EngineStacks, units: Units) -> None:
    measured, family = found.measured, found.family
    said = f"{family.name}, {found_serial(found)}"
    if measured is None:
        said += "; nothing is measured on this engine yet"
    elif measured.measured_on is not None:
        said += f"; measured {measured.measured_on:%d %b %Y}" + (f" by {measured.by}" if measured.by else "")
    st.caption(said + f". {GUIDE}")
    for problem in found.problems:
        st.warning(capital(problem) + ".")
    head_mm, deck_mm = _what_if(found, units)
    try:
        _, effects = _effects(id(found), head_mm, deck_mm, units.inch, found)
    except InputError as wrong:
        st.error(f"This cut cannot be: {wrong.field} must be {wrong.accepted}.")
        return
    for past, words in _first(found, effects, units):
        (st.error if past else st.info)(words, icon=":material/straighten:" if not past else ":material/error:")
    # a table that wraps: on a tablet the reasons are longer than their columns
    st.table(figures(found, effects, units).set_index("Figure"))
    st.caption(_agreement(found, effects, units))
    _line_bore(found)
    _intake_due(found, units)
    for label, body in (
        ("Chambers, one by one, and the cuts of each bank", _details),
        ("Which gasket", _gaskets),
        ("Measured on this engine", engine_forms.measured),
        ("Parts on its banks, and cuts made elsewhere", engine_forms.elsewhere),
    ):
        section = st.expander(label, on_change="rerun", key=f"engine/{label}")
        if section.open:
            with section:
                body(shop, found, units)
    if family.has_vee_manifold:
        section = st.expander("Intake side: manifold and end rails", on_change="rerun", key="engine/vee")
        if section.open:
            with section:
                _vee(found, head_mm + deck_mm, units)


@kept(64)
def _effects(
    found_id: int, head_mm: float, deck_mm: float, inch: bool, _found: EngineStacks
) -> tuple[EngineStacks, EngineEffects]:
    # the stacks, themselves kept, are held beside their figures: no others can come by their id
    return _found, engine_effects(
        _found.engine,
        _found.deeper(head_mm, deck_mm),
        metal_heights_mm=_deeper_metal(_found, head_mm + deck_mm),
        headroom_step_mm=0.1 * 0.0254 if inch else 0.001,
    )


def found_serial(found: EngineStacks) -> str:
    return next(p.engine_serial for own in found.parts.values() for p in own)


def _what_if(found: EngineStacks, units: Units) -> tuple[float, float]:
    """How much more (or less) off every head and deck is looked at: 0 as planned."""
    cases = bool(found.family.case_family_ids)
    step = 1.0 if units.inch else 0.025
    key = f"engine/what if/{units.system}/{found.family.id}"
    more = []
    columns = st.columns([2, 2, 3] if cases else [2, 5], vertical_alignment="bottom")
    for column, where in zip(columns, ("heads", "decks") if cases else ("heads",), strict=False):
        label = f"What if this much more off the {where} ({units.depth_unit})"
        value = column.number_input(
            label, -50.0 if units.inch else -1.2, 50.0 if units.inch else 1.2, 0.0, step, key=f"{key}/{where}",
            format="%.1f" if units.inch else "%.3f",
        )  # fmt: skip
        more.append(value * units.depth_factor)
    three = units.depth(THREE_THOU_MM)
    columns[-1].button(
        f"What if {three} more", key=f"{key}/three", on_click=_set_more, args=(f"{key}/heads", THREE_THOU_MM, units)
    )
    return more[0], (more[1] if cases else 0.0)


def _set_more(key: str, mm: float, units: Units) -> None:
    st.session_state[key] = round(mm / units.depth_factor, 4)


def _deeper_metal(found: EngineStacks, more_mm: float) -> Mapping[str, float] | None:
    if found.metal_heights_mm is None:
        return None
    return {name: height - more_mm for name, height in found.metal_heights_mm.items()}


def figures(found: EngineStacks, effects: EngineEffects, units: Units) -> pd.DataFrame:
    """Every figure of every bank, before and after, against its limit."""
    case = bool(found.family.case_family_ids)
    several = len(effects.banks) > 1
    rows = []
    for first in effects.banks[0].effects:
        row = {"Figure": LABELS[first.name], "Limit": limit(first, units)}
        if len(effects.banks) > 2:
            # a column a bank; three each would be wider than the window
            for bank in effects.banks:
                then, now = (figure(v, first.unit, units) for v in (bank[first.name].before, bank[first.name].after))
                row[capital(bank.name)] = then if then == now else f"{then} → {now}"
            told = [(bank.name, False, room(bank[first.name], units, case)) for bank in effects.banks]
            said = alike(told)
            row["Head-room"] = told[0][2] if len(said) == 1 else "; ".join(words for _, words in said)
        else:
            for bank in effects.banks:
                effect, of = bank[first.name], f"{bank.name}, " if several else ""
                row[capital(f"{of}before")] = figure(effect.before, effect.unit, units)
                row[capital(f"{of}after")] = figure(effect.after, effect.unit, units)
                row[capital(f"{of}head-room")] = room(effect, units, case)
        rows.append(row)
    return pd.DataFrame(rows)


def _first(found: EngineStacks, effects: EngineEffects, units: Units) -> list[tuple[bool, str]]:
    """(past a limit, sentence): what each bank reaches first, by the cuts that are made of its stacks."""
    kinds = {c.kind for c in found.cuts}
    where = "deck" if kinds == {PartKind.CASE_HALF} else "head"
    said = [(bank.name, *first_words(bank, units, where)) for bank in effects.banks]
    if len(said) == 1:
        return [(said[0][1], capital(said[0][2]))]
    return alike(said)


def _agreement(found: EngineStacks, effects: EngineEffects, units: Units) -> str:
    said = []
    if len(effects.banks) > 1:
        apart = effects.stack_difference_mm
        what = "stacks (case half, gasket, head)" if found.metal_heights_mm else "change of the stacks"
        said.append(f"Between the banks: {what} {'unknown' if apart is None else units.depth(apart) + ' apart'}")
        ratio = effects.compression_difference
        said.append(f"compression {'unknown' if ratio is None else f'{ratio:.2f} apart'}")
    volume = effects.chamber_spread_cm3
    said.append(f"spread of all chambers {'unknown' if volume is None else f'{volume:.1f} cm³'}")
    drops = [f"{b.name} {units.depth(b.drop_mm)}" for b in effects.banks]
    said.append("heads come nearer to the crank: " + ", ".join(drops))
    return "; ".join(said) + "."


def _line_bore(found: EngineStacks) -> None:
    if found.line_bore:
        st.warning(
            f"Line bore is due: the parting face of {', '.join(found.line_bore)} is cut. Recording that cut puts the gate "
            "on the part's route."
        )


def _intake_due(found: EngineStacks, units: Units) -> None:
    """What manifold and end rails ask for after the cuts as they are planned or recorded; the section below has the
    drawing."""
    if not found.family.has_vee_manifold or not found.cuts:
        return
    rows = vee_rows(found, 0.0, units)
    when = "once these cuts are made" if any(c.planned for c in found.cuts) else "after these cuts"
    if isinstance(rows, str):
        said = f"Intake correction is due {when}; how much is not known yet. {rows}"
    else:
        said = f"Intake correction is due {when}: " + "; ".join(f"{r['Face']}: {r['Correction']}" for r in rows) + "."
    st.warning(f"{said} Recording a cut puts the gate on the part's route.")


def _details(shop: Shop, found: EngineStacks, units: Units) -> None:
    rows = []
    for bank in found.banks:
        for chamber in found.chambers[bank.name]:
            rows.append(
                {
                    "Bank": bank.name,
                    "Cylinder": str(chamber.cylinder),
                    "Chamber before": figure(chamber.volume_cm3, "cm3", units),
                    "Where from": chamber.origin,
                }
            )
    st.dataframe(pd.DataFrame(rows), hide_index=True, width="stretch")
    area = found.engine.chamber_area_mm2
    st.caption(f"Chamber's area at the face: {area_words(area, units)}, {found.area_origin}.")
    cuts = [
        {
            "Bank": c.bank,
            "Part": c.part,
            "Face": c.face.value,
            "Off the height": units.depth(c.removed_mm),
            "Where from": f"reported by {c.reported}, not measured"
            if c.reported
            else "planned"
            if c.planned
            else "recorded",
        }
        for c in found.cuts
    ]
    if cuts:
        st.dataframe(pd.DataFrame(cuts), hide_index=True, width="stretch")
    else:
        st.caption("No cut is recorded or planned on this engine.")


def area_words(mm2: float | None, units: Units) -> str:
    """A chamber's area: to a tenth of a square inch or square centimetre."""
    return "unknown" if mm2 is None else f"{mm2 / units.area_factor:.1f} {units.area_unit}"


# -- gaskets -----------------------------------------------------------------------------------------------------------
def _gaskets(shop: Shop, found: EngineStacks, units: Units) -> None:
    fit = [g for g in shop.gaskets.values() if g.bore_mm is None or abs(g.bore_mm - found.family.bore_mm) < 8.0]
    fit = [g for g in fit if g.bore_mm is None or g.bore_mm >= found.family.bore_mm - 0.5]
    if not fit:
        st.info("No gasket on the shelf fits this bore. Gaskets are entered on the page Shop.")
        return
    try:
        choices = choose_gaskets(
            found.engine,
            found.banks,
            fit,
            most_stacked=found.family.most_stacked,
            stack_tolerance_mm=shop.settings.set_tolerance_mm,
            metal_heights_mm=found.metal_heights_mm,
            headroom_step_mm=None,
        )
    except InputError as wrong:
        st.warning(f"No choice can be worked out: {wrong.field} must be {wrong.accepted}.")
        return
    # a table that wraps: two banks with a stack each have long names
    st.table(pd.DataFrame([_choice_row(n, c, units) for n, c in enumerate(choices, start=1)]).set_index("Choice"))
    if not any(c.fits for c in choices):
        st.warning(none_fits(choices))
    with st.container(horizontal=True):
        for number, choice in enumerate(choices, start=1):
            st.button(
                f"Use choice {number}",
                key=f"engine/gasket/{number}",
                type="primary" if number == 1 else "secondary",
                on_click=act,
                args=(use_gaskets, found, choice),
            )
    st.caption(
        "Best first: fewest figures past a limit, the banks' stacks within the set's tolerance, fewest gaskets, "
        "compression nearest to what it was. Crushed thickness counts. Only gaskets marked so are stacked."
    )


def _choice_row(number: int, choice: GasketChoice, units: Units) -> dict:
    named = {bank: " + ".join(names) for bank, names in choice.stacks.items()}
    effects = dict(zip(choice.stacks, choice.effects, strict=True))
    unknown = dict.fromkeys(name for _, name in choice.unknown)

    def of(figures_of: dict[str, str]) -> str:
        """One figure where all banks have the same, else each with its bank."""
        if len(set(figures_of.values())) == 1:
            return next(iter(figures_of.values()))
        return "; ".join(f"{bank}: {told}" for bank, told in figures_of.items())

    return {
        "Choice": f"{number}",
        "Gasket": of(named),
        "Crushed": of({bank: units.depth(mm) for bank, mm in choice.crushed_mm.items()}),
        "Compression": of({bank: figure(e["compression ratio"].after, "", units) for bank, e in effects.items()}),
        "Squish": of({bank: figure(e["squish"].after, "mm", units) for bank, e in effects.items()}),
        "Stacks apart": figure(choice.stack_difference_mm, "mm", units),
        "Past a limit": "; ".join(f"{bank}: {name}" for bank, name in choice.past) or "none that is known",
        "Not known": ", ".join(unknown) or "all known",
    }


def use_gaskets(found: EngineStacks, choice: GasketChoice) -> str:
    """Keep a choice with the engine."""
    store = access.repository()
    measured = found.measured or MeasuredEngine(found_serial(found), found.family.id)
    banks = {}
    for name in choice.stacks:
        own = "" if name == "the engine" else name
        banks[own] = replace(
            measured.bank(own),
            gasket_after=tuple(choice.stacks[name]),
            gasket_after_mm=choice.crushed_mm[name],
            same_gasket=False,
        )
    kept: list[MeasuredBank] = [b for b in measured.banks if b.name.casefold() not in {n.casefold() for n in banks}]
    changed = replace(measured, banks=(*kept, *banks.values()))
    (store.add if changed.id is None else store.save)(changed, by=access.who(), at=access.now())
    return "The gasket choice is kept with the engine; the figures above rest on it."


# -- vee ---------------------------------------------------------------------------------------------------------------
def _vee(found: EngineStacks, more_mm: float, units: Units) -> None:
    rows = vee_rows(found, more_mm, units)
    if isinstance(rows, str):
        st.info(rows)
        return
    left, right = st.columns([3, 2], vertical_alignment="center")
    left.dataframe(pd.DataFrame(rows), hide_index=True, width="stretch")
    left.caption(
        "Off the manifold, or off the same faces of heads and case. "
        "More tilt than the gaskets take up means that the banks should be brought level first. " + GUIDE
    )
    family = found.family
    spec = engine_drawing.vee(family.bank_angle_deg / 2, family.manifold_lean_deg)
    right.vega_lite_chart(spec=spec, width="content", alt="Front view of the vee: which faces the corrections mean")


def vee_rows(found: EngineStacks, more_mm: float, units: Units) -> list[dict] | str:
    """The corrections, by face; or why they are not known."""
    family = found.family
    if len(found.banks) != 2 or not family.has_vee_manifold:
        return "The manifold follows from two banks: name both for this kind of engine, page Shop."
    cuts = [max(0.0, b.head_cut_mm + b.case_cut_mm + more_mm) for b in found.banks]
    changes = [b.gasket_change_mm for b in found.banks]
    if None in changes:
        return "The gaskets' thickness is not known before and after: enter it under “Measured on this engine”."
    half, lean = family.bank_angle_deg / 2, family.manifold_lean_deg
    # each bank with its own gasket: what a thicker one takes back is taken off its cut
    low = min(changes)
    taken = [c - (g - low) for c, g in zip(cuts, changes, strict=True)]
    lift = max(0.0, -min(taken))
    found_mm = vee_correction(half, lean, taken[0] + lift, taken[1] + lift, gasket_change_mm=low + lift)
    first, second = (b.name for b in found.banks)
    low, high = (first, second) if taken[0] > taken[1] else (second, first)
    rows = [
        {"Face": f"{first} side of the manifold", "Correction": _correction(found_mm.left_side_mm, units)},
        {"Face": f"{second} side of the manifold", "Correction": _correction(found_mm.right_side_mm, units)},
        {"Face": "end rails, front and rear", "Correction": _correction(found_mm.end_rail_mm, units)},
    ]
    tilt = units.depth(found_mm.tilt_mm)
    if tilt != units.depth(0.0):
        rows.append({"Face": "manifold as it sits", "Correction": f"{low} side {tilt} lower than {high}"})
    return rows


def _correction(mm: float, units: Units) -> str:
    shown = units.depth(abs(mm))
    if shown == units.depth(0.0):
        return "none"
    return f"take off {shown}" if mm > 0 else f"none: {shown} of room"
