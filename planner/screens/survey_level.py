"""Levelling: which leaves under which support, or how far to turn the jacks; then the re-reading beside the prediction."""

from __future__ import annotations

import numpy as np
import pandas as pd
import streamlit as st

from planner import InputError
from planner.face import (
    JackPlan,
    RereadCheck,
    ShimPlan,
    beside_datum,
    check_reread,
    choose_shims,
    clamp_spring,
    datum_readings,
    set_jacks,
    sweep_closes,
    true_reading,
)
from planner.screens import access
from planner.screens.keys import tall
from planner.screens.refusals import refused
from planner.screens.said import act, tell
from planner.screens.survey_draft import Draft, press, put, signed, steps, usual_supports
from planner.screens.survey_pad import draw_closure, draw_pad, draw_walk
from planner.screens.survey_picture import Marks, face_picture
from planner.screens.survey_sweep import draw_picture, store_survey
from planner.shop import Goal, Part, Shop
from planner.units import MM_PER_THOU, Units

LEAVES, JACKS = "leaves", "jack screws"
_MOST = 40


def draw_level(shop: Shop, part: Part, draft: Draft) -> None:
    units = access.units()
    _choices(draft, units)
    if not draft.whole():
        st.info("Read the whole sweep first, in the section Sweep; the leaves follow from it.")
        _draw_plan(draft, None, units)
        return
    if len(draft.names) > _MOST:
        st.info(f"Levelling works with up to {_MOST} points; sweep 4, 9 or 13 points for it.")
        return
    try:
        plan = _plan(shop, draft)
    except InputError as wrong:
        st.error(f"No levelling can be worked out. {refused(wrong, units)}")
        return
    left, right = st.columns([3, 2])
    with left:
        _draw_plan(draft, plan, units)
    with right:
        cells = st.columns(2)
        cells[0].metric(f"Now ({units.depth_unit})", units.depth(plan.before_mm, unit=False), border=True)
        cells[1].metric(f"Then ({units.depth_unit})", units.depth(plan.residual_mm, unit=False), border=True)
        _say_plan(draft, plan, units)
        _warn_crooked(draft, plan, units)
        done = "The leaves are in:" if isinstance(plan, ShimPlan) else "The jacks are turned:"
        st.button(
            tall(done, "read again"),
            key=f"{draft.key}/shimmed",
            type="primary",
            width="stretch",
            on_click=_shimmed,
            args=((draft.part_id, draft.face, draft.stage), plan),
        )


def _choices(draft: Draft, units: Units) -> None:
    """Supports, leaves or jacks, goal, rocking: taps, no typing."""
    owner = (draft.part_id, draft.face, draft.stage)

    def row(cells, options, chosen, entry: str) -> None:
        for cell, (label, value) in zip(cells, options, strict=True):
            values = entry_of(entry, value)
            cell.button(
                tall(label, "" if " " in label else {LEAVES: "under it", "none": "at all"}[label.lower()]),
                key=f"{draft.key}/{entry}/{label}",
                on_click=press,
                args=(owner, put, values),
                width="stretch",
                type="primary" if value == chosen else "secondary",
            )

    def entry_of(entry: str, value) -> dict:
        if entry == "supports":
            return {"supports": usual_supports(draft.face, value), "present": []}
        return {entry: value}

    how, goal = draft.data.get("how", LEAVES), draft.goal
    cells = st.columns([1, 1, 1.4, 1.4])
    row(cells[:2], ((LEAVES.capitalize(), LEAVES), (JACKS.capitalize(), JACKS)), how, "how")
    level, datum = Goal.LEVEL.value, Goal.DATUM.value
    chosen = datum if goal is Goal.DATUM else level
    row(cells[2:], ((level.capitalize(), level), (datum.capitalize(), datum)), chosen, "goal")
    box = st.expander("Supports, leaves, rocking", key=f"{draft.key}/supports box", on_change="rerun")
    if not box.open:
        return
    with box:
        st.markdown("**Supports**")
        row(st.columns(4), [(f"{n} supports", n) for n in (3, 4, 6, 8)], len(draft.supports), "supports")
        st.markdown("**Widest gap allowed under a support**")
        gaps = ((0.0, "none"), (0.5, ""), (1.0, "")) if units.inch else ((0.0, "none"), (0.01, ""), (0.03, ""))
        factor = MM_PER_THOU if units.inch else 1.0
        row(
            st.columns(3),
            [(said or units.depth(mm * factor), mm * factor) for mm, said in gaps],
            float(draft.data.get("rock_mm", 0.0)),
            "rock_mm",
        )
        lie = [_stack_words(stack, units) for stack in draft.present]
        st.caption("Under the supports now: " + "; ".join(f"{k + 1}: {said}" for k, said in enumerate(lie)) + ".")
        if any(draft.present):
            st.button(
                tall("Nothing is under it"),
                key=f"{draft.key}/none under",
                on_click=press,
                args=(owner, put, {"present": [], "datum_slopes": [0.0, 0.0]}),
            )
        factor = units.length_factor
        # the places and the unit stand in the key: other supports, other fields
        fields = f"{draft.key}/{units.system}/{draft.supports.round(2).tolist()}"
        st.text_area(
            f"At the desk: places of the supports, {units.length_unit} from the left front corner, one a line: x y",
            "\n".join(f"{x / factor:.2f} {y / factor:.2f}" for x, y in draft.supports),
            key=f"{fields}/places",
            help="blocks that clear dowels are rarely under the corners",
        )
        middle = draft.data.get("gravity")
        st.text_input(
            f"At the desk: the part's centre of gravity, {units.length_unit} from the left front corner: x y",
            "" if middle is None else " ".join(f"{v / factor:.2f}" for v in middle),
            key=f"{fields}/gravity",
            placeholder="empty = midway between the supports",
            help="the part rests on the three stacks around it",
        )
        st.button(
            tall("Use these places"), key=f"{draft.key}/use places", on_click=act, args=(_use_places, owner, fields)
        )


