"""Addresses of the REST API."""

from django.urls import path

from jobs.api import views

urlpatterns = [
    path("taps", views.Taps.as_view(), name="api-taps"),
    path("jobs", views.Jobs.as_view(), name="api-jobs"),
    path("jobs/<int:number>", views.JobDetail.as_view(), name="api-job"),
    path(
        "jobs/<int:number>/stages/<int:stage_id>/estimate",
        views.StageEstimate.as_view(),
        name="api-stage-estimate",
    ),
    path("stages/running", views.RunningStages.as_view(), name="api-stages-running"),
]
