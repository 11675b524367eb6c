"""What never stands in a log: links that are keys by themselves (calendars, buttons of mails, new passwords,
invitations, cards for guests)."""

import logging
import re
from typing import Any

SECRET_PATH = re.compile(r"/(calendar|tap|password/new|join|card)/[^\s?\"']+")


def without_secrets(text: str) -> str:
    return SECRET_PATH.sub(r"/\1/-", text)


class SecretPaths(logging.Filter):
    """Takes the secret out of every record that names such a path, in its words and in what they are filled with."""

    def filter(self, record: logging.LogRecord) -> bool:
        record.msg = without_secrets(record.msg) if isinstance(record.msg, str) else record.msg
        if isinstance(record.args, tuple):
            record.args = tuple(_clean(one) for one in record.args)
        elif isinstance(record.args, dict):
            record.args = {key: _clean(value) for key, value in record.args.items()}
        return True


def _clean(value: Any) -> Any:
    return without_secrets(value) if isinstance(value, str) else value
