"""The hand-over sheet of a matched set, for whoever assembles the engine. What nobody measured is a blank to write in."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from types import SimpleNamespace

from planner.cut.headroom import head_room
from planner.match import GUIDE, EngineStacks, Standing, bank_effects, depth_table, heights_before, part_lines
from planner.sheets.cautions import DEFER
from planner.sheets.printing import render
from planner.shop import Cut, Face, GateKind, GateState, HandOver, HeightStage, Job, MatchedSet, Part, Shop
from planner.units import Units

_BY_HAND = ("squish", "intake valve clearance", "exhaust valve clearance", "preload")
_WORDS = {"intake valve clearance": "intake valve to piston", "exhaust valve clearance": "exhaust valve to piston"}


@dataclass(frozen=True)
class HandOverMember:
    """One member of the set: its job, its recorded cuts, what the bench said, what one more rebuild takes (mm)."""

    job: Job
    cuts: tuple[Cut, ...] = ()
    done: HandOver | None = None
    rebuild_mm: float | None = None


def hand_over_sheet(
    shop: Shop,
    matched: MatchedSet,
    members: Sequence[HandOverMember],
    stacks: EngineStacks | None,
    units: Units,
    at: datetime,
    vee_rows: Sequence[Mapping[str, str]] = (),
) -> str:
    """The sheet as self-contained HTML. ``vee_rows``: corrections of the manifold's faces, each a face and what is to be done."""
    pages = [_member(shop, m, units) for m in members]
    parts = [shop.part_of(m.job) for m in members]
    serials = list(dict.fromkeys(p.engine_serial for p in parts if p.engine_serial))
    people = list(dict.fromkeys(m.done.next_person for m in members if m.done and m.done.next_person))
    facts = [
        ("Engine", ", ".join(serials) or "serial unknown"),
        ("Kind", stacks.family.name if stacks else "not entered"),
        ("Work order", ", ".join(dict.fromkeys(p.work_order for p in parts if p.work_order)) or "none"),
        ("Owner", ", ".join(dict.fromkeys(p.owner for p in parts if p.owner)) or "unknown"),
        ("Printed", f"{at:%a %d %b %Y %H:%M}"),
    ]
    return render(
        "hand_over.html",
        name=matched.name,
        facts=facts,
        difference=_difference(shop, matched, members, units),
        tolerance=units.depth(matched.tolerance_mm),
        agreed=""
        if matched.accepted_mismatch_mm is None
        else f"A difference of {units.depth(matched.accepted_mismatch_mm)} was agreed by {matched.accepted_by}.",
        members=pages,
        unit_length=units.length_unit,
        unit_depth=units.depth_unit,
        banks=[] if stacks is None else _banks(stacks, units),
        line_bore="" if stacks is None else ", ".join(stacks.line_bore),
        vee=list(vee_rows),
        next_person=", ".join(people),
        guide=GUIDE,
        defer=DEFER,
    )


def _difference(shop: Shop, matched: MatchedSet, members: Sequence[HandOverMember], units: Units) -> str:
    """Difference of the final heights, over the points every member was measured at after its cut."""
    after = []
    for m in members:
        last = _last_cut(m)
        after.append(_after(shop.part_of(m.job), m.job.face_id, last))
    common = set.intersection(*(set(a) for a in after)) if after else set()
    if not common or any(not a for a in after):
        return ""
    means = []
    for m, heights in zip(members, after, strict=True):
        mean = math.fsum(heights[p] for p in common) / len(common)
        nominal = shop.face_of(m.job).new_height_mm
        if matched.relative_to_nominal:
            if nominal is None:
                return ""
            mean -= nominal
        means.append(mean)
    return units.depth(max(means) - min(means))


def _last_cut(member: HandOverMember) -> Cut | None:
    own = [c for c in member.cuts if c.face_id == member.job.face_id]
    return max(own, key=lambda c: c.ended, default=None)


def _own_cuts(member: HandOverMember) -> list[Cut]:
    """Cuts of this very job."""
    return [c for c in member.cuts if c.job_id == member.job.id and c.face_id == member.job.face_id]


