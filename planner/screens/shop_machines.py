"""Machines: speeds, feeds, travel, clearances, the depth instrument, hours, tram readings."""

from __future__ import annotations

import dataclasses

import streamlit as st

from planner.face import tram_effect
from planner.screens import access
from planner.screens.forms import Field, Form
from planner.screens.said import act
from planner.screens.shop_records import (
    HOURS_BRIEFLY,
    delete_button,
    hour_fields,
    hour_values,
    hours_a_week,
    money,
    pick,
    read_hours,
    store_noun,
    table,
)
from planner.shop import MATERIALS, Counts, DepthInstrument, EndOfPass, Machine, Shop, TramReading
from planner.units import Units

_DIAL = ("name", "counts", "per_turn_mm", "zeroable", "step_mm", "backlash_mm")


def draw(shop: Shop, units: Units) -> None:
    machines = shop.machines
    table(
        [_row(m, units, shop) for m in machines.values()],
        "No machine yet. Enter the surfacing machine first: speeds, hours, how its depth instrument counts.",
    )
    with st.container(border=True):
        machine = machines.get(pick("machine", "Machine", {i: m.name for i, m in machines.items()}, "a new machine"))
        _machine_form(machine, units, shop)
    if machine is not None:
        _tram(machine, shop, units)


def _row(machine: Machine, units: Units, shop: Shop) -> dict:
    if machine.speeds_rpm:
        speeds = ", ".join(f"{s:g}" for s in machine.speeds_rpm)
    else:
        speeds = f"{machine.least_rpm:g} to {machine.greatest_rpm:g}"
    return {
        "Machine": machine.name,
        "Speeds (rpm)": speeds,
        f"Feed ({units.table_feed_unit})": f"{units.table_feed(machine.least_feed_mm_min, unit=False)} to "
        f"{units.table_feed(machine.greatest_feed_mm_min, unit=False)}",
        "Travel": units.length(machine.travel_mm),
        "Ends a pass": machine.end_of_pass.value,
        "Instrument": f"{machine.instrument.name}, counts {machine.instrument.counts.value}",
        "Rate per hour": "the shop's"
        if machine.hourly_rate is None
        else money(machine.hourly_rate, shop.settings.currency),
        "Hours": hours_a_week(machine.hours),
        "Last tram check": f"{max(t.on for t in machine.tram):%d %b %Y}" if machine.tram else "none",
    }


def _fields(currency: str) -> list[Field]:
    return [
        Field("name", "Name", required=True),
        Field("speeds_rpm", "Speeds (rpm), a list", "numbers", placeholder="150, 200, 300", help="Gears or pulleys."),
        Field("least_rpm", "… or from (rpm)", "number", help="Where the speed is set freely."),
        Field("greatest_rpm", "to (rpm)", "number"),
        Field("least_feed_mm_min", "Table feed from", "table_feed"),
        Field("greatest_feed_mm_min", "to", "table_feed"),
        Field("travel_mm", "Greatest travel", "length", help="Part and cutter's way in and out together."),
        Field("table_width_mm", "Widest face it reaches", "length"),
        Field("approach_mm", "Clearance before the part", "length", required=True),
        Field("overrun_mm", "Clearance after the part", "length", required=True),
        Field("return_minutes", "Return after a pass", "minutes", required=True, help="Cutter clear of the part."),
        Field("end_of_pass", "A pass ends", "choice", options=EndOfPass, required=True),
        Field("hourly_rate", f"Rate per hour ({currency})", "number", placeholder="the shop's"),
        Field(
            "materials",
            "Cuts only",
            "several",
            options={m.key: m.name for m in MATERIALS.values()},
            placeholder="every material",
        ),
        Field("instrument.name", "Depth instrument", required=True, placeholder="dial, bar indicator, readout"),
        Field(
            "instrument.counts",
            "Going deeper, it counts",
            "choice",
            options=Counts,
            required=True,
            help="Whether its figure grows or falls as the cutter goes down.",
        ),
        Field("instrument.per_turn_mm", "Per turn", "depth", placeholder="does not turn", help="Empty for a readout."),
        Field("instrument.step_mm", "Finest step", "depth", required=True),
        Field(
            "instrument.backlash_mm", "Backlash", "depth", required=True, help="Settings are always made going down."
        ),
        Field("instrument.zeroable", "Can be set to zero at touch-off", "flag"),
        *hour_fields(),
    ]


