"""Addresses of the analytics pages."""

from django.urls import path

from analytics import views_promise, views_time

app_name = "analytics"
urlpatterns = [
    path("enquiry/", views_promise.enquiry, name="enquiry"),
    path("jobs/<int:number>/time/", views_time.job_time_page, name="job-time"),
    path("jobs/<int:number>/time.csv", views_time.job_time_csv, name="job-time-csv"),
    path("jobs/<int:number>/promise/", views_promise.promise, name="promise"),
    path("jobs/<int:number>/promise/give/", views_promise.promise_give, name="promise-give"),
    path("jobs/<int:number>/promise/<int:promise_id>/undo/", views_promise.promise_undo, name="promise-undo"),
]
