"""Administration pages: for looking and for repairs. The daily work has pages of its own, with its rules."""

from typing import Any

from django.contrib import admin
from django.contrib.auth.admin import UserAdmin
from django.http import HttpRequest

from accounts.models import (
    ApiAnswer,
    Apiary,
    ApiToken,
    AuditEntry,
    Cooperative,
    Gateway,
    GuestLink,
    Invitation,
    Job,
    KeptMail,
    Member,
    MemberPerson,
    NotificationWish,
    OpenSession,
    Person,
    PushDevice,
    ReminderLead,
    RoleGrant,
    SavedView,
    Slowdown,
    Webhook,
    WebhookDelivery,
)


class OfPersonAdmin(admin.ModelAdmin):
    """For rows of one person, found by who that is."""

    list_select_related = ["person"]
    search_fields = ["person__name", "person__email"]
    autocomplete_fields = ["person"]


class ReadOnlyAdmin(admin.ModelAdmin):
    """For rows that the program alone writes."""

    def has_add_permission(self, request: HttpRequest) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False


@admin.register(Person)
class PersonAdmin(UserAdmin):
    list_display = ["name", "email", "is_active", "is_staff", "last_login"]
    list_filter = ["is_active", "is_staff"]
    search_fields = ["name", "email", "user_name"]
    ordering = ["name"]
    readonly_fields = ["last_login", "date_joined", "second_step_asked_at"]
    fieldsets = [
        (None, {"fields": ["email", "user_name", "password", "name", "phone", "time_zone", "language"]}),
        ("Access", {"fields": ["is_active", "is_staff", "is_superuser", "groups", "user_permissions"]}),
        ("When", {"fields": ["last_login", "date_joined", "second_step_asked_at"]}),
    ]
    add_fieldsets = [(None, {"fields": ["email", "name", "usable_password", "password1", "password2"]})]


@admin.register(Cooperative)
class CooperativeAdmin(admin.ModelAdmin):
    list_display = ["name", "time_zone", "language", "is_practice", "created_at"]
    search_fields = ["name"]


@admin.register(RoleGrant)
class RoleGrantAdmin(admin.ModelAdmin):
    list_display = ["person", "role", "cooperative", "granted_at"]
    list_filter = ["role", "cooperative"]
    list_select_related = ["person", "cooperative"]
    search_fields = ["person__name", "person__email"]
    autocomplete_fields = ["person", "cooperative"]


class MemberPersonInline(admin.TabularInline):
    model = MemberPerson
    extra = 0
    autocomplete_fields = ["person"]


@admin.register(Member)
class MemberAdmin(admin.ModelAdmin):
    list_display = ["name", "cooperative", "deputy", "left_on"]
    list_filter = ["cooperative"]
    list_select_related = ["cooperative", "deputy"]
    search_fields = ["name"]
    autocomplete_fields = ["cooperative", "deputy"]
    inlines = [MemberPersonInline]


@admin.register(MemberPerson)
class MemberPersonAdmin(admin.ModelAdmin):
    list_display = ["member", "person", "since"]
    list_select_related = ["member", "person"]
    search_fields = ["member__name", "person__name", "person__email"]
    autocomplete_fields = ["member", "person"]


@admin.register(Apiary)
class ApiaryAdmin(admin.ModelAdmin):
    list_display = ["name", "member", "place", "closed_on"]
    list_select_related = ["member"]
    search_fields = ["name", "place", "member__name"]
    autocomplete_fields = ["member"]


@admin.register(NotificationWish)
class NotificationWishAdmin(OfPersonAdmin):
    list_display = ["person", "kind", "channel", "wanted"]
    list_filter = ["kind", "channel", "wanted"]


@admin.register(ReminderLead)
class ReminderLeadAdmin(OfPersonAdmin):
    list_display = ["person", "kind", "minutes"]
    list_filter = ["kind"]


@admin.register(SavedView)
class SavedViewAdmin(OfPersonAdmin):
    list_display = ["person", "page", "name", "made_at", "removed_at"]
    list_filter = ["page", "cooperative"]
    search_fields = [*OfPersonAdmin.search_fields, "name"]


