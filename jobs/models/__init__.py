"""Jobs, their routes, and the stopwatch's events."""

from jobs.models.clock import Cause, ClockEvent, Interval, IntervalKind, TapKind
from jobs.models.jobs import Customer, Item, Job, JobStatus, Stage, StageEdge, StageState
from jobs.models.routes import (
    Attendance,
    Category,
    Driver,
    EdgeKind,
    JobType,
    Needed,
    RouteEdge,
    RouteStage,
    StageKind,
)

__all__ = [
    "Attendance",
    "Category",
    "Cause",
    "ClockEvent",
    "Customer",
    "Driver",
    "EdgeKind",
    "Interval",
    "IntervalKind",
    "Item",
    "Job",
    "JobStatus",
    "JobType",
    "Needed",
    "RouteEdge",
    "RouteStage",
    "Stage",
    "StageEdge",
    "StageKind",
    "StageState",
    "TapKind",
]
