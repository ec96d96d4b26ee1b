"""The Django project and the shop's own facts: people, machines, processes, media, hours."""

from shop.celery import app as celery_app

__all__ = ["celery_app"]
