from django.urls import path

from accounts.views import passwords, session, settings

urlpatterns = [
    path("sign-in/", session.sign_in, name="sign_in"),
    path("sign-out/", session.sign_out, name="sign_out"),
    path("no-cooperative/", session.no_cooperative, name="no_cooperative"),
    path("more/", session.more, name="more"),
    path("look-as/", session.role, name="role"),
    path("cooperative/", session.cooperative, name="cooperative"),
    path("settings/", settings.settings_page, name="settings"),
    path("settings/email/", settings.email, name="email"),
    path("settings/password/", passwords.change, name="password"),
    path("password/", passwords.link_ask, name="password_reset"),
    path("password/sent/", passwords.link_sent, name="password_link_sent"),
    path("password/new/<uidb64>/<token>/", passwords.NewPassword.as_view(), name="password_new"),
]
