"""What the tests of the board on the wall do elsewhere in the shop."""

import uuid

from django.test import Client
from django.utils import timezone

from jobs.models import Stage
from shop.models import User
from tests.analytics.floor import QuayFloor


def press_by_api(floor: QuayFloor, kind: str, stage: Stage) -> None:
    """Ann presses on a device elsewhere; the server has it afterwards."""
    client, now = Client(), timezone.now().isoformat()
    client.force_login(User.objects.get(username="maker"), "django.contrib.auth.backends.ModelBackend")
    tap = {"id": str(uuid.uuid4()), "kind": kind, "stage": stage.pk, "at": now, "person": floor.ann.pk}
    answer = client.post("/api/v1/taps", {"sent_at": now, "taps": [tap]}, content_type="application/json")
    assert [one["status"] for one in answer.json()["results"]] == ["stored"]
