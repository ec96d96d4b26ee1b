"""Addresses of the jobs pages."""

from django.urls import path

from jobs import views_floor, views_jobs, views_routes

app_name = "jobs"
urlpatterns = [
    path("floor/", views_floor.floor, name="floor"),
    path("floor/who/", views_floor.who, name="who"),
    path("floor/<int:number>/", views_floor.stopwatch_page, name="stopwatch"),
    path("floor/<int:number>/press/", views_floor.press, name="press"),
    path("jobs/", views_jobs.job_list, name="job-list"),
    path("jobs/jobs.csv", views_jobs.job_csv, name="job-csv"),
    path("jobs/<int:number>/", views_jobs.job_detail, name="job"),
    path("jobs/<int:number>/edit/", views_jobs.job_edit, name="job-edit"),
    path("jobs/<int:number>/cancel/", views_jobs.job_cancel_page, name="job-cancel"),
    path("jobs/<int:number>/reopen/", views_jobs.job_reopen_press, name="job-reopen"),
    path("jobs/<int:number>/stages/", views_jobs.stage_add_press, name="stage-add"),
    path(
        "jobs/<int:number>/stages/<int:stage_id>/leave-out/",
        views_jobs.stage_leave_out_press,
        name="stage-leave-out",
    ),
    path(
        "jobs/<int:number>/stages/<int:stage_id>/take-in/",
        views_jobs.stage_take_in_press,
        name="stage-take-in",
    ),
    path("customers/", views_jobs.customer_list, name="customer-list"),
    path("customers/<int:customer_id>/", views_jobs.customer_detail, name="customer"),
    path("job-types/", views_routes.job_types, name="job-types"),
    path("job-types/<int:job_type_id>/", views_routes.job_type, name="job-type"),
    path("job-types/<int:job_type_id>/name/", views_routes.job_type_rename_press, name="job-type-rename"),
    path("job-types/<int:job_type_id>/retire/", views_routes.job_type_retire_press, name="job-type-retire"),
    path("stage-kinds/", views_routes.stage_kinds, name="stage-kinds"),
    path("stage-kinds/new/", views_routes.stage_kind, name="stage-kind-new"),
    path("stage-kinds/<int:kind_id>/", views_routes.stage_kind, name="stage-kind"),
]
