"""The jobs application."""

from django.apps import AppConfig


class JobsConfig(AppConfig):
    name = "jobs"

    def ready(self) -> None:
        """Give each new shop its stock of stage kinds, drivers, causes and routes."""
        from jobs import receivers  # noqa: F401
