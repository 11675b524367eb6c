"""The proxy's own file, with the real proxy and the real web process behind it."""

import gzip
import json
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.processes import ROOT, clean_environment, fetch, spare_port, started, wait_until

pytestmark = pytest.mark.proxy


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    """Address of the proxy and the folder of collected files."""
    folder = tmp_path_factory.mktemp("proxy")
    web, port, admin = spare_port(), spare_port(), spare_port()
    address, static = f"http://127.0.0.1:{port}", folder / "static"
    env = clean_environment(
        BROODTIDE_DATA_DIR=str(folder / "data"),
        BROODTIDE_STATIC_ROOT=str(static),
        BROODTIDE_ADDRESS=address,
        BROODTIDE_UPSTREAM=f"127.0.0.1:{web}",
        BROODTIDE_PROXY_STATIC=str(static),
        BROODTIDE_PROXY_ADMIN_PORT=str(admin),
        BROODTIDE_BEHIND_PROXY="1",
        BROODTIDE_HTTPS="1",
        XDG_DATA_HOME=str(folder),
        XDG_CONFIG_HOME=str(folder),
    )
    collect = [sys.executable, "manage.py", "collectstatic", "--no-input", "--verbosity", "0"]
    subprocess.run(collect, cwd=ROOT, env=env, check=True, capture_output=True)
    gunicorn = ["gunicorn", "config.wsgi:application", "--bind", f"127.0.0.1:{web}", "--no-control-socket"]
    caddy = ["caddy", "run", "--adapter", "caddyfile", "--config", "deploy/Caddyfile"]
    with started(gunicorn, env=env) as behind, started(caddy, env=env) as before:
        wait_until(lambda: fetch(f"{address}/healthz/live")[0] == 200, seconds=60, of=[behind, before])
        yield address, static


def hashed_name(static: Path, name: str) -> str:
    return str(json.loads((static / "staticfiles.json").read_text())["paths"][name])


def test_the_web_process_is_behind_it(site: tuple[str, Path]) -> None:
    assert fetch(f"{site[0]}/healthz/live") == (200, "alive\n")


def test_static_files_come_from_the_proxy_packed_and_kept_for_ever(site: tuple[str, Path]) -> None:
    address, static = site
    name = hashed_name(static, "admin/css/base.css")
    request = urllib.request.Request(f"{address}/static/{name}", headers={"Accept-Encoding": "gzip"})
    with urllib.request.urlopen(request, timeout=10) as answer:
        assert answer.headers["Cache-Control"] == "public, max-age=31536000, immutable"
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert answer.headers["Content-Encoding"] == "gzip"
        assert gzip.decompress(answer.read()) == (static / name).read_bytes()


def test_a_name_without_a_hash_is_asked_for_anew(site: tuple[str, Path]) -> None:
    with urllib.request.urlopen(f"{site[0]}/static/admin/css/base.css", timeout=10) as answer:
        assert "immutable" not in answer.headers.get("Cache-Control", "")


def test_no_file_outside_the_folder_is_given(site: tuple[str, Path]) -> None:
    address, static = site
    key = (static.parent / "data/secret_key").read_text()
    for way in ("../data/secret_key", "%2e%2e/data/secret_key", "..%2fdata/secret_key"):
        status, text = fetch(f"{address}/static/{way}")
        assert status in {301, 400, 404}
        assert key not in text


def test_a_visitor_cannot_claim_to_have_come_by_https(site: tuple[str, Path]) -> None:
    status, place = fetch(f"{site[0]}/", headers={"X-Forwarded-Proto": "https"})
    assert status == 301
    assert place.startswith("https://")
