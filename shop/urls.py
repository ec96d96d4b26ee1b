"""Every address of the site."""

from django.contrib.auth.views import LogoutView
from django.urls import include, path
from drf_spectacular.views import SpectacularJSONAPIView, SpectacularSwaggerView

from shop.views import access

urlpatterns = [
    path("login/", access.LogIn.as_view(), name="login"),
    path("logout/", LogoutView.as_view(), name="logout"),
    path("password/", access.change_password, name="password-change"),
    path("password/<uidb64>/<token>/", access.ChoosePassword.as_view(), name="password-choose"),
    path("api/v1/", include("jobs.api.urls")),
    path("api/v1/openapi.json", SpectacularJSONAPIView.as_view(), name="openapi"),
    path("api/v1/docs/", SpectacularSwaggerView.as_view(url_name="openapi"), name="api-docs"),
    path("", include("jobs.urls")),
    path("", include("analytics.urls")),
    path("", include("shop.views.urls")),
]
