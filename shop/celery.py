"""The Celery application: one for the embedded worker and for any number of them behind Redis."""

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.settings")

app = Celery("lapwright")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
