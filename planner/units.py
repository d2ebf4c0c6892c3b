"""Units at the edges: millimetres and minutes inside, the shop's own units on screens, sheets and files.

A length typed by a person may carry its unit ("132.6 mm" in an inch shop). A bare number is read in the shop's unit.
Exact factors: 1 in = 25.4 mm (NIST SP 811, appendix B), so 1 thou = 0.0254 mm and 1 µin = 0.0254 µm.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from enum import StrEnum

from planner.errors import InputError

MM_PER_INCH = 25.4
MM_PER_THOU = 0.0254
UM_PER_MICROINCH = 0.0254
MM2_PER_IN2 = MM_PER_INCH**2
M_PER_FOOT = 0.3048
KG_PER_POUND = 0.45359237  # exact, NIST SP 811 appendix B

_LENGTH_UNITS_MM = {
    "mm": 1.0,
    "cm": 10.0,
    "m": 1000.0,
    "um": 0.001,
    "µm": 0.001,
    "μm": 0.001,
    "in": MM_PER_INCH,
    "inch": MM_PER_INCH,
    "inches": MM_PER_INCH,
    '"': MM_PER_INCH,
    "″": MM_PER_INCH,
    "thou": MM_PER_THOU,
    "ft": 12 * MM_PER_INCH,
}
_WAY_UNITS_MM = {"km": 1e6, "m": 1000.0, "ft": 12 * MM_PER_INCH}
_ROUGHNESS_UNITS_UM = {
    "um": 1.0,
    "µm": 1.0,
    "μm": 1.0,
    "uin": UM_PER_MICROINCH,
    "µin": UM_PER_MICROINCH,
    "μin": UM_PER_MICROINCH,
}
_AREA_UNITS_MM2 = {"mm2": 1.0, "mm²": 1.0, "cm2": 100.0, "cm²": 100.0, "in2": MM2_PER_IN2, "in²": MM2_PER_IN2}
_MASS_UNITS_KG = {"kg": 1.0, "g": 0.001, "lb": KG_PER_POUND, "lbs": KG_PER_POUND}
_SPEED_UNITS_M_MIN = {"m/min": 1.0, "ft/min": M_PER_FOOT}
_NUMBER = r"[+-]?(?:\d+\s+\d+\s*/\s*\d+|\d+\s*/\s*\d+|\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?"
_QUANTITY = re.compile(rf"^\s*({_NUMBER})\s*([^\d\s].*?)?\s*$")


class System(StrEnum):
    """The unit system a person reads in."""

    INCH = "inch"
    METRIC = "metric"


def read_number(field: str, text: str | float | int) -> float:
    """Read a number as a machinist writes it: ``5.22``, ``1/32``, ``1 1/2``, ``132,6``.

    A comma is a decimal sign unless it could as well group thousands (``1,250``): that is refused.
    """
    if isinstance(text, bool) or text is None:
        raise InputError(field, text, "a number")
    if isinstance(text, (int, float)):
        value = float(text)
    else:
        body = str(text).strip()
        if not re.fullmatch(_NUMBER, body):
            raise InputError(field, text, "a number, such as 5.22 or 1/32")
        if "," in body:
            if re.search(r",\d{3}$", body) and not body.lstrip("+-").startswith(("0,", ",")):
                raise InputError(field, text, "a number with a point as decimal sign (1250 or 1.25)")
            body = body.replace(",", ".")
        if "/" in body:
            sign = -1.0 if body.startswith("-") else 1.0
            *whole, fraction = body.lstrip("+-").replace(" /", "/").replace("/ ", "/").split()
            top, bottom = fraction.split("/")
            if float(bottom) == 0:
                raise InputError(field, text, "a fraction whose lower number is not 0")
            value = sign * (sum(float(w) for w in whole) + float(top) / float(bottom))
        else:
            value = float(body)
    if not math.isfinite(value):
        raise InputError(field, text, "a finite number")
    return value


def _read_quantity(field: str, text: str | float | int, factors: dict[str, float], bare: float) -> float:
    if isinstance(text, (int, float)) and not isinstance(text, bool):
        return read_number(field, text) * bare
    match = _QUANTITY.match(str(text)) if text is not None else None
    units = ", ".join(u for u in factors if u.isascii() and u != '"')
    if not match:
        raise InputError(field, text, f"a number, with or without a unit ({units})")
    unit = match.group(2)
    if unit is None:
        factor = bare
    else:
        factor = factors.get(unit.strip().lower())
        if factor is None:
            raise InputError(field, text, f"one of the units {units}")
    return read_number(field, match.group(1)) * factor


@dataclass(frozen=True)
class Units:
    """Reads and writes quantities in one unit system. All methods take or give the inside units."""

    system: System = System.INCH

    def __post_init__(self) -> None:
        try:
            object.__setattr__(self, "system", System(self.system))
        except ValueError:
            raise InputError("system", self.system, "inch or metric") from None

    @property
    def inch(self) -> bool:
        return self.system is System.INCH

    # -- names of units -------------------------------------------------------------------------------------------
    @property
    def length_unit(self) -> str:
        return "in" if self.inch else "mm"

    @property
    def depth_unit(self) -> str:
        return "thou" if self.inch else "mm"

    @property
    def ra_unit(self) -> str:
        return "µin" if self.inch else "µm"

    @property
    def area_unit(self) -> str:
        return "in²" if self.inch else "cm²"

    @property
    def speed_unit(self) -> str:
        return "ft/min" if self.inch else "m/min"

    @property
    def feed_unit(self) -> str:
        return "in/rev" if self.inch else "mm/rev"

    @property
    def table_feed_unit(self) -> str:
        return "in/min" if self.inch else "mm/min"

    # -- factors: inside value = shown value × factor ---------------------------------------------------------------
    @property
    def length_factor(self) -> float:
        return MM_PER_INCH if self.inch else 1.0

    @property
    def depth_factor(self) -> float:
        return MM_PER_THOU if self.inch else 1.0

    @property
    def ra_factor(self) -> float:
        return UM_PER_MICROINCH if self.inch else 1.0

    @property
    def area_factor(self) -> float:
        return MM2_PER_IN2 if self.inch else 100.0

    @property
    def swept_factor(self) -> float:
        """Of areas machined by an edge: in² or m²."""
        return MM2_PER_IN2 if self.inch else 1e6

    @property
    def swept_unit(self) -> str:
        return self.area_unit if self.inch else "m²"

    @property
    def way_factor(self) -> float:
        """Of the whole way an edge goes in metal in its life: thousands of feet, or km."""
        return 1e6 * M_PER_FOOT if self.inch else 1e6

    @property
    def way_unit(self) -> str:
        return "1000 ft" if self.inch else "km"

    @property
    def speed_factor(self) -> float:
        return M_PER_FOOT if self.inch else 1.0

    @property
    def mass_unit(self) -> str:
        return "lb" if self.inch else "kg"

    @property
    def mass_factor(self) -> float:
        return KG_PER_POUND if self.inch else 1.0

    # -- reading what a person typed -------------------------------------------------------------------------------
    def read_length_mm(self, field: str, text: str | float | int) -> float:
        """A length: a bare number is inches or millimetres; ``132.6 mm``, ``5.22 in``, ``3 thou`` carry their own."""
        return _read_quantity(field, text, _LENGTH_UNITS_MM, self.length_factor)

    def read_depth_mm(self, field: str, text: str | float | int) -> float:
        """A depth of cut: a bare number is thou or millimetres."""
        return _read_quantity(field, text, _LENGTH_UNITS_MM, self.depth_factor)

    def read_ra_um(self, field: str, text: str | float | int) -> float:
        """A roughness: a bare number is microinch or micrometre."""
        return _read_quantity(field, text, _ROUGHNESS_UNITS_UM, self.ra_factor)

    def read_area_mm2(self, field: str, text: str | float | int) -> float:
        """An area: a bare number is in² or cm²."""
        return _read_quantity(field, text, _AREA_UNITS_MM2, self.area_factor)

    def read_way_mm(self, field: str, text: str | float | int) -> float:
        """The way an edge goes in its life: a bare number is thousands of feet or km."""
        return _read_quantity(field, text, _WAY_UNITS_MM, self.way_factor)

    def read_speed_m_min(self, field: str, text: str | float | int) -> float:
        """A cutting speed: a bare number is ft/min or m/min."""
        return _read_quantity(field, text, _SPEED_UNITS_M_MIN, self.speed_factor)

    def read_mass_kg(self, field: str, text: str | float | int) -> float:
        """A part's weight: a bare number is pounds or kilograms."""
        return _read_quantity(field, text, _MASS_UNITS_KG, self.mass_factor)

    # -- writing for a person --------------------------------------------------------------------------------------
    def length(self, mm: float | None, unit: bool = True) -> str:
        """A size of a part or face: 0.01 in or 0.1 mm."""
        if mm is None:
            return "unknown"
        body = f"{mm / MM_PER_INCH:.2f}" if self.inch else f"{mm:.1f}"
        return f"{body} {self.length_unit}" if unit else body

    def height(self, mm: float | None, unit: bool = True) -> str:
        """A measured height: 0.0001 in or 0.001 mm."""
        if mm is None:
            return "unknown"
        body = f"{mm / MM_PER_INCH:.4f}" if self.inch else f"{mm:.3f}"
        return f"{body} {self.length_unit}" if unit else body

    def depth(self, mm: float | None, unit: bool = True, down: bool = False) -> str:
        """A depth or head-room: thou to 0.1, or mm to 0.001; ``down`` rounds toward less (head-room)."""
        if mm is None:
            return "unknown"
        value, places = (mm / MM_PER_THOU, 1) if self.inch else (mm, 3)
        if down:
            scale = 10**places
            # a hair of tolerance, so that 4.0 computed as 3.9999999 still reads 4.0
            value = math.floor(value * scale + 1e-6) / scale
        body = f"{value:.{places}f}"
        if float(body) == 0:
            body = body.lstrip("-")
        return f"{body} {self.depth_unit}" if unit else body

    def ra(self, um: float | None, unit: bool = True) -> str:
        """A roughness: whole µin, or µm to 0.01."""
        if um is None:
            return "unknown"
        body = f"{um / UM_PER_MICROINCH:.0f}" if self.inch else f"{um:.2f}"
        return f"{body} {self.ra_unit}" if unit else body

    def ra_band(self, least_um: float | None, greatest_um: float | None) -> str:
        """A band for roughness, either end of which may be open (None)."""
        if least_um is None and greatest_um is None:
            return "no band known"
        if least_um is None:
            return f"up to {self.ra(greatest_um)}"
        return (
            f"at least {self.ra(least_um)}" if greatest_um is None else f"{self.ra(least_um)} to {self.ra(greatest_um)}"
        )

    def area(self, mm2: float | None, unit: bool = True) -> str:
        """An area: whole in² or cm², thousands grouped."""
        if mm2 is None:
            return "unknown"
        body = f"{mm2 / self.area_factor:,.0f}"
        return f"{body} {self.area_unit}" if unit else body

    def swept(self, mm2: float | None, unit: bool = True) -> str:
        """An area machined by an edge, face times passes: whole in², or m² to 0.01; thousands grouped."""
        if mm2 is None:
            return "unknown"
        body = f"{mm2 / self.swept_factor:,.{0 if self.inch else 2}f}"
        return f"{body} {self.swept_unit}" if unit else body

    def path(self, mm: float | None) -> str:
        """The way an edge has gone in metal: whole feet or metres, thousands grouped."""
        if mm is None:
            return "unknown"
        return f"{mm / (12 * MM_PER_INCH):,.0f} ft" if self.inch else f"{mm / 1000:,.0f} m"

    def way(self, mm: float | None) -> str:
        """The way an edge goes in its whole life: thousands of feet written out, or whole km."""
        if mm is None:
            return "unknown"
        body = mm / self.way_factor
        return f"{1000 * round(body):,} ft" if self.inch else f"{body:,.0f} km"

    def speed(self, m_min: float | None, unit: bool = True) -> str:
        """A cutting speed: whole ft/min or m/min."""
        if m_min is None:
            return "unknown"
        body = f"{m_min / self.speed_factor:.0f}"
        return f"{body} {self.speed_unit}" if unit else body

    def feed(self, mm: float | None, unit: bool = True) -> str:
        """A feed per revolution: 0.0001 in or 0.001 mm."""
        if mm is None:
            return "unknown"
        body = f"{mm / MM_PER_INCH:.4f}" if self.inch else f"{mm:.3f}"
        return f"{body} {self.feed_unit}" if unit else body

    def table_feed(self, mm_min: float | None, unit: bool = True) -> str:
        """A table feed: 0.1 in/min or whole mm/min."""
        if mm_min is None:
            return "unknown"
        body = f"{mm_min / MM_PER_INCH:.1f}" if self.inch else f"{mm_min:.0f}"
        return f"{body} {self.table_feed_unit}" if unit else body


def counted(count: int, one: str, more: str = "") -> str:
    """ "1 cut", "2 cuts", "2 passes": a count with its word; ``more`` where it is not ``one`` with an s."""
    return f"{count} {one if count == 1 else more or one + 's'}"


def minutes_words(minutes: float | None) -> str:
    """Whole minutes as a person says them: ``45 min``, ``2 h 05 min``."""
    if minutes is None:
        return "unknown"
    whole = round(minutes)
    sign = "-" if whole < 0 else ""
    hours, rest = divmod(abs(whole), 60)
    return f"{sign}{hours} h {rest:02d} min" if hours else f"{sign}{rest} min"


_DEPTH = re.compile(r"(-?\d+(?:\.\d+)?) (thou|mm)\b")


def as_read(said: str, units: Units) -> str:
    """Words kept with a record (where an instrument stood, why a job is held), their depths in the reader's unit."""
    other = Units(System.METRIC if units.inch else System.INCH)
    return _DEPTH.sub(
        lambda m: units.depth(float(m[1]) * other.depth_factor) if m[2] == other.depth_unit else m[0], said
    )
