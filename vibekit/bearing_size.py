"""Miniature ball bearings by their size: boundary dimensions only, since no standard fixes the number and size of the balls."""

import re
from dataclasses import dataclass

from vibekit.errors import UsageError


@dataclass(frozen=True, slots=True)
class BearingSize:
    """Boundary dimensions in mm. `shielded_mm`: width with shields or seals where it differs, else the same as `width_mm`."""

    name: str
    bore_mm: float
    outer_mm: float
    width_mm: float
    shielded_mm: float


# Boundary dimensions after ISO 15. 683, 693, 623, 625, 608 and MR115: seen in makers' tables; the others from memory
SIZES = {
    size.name: size
    for size in (
        BearingSize("683", 3, 7, 2, 3),
        BearingSize("693", 3, 8, 3, 4),
        BearingSize("623", 3, 10, 4, 4),
        BearingSize("MR63", 3, 6, 2, 2.5),
        BearingSize("MR83", 3, 8, 2.5, 3),
        BearingSize("684", 4, 9, 2.5, 4),
        BearingSize("694", 4, 11, 4, 4),
        BearingSize("MR95", 5, 9, 2.5, 3),
        BearingSize("685", 5, 11, 3, 5),
        BearingSize("MR115", 5, 11, 4, 4),
        BearingSize("625", 5, 16, 5, 5),
        BearingSize("688", 8, 16, 4, 5),
        BearingSize("608", 8, 22, 7, 7),
    )
}
_BY_DIMENSIONS = re.compile(r"(\d+\.?\d*)\s*[x×*]\s*(\d+\.?\d*)\s*[x×*]\s*(\d+\.?\d*)(?:\s*mm)?", re.IGNORECASE)
_WITH_SUFFIX = re.compile(r"((?:MR)?\d+)(?:[-\s]?(?:Z|ZZ|2Z|RS|2RS|RS1|2RS1|DD|VV))?", re.IGNORECASE)


def bearing_size(text: str) -> BearingSize:
    """Find a size by name, with or without the letters of its shields ("MR63", "683ZZ"), or by bore x outer x width in mm ("3x7x3").

    Raises UsageError.
    """
    if match := _BY_DIMENSIONS.fullmatch(text.strip()):
        bore, outer, width = map(float, match.groups())
        if not 0 < bore < outer:
            raise UsageError(f"bearing size is {text!r}; its bore must be above 0 and smaller than its outer diameter")
        return BearingSize(text.strip(), bore, outer, width, width)
    match = _WITH_SUFFIX.fullmatch(text.strip())
    size = SIZES.get(match[1].upper()) if match else None
    if size is None:
        raise UsageError(f"bearing size is {text!r}; known are {', '.join(SIZES)}, or give bore x outer x width in mm, such as 3x7x3")
    return size
