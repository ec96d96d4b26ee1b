"""Why nothing can be said of some work, in words for the shop's owner, with what to do about it."""

from __future__ import annotations

from analytics.engine.hours import NeverOpen
from analytics.engine.network import NetworkError
from analytics.engine.plan import CannotPlan
from analytics.engine.simulate import HorizonTooShort

REFUSALS = (CannotPlan, NetworkError, NeverOpen, HorizonTooShort)
"""What the simulation refuses."""


def refusal_said(problem: Exception) -> str:
    """A refusal as a sentence or two."""
    if isinstance(problem, NeverOpen):
        return "No opening hours are left in the next two years. Give the shop opening hours under Shop, Opening hours."
    if isinstance(problem, HorizonTooShort):
        return (
            f"The open work is more than the shop's hours hold in two years: '{problem.stage}' is not done by then. "
            "Add hours, people or machines under Shop, or cancel jobs that will not be made."
        )
    return str(problem)