def _use_places(owner: tuple, fields: str) -> str:
    draft, units = Draft(*owner), access.units()
    places = []
    for k, line in enumerate(st.session_state.get(f"{fields}/places", "").splitlines(), 1):
        pieces = line.replace(";", " ").split()
        if not pieces:
            continue
        if len(pieces) != 2:
            raise InputError("supports", line, f"two figures in line {k}")
        places.append([units.read_length_mm(f"support {k}", piece) for piece in pieces])
    if not 3 <= len(places) <= 8:
        raise InputError("supports", len(places), "three to eight places")
    pieces = st.session_state.get(f"{fields}/gravity", "").replace(";", " ").split()
    if len(pieces) not in (0, 2):
        raise InputError("centre of gravity", " ".join(pieces), "two figures, or none")
    middle = [units.read_length_mm("centre of gravity", piece) for piece in pieces] or None

    stood = draft.supports
    # shown to a hundredth: what lies there stays while nobody moved a support
    same = stood.shape == (len(places), 2) and np.abs(stood - places).max() <= 0.006 * units.length_factor

    def deed(data: dict) -> None:
        data["gravity"] = middle
        if not same:
            data.update(supports=places, present=[])

    draft.change(deed)
    return f"{len(places)} supports."


def _plan(shop: Shop, draft: Draft) -> ShimPlan | JackPlan:
    heights = draft.heights()
    pits = [0.0 if p.get("accepted") else p.get("mm", 0.0) for n in draft.names for p in (draft.pits.get(n, {}),)]
    datum = None
    if draft.goal is Goal.DATUM:
        datum = tuple(draft.data.get("datum_slopes") or (0.0, 0.0))
    present = tuple(tuple(sorted(stack.items())) for stack in draft.present)
    if draft.data.get("how", LEAVES) == JACKS:
        return _jacks(
            tuple(map(tuple, draft.supports)),
            tuple(draft.places.values()),
            tuple(heights.values()),
            tuple(pits),
            datum,
        )
    return _shims(
        tuple(map(tuple, draft.supports)),
        tuple(draft.places.values()),
        tuple(heights.values()),
        shop.settings.leaves_mm,
        float(draft.data.get("rock_mm", 0.0)),
        tuple(pits),
        present,
        datum,
        None if draft.data.get("gravity") is None else tuple(draft.data["gravity"]),
    )


