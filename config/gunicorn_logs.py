"""The web process's logs without secret paths. Named on its command line: `--logger-class`."""

from typing import Any

from gunicorn.glogging import Logger

from config.logs import SecretPaths, without_secrets


class QuietLogger(Logger):  # type: ignore[misc]
    """One request a line, as ever; what failed is said too, both without the secret."""

    def setup(self, cfg: Any) -> None:
        super().setup(cfg)
        self.error_log.addFilter(SecretPaths())

    def atoms(self, resp: Any, req: Any, environ: Any, request_time: Any) -> dict[str, Any]:
        found = super().atoms(resp, req, environ, request_time)
        return {key: without_secrets(value) if isinstance(value, str) else value for key, value in found.items()}
