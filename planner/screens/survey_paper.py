"""A survey that comes as figures: a column pasted in, a finished paper sheet typed in, a probe's CSV file."""

from __future__ import annotations

from typing import Any

import streamlit as st

from planner import InputError
from planner.face import ReadIn, read_readings
from planner.screens import access
from planner.screens.forms import Field, Form
from planner.screens.refusals import accepted_words
from planner.screens.said import act, tell
from planner.screens.survey_draft import Draft, press, put, signed
from planner.screens.survey_sweep import draw_picture
from planner.units import System, Units

_COLUMNS = (
    "One reading a row in sweeping order; or `name, reading`; or a probe's `x, y, z` from the left front corner, z "
    "toward the cutter. A first row may name the columns: `name`, `reading`, `x`, `y`, `z`. Columns are parted by "
    "comma, semicolon or tab; a figure may carry its unit, such as `1.5 thou` or `0.04 mm`."
)
_WANTED = "Each row wants one reading, or a point's name and its reading, or x, y and z."
GREATEST_MM = 25.0
_UNITS = {
    "thou": (1 / 1000, System.INCH),
    "in": (1.0, System.INCH),
    "mm": (1.0, System.METRIC),
    "µm": (1 / 1000, System.METRIC),
}


def draw_paper(draft: Draft, title: str) -> None:
    units = access.units()
    if len(draft.names) > 13:  # a probe's points stand on no sheet
        _figures(draft, title, units)
    else:
        sheet, rest = st.columns([2, 3])
        with sheet:
            _sheet(draft, units)
        with rest:
            _figures(draft, title, units)
    for problem in (draft.data.get("problems") or [])[:50]:
        # what was typed stays as it was typed
        typed, quote, why = problem.rpartition("”")
        st.error(typed + quote + accepted_words(why, units))
    if draft.data.get("from") and draft.readings():
        draw_picture(draft, None, units)
        st.caption("Store it in the section Sweep.")


def _sheet(draft: Draft, units: Units) -> None:
    """One field a point in sweeping order, kept as they are typed."""
    first = draft.names[0]
    fields = [Field(f"point {name}", name, "depth") for name in draft.names]
    fields.append(Field("back", f"back at {first}", "depth", help="the last reading of the sweep; empty = not written"))
    owner = (draft.part_id, draft.face, draft.stage)
    shape = f"sheet/{draft.face.id}/{draft.stage.value}/{len(draft.names)}"
    form = Form(shape, draft.part_id, fields, {}, units, access.repository())
    st.markdown("**A finished paper sheet**")
    st.caption("In sweeping order: over as it is, under with a minus in front.")
    form.draw(*(f.name for f in fields), columns=2)
    form.say()
    form.button("Take the sheet in", lambda values: _take_sheet(owner, values))


def _take_sheet(owner: tuple, values: dict[str, Any]) -> str:
    draft = Draft(*owner)
    read = {name: values.get(f"point {name}") for name in draft.names}
    for name, mm in read.items():
        if mm is None:
            raise InputError(f"point {name}", "", "a reading of every point; 0 where the indicator stood on zero")
        if abs(mm) > GREATEST_MM:
            raise InputError(f"point {name}", f"{mm:g} mm", f"at most {GREATEST_MM:g} mm; is the unit right?")
    found = {name: round(float(mm), 6) for name, mm in read.items()}
    close = values.get("back")
    return _put_in(draft, ReadIn(found, None, ()), "paper", None if close is None else round(float(close), 6))


def _figures(draft: Draft, title: str, units: Units) -> None:
    """A column pasted in, or a file."""
    st.markdown("**Or as figures**")
    st.caption(_COLUMNS)
    owner = (draft.part_id, draft.face, draft.stage)
    default = "thou" if units.inch else "mm"
    unit = st.segmented_control(
        "Bare figures are in",
        list(_UNITS),
        required=True,
        default=draft.data.get("paper unit", default),
        key=f"{draft.key}/paper/unit",
    )
    key = f"{draft.key}/paper/text"
    st.text_area(
        f"Readings of {title}: {', '.join(draft.names) if len(draft.names) <= 13 else 'in order'}",
        draft.data.get("pasted", ""),
        height=240,
        key=key,
        on_change=lambda: press(owner, put, {"pasted": st.session_state[key]}),
    )
    st.button("Read it in", key=f"{draft.key}/paper/in", type="primary", on_click=_read_text, args=(owner, key, unit))
    file = st.file_uploader("or a probe's CSV file", ["csv", "txt"], key=f"{draft.key}/paper/file")
    if file is not None:
        st.button(
            f"Read {file.name} in",
            key=f"{draft.key}/paper/file in",
            on_click=_read_file,
            args=(owner, file, unit),
        )


def read_in(text: str, draft: Draft, unit: str) -> ReadIn:
    """Text or a file's content, bare figures in this unit."""
    factor, system = _UNITS[unit]
    reader = Units(system)

    def figure(cell: str) -> float:
        bare = cell.strip().lstrip("+-").replace(".", "", 1).replace(",", "", 1).isdigit()
        return reader.read_length_mm("reading", cell) * (factor if bare else 1.0)

    return read_readings(text, draft.names, figure)


def _read_text(owner: tuple, key: str, unit: str) -> None:
    _take(Draft(*owner), st.session_state.get(key, ""), unit, "paper")


def _read_file(owner: tuple, file, unit: str) -> None:
    try:
        text = file.getvalue().decode("utf-8-sig")
    except UnicodeDecodeError:
        text = file.getvalue().decode("cp1252", errors="replace")
    _take(Draft(*owner), text, unit, "file")


def _take(draft: Draft, text: str, unit: str, source: str) -> None:
    """Put what was read into the draft, or keep what is wrong to be said row by row."""
    found = read_in(text, draft, unit)
    problems = list(found.problems)
    if found.places is not None:
        face, units = draft.face, access.units()
        off = [
            # by its place: the points are numbered without the rows that cannot be read
            f"x {units.length(x)}, y {units.length(y)} lies outside the face; is the unit right, and the corner?"
            for x, y in found.places.values()
            if not (-1 <= x <= face.length_mm + 1 and -1 <= y <= face.width_mm + 1)
        ]
        problems += off[:20]
    draft.change(lambda data: data.update({"problems": problems, "paper unit": unit}))
    if problems:
        wrong = "One thing in it is" if len(problems) == 1 else f"{len(problems)} things in it are"
        said = f"Nothing was taken over. {wrong} wrong, told below row by row: mend that and read it in again."
        tell(f"{said} {_WANTED}", wrong=True)
    else:
        act(_put_in, draft, found, source)


def _put_in(draft: Draft, found: ReadIn, source: str, close: float | None = None) -> str:
    """The readings become the sweep; ``close``: the indicator back at the zero, where the sheet says."""
    points = None
    if found.places is not None:
        points = [{"name": n, "x": x, "y": y} for n, (x, y) in found.places.items()]

    def deed(data: dict) -> None:
        if points is not None:
            data.update(points=points, pits={}, count=len(points))
        data.update({"read": found.readings, "close": close, "problems": [], "predicted": None, "touch": ""})
        data["from"] = "probe" if points is not None else source
        data["at"] = next(iter(found.readings))

    draft.change(deed)
    least, most = min(found.readings.values()), max(found.readings.values())
    units = access.units()
    return f"{len(found.readings)} readings, from {signed(least, units)} to {signed(most, units)}. Look, then store it."
