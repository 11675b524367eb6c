"""The one name of a telling, by which mail programs, gateways and links know a repeat from something else.

Made of what is told, never of row numbers: after a restore numbers are given out again, to other rows. A restored row
therefore repeats the name it went out under, and whatever is written anew gets another.
"""

import hashlib
import json

from accounts.told import kept_text
from scheduling.models import Delivery

LETTERS = 32


def telling_key(delivery: Delivery) -> str:
    """Return its name: the same at every try and after a restore. 32 hexadecimal letters.

    By the message as it is kept, so the name is the same in every language.

    `created_at` tells a matter that came back to an earlier moment from the one that stood there before.
    """
    reminder = delivery.reminder
    told = [
        *(reminder.subject_type, reminder.subject_id, reminder.kind, reminder.stage, kept_text(reminder.title)),
        *(reminder.created_at.isoformat(), reminder.due_at.isoformat()),
        *(delivery.rung, delivery.person_id, delivery.channel),
    ]
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()[:LETTERS]
