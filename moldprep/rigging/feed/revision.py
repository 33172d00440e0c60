"""What one round of feeding changes."""

from dataclasses import dataclass

from moldprep.records import RiggingPlan, Step


@dataclass(frozen=True, kw_only=True)
class Revision:
    """A changed plan.

    steps : what was changed, one by one
    why   : what was wrong
    """

    plan: RiggingPlan
    steps: tuple[Step, ...]
    why: tuple[str, ...]
