"""The chance that maps find a patch on a surface: the places of maps count, not pixels."""

from __future__ import annotations

from math import acos, ceil, log, pi, sqrt


def hit_on_square_grid(radius: float, spacing: float) -> float:
    """The chance that a round patch covers a point of a square grid laid at random.

    It is pi (r/G)^2 up to r = G/2, the patch less its overlaps with itself up to r = G/sqrt(2), and
    1 beyond. Geometry; ASTM D6982 treats the same question.

    Parameters
    ----------
    radius : of the patch. spacing : of the grid, in the same unit.

    >>> round(hit_on_square_grid(0.3, 1.0), 4), round(hit_on_square_grid(0.5, 1.0), 4)
    (0.2827, 0.7854)
    """
    ratio = radius / spacing
    if ratio >= sqrt(0.5):
        return 1.0
    beyond = 0.0 if ratio <= 0.5 else ratio**2 * acos(0.5 / ratio) - 0.5 * sqrt(ratio**2 - 0.25)
    return pi * ratio**2 - 4 * beyond


def missed_by_random_maps(radius: float, side: float, maps: int, area: float) -> float:
    """The chance that none of `maps` square maps at random places touches a round patch.

    (1 - (w^2 + 4 w r + pi r^2) / A)^k: a map touches the patch where its centre lies in the patch
    grown by the map; edges of the surface are left out, so it holds for r and w well below sqrt(A).

    Parameters
    ----------
    radius : r of the patch. side : w of a map. maps : k. area : A of the mock-up. One unit of
    length for all (area in its square).

    >>> round(missed_by_random_maps(24.6, 0.4, 2, 2500), 2)
    0.05
    """
    reached = (side**2 + 4 * side * radius + pi * radius**2) / area
    return max(0.0, 1 - reached) ** maps


def maps_needed(radius: float, side: float, area: float, chance: float = 0.05) -> int:
    """How many random maps miss a round patch with no more than this chance.

    The inverse of `missed_by_random_maps` in `maps`.

    >>> k = maps_needed(2.82, 0.4, 2500)
    >>> k, missed_by_random_maps(2.82, 0.4, k, 2500) <= 0.05
    (252, True)
    """
    missed = missed_by_random_maps(radius, side, 1, area)
    return 1 if missed <= chance else ceil(log(chance) / log(missed))


def largest_missed_patch(side: float, maps: int, area: float, chance: float = 0.05) -> float:
    """The area of the largest round patch that random maps still miss with this chance.

    The inverse of `missed_by_random_maps`, as an area; 0 where the maps alone cover so much that
    even a point is missed less often.

    >>> round(largest_missed_patch(0.4, 2, 2500) / 2500, 2)
    0.76
    """
    reached = area * (1 - chance ** (1 / maps))
    free = 4 * side**2 - pi * (side**2 - reached)
    radius = max(0.0, (sqrt(free) - 2 * side) / pi) if free > 0 else 0.0
    return pi * radius**2
