"""What several pages share: files for a spreadsheet, and who is at the device."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence

from django.http import HttpResponse

from jobs.selectors.floor import people_of
from jobs.selectors.pack import presser
from jobs.views.floor import WHO
from shop.models import Person, User
from shop.permissions import ShopRequest


def csv_answer(name: str, rows: Iterable[Sequence[str]]) -> HttpResponse:
    """Rows of text as a file of this name."""
    response = HttpResponse(
        content_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )
    csv.writer(response).writerows(rows)
    return response


def key_typed(text: str | None) -> int:
    """The key in an address or a form; 0, which is nothing's, where it is none."""
    return int(text) if text and text.isdecimal() and len(text) < 18 else 0


def current_person(request: ShopRequest) -> Person | None:
    """Who presses on this device; on one that is shared, only who said so."""
    people, chosen = people_of(request.shop), request.session.get(WHO)
    if getattr(request, "device", None) is not None:
        return next((one for one in people if one.pk == chosen), None)
    return presser(people, user_of(request), chosen if isinstance(chosen, int) else None)


def user_of(request: ShopRequest) -> User:
    """The log-in."""
    assert isinstance(request.user, User)  # noqa: S101 - for_role asks for a log-in
    return request.user