def _after(part: Part, face_id: int, last: Cut | None) -> dict[str, float]:
    """Heights measured after the last cut, by point; nothing before it counts."""
    if last is None:
        return {}
    later = [
        r
        for r in sorted(part.heights, key=lambda r: r.at)
        if r.face_id == face_id
        and (r.at >= last.ended or (r.stage is HeightStage.FINISHED and r.at >= (last.started or last.ended)))
    ]
    return dict(last.heights_mm) | {r.point: r.height_mm for r in later}


def _member(shop: Shop, member: HandOverMember, units: Units) -> SimpleNamespace:
    job, done = member.job, member.done or HandOver(member.job.id)
    part, face = shop.part_of(job), shop.face_of(job)
    own = _own_cuts(member)
    first = min(own, key=lambda c: c.ended, default=None)
    last = max(own, key=lambda c: c.ended, default=None)
    before, after = heights_before(part, face.id, first), _after(part, face.id, last)
    taken = math.fsum(c.stop_depth_mm for c in own)
    recorded = shop.removed_mm.get((part.id, face.id), 0.0)
    total = recorded + (part.removed_before_mm or 0.0)
    more = "" if part.removed_before_mm is not None else ", more before this shop's record unknown"
    limit = face.least_height_mm
    return SimpleNamespace(
        tag=part.tag,
        face=face.name,
        position=part.position,
        work_order=part.work_order,
        family=shop.family_of(part).name,
        cut=bool(own),
        points=[p.name for p in face.points],
        before=[_height(before.get(p.name), units) for p in face.points],
        after=[_height(after.get(p.name), units) for p in face.points],
        taken=units.depth(taken) if own else "",
        total=f"{units.depth(total)}{more}" if own or part.removed_before_mm is not None else "",
        rebuilds=_rebuilds(part, face, recorded, member.rebuild_mm),
        limit="no limit known, ask" if limit is None else units.height(limit),
        flatness="" if done.flatness_mm is None else units.depth(done.flatness_mm),
        flatness_limit="" if face.flatness_mm is None else f"limit {units.depth(face.flatness_mm)}",
        ra=_roughness(done, last, units),
        band=_band(face, units),
        looks=last.looks if last else "",
        pits=done.pits,
        depths=_depths(shop, member, part, face, units),
        plugs=done.plugs,
        dowels=done.dowels,
        washed=_yes(done.washed),
        protected=_yes(done.protected),
        by=done.by or (last.by if last else ""),
        when=f"{done.at or last.ended:%d %b %Y %H:%M}" if done.at or last else "",
        open_gates=[
            f"{g.kind.value} {'failed' if g.state is GateState.FAILED else 'not done'}"
            for g in part.route
            if g.state in (GateState.OPEN, GateState.FAILED) and g.kind is not GateKind.CUT
        ],
        note=done.note,
    )


def _height(mm: float | None, units: Units) -> str:
    return "" if mm is None else units.height(mm, unit=False)


def _rebuilds(part: Part, face: Face, recorded_mm: float, rebuild_mm: float | None) -> str:
    room = head_room(part, face, recorded_mm)
    if room.in_hand_mm is None or not rebuild_mm:
        return ""
    return str(math.floor(room.in_hand_mm / rebuild_mm + 1e-9))


def _roughness(done: HandOver, last: Cut | None, units: Units) -> list[str]:
    """Ra with places, as the bench said; else as the record of the cut has it; blanks where nobody measured."""
    if done.ra:
        return [f"{r.place}: {units.ra(r.ra_um)}" if r.place else units.ra(r.ra_um) for r in done.ra]
    if last is not None and last.ra_um:
        return [units.ra(r) for r in last.ra_um]
    return ["", "", ""]


def _band(face: Face, units: Units) -> str:
    if face.ra_least_um is None and face.ra_greatest_um is None:
        return ""
    return "asked for: " + units.ra_band(face.ra_least_um, face.ra_greatest_um)


