"""Every press can be said in words."""

import pytest

from jobs.models import ClockEvent, Stage, TapKind
from jobs.templatetags.jobs_words import press_words


@pytest.mark.parametrize("kind", [kind for kind in TapKind if kind != TapKind.VOID])
def test_every_press_can_be_said(kind):
    stage, to_stage = Stage(name="Print"), Stage(name="Cut")
    event = ClockEvent(kind=kind, stage=stage, to_stage=to_stage if kind == TapKind.NEXT else None)
    assert "Print" in press_words(event)
