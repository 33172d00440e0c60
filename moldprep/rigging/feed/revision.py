"""What one round of feeding changes."""

from dataclasses import dataclass
from typing import Final

from moldprep.records import RiggingPlan

ALL_IS_FED: Final = "all is fed"
"""Begins the reason of every saving."""


@dataclass(frozen=True, kw_only=True)
class Revision:
    """A changed plan.

    steps : (what was changed, the section or feeder it was changed for), one by one
    why   : what was wrong
    """

    plan: RiggingPlan
    steps: tuple[tuple[str, str], ...]
    why: tuple[str, ...]
