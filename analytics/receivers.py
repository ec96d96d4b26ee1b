"""What happens in analytics when the stopwatch moved."""

from typing import Any

from django.dispatch import receiver

from analytics.tasks import enqueue_learning
from jobs.signals import stages_folded


@receiver(stages_folded)
def learn_folded(stage_ids: list[int], **_: Any) -> None:
    """Hand each refolded stage to the worker; the sweep finds those that a dead broker did not take."""
    for stage_id in stage_ids:
        enqueue_learning(stage_id)
