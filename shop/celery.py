"""The Celery application: one for the embedded worker and for any number of them behind Redis."""

import os

from celery import Celery
from kombu.transport import TRANSPORT_ALIASES

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.settings")
TRANSPORT_ALIASES["folder"] = "shop.broker:FolderTransport"

app = Celery("lapwright")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
