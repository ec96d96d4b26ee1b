"""What of a job was given to somebody outside the shop, so that it must not go without a trace."""

from __future__ import annotations

from collections.abc import Collection

from analytics.models import OpenAddress, Promise
from jobs.services.clock_reach import chunks
from shop.models import Shop

PROMISED = "a date was promised for it"
ADDRESS = "a page of it was opened to a customer"


def given_away(shop: Shop, job_ids: Collection[int]) -> list[tuple[int, str]]:
    """The jobs among these with a date that was ever given, or an address; and in words which."""
    found: list[tuple[int, str]] = []
    for some in chunks(sorted(job_ids)):
        for model, reason in ((Promise, PROMISED), (OpenAddress, ADDRESS)):
            keys = model.objects.of(shop).filter(job__in=some).order_by().values_list("job", flat=True)
            found += [(key, reason) for key in keys.distinct()]
    return found
