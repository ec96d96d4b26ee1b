"""A job's ticket: a page that prints, and a PDF."""

from __future__ import annotations

from django.http import Http404, HttpResponse
from django.views.decorators.http import require_GET

from jobs.models import Job
from jobs.ticket.codes import code_128, qr_code
from jobs.ticket.contents import BOX, Ticket, ticket_of
from jobs.ticket.pdf import paper_of, ticket_pdf
from jobs.views.pages import page
from shop.models import Role
from shop.permissions import ShopRequest, for_role


@require_GET
@for_role(Role.VIEWER)
def ticket(request: ShopRequest, number: int) -> HttpResponse:
    """The ticket as a page, made for paper."""
    found = _ticket(request, number)
    context = {
        "ticket": found,
        "job": found.job,
        "box": BOX,
        "qr": qr_code(found.address),
        "bars": code_128(str(number)),
        "paper": paper_of(request.shop.units),
    }
    return page(request, "jobs/ticket.html", context)


@require_GET
@for_role(Role.VIEWER)
def ticket_file(request: ShopRequest, number: int) -> HttpResponse:
    """The ticket as a PDF; `paper` is 'a4' or 'letter'."""
    paper = paper_of(request.shop.units, request.GET.get("paper", ""))
    return HttpResponse(
        ticket_pdf(_ticket(request, number), paper),
        content_type="application/pdf",
        headers={"Content-Disposition": f'inline; filename="ticket-{number}.pdf"'},
    )


def _ticket(request: ShopRequest, number: int) -> Ticket:
    try:
        return ticket_of(request.shop, number, request.build_absolute_uri("/"))
    except Job.DoesNotExist:
        raise Http404("There is no such job.") from None
