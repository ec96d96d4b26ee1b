"""manage.py load_demo: make the demo shop, once."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from fixtures.demo.making import demo_make
from jobs.models import Job, JobStatus
from shop.errors import BadInput
from shop.launch import DEMO_PASSWORD, DEMO_USERS


class Command(BaseCommand):
    help = (
        "Make an invented shop with a year of finished work and a dozen open jobs, dated up to this moment. "
        "Where it is there already, nothing changes."
    )

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            shop = demo_make(timezone.now())
        except BadInput as error:
            raise CommandError(error.message) from error
        if options["verbosity"] == 0:
            return
        if shop is None:
            self.stdout.write("The demo shop is there already; nothing was changed.")
            return
        finished = Job.objects.of(shop).filter(status=JobStatus.FINISHED).count()
        self.stdout.write(
            f"{shop.name} is made: {finished} finished jobs. Log in as {', '.join(DEMO_USERS[:-1])} or "
            f"{DEMO_USERS[-1]}; password {DEMO_PASSWORD}."
        )
