from django.urls import path

from accounts.views import apiaries, forgetting, invitations, people, records, second_step

urlpatterns = [
    path("members/", people.member_list, name="members"),
    path("members/table/", people.members_csv, name="members_csv"),
    path("members/add/", people.member_new, name="member_add"),
    path("members/<int:pk>/", people.member, name="member"),
    path("members/<int:pk>/edit/", people.member_edit, name="member_edit"),
    path("members/<int:pk>/leave/", people.member_end, name="member_leave"),
    path("members/<int:pk>/return/", people.member_back, name="member_return"),
    path("members/<int:pk>/persons/<int:person_pk>/remove/", people.person_leaves_member, name="member_person_remove"),
    path("persons/add/", invitations.person_new, name="person_add"),
    path("persons/invitations/<int:pk>/again/", invitations.again, name="invitation_again"),
    path("persons/invitations/<int:pk>/end/", invitations.end, name="invitation_end"),
    path("join/<str:token>/", invitations.join, name="join"),
    path("persons/<int:pk>/", people.person, name="person"),
    path("persons/<int:pk>/join/", people.person_join, name="person_join"),
    path("persons/<int:pk>/link/", people.person_link, name="person_link"),
    path("persons/<int:pk>/second-step/reset/", second_step.reset, name="second_step_reset"),
    path("persons/<int:pk>/forget/", forgetting.person, name="person_forget"),
    path("apiaries/", apiaries.apiary_list, name="apiaries"),
    path("apiaries/add/", apiaries.apiary_new, name="apiary_add"),
    path("apiaries/<int:pk>/", apiaries.apiary, name="apiary"),
    path("apiaries/<int:pk>/close/", apiaries.apiary_end, name="apiary_close"),
    path("apiaries/<int:pk>/reopen/", apiaries.apiary_open_again, name="apiary_reopen"),
    path("history/", records.history, name="history"),
    path("history/<str:subject_type>/<int:subject_id>/", records.history, name="history"),
    path("history/table/", records.history_csv, name="history_csv"),
    path("history/<str:subject_type>/<int:subject_id>/table/", records.history_csv, name="history_csv"),
    path("mail/", records.mail_list, name="mail"),
    path("mail/<int:pk>/", records.mail_read, name="mail_read"),
]
