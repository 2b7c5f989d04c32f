"""All addresses of the app."""

from django.contrib.auth import views as auth_views
from django.contrib.auth.decorators import login_not_required
from django.urls import URLPattern, URLResolver, include, path
from django.views.generic import TemplateView

from curriculum.forms import PasswordForm
from keyslip import views
from keyslip.sample import views as sample_views

urlpatterns: list[URLPattern | URLResolver] = [
    path("healthz", views.healthz, name="healthz"),
    path("phone/", views.phone, name="phone"),
    path("phone/code.svg", views.phone_code, name="phone-code"),
    path("phone/authority.crt", views.phone_authority, name="phone-authority"),
    path("care/", login_not_required(TemplateView.as_view(template_name="care.html")), name="care"),
    path("sign-in/", auth_views.LoginView.as_view(), name="login"),
    path("sign-out/", auth_views.LogoutView.as_view(), name="logout"),
    path("password/", auth_views.PasswordChangeView.as_view(form_class=PasswordForm), name="password_change"),
    path("password/done/", auth_views.PasswordChangeDoneView.as_view(), name="password_change_done"),
    path("sample/", sample_views.sample, name="sample"),
    path("sample/make/", sample_views.sample_make, name="sample-make"),
    path("sample/enter/", sample_views.sample_enter, name="sample-enter"),
    path("sample/remove/", sample_views.sample_remove, name="sample-remove"),
    path("", include("curriculum.urls")),
    path("", include("lessons.urls")),
    path("", include("reviews.urls")),
]