def _machine_form(machine: Machine | None, units: Units, shop: Shop) -> None:
    fields = _fields(shop.settings.currency)
    # a new machine starts with the usual clearances, named as fields so that they can be seen and changed
    model = machine or Machine("new", least_rpm=1, greatest_rpm=1)
    values = {f.name: getattr(model, f.name, None) for f in fields}
    values |= {f"instrument.{n}": getattr(model.instrument, n) for n in _DIAL} | hour_values(model.hours)
    if machine is None:
        values |= {"name": None, "least_rpm": None, "greatest_rpm": None, "instrument.name": None, "end_of_pass": None}
        values |= {"instrument.counts": None, "instrument.step_mm": shop.settings.depth_step_mm}
    form = Form(
        "machine",
        machine.id if machine else None,
        fields,
        values,
        units,
        access.repository(),
        machine.version if machine else 0,
    )
    form.draw("name", "speeds_rpm", "least_rpm", "greatest_rpm", columns=4)
    form.draw("least_feed_mm_min", "greatest_feed_mm_min", "travel_mm", "table_width_mm", columns=4)
    form.draw("approach_mm", "overrun_mm", "return_minutes", "end_of_pass", columns=4)
    form.draw("hourly_rate", "materials", columns=4)
    st.markdown("**Depth instrument**")
    form.draw(
        "instrument.name",
        "instrument.counts",
        "instrument.per_turn_mm",
        "instrument.step_mm",
        "instrument.backlash_mm",
        "instrument.zeroable",
    )
    st.markdown(f"**Hours** :small[{HOURS_BRIEFLY}]")
    form.draw(*(f"day{i}" for i in range(7)), columns=4)
    if machine is None:
        st.caption("Clearances, return, finest step and backlash are starting values: put in your machine's own.")
    form.say()
    with st.container(horizontal=True):
        form.button("Save machine", lambda v: _save(machine, v))
        if machine is not None:
            delete_button(machine, f"machine {machine.name}")


def _save(old: Machine | None, values: dict) -> str:
    dial = DepthInstrument(**{n: values[f"instrument.{n}"] for n in _DIAL})
    kept = {k: v for k, v in values.items() if not k.startswith(("day", "instrument."))}
    kept |= {"instrument": dial, "hours": read_hours(values)}
    new = Machine(**kept) if old is None else dataclasses.replace(old, **kept)
    return store_noun("machine", old, new, new.name)


# -- tram --------------------------------------------------------------------------------------------------------------
def _tram(machine: Machine, shop: Shop, units: Units) -> None:
    st.subheader(f"Tram readings of {machine.name}")
    widest = max((c.diameter_mm for c in shop.cutters.values() if c.machine_id in (None, machine.id)), default=None)
    table(
        [_tram_row(t, widest, units) for t in sorted(machine.tram, key=lambda t: t.on, reverse=True)],
        "No spindle check recorded. Sweep the table with an indicator carried by the spindle; weekly is usual.",
    )
    fields = [
        Field("on", "Day", "date", required=True),
        Field("sweep_mm", "Swept over", "length", required=True, help="The diameter of the indicator's circle."),
        Field("along_mm", "Along the travel", "depth", required=True, help="Positive: the trailing side is high."),
        Field("across_mm", "Across the travel", "depth", required=True, help="Positive: the far side is high."),
        Field("by", "Checked by"),
    ]
    with st.container(border=True):
        values = {"on": access.now().date(), "by": access.who()}
        form = Form("tram", machine.id, fields, values, units, access.repository(), machine.version)
        form.draw(columns=5)
        form.say()
        with st.container(horizontal=True):
            form.button("Add reading", lambda v: _add_tram(machine, v))
            if machine.tram:
                st.button(
                    "Take the last entry off",
                    key=f"tram/off/{machine.id}",
                    type="tertiary",
                    on_click=act,
                    args=(_drop_tram, machine),
                )


def _tram_row(reading: TramReading, diameter_mm: float | None, units: Units) -> dict:
    found = {
        "Day": f"{reading.on:%d %b %Y}",
        "Over": units.length(reading.sweep_mm),
        "Along": units.depth(reading.along_mm),
        "Across": units.depth(reading.across_mm),
        "By": reading.by,
    }
    if diameter_mm is not None:
        # a face as wide as half the cutter, in the middle of its path
        effect = tram_effect(reading.along_mm, reading.across_mm, reading.sweep_mm, diameter_mm, diameter_mm / 2)
        found[f"Hollow it cuts in a face {units.length(diameter_mm / 2)} wide"] = units.depth(effect.hollow_mm)
        found["Leans across by"] = units.depth(effect.out_of_parallel_mm)
        found["Trailing edge"] = "runs clear" if effect.trailing_clears else "cuts again: run clear"
    return found


def _add_tram(machine: Machine, values: dict) -> str:
    new = dataclasses.replace(machine, tram=(*machine.tram, TramReading(**values)))
    access.repository().save(new, by=access.who(), at=access.now())
    return "Reading added."


def _drop_tram(machine: Machine) -> str:
    new = dataclasses.replace(machine, tram=machine.tram[:-1])
    access.repository().save(new, by=access.who(), at=access.now())
    return "The last entry was taken off."
