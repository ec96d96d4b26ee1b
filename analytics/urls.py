"""Addresses of the analytics pages."""

from django.urls import path

from analytics import views_durations, views_promise, views_time

app_name = "analytics"
urlpatterns = [
    path("durations/", views_durations.dashboard, name="dashboard"),
    path("durations/jobs/", views_durations.dashboard_jobs, name="dashboard-jobs"),
    path("durations/defaults/", views_durations.defaults, name="defaults"),
    path("enquiry/", views_promise.enquiry, name="enquiry"),
    path("jobs/<int:number>/time/", views_time.job_time_page, name="job-time"),
    path("jobs/<int:number>/time.csv", views_time.job_time_csv, name="job-time-csv"),
    path("jobs/<int:number>/promise/", views_promise.promise, name="promise"),
    path("jobs/<int:number>/promise/give/", views_promise.promise_give, name="promise-give"),
    path("jobs/<int:number>/promise/<int:promise_id>/undo/", views_promise.promise_undo, name="promise-undo"),
]
