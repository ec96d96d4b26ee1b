"""The analytics application."""

from django.apps import AppConfig


class AnalyticsConfig(AppConfig):
    name = "analytics"

    def ready(self) -> None:
        """Learn each stage that the stopwatch finishes."""
        from analytics import receivers  # noqa: F401
