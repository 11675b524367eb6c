"""The embedded installation's own secret key: made once, kept beside its data, readable by its owner only."""

import os
import secrets
from pathlib import Path


def local_secret_key(data_dir: Path) -> str:
    path = data_dir / "secret_key"
    data_dir.mkdir(parents=True, exist_ok=True)
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        return path.read_text(encoding="utf-8").strip()
    key = secrets.token_urlsafe(60)
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        file.write(key)
    return key
