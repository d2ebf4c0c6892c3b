"""The usual cautions of surfacing, by material: three that matter most in front, the rest on the back.

They defer to local codes, the machine's own manual and licensed practice. Sources: magnesium DOE-HDBK-1081-94, USAF
T.O. 1-1A-9, NFPA 484; compressed air 29 CFR 1910.242(b); guards 29 CFR 1910.212; old gaskets HSE and OSHA guidance on
asbestos; fluid mist HSE guidance. The others: common practice, no source.
"""

from __future__ import annotations

DEFER = "These are the usual cautions. Local codes, the machine's own manual and licensed practice come first."

_ROTATING = "Rotating cutter: guard closed, eye protection, no gloves, rings or loose sleeves."
_SHAKE = "Shake the clamped part before touch-off: it must not move."
_MARK = "Never run the cutter above the rpm marked on its body; a body without a mark is not run."
_LIFT = "Heavy iron: lift with the hoist, never under the load, keep fingers out of the fixture."
_SPRAY = "Spray lubricants burn: never on hot chips or at a running cutter."
_DUST = "Aluminium fines can explode: do not grind or blow them up, do not mix them with iron dust."
_AIR = "Compressed air: below 2 bar (30 psi) with chip guarding, never at people."
_GASKET = "Old gasket residue may contain asbestos: wet, by hand, never milled, until it is known to be safe."
_FUMES = "Solvent, dye and fluid mist: ventilate, keep off skin, no flame."
_MAGNESIUM = (
    "Magnesium: dry, a keen edge, no fine rubbing cuts. A person stays until the last chip is cleared away.",
    "Chips stored dry in a closed steel drum. No water and no CO2 on a magnesium fire: class D powder within reach.",
    "Water-mix fluid on magnesium chips gives hydrogen: none on this machine before it is cleaned and dry.",
)


def cautions(material: str, hoist: bool = False) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """(three for the front, the rest for the back) for a material."""
    every = [_ROTATING, _SHAKE, _MARK, _LIFT, _SPRAY, _DUST, _AIR, _GASKET, _FUMES]
    if material == "magnesium":
        front = list(_MAGNESIUM)
    elif material == "grey_iron":
        front = [_ROTATING, _LIFT if hoist else _SHAKE, _GASKET]
    else:
        front = [_ROTATING, _SHAKE, _SPRAY]
    return tuple(front), tuple(c for c in every if c not in front)