@st.cache_resource(max_entries=32, show_spinner="Choosing leaves …")
def _shims(supports, places, heights, leaves, rock_mm, pits, present, datum, gravity) -> ShimPlan:
    box = {thickness: count for thickness, count in leaves if count}
    stacks = [dict(stack) for stack in present]
    if datum is None:
        return choose_shims(supports, places, heights, box, rock_mm, 0, pits, stacks, centre_of_gravity=gravity)
    leans = datum_readings(places, datum)
    plan = choose_shims(supports, places, leans, box, rock_mm, 0, None, stacks, centre_of_gravity=gravity)
    return beside_datum(plan, places, heights, datum, 0, pits)


@st.cache_resource(max_entries=32, show_spinner=False)
def _jacks(supports, places, heights, pits, datum) -> JackPlan:
    if datum is None:
        return set_jacks(supports, places, heights, 0, pits)
    return beside_datum(set_jacks(supports, places, datum_readings(places, datum)), places, heights, datum, 0, pits)


def _stack_words(stack: dict[float, int], units: Units) -> str:
    if not stack:
        return "empty"
    leaves = [units.depth(t, unit=False) for t, n in sorted(stack.items(), reverse=True) for _ in range(n)]
    return " + ".join(leaves) + f" {units.depth_unit}"


def _move_words(move_mm: float, units: Units) -> str:
    if float(units.depth(abs(move_mm), unit=False)) == 0:
        return "leave"
    return f"{'up' if move_mm > 0 else 'down'} {units.depth(abs(move_mm))}"


def _labels(plan: ShimPlan | JackPlan, units: Units) -> list[str]:
    if isinstance(plan, ShimPlan):
        return [_stack_words(stack, units) for stack in plan.stacks]
    return [_move_words(move, units) for move in plan.moves_mm]


def _draw_plan(draft: Draft, plan: ShimPlan | JackPlan | None, units: Units) -> None:
    said = [""] * len(draft.supports) if plan is None else _labels(plan, units)
    supports = [(float(x), float(y), f"{k}: {word}" if word else str(k)) for k, ((x, y), word) in enumerate(
        zip(draft.supports, said, strict=True), 1
    )]  # fmt: skip
    # colour alone at the points: the figures here are the stacks, their unit stands below
    bare = [(x, y, word.removesuffix(f" {units.depth_unit}")) for x, y, word in supports]
    marks = Marks(draft.places, draft.heights(), dict.fromkeys(draft.names, " "), supports=bare)
    st.vega_lite_chart(
        spec=face_picture(draft.face, marks, units),
        width="content",
        alt="Supports under the part with what to put there: " + "; ".join(s for _, _, s in supports),
    )
    st.caption(
        f"Squares: supports, numbered, with what belongs there, in {units.depth_unit}; "
        f"sides in {'inches' if units.inch else 'millimetres'}; front edge below."
    )


def _say_plan(draft: Draft, plan: ShimPlan | JackPlan, units: Units) -> None:
    said = _labels(plan, units)
    if isinstance(plan, ShimPlan):
        present = [_stack_words(stack, units) for stack in draft.present]
        same = said == present
        st.markdown("\n".join(f"- **Support {k}:** {word}" for k, word in enumerate(said, 1)))
        st.caption(
            ("Nothing to change. " if same else "What shall lie there in all, not what to add. ")
            + f"{plan.leaves_used} lea{'f' if plan.leaves_used == 1 else 'ves'}; widest gap "
            + f"{units.depth(plan.rock_mm)}."
        )
    else:
        st.markdown("\n".join(f"- **Jack {k}:** {word}" for k, word in enumerate(said, 1)))


def _datum_then(draft: Draft, plan: ShimPlan | JackPlan) -> np.ndarray:
    """Slopes of the datum (2,) once the part is moved so."""
    heights = np.array(list(draft.heights().values()))
    places = np.array(list(draft.places.values()))
    columns = np.column_stack([np.ones(len(places)), places])
    tilt = np.linalg.lstsq(columns, np.asarray(plan.predicted) - heights, rcond=None)[0][1:]
    return np.array(draft.data.get("datum_slopes") or (0.0, 0.0)) + tilt


