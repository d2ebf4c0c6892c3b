"""Forms of the screens: fields in the person's units, problems beside their field, drafts that outlive a reload.

A form never submits as a whole in the browser: every finished field is kept at once as a draft row of the store, so a
rerun, a page change, a sleeping tablet or a restart loses nothing. Saving happens in a button's callback:

    form = Form("gasket", gasket.id, FIELDS, values, units, drafts)
    form.draw("name", "crushed_mm")
    form.button("Save gasket", save)          # save(values) stores; InputError lands beside its field
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import Enum
from typing import Any, Protocol

import streamlit as st

from planner import InputError
from planner.screens import access
from planner.screens.fields import LISTS, QUANTITIES, UNKNOWN, Field, options_of, read, shown
from planner.screens.refusals import accepted_words, refused
from planner.store import StaleRecord
from planner.units import System, Units


class Drafts(Protocol):
    """Where unfinished forms are kept; the repository is one."""

    def get_draft(self, key: str) -> dict | None: ...

    def put_draft(self, key: str, payload: dict, at: datetime) -> None: ...

    def drop_draft(self, key: str) -> None: ...


def _label(item: Field, units: Units) -> str:
    if item.kind in QUANTITIES:
        return f"{item.label} ({getattr(units, QUANTITIES[item.kind][1])})"
    if item.kind in LISTS[1:]:
        return f"{item.label} ({units.depth_unit})"
    if item.kind == "share":
        return f"{item.label} (%)"
    if item.kind == "minutes":
        return f"{item.label} (min)"
    return item.label


def _plain(value: Any) -> Any:
    """What a draft can hold as JSON."""
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, (date, datetime)):
        return value.isoformat()
    if isinstance(value, (tuple, list)):
        return [_plain(v) for v in value]
    return value


@dataclass
class Form:
    """See the module. ``record`` tells one record from another ("new" for none), ``version`` its stored version."""

    name: str
    record: Any
    fields: Sequence[Field]
    values: Mapping[str, Any]
    units: Units
    drafts: Drafts
    version: int = 0
    by_name: dict[str, Field] = field(init=False)
    _held: dict | None = field(init=False, default=None)

    def __post_init__(self) -> None:
        self.by_name = {f.name: f for f in self.fields}
        self._known = self._load()

    # -- keys and kept state ---------------------------------------------------------------------------------------
    @property
    def draft_key(self) -> str:
        return f"{self.name}:{self.record if self.record is not None else 'new'}"

    @property
    def _row(self) -> str:
        """The draft's row in the store: two people typing in one record have a draft each."""
        who = access.who()
        return f"{self.draft_key}@{who}" if who else self.draft_key

    @property
    def _state_key(self) -> str:
        # the sample's record 1 is not one's own record 1
        return f"form/{access.kind()}/{self.draft_key}"

    def _state(self) -> dict:
        if self._held is None:
            fresh = {"epoch": 0, "problems": {}, "said": None, "draft": None, "rows": set()}
            self._held = st.session_state.setdefault(self._state_key, fresh)
        return self._held

    def key(self, name: str) -> str:
        """The widget's key: a record, its version, the unit system and each fresh start have widgets of their own."""
        return f"{self._state_key}/{self.version}/{self._state()['epoch']}/{self.units.system}/{name}"

    def _load(self) -> dict[str, Any]:
        state = self._state()
        if state["draft"] is None:
            state["draft"] = self.drafts.get_draft(self._row) or {}
            state["rows"].add(self._row)
        draft = state["draft"]
        if draft.get("version", self.version) != self.version and draft.get("base") == self._stored():
            # somebody saved the record, but nothing this form shows
            draft["version"] = self.version
        return draft

    def _stored(self) -> dict[str, Any]:
        return {f.name: _plain(self.values.get(f.name)) for f in self.fields}

    @property
    def overtaken(self) -> list[Field]:
        """Fields whose stored value somebody changed after typing here began; nothing is saved over them unasked."""
        draft = self._known
        if not draft.get("fields") or draft.get("version", self.version) == self.version:
            return []
        base, now_stored = draft.get("base") or {}, self._stored()
        return [f for f in self.fields if base.get(f.name) != now_stored[f.name]]

    @property
    def has_draft(self) -> bool:
        return bool(self._known.get("fields"))

    def _initial(self, item: Field) -> Any:
        kept = self._known.get("fields", {})
        if item.name not in kept:
            value = self.values.get(item.name)
            if item.kind in ("choice", "several", "flag", "date", "moment"):
                return value
            return shown(item.kind, value, self.units)
        raw, system = kept[item.name]
        if item.kind == "date" and raw:
            return date.fromisoformat(raw)
        if item.kind == "moment" and raw:
            return datetime.fromisoformat(raw)
        if (item.kind in QUANTITIES or item.kind in LISTS) and system != str(self.units.system):
            # typed in the other system: show the same quantity in this one
            try:
                return shown(item.kind, read(item, raw, Units(System(system))), self.units)
            except InputError:
                return raw
        return raw

    def _keep(self, name: str) -> None:
        state = self._state()
        fields = state["draft"].setdefault("fields", {})
        state["draft"].setdefault("version", self.version)
        state["draft"].setdefault("base", self._stored())
        fields[name] = (_plain(st.session_state.get(self.key(name))), str(self.units.system))
        state["problems"].pop(name, None)
        state["said"] = None
        state["rows"].add(self._row)
        self.drafts.put_draft(self._row, state["draft"], datetime.now())

    def follow(self, *names: str) -> None:
        """Before drawing: choices nobody made here take the present value again, not the one first drawn."""
        for name in names:
            key = self.key(name)
            if name not in self._known.get("fields", {}) and st.session_state.get(key) != self.values.get(name):
                st.session_state.pop(key, None)

    # -- drawing ---------------------------------------------------------------------------------------------------
    def draw(self, *names: str, columns: int = 3, doubt: Callable[[str], str] | None = None) -> None:
        """Draw the named fields (all of them when none is named) in a grid. ``doubt``: of what stands in a field, a
        question to ask beside it; "" = none. It refuses nothing."""
        wanted = [self.by_name[n] for n in names] if names else list(self.fields)
        for start in range(0, len(wanted), columns):
            row = st.columns(columns)
            for column, item in zip(row, wanted[start : start + columns], strict=False):
                with column:
                    self._draw_one(item)
                    if doubt and not self._state()["problems"].get(item.name):
                        asked = doubt(str(self.present(item.name) or ""))
                        if asked:
                            st.warning(asked)

    def _draw_one(self, item: Field) -> None:
        key, initial = self.key(item.name), self._initial(item)
        common = dict(
            key=key,
            help=item.help or None,
            on_change=self._keep,
            args=(item.name,),
            persist_state="session",
        )
        label = _label(item, self.units)
        fresh = item.kind in ("several", "flag", "date", "moment") and key not in st.session_state
        if item.kind == "choice":
            pairs = options_of(item.options)
            values = [v for v, _ in pairs]
            names = dict(pairs)
            if initial not in values:
                initial = next((v for v in values if _plain(v) == _plain(initial)), None)
            index = values.index(initial) if initial in values else None
            st.selectbox(label, values, index=index, format_func=lambda v: names.get(v, str(v)), **common)
        elif item.kind == "several":
            pairs = options_of(item.options)
            names = dict(pairs)
            kept = [v for v, _ in pairs if _plain(v) in [_plain(i) for i in initial or ()]]
            st.multiselect(
                label,
                [v for v, _ in pairs],
                **({"default": kept} if fresh else {}),
                format_func=lambda v: names.get(v, str(v)),
                placeholder=item.placeholder or None,
                **common,
            )
        elif item.kind == "flag":
            st.checkbox(label, **({"value": bool(initial)} if fresh else {}), **common)
        elif item.kind == "date":
            st.date_input(label, **({"value": initial} if fresh else {"value": None}), **common)
        elif item.kind == "moment":
            st.datetime_input(label, **({"value": initial} if fresh else {"value": None}), step=900, **common)
        elif item.kind == "long":
            st.text_area(label, value=initial or "", height="content", placeholder=item.placeholder or None, **common)
        else:
            blank = "" if item.kind in ("text", *LISTS) or item.required else UNKNOWN
            st.text_input(label, value=initial or "", placeholder=item.placeholder or blank or None, **common)
        problem = self._state()["problems"].get(item.name)
        if problem:
            st.error(problem)

    def present(self, name: str) -> Any:
        """What stands in a field now, as it stands: for showing one field or another by it."""
        return st.session_state.get(self.key(name), self._initial(self.by_name[name]))

    # -- acting ----------------------------------------------------------------------------------------------------
    def read(self) -> dict[str, Any]:
        """Inside values of every field, by name; a field not drawn keeps its stored value. Raises `InputError`."""
        found, wrong = self._read_all()
        if wrong:
            raise wrong[0]
        return found

    def _read_all(self) -> tuple[dict[str, Any], list[InputError]]:
        """Inside values by name, and what is wrong with the others: all of it, so that nobody mends field by field."""
        found, wrong = {}, []
        for item in self.fields:
            raw = st.session_state.get(self.key(item.name), self._initial(item))
            stored = self.values.get(item.name)
            if stored is not None and isinstance(raw, str) and raw == shown(item.kind, stored, self.units):
                # untouched: the stored figure, not the rounded one that stood on the screen
                found[item.name] = stored
                continue
            try:
                found[item.name] = read(item, raw, self.units)
            except InputError as refusal:
                wrong.append(refusal)
        return found, wrong

    def button(self, label: str, save: Callable[[dict[str, Any]], str | None], primary: bool = True) -> None:
        """A button that hands the values to ``save``; what it returns is said, a wrong field is marked."""
        st.button(
            label,
            key=f"{self.draft_key}/save/{' '.join(label.split())}",
            type="primary" if primary else "secondary",
            on_click=self.act,
            args=(save,),
        )

    def act(self, save: Callable[[dict[str, Any]], str | None]) -> None:
        """Read, save, say; on success the draft is gone and the fields start afresh.

        ``save`` returns what to say, None for "Stored.", "" where another place of the screen says it.
        """
        state = self._state()
        state["problems"], state["said"] = {}, None
        if self.overtaken:
            state["said"] = ("error", "Nothing was stored: the record was changed after you began. Choose below.")
            return
        found, wrong = self._read_all()
        if wrong:
            self._mark(wrong)
            return
        try:
            said = save(found)
        except InputError as refusal:
            self._mark([refusal])
        except StaleRecord as stale:
            state["said"] = ("error", self._stale(stale))
        else:
            self.discard()
            state["said"] = ("success", "Stored." if said is None else said) if said != "" else None

    def _stale(self, stale: StaleRecord) -> str:
        """Why the save was refused, the fields that differ named as they are on this form."""
        labels = {f.name.split(".")[0]: f.label for f in self.fields} | {f.name: f.label for f in self.fields}
        told, _, listed = str(stale).partition(" Different: ")
        if listed:
            names = dict.fromkeys(labels.get(d.field, d.field.replace("_", " ")) for d in stale.differences)
            told += f" Different: {', '.join(names)}."
        return told[:1].upper() + told[1:]

    def _mark(self, wrong: Sequence[InputError]) -> None:
        """Say each refusal beside its field, or under the form where no field has its name."""
        state = self._state()
        problems, elsewhere = state["problems"], []
        for refusal in wrong:
            name = self._field_of(refusal.field)
            if name is None:
                elsewhere.append(refused(refusal, self.units))
            elif refusal.value in ("", None, ()):
                problems[name] = f"Needed: {accepted_words(refusal.accepted, self.units)}."
            else:
                problems[name] = self._refusal(name, refusal)
        marked = f"see the field{'s' if len(problems) > 1 else ''} marked in red." if problems else ""
        state["said"] = (
            "error",
            " ".join(["Nothing was stored" + (f": {marked}" if marked else "."), *elsewhere]),
        )

    def _refusal(self, name: str, wrong: InputError) -> str:
        """What is said beside a field: what was typed, and what is accepted in the reader's unit."""
        item = self.by_name[name]
        # a text is what was typed; anything else comes from the noun, which counts in inside units
        inside = not isinstance(wrong.value, str)
        typed = st.session_state.get(self.key(name))
        said = typed if inside and isinstance(typed, str) and typed else wrong.value
        if isinstance(said, Enum):
            said = said.value
        return f"“{said}” will not do. Accepted: {accepted_words(wrong.accepted, self.units, item.kind, inside)}."

    def _field_of(self, dotted: str) -> str | None:
        last = dotted.split(".")[-1].split("[")[0]
        for name in (dotted, last, last.removesuffix("_mm"), f"{last}_mm"):
            if name in self.by_name:
                return name
        return None

    def discard(self) -> None:
        """Forget what was typed."""
        state = self._state()
        state.update(epoch=state["epoch"] + 1, problems={}, said=None, draft={})
        self._known = state["draft"]
        for row in state["rows"] | {self._row}:
            self.drafts.drop_draft(row)
        state["rows"] = set()

    def _mine(self) -> None:
        """Go on with what was typed, knowing what is stored now."""
        draft = self._state()["draft"]
        draft["version"], draft["base"] = self.version, self._stored()
        self._state()["said"] = None
        self.drafts.put_draft(self._row, draft, datetime.now())

    def say(self) -> None:
        """What the last press of a button led to; and that unsaved work is kept."""
        said = self._state()["said"]
        overtaken = self.overtaken
        if overtaken:
            if said:
                st.error(said[1])
            self._say_overtaken(overtaken)
        elif said:
            (st.success if said[0] == "success" else st.error)(said[1])
            if said[0] == "success":
                self._state()["said"] = None
        elif self.has_draft:
            left, right = st.columns([4, 1], vertical_alignment="center")
            left.caption("Not saved yet; what you typed is kept.")
            right.button("Discard", key=f"{self.draft_key}/discard", on_click=self.discard)

    def _say_overtaken(self, changed: Sequence[Field]) -> None:
        base = self._known.get("base") or {}
        st.warning(
            "Somebody changed this record after you began typing. Changed meanwhile: "
            + "; ".join(
                f"{f.label}: was {self._words(f, base.get(f.name))}, now {self._words(f, self.values.get(f.name))}"
                for f in changed
            )
            + ". What stands in the fields is what you typed, and theirs where you typed nothing."
        )
        with st.container(horizontal=True):
            st.button("Go on with mine", key=f"{self._state_key}/mine", on_click=self._mine)
            st.button("Drop mine, keep theirs", key=f"{self._state_key}/theirs", on_click=self.discard)

    def _words(self, item: Field, value: Any) -> str:
        if value is None or value in ("", [], ()):
            return "nothing"
        if item.kind in ("choice", "several"):
            names = {_plain(v): n for v, n in options_of(item.options)}
            members = _plain(value) if item.kind == "several" else [_plain(value)]
            return ", ".join(names.get(m, str(m)) for m in members)
        return f"“{shown(item.kind, value, self.units)}”"
