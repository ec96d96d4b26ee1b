"""Figures from plain numbers. Pure; colours are the page's own tokens, filled in where the figure is drawn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import plotly.graph_objects as go


@dataclass(frozen=True)
class Spread:
    """A group of durations in minutes: how many, its quantiles, and the address of what it is made of."""

    name: str
    n: int
    p10: float
    p50: float
    p80: float
    p90: float
    url: str


HOURS = 60.0
WORK_AXIS = "Minutes at work"
WAIT_AXIS = "Hours elapsed"


def spread_figure(groups: Sequence[Spread], *, waits: bool = False) -> dict[str, Any]:
    """A bar from p10 to p90 for each group with a mark at the median; pressing it follows the group's address.

    waits: they are holds, whose elapsed time is drawn in hours, not minutes.
    """
    unit, word = (HOURS, "h") if waits else (1.0, "min")
    names = [f"{group.name} ({group.n})" for group in groups]
    hover = [
        f"{group.name}: half within {group.p50 / unit:.0f} {word}, eight in ten within {group.p80 / unit:.0f} {word}"
        for group in groups
    ]
    urls = [group.url for group in groups]
    bars = go.Bar(
        y=names,
        x=[(group.p90 - group.p10) / unit for group in groups],
        base=[group.p10 / unit for group in groups],
        orientation="h",
        width=0.5,
        name="one in ten to nine in ten",
        marker={"color": "var(--stage-1)", "line": {"color": "var(--ink)", "width": 1}},
        customdata=urls,
        hovertext=hover,
        hoverinfo="text",
    )
    medians = go.Scatter(
        y=names,
        x=[group.p50 / unit for group in groups],
        mode="markers",
        name="half within",
        marker={
            "color": "var(--ink)",
            "symbol": "line-ns",
            "size": 26,
            "line": {"width": 3, "color": "var(--ink)"},
        },
        customdata=urls,
        hovertext=hover,
        hoverinfo="text",
    )
    eighties = go.Scatter(
        y=names,
        x=[group.p80 / unit for group in groups],
        mode="markers",
        name="eight in ten within",
        marker={"color": "var(--ink)", "symbol": "diamond", "size": 11},
        customdata=urls,
        hovertext=hover,
        hoverinfo="text",
    )
    figure = go.Figure([bars, medians, eighties])
    figure.update_layout(
        xaxis={"title": {"text": WAIT_AXIS if waits else WORK_AXIS}, "rangemode": "tozero"},
        yaxis={"autorange": "reversed"},
        margin={"t": 40, "r": 20, "b": 56, "l": 12},
    )
    return {"data": [trace.to_plotly_json() for trace in figure.data], "layout": _plain_layout(figure)}


def _plain_layout(figure: go.Figure) -> dict[str, Any]:
    """The layout without Plotly's own template: the page dresses the figure."""
    layout: dict[str, Any] = figure.layout.to_plotly_json()
    layout.pop("template", None)
    return layout
