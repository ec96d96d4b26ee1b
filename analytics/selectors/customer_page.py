"""What a job's customer is told: how it stands, and the date. Nothing else leaves the shop."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from jobs.models import Job, JobStatus


@dataclass(frozen=True)
class CustomerView:
    """How the job stands in plain words, its date while that says something, whether it passed, whether it has none."""

    status: str
    due_at: datetime | None
    overdue: bool
    undated: bool


_WORDS = {
    JobStatus.ENQUIRY: "We have your enquiry.",
    JobStatus.PROMISED: "Your job is booked in. Work on it has not begun.",
    JobStatus.IN_HAND: "We are working on your job.",
    JobStatus.FINISHED: "Your job is finished.",
    JobStatus.CANCELLED: "Your job is cancelled.",
}


def customer_view(job: Job, now: datetime) -> CustomerView:
    """The view of a job at `now` (aware)."""
    status = JobStatus(job.status)
    is_open = status not in (JobStatus.FINISHED, JobStatus.CANCELLED)
    due = job.due_at if is_open else None
    return CustomerView(_WORDS[status], due, due is not None and due < now, is_open and due is None)
