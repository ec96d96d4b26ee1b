"""Every address of the site."""

from django.contrib.auth import views as auth
from django.urls import include, path
from drf_spectacular.views import SpectacularAPIView, SpectacularSwaggerView

urlpatterns = [
    path("login/", auth.LoginView.as_view(redirect_authenticated_user=True), name="login"),
    path("logout/", auth.LogoutView.as_view(), name="logout"),
    path("api/v1/", include("jobs.api.urls")),
    path("api/v1/openapi.json", SpectacularAPIView.as_view(), name="openapi"),
    path("api/v1/docs/", SpectacularSwaggerView.as_view(url_name="openapi"), name="api-docs"),
    path("", include("jobs.urls")),
    path("", include("analytics.urls")),
    path("", include("shop.pages")),
]
