"""Keys that are pressed at the machine: as high as a dirty finger asks for."""

from __future__ import annotations


def tall(label: str, below: str = "") -> str:
    """A key's label on two lines: one line makes a key lower than a finger asks for. ``below``: what stands under the
    label; else it is broken at the space nearest its middle."""
    if not below:
        spaces = [k for k, letter in enumerate(label) if letter == " "] or [len(label)]
        at = min(spaces, key=lambda k: abs(k - len(label) / 2))
        label, below = label[:at], label[at + 1 :]
    return f"{label}  \n{below}"