def _warn_crooked(draft: Draft, plan: ShimPlan | JackPlan, units: Units) -> None:
    """Where the face, levelled so and cut, would end further out of parallel to its datum than it may."""
    face, limit = draft.face, draft.face.parallel_limit_mm
    if limit is None or draft.data.get("datum_slopes", (0.0, 0.0)) is None:
        return
    corners = np.array([(x, y) for x in (0.0, face.length_mm) for y in (0.0, face.width_mm)])
    out = float(np.ptp(corners @ _datum_then(draft, plan)))
    if out > limit + 1e-9:
        said = (
            f"Cut so, the face ends {units.depth(out)} out of parallel to its datum; its limit is {units.depth(limit)}."
        )
        st.warning(said + ("" if draft.goal is Goal.DATUM else " Parallel to the datum keeps it."))


def _shimmed(owner: tuple, plan: ShimPlan | JackPlan) -> None:
    """The leaves are in: what was predicted is kept, and the sweep begins anew beside it."""
    draft = Draft(*owner)
    rows = plan.predictions if isinstance(plan, ShimPlan) else np.atleast_2d(plan.predicted)
    datum = _datum_then(draft, plan)

    def deed(data: dict) -> None:
        data["predicted"] = [[round(float(v), 6) for v in row] for row in rows]
        # the readings so far were taken on the old stacks: the new ones count from the re-reading on
        data["next"] = {"datum_slopes": [float(s) for s in datum]}
        if isinstance(plan, ShimPlan):
            data["next"]["present"] = [{repr(t): n for t, n in stack.items()} for stack in plan.stacks]
        data.update(reread={}, reread_close=None, at=draft.names[0], section="Read again")

    draft.change(deed)
    st.session_state["survey turn to"] = True
    tell("Zero the indicator at the first point again, and sweep.")


# -- reading again ---------------------------------------------------------------------------------------------------------
def draw_reread(shop: Shop, part: Part, draft: Draft) -> None:
    units = access.units()
    if not draft.data.get("predicted"):
        st.info("Nothing was predicted yet: work the leaves out in the section Level it, put them in, then read again.")
        _clamps(draft, units)
        return
    left, right = st.columns([2, 3])
    with left:
        draw_pad(draft, units, "reread")
    with right:
        draw_picture(draft, None, units, "reread")
        draw_closure(draft, units, "reread")
    draw_walk(draft, units, "reread")
    _beside(draft, units)
    if draft.whole("reread"):
        _verdict(draft, units)
    _clamps(draft, units)


def _zeroed(draft: Draft) -> np.ndarray:
    values = np.array(list(draft.heights("reread").values()))
    return values - values[0]


def _beside(draft: Draft, units: Units) -> None:
    predicted, seen = draft.data["predicted"][0], draft.heights("reread")
    zero = seen.get(draft.names[0], 0.0)
    rows = []
    for name, expected in zip(draft.names, predicted, strict=True):
        got = None if name not in seen else seen[name] - zero
        off = None if got is None else got - expected
        rows.append(
            {
                "Point": name,
                "Predicted": signed(expected, units, unit=False),
                "Read": signed(got, units, unit=False),
                "Off by": "" if off is None else signed(off, units, unit=False),
            }
        )
    with st.expander(f"Read beside predicted ({units.depth_unit})", expanded=draft.whole("reread")):
        st.dataframe(pd.DataFrame(rows), hide_index=True, width="stretch")


def _verdict(draft: Draft, units: Units) -> None:
    seen = _zeroed(draft)
    noise = max(draft.noise_mm, 1e-4)
    found = check_reread(
        draft.supports, list(draft.places.values()), np.array(draft.data["predicted"]), seen, noise, zero=0
    )
    if found.moved_as_predicted:
        st.success(f"It moved as predicted; level within {units.depth(float(np.ptp(seen)))}.")
    else:
        said = []
        if found.tilted:
            said.append(_held_high(found, draft.data.get("how", LEAVES) == JACKS, units))
        if found.bent:
            worst = draft.names[found.worst_point]
            said.append(
                f"the face changed its shape by {units.depth(found.bend_mm)}, most at {worst}: a clamp bends it, or that "
                "point was misread"
            )
        st.error("It did not move as predicted: " + "; and ".join(said) + ".")
    owner = (draft.part_id, draft.face, draft.stage)
    again, store = st.columns(2)
    again.button(
        tall("Work out the next correction"),
        key=f"{draft.key}/correct",
        on_click=act,
        args=(_adopt, owner, "Level it"),
        width="stretch",
        type="secondary" if found.moved_as_predicted else "primary",
    )
    store.button(
        tall("Good: store it,", "cut as it lies"),
        key=f"{draft.key}/good",
        on_click=act,
        args=(_good, owner),
        width="stretch",
        type="primary" if found.moved_as_predicted else "secondary",
    )


