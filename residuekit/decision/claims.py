"""What an absence needs: enough mock-ups, and limits within the acceptance limit.

One rule each, for a verdict and for the plan of a study; numbers may be arrays.
"""

from __future__ import annotations

from typing import Any

#: Mock-ups below which nothing is claimed.
MIN_BLANKS = MIN_EXPOSED = 3


def detectable_within(detection_limit: Any, acceptance_limit: float) -> Any:
    """Whether a loading at the acceptance limit would be detected."""
    return detection_limit <= acceptance_limit


def bounded_below(upper_bound: Any, acceptance_limit: float) -> Any:
    """Whether the mean of an arm lies below the acceptance limit, by its upper bound."""
    return upper_bound < acceptance_limit
