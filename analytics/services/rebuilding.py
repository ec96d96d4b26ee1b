"""Make everything that is derived again, from the clock events alone."""

from __future__ import annotations

from django.db import transaction

from analytics.models import JobOutlook
from analytics.services.learning import Progress, learn_shop
from jobs.models import Interval, Lap, Stage, StageState
from jobs.services.clock import fold_shop
from shop.models import Shop


def rebuild_shop(shop: Shop, progress: Progress = lambda text: None) -> int:
    """Fold all of a shop's events and learn all of its finished stages; how many samples there are.

    How the open jobs stand is forgotten: the watch works it out anew.
    """
    progress("Folding the clock events")
    with transaction.atomic():
        # The fold leaves a stage alone whose digest says that nothing changed: here nothing is to be believed.
        JobOutlook.objects.of(shop).delete()
        Interval.objects.of(shop).delete()
        Lap.objects.of(shop).delete()
        Stage.objects.of(shop).update(
            state=StageState.WAITING, started_at=None, finished_at=None, fold_digest=""
        )
        fold_shop(shop, announce=False)
    return learn_shop(shop, progress)
