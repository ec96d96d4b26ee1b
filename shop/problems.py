"""API errors as RFC 9457 problem details."""

from typing import Any

from rest_framework.exceptions import APIException, ValidationError
from rest_framework.response import Response
from rest_framework.views import exception_handler

from shop.errors import ShopError

MEDIA_TYPE = "application/problem+json"


def problem(status: int, title: str, detail: str, **more: Any) -> Response:
    """A problem-details response (RFC 9457): type, title, status, detail and any extension members."""
    body = {"type": "about:blank", "title": title, "status": status, "detail": detail, **more}
    return Response(body, status=status, content_type=MEDIA_TYPE)


def problem_details(error: Exception, context: dict[str, Any]) -> Response | None:
    """Turn what a view raised into a problem-details response; None for what is not ours to explain."""
    if isinstance(error, ShopError):
        more = {"field": error.field} if error.field else {}
        return problem(error.status, error.title, error.message, **more)
    response = exception_handler(error, context)
    if response is None:
        return None
    if isinstance(error, ValidationError):
        result = problem(
            response.status_code, "Please check what you sent", "Some values are wrong.", errors=error.detail
        )
    else:
        detail = error.detail if isinstance(error, APIException) else str(error) or response.status_text
        result = problem(response.status_code, response.status_text, str(detail))
    for header in ("WWW-Authenticate", "Retry-After"):
        if header in response.headers:
            result[header] = response.headers[header]
    return result
