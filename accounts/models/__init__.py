from accounts.models.api import ApiAnswer, ApiToken, Scope
from accounts.models.audit import AuditEntry
from accounts.models.cooperative import Cooperative, Role, RoleGrant
from accounts.models.guest_link import GuestLink
from accounts.models.invitation import Invitation
from accounts.models.job import Job, JobState
from accounts.models.mail import KeptMail
from accounts.models.member import Apiary, Member, MemberPerson
from accounts.models.open_session import OpenSession
from accounts.models.person import Person
from accounts.models.slowdown import Slowdown
from accounts.models.view import SavedView
from accounts.models.way_out import Gateway, PushDevice
from accounts.models.webhook import Webhook, WebhookDelivery, WebhookState
from accounts.models.wish import Channel, NotificationWish, ReminderLead

__all__ = [
    "ApiAnswer",
    "ApiToken",
    "Apiary",
    "AuditEntry",
    "Channel",
    "Cooperative",
    "Gateway",
    "GuestLink",
    "Invitation",
    "Job",
    "JobState",
    "KeptMail",
    "Member",
    "MemberPerson",
    "NotificationWish",
    "OpenSession",
    "Person",
    "PushDevice",
    "ReminderLead",
    "Role",
    "RoleGrant",
    "SavedView",
    "Scope",
    "Slowdown",
    "Webhook",
    "WebhookDelivery",
    "WebhookState",
]
