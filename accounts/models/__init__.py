from accounts.models.audit import AuditEntry
from accounts.models.cooperative import Cooperative, Role, RoleGrant
from accounts.models.job import Job, JobState
from accounts.models.mail import KeptMail
from accounts.models.member import Apiary, Member, MemberPerson
from accounts.models.person import Person
from accounts.models.slowdown import Slowdown
from accounts.models.wish import Channel, NotificationWish

__all__ = [
    "Apiary",
    "AuditEntry",
    "Channel",
    "Cooperative",
    "Job",
    "JobState",
    "KeptMail",
    "Member",
    "MemberPerson",
    "NotificationWish",
    "Person",
    "Role",
    "RoleGrant",
    "Slowdown",
]
