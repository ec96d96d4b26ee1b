"""Jobs, their routes, and the stopwatch's events."""

from jobs.models.clock import Cause, ClockEvent, Element, Interval, IntervalKind, Lap, TapKind
from jobs.models.corrections import Correction, CorrectionKind
from jobs.models.importing import ColumnMapping, DraftState, ImportDraft, ImportedStage
from jobs.models.jobs import (
    Customer,
    Item,
    Job,
    JobStatus,
    Stage,
    StageEdge,
    StageState,
    VisitWindow,
)
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
    "ColumnMapping",
    "Correction",
    "CorrectionKind",
    "Customer",
    "DraftState",
    "Driver",
    "EdgeKind",
    "Element",
    "ImportDraft",
    "ImportedStage",
    "Interval",
    "IntervalKind",
    "Item",
    "Job",
    "JobStatus",
    "JobType",
    "Lap",
    "Needed",
    "RouteEdge",
    "RouteStage",
    "Stage",
    "StageEdge",
    "StageKind",
    "StageState",
    "TapKind",
    "VisitWindow",
]
