"""Whether the program can serve: its database answers, and has every migration."""

import logging
from collections.abc import Callable

from django.db import DatabaseError, connection
from django.db.migrations.exceptions import MigrationSchemaMissing
from django.db.migrations.executor import MigrationExecutor
from django.http import HttpRequest, HttpResponse

ADDRESS = "/healthz"
log = logging.getLogger(__name__)


class HealthMiddleware:
    """Answer `GET /healthz` before anything else: for any host, over http, without a session."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response
        self.migrated = False  # once true, true until the next start

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if request.path != ADDRESS:
            return self.get_response(request)
        trouble = self.trouble()
        answer = HttpResponse(trouble or "ok", status=503 if trouble else 200, content_type="text/plain")
        answer["Cache-Control"] = "no-store"
        return answer

    def trouble(self) -> str:
        """Why the program cannot serve; empty when it can."""
        try:
            with connection.cursor() as cursor:
                cursor.execute("SELECT 1")
            self.migrated = self.migrated or not pending_migrations()
        except (DatabaseError, MigrationSchemaMissing) as error:
            log.error("The database does not answer: %s", error)
            return "The database does not answer; the log says more."
        return "" if self.migrated else "The database lacks migrations: run manage.py migrate."


def pending_migrations() -> int:
    """How many migrations the database still lacks."""
    executor = MigrationExecutor(connection)
    return len(executor.migration_plan(executor.loader.graph.leaf_nodes()))
