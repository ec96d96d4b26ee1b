"""What the pages of long work have in common: it is begun, watched, stopped, taken up again and removed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any, Generic

from django import forms
from django.contrib import messages
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.utils.crypto import salted_hmac

from analytics.services.long_work import LongWorks, Work
from jobs.views.pages import page
from shop.errors import BadInput, ShopError
from shop.permissions import ShopRequest


def refused(form: forms.Form, problem: ShopError, message: str = "") -> None:
    """Say at the field of a form, or at its head, what is wrong. message: in other words than the problem's."""
    at = problem.field if isinstance(problem, BadInput) and problem.field in form.fields else None
    form.add_error(at, message or problem.message)


@dataclass(frozen=True)
class LongWorkPages(Generic[Work]):
    """The pages of one kind of long work.

    enqueue: asks the workers for rows by key. one, all_of: names of the addresses of one and of all. whole, part:
    templates of a page, and of the part of it that moves.
    """

    works: LongWorks[Work]
    enqueue: Callable[[Iterable[int]], None]
    one: str
    all_of: str
    whole: str
    part: str

    def begin(self, make: Callable[[], Work]) -> HttpResponse:
        """Make a row, ask the workers for it and go to its page. Raises ShopError as `make` does."""
        with transaction.atomic():
            row = make()
            transaction.on_commit(partial(self.enqueue, [row.pk]))
        return redirect(self.one, row.pk)

    def shown(
        self, request: ShopRequest, row: Work, context: Mapping[str, Any], *state: object
    ) -> HttpResponse:
        """The page of a row; with X-Part only the part that moves. state: what else the page hangs on."""
        said = " ".join(map(str, (row.pk, row.state, row.done, row.error, request.membership.role, *state)))
        tag = f'"{salted_hmac(self.works.noun, said).hexdigest()[:16]}"'
        headers = {"ETag": tag, "Cache-Control": "private, no-cache", "Vary": "Cookie, X-Part"}
        part = "X-Part" in request.headers
        if part and request.headers.get("If-None-Match") == tag:
            return HttpResponse(status=304, headers=headers)
        known = {"under_way": row.is_under_way, "may_go_on": row.may_go_on, "tag": tag}
        answer = page(request, self.part if part else self.whole, {**known, **context})
        for header, value in headers.items():
            answer[header] = value
        return answer

    def done(
        self, request: ShopRequest, row: Work, action: Callable[[Work], None], said: str = ""
    ) -> HttpResponse:
        """Do something with a row, say how it went, and show it again."""
        try:
            action(row)
            if said:
                messages.success(request, said)
        except ShopError as problem:
            messages.error(request, problem.message)
        return redirect(self.one, row.pk)

    def stop(self, request: ShopRequest, row: Work) -> HttpResponse:
        """Let it rest where it is."""
        return self.done(request, row, self.works.stop)

    def go_on(self, request: ShopRequest, row: Work) -> HttpResponse:
        """Let it go on where it rests."""

        def again(one: Work) -> None:
            with transaction.atomic():
                self.works.go_on(one, timezone.now())
                transaction.on_commit(partial(self.enqueue, [one.pk]))

        return self.done(request, row, again)

    def remove(
        self, request: ShopRequest, row: Work, delete: Callable[[Work], Any] | None = None
    ) -> HttpResponse:
        """Remove it; a worker that is at it leaves off. delete: how, if it can be refused."""
        try:
            (delete or type(row).delete)(row)
        except ShopError as problem:
            messages.error(request, problem.message)
            return redirect(self.one, row.pk)
        messages.success(request, f"The {self.works.noun} is removed.")
        return redirect(self.all_of)
