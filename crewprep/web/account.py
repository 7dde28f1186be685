"""Signing in and out."""

from __future__ import annotations

from django.contrib.auth.views import LoginView, LogoutView
from django.urls import path

from crewprep.common.policy import Policy, declare
from crewprep.web.forms import SignInForm

sign_in = declare(Policy.PUBLIC)(LoginView.as_view(authentication_form=SignInForm, redirect_authenticated_user=True))
sign_out = declare(Policy.PUBLIC)(LogoutView.as_view())

urlpatterns = [
    path("sign-in/", sign_in, name="sign-in"),
    path("sign-out/", sign_out, name="sign-out"),
]
