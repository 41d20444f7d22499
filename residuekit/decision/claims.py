"""What an absence needs: enough mock-ups, and limits within the acceptance limit.

One rule each, for a verdict and for the plan of a study; numbers may be arrays.
"""

from __future__ import annotations

from typing import Any

#: Mock-ups below which nothing is claimed.
MIN_BLANKS = MIN_EXPOSED = 3
#: The scale margin that an absence needs where loadings rest on reference films (our choice).
SCALE_MARGIN = 3.0


def detectable_within(detection_limit: Any, acceptance_limit: float) -> Any:
    """Whether a loading at the acceptance limit would be detected."""
    return detection_limit <= acceptance_limit


def bounded_below(upper_bound: Any, acceptance_limit: float) -> Any:
    """Whether the mean of an arm lies below the acceptance limit, by its upper bound."""
    return upper_bound < acceptance_limit


def margin_kept(reach: Any, acceptance_limit: float, margin: float) -> Any:
    """Whether an absence would stand if what was left answered `margin` times as weakly as the film
    that its loadings rest on; `reach` is the larger of detection limit and upper bound."""
    return reach * margin <= acceptance_limit