def _held_high(found: RereadCheck, jacks: bool, units: Units) -> str:
    """Which supports hold the part too high, by how much, and what to look for."""
    kind, several = "jack" if jacks else "support", len(found.suspects) > 1
    each = [(k + 1, units.depth(float(found.extra_mm[k]))) for k in found.suspects]
    who = " and ".join(f"{kind} {number} by about {extra}" for number, extra in each)
    cause = "turned too far" if jacks else "a leaf too many"
    under = "them" if several else "it"
    return f"{who} hold{'' if several else 's'} the part too high: dirt, a burr, or {cause}; look under {under}"


def _adopt(owner: tuple, section: str) -> str:
    """The re-reading becomes the sweep: what follows counts from it."""
    draft = Draft(*owner)
    if not draft.whole("reread"):
        raise InputError("sweep", f"{len(draft.readings('reread'))} points", f"all {len(draft.names)} points read")
    first, last = draft.readings("reread")[draft.names[0]], draft.data.get("reread_close")
    if last is None or not sweep_closes(first, last).closes:
        raise InputError("sweep", "" if last is None else last, "a sweep that closes on its zero; sweep again")

    def deed(data: dict) -> None:
        data.update(read=dict(data["reread"]), close=data.get("reread_close"), predicted=None, reread={})
        data.update(reread_close=None, section=section, at=draft.names[0])
        data.update(data.pop("next", None) or {})

    draft.change(deed)
    st.session_state["survey turn to"] = True
    return "The re-reading is the sweep now."


def _good(owner: tuple) -> str:
    _adopt(owner, "What must come off")
    return store_survey(owner, Goal.AS_IT_LIES)


# -- clamps ------------------------------------------------------------------------------------------------------------
def _clamps(draft: Draft, units: Units) -> None:
    """One corner before and after clamping, and with the clamps eased before the last pass."""
    box = st.expander("Do the clamps bend it?", key=f"{draft.key}/clamps", on_change="rerun")
    if not box.open:
        return
    owner = (draft.part_id, draft.face, draft.stage)
    clamp = draft.data.get("clamp") or {}
    with box:
        st.caption(
            "The indicator on one corner: clamps loose, clamps tight, and eased before the last pass. "
            f"Keys in {units.depth_unit}."
        )
        for entry, label in (("loose", "Loose"), ("tight", "Tight"), ("eased", "Eased, before the last pass")):
            cells = st.columns([3, 1, 1, 1, 1, 1], vertical_alignment="center")
            cells[0].markdown(f"**{label}:** {signed(clamp.get(entry), units)}")
            small, large = steps(units)[:2]
            for cell, move in zip(cells[1:], (-large, -small, None, small, large), strict=True):
                said = "0" if move is None else f"{'+' if move > 0 else '−'}{abs(move) / units.depth_factor:g}"
                cell.button(
                    tall(said, "zero" if move is None else "over" if move > 0 else "under"),
                    key=f"{draft.key}/clamp/{entry}/{said}",
                    on_click=press,
                    args=(owner, _step_clamp, entry, move),
                    width="stretch",
                )
        tight = clamp.get("tight")
        for entry, when in (("loose", "when clamped"), ("eased", "when the clamps are eased")):
            if clamp.get(entry) is None or tight is None:
                continue
            spring = clamp_spring(*true_reading([clamp[entry], tight], draft.angle_deg, draft.indicator))
            if spring.holds:
                st.success(f"It stays within {units.depth(abs(spring.spring_mm))} {when}.")
            else:
                st.error(f"It springs {units.depth(abs(spring.spring_mm))} {when}: the clamps bend it.")


def _step_clamp(draft: Draft, data: dict, entry: str, by_mm: float | None) -> None:
    clamp = dict(data.get("clamp") or {})
    clamp[entry] = 0.0 if by_mm is None else round((clamp.get(entry) or 0.0) + by_mm, 6)
    data["clamp"] = clamp