def _yes(said: bool | None) -> str:
    return "" if said is None else "yes" if said else "no"


def _depths(shop: Shop, member: HandOverMember, part: Part, face: Face, units: Units) -> list[SimpleNamespace]:
    """Every line as it is now; only what was measured on this part is printed as a figure."""
    lines = part_lines(part, face, member.cuts, shop.removed_mm.get((part.id, face.id), 0.0))
    own = _own_cuts(member)
    since = min((c.started or c.ended for c in own), default=None)
    rows = []
    for line, row in zip(lines, depth_table(lines, 0.0, 1e-4).rows, strict=True):
        reading = part.latest_depth(face.id, line.name)
        restored = reading is not None and reading.how and (since is None or reading.at >= since)
        past = row.standing is Standing.PAST
        bounds = [
            f"{word} {units.depth(v)}"
            for word, v in (("at least", line.least_mm), ("at most", line.greatest_mm))
            if v is not None
        ]
        rows.append(
            SimpleNamespace(
                name=line.name,
                now=units.depth(row.after_mm) if line.measured else "",
                limit=", ".join(bounds) or "none",
                state="" if not line.measured else f"past by {units.depth(row.past_by_mm)}" if past else "within",
                expected="" if line.measured or row.after_mm is None else f"by the drawing {units.depth(row.after_mm)}",
                past=past and line.measured,
                done=reading.how if restored else "",
                usual=line.restored_by,
            )
        )
    return rows


def _banks(stacks: EngineStacks, units: Units) -> list[SimpleNamespace]:
    found = []
    for bank in stacks.banks:
        effects = bank_effects(stacks.engine, bank, headroom_step_mm=None)
        chambers = []
        for chamber in stacks.chambers[bank.name]:
            now = chamber.volume_cm3
            if now is not None and bank.head_cut_mm:
                area = stacks.engine.chamber_area_mm2
                now = None if area is None else now - area * bank.head_cut_mm / 1000.0
            measured = chamber.origin == "measured" and now is not None
            chambers.append(
                SimpleNamespace(
                    cylinder=chamber.cylinder,
                    volume=f"{now:.1f} cm³" if measured else "",
                    drawn="" if measured or now is None else f"by the drawing {now:.1f} cm³",
                )
            )
        ratio = effects["compression ratio"].after
        shift = effects["cam timing change"]
        found.append(
            SimpleNamespace(
                name=bank.name,
                gasket=" + ".join(stacks.gaskets[bank.name]),
                crushed=_gasket_words(stacks, bank, units),
                chambers=chambers,
                compression="" if ratio is None else f"{ratio:.2f}",
                timing="" if shift.after is None else _timing(shift.after),
                clearances=[
                    SimpleNamespace(
                        name=_WORDS.get(name, name),
                        expected="" if effects[name].after is None else units.depth(effects[name].after),
                        limit=_bounds(effects[name], units),
                        past=effects[name].standing is Standing.PAST,
                    )
                    for name in _BY_HAND
                ],
                drop="" if effects.drop_mm is None else units.depth(effects.drop_mm),
                planned=any(c.planned and c.bank == bank.name for c in stacks.cuts),
                reported=[
                    f"{units.depth(c.removed_mm)} off {c.part or c.kind.value} {c.face.value} ({c.reported})"
                    for c in stacks.cuts
                    if c.reported and c.bank == bank.name
                ],
            )
        )
    return found


def _gasket_words(stacks: EngineStacks, bank, units: Units) -> str:
    thick = bank.gasket_before_mm if bank.same_gasket else bank.gasket_after_mm
    return "" if thick is None else units.depth(thick)


def _timing(shift: float) -> str:
    return "none" if abs(shift) < 0.05 else f"{abs(shift):.1f}° {'retard' if shift > 0 else 'advance'}"


def _bounds(effect, units: Units) -> str:
    pairs = (("at least", effect.least), ("at most", effect.greatest))
    return ", ".join(f"{w} {units.depth(v)}" for w, v in pairs if v is not None) or "none set"