@admin.register(Job)
class JobAdmin(ReadOnlyAdmin):
    list_display = ["pk", "kind", "state", "step", "requested_by", "requested_at", "finished_at", "attempts"]
    list_filter = ["kind", "state", "cooperative"]
    list_select_related = ["requested_by"]
    search_fields = ["problem", "step"]
    date_hierarchy = "requested_at"


@admin.register(KeptMail)
class KeptMailAdmin(ReadOnlyAdmin):
    list_display = ["sent_at", "to", "subject"]
    search_fields = ["to", "subject", "message_id"]
    date_hierarchy = "sent_at"


@admin.register(AuditEntry)
class AuditEntryAdmin(ReadOnlyAdmin):
    list_display = ["at", "by_name", "action", "subject_type", "subject_name", "cooperative"]
    list_filter = ["subject_type", "cooperative"]
    list_select_related = ["cooperative"]
    search_fields = ["by_name", "action", "subject_name", "note"]
    date_hierarchy = "at"


@admin.register(Slowdown)
class SlowdownAdmin(ReadOnlyAdmin):
    list_display = ["key", "tries", "last_at", "free_at"]
    search_fields = ["key"]


@admin.register(PushDevice)
class PushDeviceAdmin(ReadOnlyAdmin):
    list_display = ["person", "name", "made_at", "last_sent_at", "ended_at"]
    list_select_related = ["person"]
    search_fields = ["person__name", "person__email", "name"]
    exclude = ["endpoint", "p256dh", "auth"]


@admin.register(Gateway)
class GatewayAdmin(ReadOnlyAdmin):
    list_display = ["cooperative", "url", "is_on", "last_good_at", "last_problem_at", "last_problem"]
    list_select_related = ["cooperative"]
    search_fields = ["cooperative__name", "url"]
    exclude = ["secret"]


@admin.register(ApiToken)
class ApiTokenAdmin(ReadOnlyAdmin):
    list_display = ["person", "name", "begins", "made_at", "expires_at", "last_used_at", "ended_at"]
    list_select_related = ["person"]
    search_fields = ["person__name", "person__email", "name", "begins"]
    exclude = ["token_hash"]


@admin.register(ApiAnswer)
class ApiAnswerAdmin(ReadOnlyAdmin):
    list_display = ["person", "key", "begun_at", "status"]
    list_select_related = ["person"]
    search_fields = ["person__name", "key"]
    exclude = ["body"]


@admin.register(OpenSession)
class OpenSessionAdmin(ReadOnlyAdmin):
    list_display = ["person", "device", "begun_at", "seen_at"]
    search_fields = ["person__name", "device"]
    exclude = ["session_key"]


@admin.register(Invitation)
class InvitationAdmin(ReadOnlyAdmin):
    list_display = ["name", "email", "cooperative", "made_by", "expires_at", "ended_at"]
    list_filter = ["cooperative"]
    search_fields = ["name", "email"]
    exclude = ["token_hash"]


@admin.register(Webhook)
class WebhookAdmin(ReadOnlyAdmin):
    list_display = ["name", "cooperative", "url", "is_on", "failing_since", "last_good_at", "ended_at"]
    list_filter = ["cooperative", "is_on"]
    search_fields = ["name", "url"]
    exclude = ["secret", "old_secret"]


@admin.register(WebhookDelivery)
class WebhookDeliveryAdmin(ReadOnlyAdmin):
    list_display = ["event", "webhook", "made_at", "state", "attempts", "answered", "problem"]
    list_filter = ["state"]
    list_select_related = ["webhook"]
    search_fields = ["event", "webhook__name"]


@admin.register(GuestLink)
class GuestLinkAdmin(ReadOnlyAdmin):
    list_display = ["name", "subject_type", "subject_id", "made_by", "expires_at", "ended_at", "last_used_at"]
    list_filter = ["cooperative"]
    search_fields = ["name"]
    exclude = ["token_hash"]
